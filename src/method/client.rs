//! The client of the link: the protocol without sockets, and an [`Axis`] made of it.
//!
//! It asks for one thing at a time, asks again when no answer comes, and answers a repeated feedback with the identical
//! frame. What it does not: open a socket (`host/udp.rs` does) or read a clock: a transport's empty waits are its only
//! measure of time. Start reading at [`Client::open`].

use std::collections::BTreeMap;
use std::fmt;

use crate::base::signal::{Feedback, Request};
use crate::base::time::TickRate;
use crate::method::axis::{Axis, Facts, Stop};
use crate::wire::codec::{decode, encode};
use crate::wire::layout::MAX_FRAME_BYTES;
use crate::wire::message::{
    Accept, CommandFrame, FeedbackFrame, Frame, Log, Message, Open, PhaseKind, Probe, ResultFrame, SettingAnswer,
    SettingList, SettingOutcome, SettingRead, SettingWrite, Text, Value, Values,
};

/// Empty waits, of a tenth of a second each, after which the bench is given up: longer than it waits for a method.
pub(super) const EMPTY_WAITS_MAX: u32 = 150;

/// Empty waits for the result: the bench examines every machine first, which may take a while.
pub(super) const EMPTY_WAITS_FOR_RESULT: u32 = 3000;

/// Carries frames to and from the bench.
pub trait Transport {
    /// Sends one frame.
    ///
    /// # Errors
    /// When nothing can arrive any more.
    fn send(&mut self, frame: &[u8]) -> Result<(), TransportError>;

    /// Waits about a tenth of a second for the next frame and returns its length; `None` when nothing came.
    ///
    /// # Errors
    /// When nothing can come any more.
    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, TransportError>;

    /// Talks to the bench's other port from now on.
    ///
    /// # Errors
    /// When that port cannot be reached.
    fn follow(&mut self, port: u16) -> Result<(), TransportError>;
}

/// Why a transport cannot go on, as a clause.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TransportError(pub String);

impl fmt::Display for TransportError {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(&self.0)
    }
}

impl From<TransportError> for Stop {
    fn from(error: TransportError) -> Self {
        Self::because(error.0)
    }
}

/// A setting's row, as far as a client needs it.
#[derive(Clone, Debug)]
struct Known {
    number: u16,
    low: f64,
    high: f64,
}

/// A method's end of the link.
#[derive(Debug)]
pub struct Client<T> {
    transport: T,
    accept: Accept,
    settings: BTreeMap<String, Known>,
    sequence: u32,
    /// The feedback that waits for its answer.
    feedback: Option<FeedbackFrame>,
    /// The answer to the feedback before, in case that one comes again.
    answer: Vec<u8>,
    answered_exchange: Option<u32>,
}

impl<T: Transport> Client<T> {
    /// Opens the link with the run's token, waits for the first feedback and reads the table of settings.
    ///
    /// # Errors
    /// A refusal, in the bench's words, or a bench that does not answer.
    pub fn open(transport: T, token: [u8; 16], name: &str) -> Result<Self, Stop> {
        let mut opening = Opening { transport, sequence: 1 };
        let accept = opening.accepted(&Message::Open(Open { token, name: Text::new(name) }))?;
        let Opening { mut transport, sequence } = opening;
        transport.follow(accept.port)?;
        let mut client = Self {
            transport,
            accept,
            settings: BTreeMap::new(),
            sequence,
            feedback: None,
            answer: Vec::new(),
            answered_exchange: None,
        };
        // Tells the bench that this side now listens on the new port.
        let hello = client.framed(Message::Probe(Probe { nonce: accept.nonce }));
        client.transport.send(&hello)?;
        client.wait_for_feedback(0)?;
        client.read_table()?;
        Ok(client)
    }

    /// What the bench said when it accepted.
    #[must_use]
    pub fn accept(&self) -> &Accept {
        &self.accept
    }

    /// The latest feedback: the one that waits for its answer.
    #[must_use]
    pub fn feedback(&self) -> Option<&FeedbackFrame> {
        self.feedback.as_ref()
    }

    /// Answers the latest feedback and waits for the next one. `values` are none, one, or one per tick of the stride.
    ///
    /// # Errors
    /// Too many values, or a bench that ends the run or does not answer.
    pub fn command(&mut self, controlword: u16, values: &[Value]) -> Result<(), Stop> {
        let exchange = self.feedback.as_ref().map_or(0, |feedback| feedback.exchange);
        let values = Values::from_slice(values).ok_or_else(|| Stop::because("more values than a frame holds"))?;
        let command = CommandFrame { exchange, controlword, compute_us: 0, values };
        self.answer = self.framed(Message::Command(command));
        self.answered_exchange = Some(exchange);
        self.transport.send(&self.answer)?;
        self.wait_for_feedback(exchange.wrapping_add(1))
    }

