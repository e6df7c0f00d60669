//! The client of the link for who closes loops outside: phases acknowledged, every feedback answered with a torque, or
//! with voltages.
//!
//! What it does not: a control law ([`SpeedController`] and [`CurrentController`] are one's own), sockets or clocks. Start
//! reading at [`serve`] and [`serve_voltage`].

use crate::method::axis::Stop;
use crate::method::client::{EMPTY_WAITS_FOR_RESULT, EMPTY_WAITS_MAX, Opening, Transport, framed, next};
use crate::wire::message::{
    Accept, Close, CloseReason, Frame, Message, Open, Phase, PhaseKind, Probe, ResultFrame, SettingList, SettingRow,
    Text, TorqueCommandFrame, TorqueFeedbackFrame, TorqueSample, TorqueValue, TorqueValues, VoltageCommandFrame,
    VoltageFeedbackFrame, VoltageSample, VoltageValue, VoltageValues,
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

/// A speed and current controller outside the drive.
pub trait CurrentController {
    /// Takes the facts of the run and the drive's settings before anything moves.
    ///
    /// # Errors
    /// A run that it cannot control; why.
    fn begin(&mut self, accept: &Accept, settings: &[SettingRow]) -> Result<(), Stop>;

    /// Loses its state: a phase begins.
    fn reset(&mut self);

    /// The voltages of one tick on d and q in V, from its sample.
    fn voltage_dq_v(&mut self, sample: &VoltageSample) -> [f64; 2];
}

/// Who controls.
enum Controller<'a> {
    Speed(&'a mut dyn SpeedController),
    Current(&'a mut dyn CurrentController),
}

impl Controller<'_> {
    fn begin(&mut self, accept: &Accept, settings: &[SettingRow]) -> Result<(), Stop> {
        match self {
            Self::Speed(controller) => controller.begin(accept, settings),
            Self::Current(controller) => controller.begin(accept, settings),
        }
    }

    fn reset(&mut self) {
        match self {
            Self::Speed(controller) => controller.reset(),
            Self::Current(controller) => controller.reset(),
        }
    }
}

/// Serves a whole trial in which the outside commands torque: opens the link, says done at once, then controls every
/// examination until the verdict.
///
/// # Errors
/// A refusal in the bench's words, a bench that does not answer, or the controller's own reason.
pub fn serve<T: Transport>(
    transport: T,
    token: [u8; 16],
    name: &str,
    controller: &mut dyn SpeedController,
) -> Result<ResultFrame, Stop> {
    serve_any(transport, token, name, Controller::Speed(controller))
}

/// The same where the outside commands voltage.
///
/// # Errors
/// As [`serve`].
pub fn serve_voltage<T: Transport>(
    transport: T,
    token: [u8; 16],
    name: &str,
    controller: &mut dyn CurrentController,
) -> Result<ResultFrame, Stop> {
    serve_any(transport, token, name, Controller::Current(controller))
}

fn serve_any<T: Transport>(
    transport: T,
    token: [u8; 16],
    name: &str,
    controller: Controller<'_>,
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
        client.take(feedback)?;
    }
    client.serve()
}

/// One side of a running connection.
struct Client<'a, T> {
    transport: T,
    sequence: u32,
    controller: Controller<'a>,
    phase: Option<Phase>,
    /// A feedback that came before the controller was ready.
    waiting: Option<Message>,
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
                    feedback @ (Message::TorqueFeedback(_) | Message::VoltageFeedback(_)) => {
                        self.waiting = Some(feedback);
                    }
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
            Message::TorqueFeedback(feedback) => self.torque(&feedback)?,
            Message::VoltageFeedback(feedback) => self.voltage(&feedback)?,
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

    fn torque(&mut self, feedback: &TorqueFeedbackFrame) -> Result<(), Stop> {
        if !self.is_to_be_controlled(feedback.exchange)? {
            return Ok(());
        }
        let Controller::Speed(controller) = &mut self.controller else { return Err(other_commands()) };
        let mut torque_nm = 0.0;
        for sample in feedback.samples.as_slice() {
            torque_nm = controller.torque_nm(sample);
        }
        let mut values = TorqueValues::new();
        values.push(TorqueValue { torque_nm, feedforward_nm: 0.0 });
        let (exchange, controlword, compute_us) = (feedback.exchange, ENABLE_OPERATION, 0);
        self.answer(Message::TorqueCommand(TorqueCommandFrame { exchange, controlword, compute_us, values }))
    }

    fn voltage(&mut self, feedback: &VoltageFeedbackFrame) -> Result<(), Stop> {
        if !self.is_to_be_controlled(feedback.exchange)? {
            return Ok(());
        }
        let Controller::Current(controller) = &mut self.controller else { return Err(other_commands()) };
        let mut voltage_v = [0.0; 2];
        for sample in feedback.samples.as_slice() {
            voltage_v = controller.voltage_dq_v(sample);
        }
        let [voltage_d_v, voltage_q_v] = voltage_v;
        let mut values = VoltageValues::new();
        values.push(VoltageValue { voltage_d_v, voltage_q_v });
        let (exchange, controlword, compute_us) = (feedback.exchange, ENABLE_OPERATION, 0);
        self.answer(Message::VoltageCommand(VoltageCommandFrame { exchange, controlword, compute_us, values }))
    }

    /// A feedback that comes again is answered as before. A controller with fixed gains has nothing to do while tuning but
    /// to say so.
    fn is_to_be_controlled(&mut self, exchange: u32) -> Result<bool, Stop> {
        if self.exchange == Some(exchange) {
            self.transport.send(&self.answer)?;
            return Ok(false);
        }
        self.exchange = Some(exchange);
        if self.phase.is_none_or(|phase| phase.phase == PhaseKind::Tuning) {
            self.answer(Message::Done)?;
            return Ok(false);
        }
        Ok(true)
    }
}

fn other_commands() -> Stop {
    Stop::because("the bench wants something else commanded than this controller gives")
}
