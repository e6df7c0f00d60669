//! The client of the link for who closes the speed loop outside: phases acknowledged, every feedback answered with a
//! torque.
//!
//! What it does not: a control law ([`SpeedController`] is one's own), sockets or clocks. Start reading at [`serve`].

use crate::method::axis::Stop;
use crate::method::client::{EMPTY_WAITS_FOR_RESULT, EMPTY_WAITS_MAX, Opening, Transport, framed, next};
use crate::wire::message::{
    Accept, Close, CloseReason, Frame, Message, Open, Phase, PhaseKind, Probe, ResultFrame, SettingList, SettingRow,
    Text, TorqueCommandFrame, TorqueFeedbackFrame, TorqueSample, TorqueValue, TorqueValues,
};

/// The controlword of a drive in operation enabled.
const ENABLE_OPERATION: u16 = 0x000F;

/// A speed controller outside the drive.
pub trait SpeedController {
    /// Takes the facts of the run and the drive's settings before anything moves.
    ///
    /// # Errors
    /// A run that it cannot control; why.
    fn begin(&mut self, accept: &Accept, settings: &[SettingRow]) -> Result<(), Stop>;

    /// Loses its state: a phase begins.
    fn reset(&mut self);

    /// The torque of one tick in Nm, from its sample.
    fn torque_nm(&mut self, sample: &TorqueSample) -> f64;
}

/// Serves a whole trial: opens the link, says done at once, then controls every examination until the verdict.
///
/// # Errors
/// A refusal in the bench's words, a bench that does not answer, or the controller's own reason.
pub fn serve<T: Transport>(
    transport: T,
    token: [u8; 16],
    name: &str,
    controller: &mut dyn SpeedController,
) -> Result<ResultFrame, Stop> {
    let mut opening = Opening { transport, sequence: 1 };
    let accept = opening.accepted(&Message::Open(Open { token, name: Text::new(name) }))?;
    let Opening { mut transport, sequence } = opening;
    transport.follow(accept.port)?;
    let mut client =
        Client { transport, sequence, controller, phase: None, waiting: None, exchange: None, answer: Vec::new() };
    client.say(Message::Probe(Probe { nonce: accept.nonce }))?;
    let settings = client.settings()?;
    client.controller.begin(&accept, &settings)?;
    if let Some(feedback) = client.waiting.take() {
        client.feedback(&feedback)?;
    }
    client.serve()
}

/// One side of a running connection.
struct Client<'a, T> {
    transport: T,
    sequence: u32,
    controller: &'a mut dyn SpeedController,
    phase: Option<Phase>,
    /// A feedback that came before the controller was ready.
    waiting: Option<TorqueFeedbackFrame>,
    /// The exchange that was answered last.
    exchange: Option<u32>,
    /// The last answer, for a feedback or a phase that comes again.
    answer: Vec<u8>,
}

impl<T: Transport> Client<'_, T> {
    fn say(&mut self, message: Message) -> Result<(), Stop> {
        self.sequence = self.sequence.wrapping_add(1);
        Ok(self.transport.send(&framed(self.sequence, message))?)
    }

    /// Says something that is said again, bit by bit, when it is asked for again.
    fn answer(&mut self, message: Message) -> Result<(), Stop> {
        self.sequence = self.sequence.wrapping_add(1);
        self.answer = framed(self.sequence, message);
        Ok(self.transport.send(&self.answer)?)
    }

    /// Every row of the table of settings.
    fn settings(&mut self) -> Result<Vec<SettingRow>, Stop> {
        let mut rows: Vec<SettingRow> = Vec::new();
        for _ in 0..EMPTY_WAITS_MAX {
            let index = rows.len() as u16;
            self.say(Message::SettingList(SettingList { index }))?;
            while let Some(frame) = next(&mut self.transport)? {
                match frame.message {
                    Message::SettingRow(row) if row.index == index => {
                        let total = row.total;
                        rows.push(row);
                        if usize::from(total) <= rows.len() {
                            return Ok(rows);
                        }
                        break;
                    }
                    // The feedback of tuning waits until the controller knows what it controls.
                    Message::TorqueFeedback(feedback) => self.waiting = Some(feedback),
                    message => self.take(message).map(drop)?,
                }
            }
        }
        Err(Stop::because("the bench does not list its settings"))
    }

    fn serve(&mut self) -> Result<ResultFrame, Stop> {
        let mut empty = 0;
        while empty < EMPTY_WAITS_FOR_RESULT {
            match next(&mut self.transport)? {
                Some(Frame { message, .. }) => {
                    empty = 0;
                    if let Some(result) = self.take(message)? {
                        self.say(Message::Close(Close { reason: CloseReason::Leaving }))?;
                        return Ok(result);
                    }
                }
                None => empty += 1,
            }
        }
        Err(Stop::because("the bench does not answer"))
    }

    fn take(&mut self, message: Message) -> Result<Option<ResultFrame>, Stop> {
        match message {
            Message::TorqueFeedback(feedback) => self.feedback(&feedback)?,
            Message::Phase(phase) => self.phase(phase)?,
            Message::Result(result) => return Ok(Some(result)),
            Message::Close(close) => {
                return Err(Stop::because(format!("the bench ended the run: {}", close.reason.what())));
            }
            Message::Probe(probe) => self.say(Message::Echo(Probe { nonce: probe.nonce }))?,
            _ => {}
        }
        Ok(None)
    }

    /// A phase begins anew, or is announced again since its acknowledgement was lost.
    fn phase(&mut self, phase: Phase) -> Result<(), Stop> {
        if phase.phase == PhaseKind::Over {
            return Ok(());
        }
        if self.phase == Some(phase) && self.exchange.is_none() {
            return Ok(self.transport.send(&self.answer)?);
        }
        self.phase = Some(phase);
        self.exchange = None;
        self.controller.reset();
        self.answer(Message::PhaseAcknowledgement(phase))
    }

    /// Answers a feedback; one that comes again is answered as before. A controller with fixed gains has nothing to do
    /// while tuning but to say so.
    fn feedback(&mut self, feedback: &TorqueFeedbackFrame) -> Result<(), Stop> {
        if self.exchange == Some(feedback.exchange) {
            return Ok(self.transport.send(&self.answer)?);
        }
        self.exchange = Some(feedback.exchange);
        if self.phase.is_none_or(|phase| phase.phase == PhaseKind::Tuning) {
            return self.answer(Message::Done);
        }
        let torques = feedback.samples.as_slice().iter().map(|sample| self.controller.torque_nm(sample));
        let torque_nm = torques.last().unwrap_or(0.0);
        let mut values = TorqueValues::new();
        values.push(TorqueValue { torque_nm, feedforward_nm: 0.0 });
        self.answer(Message::TorqueCommand(TorqueCommandFrame {
            exchange: feedback.exchange,
            controlword: ENABLE_OPERATION,
            compute_us: 0,
            values,
        }))
    }
}