    /// Says done and waits for the verdict; the bench examines the stored settings meanwhile.
    ///
    /// # Errors
    /// A bench that ends the run or does not answer.
    pub fn done(&mut self) -> Result<ResultFrame, Stop> {
        let done = self.framed(Message::Done);
        self.transport.send(&done)?;
        for wait in 1..=EMPTY_WAITS_FOR_RESULT {
            match self.next()? {
                Some(Frame { message: Message::Result(result), .. }) => return Ok(result),
                // The parts of the trial that follow; the last one, over, comes before the result.
                Some(Frame { message: Message::Phase(_), .. }) => {}
                Some(frame) => self.passing(frame)?,
                // A second without a word: the done may be lost.
                None if wait % 10 == 0 => self.transport.send(&done)?,
                None => {}
            }
        }
        Err(Stop::because("the bench did not say its verdict"))
    }

    fn framed(&mut self, message: Message) -> Vec<u8> {
        self.sequence = self.sequence.wrapping_add(1);
        framed(self.sequence, message)
    }

    /// The next frame that is well formed; `None` when nothing came.
    fn next(&mut self) -> Result<Option<Frame>, Stop> {
        next(&mut self.transport)
    }

    /// Waits for the feedback of an exchange or of a later one: on the clock nobody waits for who is late.
    fn wait_for_feedback(&mut self, exchange: u32) -> Result<(), Stop> {
        let mut empty = 0;
        while self.feedback.as_ref().is_none_or(|feedback| feedback.exchange < exchange) {
            match self.next()? {
                Some(frame) => self.passing(frame)?,
                None if EMPTY_WAITS_MAX <= empty => return Err(Stop::because("the bench does not answer")),
                None => empty += 1,
            }
        }
        Ok(())
    }

    /// What comes while something else is waited for: a feedback that the bench repeats is answered as before, a newer
    /// one is kept, a close ends the run.
    fn passing(&mut self, frame: Frame) -> Result<(), Stop> {
        match frame.message {
            Message::Feedback(feedback) if Some(feedback.exchange) == self.answered_exchange => {
                Ok(self.transport.send(&self.answer)?)
            }
            Message::Feedback(feedback) => {
                if self.feedback.as_ref().is_none_or(|newest| newest.exchange < feedback.exchange) {
                    self.feedback = Some(feedback);
                }
                Ok(())
            }
            Message::Close(close) => Err(Stop::because(format!("the bench ended the run: {}", close.reason.what()))),
            Message::Phase(phase) if phase.phase == PhaseKind::Over => Err(Stop::because("the bench ended the run")),
            Message::Probe(probe) => {
                let echo = self.framed(Message::Echo(Probe { nonce: probe.nonce }));
                Ok(self.transport.send(&echo)?)
            }
            _ => Ok(()),
        }
    }

    /// Sends a request until its answer comes.
    fn ask(&mut self, message: Message) -> Result<Message, Stop> {
        let request = self.framed(message);
        let asked = self.sequence;
        self.transport.send(&request)?;
        for _ in 0..EMPTY_WAITS_MAX {
            match self.next()? {
                Some(frame) if answers(&frame.message) == Some(asked) => return Ok(frame.message),
                Some(frame) => self.passing(frame)?,
                None => self.transport.send(&request)?,
            }
        }
        Err(Stop::because("the bench does not answer a request"))
    }

    fn read_table(&mut self) -> Result<(), Stop> {
        let mut index = 0;
        loop {
            let Message::SettingRow(row) = self.ask(Message::SettingList(SettingList { index }))? else {
                return Err(Stop::because(format!("the bench does not list its setting {index}")));
            };
            let known = Known { number: row.number, low: row.low, high: row.high };
            self.settings.insert(row.name.as_str().to_owned(), known);
            index += 1;
            if row.total <= index {
                return Ok(());
            }
        }
    }

    fn known(&self, name: &str) -> Result<Known, Stop> {
        self.settings.get(name).cloned().ok_or_else(|| Stop::because(format!("this drive has no setting {name}")))
    }

    fn answered(&mut self, message: Message) -> Result<SettingAnswer, Stop> {
        match self.ask(message)? {
            Message::SettingAnswer(answer) => Ok(answer),
            _ => Err(Stop::because("the bench answered a request about settings with something else")),
        }
    }
}

/// The link before it is open.
pub(super) struct Opening<T> {
    pub(super) transport: T,
    pub(super) sequence: u32,
}

impl<T: Transport> Opening<T> {
    pub(super) fn accepted(&mut self, open: &Message) -> Result<Accept, Stop> {
        let frame = framed(self.sequence, open.clone());
        self.transport.send(&frame)?;
        for _ in 0..EMPTY_WAITS_MAX {
            match next(&mut self.transport)? {
                Some(Frame { message: Message::Accept(accept), .. }) => return Ok(accept),
                Some(Frame { message: Message::Refuse(refuse), .. }) => {
                    return Err(Stop::because(format!("the bench refused: {}", refuse.detail.as_str())));
                }
                Some(_) => {}
                None => self.transport.send(&frame)?,
            }
        }
        Err(Stop::because("the bench does not answer an open; where frames are sealed, a wrong token looks the same"))
    }
}

pub(super) fn framed(sequence: u32, message: Message) -> Vec<u8> {
    let mut bytes = [0; MAX_FRAME_BYTES];
    let length = encode(&Frame { sequence, message }, &mut bytes);
    bytes[..length].to_vec()
}

pub(super) fn next(transport: &mut impl Transport) -> Result<Option<Frame>, Stop> {
    let mut buffer = [0; MAX_FRAME_BYTES];
    let length = transport.receive(&mut buffer)?;
    // A malformed frame is as good as none: what was lost is asked for again.
    Ok(length.and_then(|length| decode(&buffer[..length]).ok()))
}

/// The request that a message answers.
fn answers(message: &Message) -> Option<u32> {
    match message {
        Message::SettingRow(row) => Some(row.request),
        Message::SettingAnswer(answer) => Some(answer.request),
        Message::HandAnswer(answer) => Some(answer.request),
        _ => None,
    }
}

impl<T: Transport> Axis for Client<T> {
    fn facts(&self) -> Facts {
        let accept = &self.accept;
        Facts {
            rate: TickRate { hz: accept.tick_hz },
            stride: usize::from(accept.stride_ticks),
            travel_deg: (!accept.endless).then_some(accept.travel_deg),
            window_deg: accept.window_deg,
            path_deg: accept.path_deg,
            max_speed_rad_per_s: accept.max_speed_rad_per_s,
            time_s: accept.time_s,
        }
    }

    fn exchange(&mut self, requests: &[Request], feedback: &mut Vec<Feedback>) -> Result<(), Stop> {
        let value = |request: &Request| Value {
            speed_rad_per_s: request.speed_rad_per_s,
            speed_offset_rad_per_s: request.speed_offset_rad_per_s,
            torque_offset_nm: request.torque_offset_nm,
        };
        let controlword = requests.last().map_or(0, |request| request.controlword);
        let values: Vec<Value> = requests.iter().map(value).collect();
        self.command(controlword, &values)?;
        feedback.clear();
        if let Some(frame) = &self.feedback {
            feedback.extend(shown(frame));
        }
        Ok(())
    }

    fn read(&mut self, name: &str) -> Result<f64, Stop> {
        let known = self.known(name)?;
        Ok(self.answered(Message::SettingRead(SettingRead { number: known.number }))?.value)
    }

    fn write(&mut self, name: &str, value: f64) -> Result<f64, Stop> {
        let known = self.known(name)?;
        let answer = self.answered(Message::SettingWrite(SettingWrite { number: known.number, value }))?;
        if answer.outcome == SettingOutcome::Done {
            return Ok(answer.value);
        }
        let (why, low, high) = (answer.outcome.name(), known.low, known.high);
        Err(Stop::because(format!("the drive refused {name} = {value} ({why}; allowed {low} to {high})")))
    }

    fn store(&mut self) -> Result<(), Stop> {
        match self.answered(Message::Store)?.outcome {
            SettingOutcome::Done => Ok(()),
            refused => Err(Stop::because(format!("the drive did not store its settings ({})", refused.name()))),
        }
    }

    fn log(&mut self, text: &str) -> Result<(), Stop> {
        let line = self.framed(Message::Log(Log { text: Text::new(text) }));
        Ok(self.transport.send(&line)?)
    }
}

/// The samples of a frame, one feedback per tick; statusword and trip are those of the last tick, as the frame has them.
fn shown(frame: &FeedbackFrame) -> impl Iterator<Item = Feedback> + '_ {
    frame.samples.as_slice().iter().zip(frame.first_tick..).map(|(sample, tick)| Feedback {
        tick,
        counts: sample.counts,
        setpoint_rad_per_s: sample.setpoint_rad_per_s,
        measured_speed_rad_per_s: sample.measured_speed_rad_per_s,
        controller_torque_nm: sample.controller_torque_nm,
        summed_torque_nm: sample.summed_torque_nm,
        torque_command_nm: sample.torque_command_nm,
        statusword: frame.statusword,
        trip: frame.trip,
        ..Feedback::default()
    })
}
