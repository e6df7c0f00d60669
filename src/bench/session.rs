//! The bench's side of the protocol while a method tunes: bytes in, ticks done, bytes out.
//!
//! Nothing here waits, and no foreign byte can make it fail: what is malformed, stale or repeated is counted and moves
//! nothing. What it does not: sockets, time on the wall (`pacing.rs`), what a request means (`requests.rs`). Start
//! reading at [`Session::receive`].

use std::collections::{BTreeMap, VecDeque};

use crate::base::recording::Row;
use crate::base::signal::{Feedback, Request};
use crate::base::time::TickRate;
use crate::bench::tick::{Bench, Loads, Setup};
use crate::bench::{frames, requests};
use crate::drive::protection::Trip;
use crate::drive::setting::Settings;
use crate::plant::event::Fault;
use crate::wire::codec::{decode, encode};
use crate::wire::layout::MAX_FRAME_BYTES;
use crate::wire::message::{
    Close, CloseReason, CommandFrame, FeedbackFrame, Frame, Message, Phase, PhaseKind, Probe, Sample, Samples, Value,
    Values,
};

/// Most lines of a method's log that are kept: a chatty method must not fill the memory.
const LOG_LINES_MAX: usize = 10_000;

/// Most bytes of refused frames that a record keeps: they move nothing, and a flood must not fill the memory or a disk.
const REFUSED_MAX_BYTES: usize = 1 << 20;

/// How many answers are kept for requests that come again. A client asks for one thing at a time, so one would do on a
/// line that keeps the order; a datagram may also arrive late.
const ANSWERS_MAX: usize = 32;

/// How long the quick stop of an abandoned axis may take, in simulated seconds, before the run ends all the same.
const ABANDONED_STOP_MAX_S: f64 = 10.0;

/// Where frames go out.
pub type Out<'a> = &'a mut dyn FnMut(&[u8]);

/// What a session is made of.
#[derive(Clone, Debug)]
pub struct Terms {
    /// Ticks per exchange, 1 to 64.
    pub stride_ticks: u16,
    /// Simulated time that tuning may take, in ticks.
    pub time_ticks: u64,
    /// Settings of the drive before the method came.
    pub initial: Settings,
}

/// How a session ended.
#[derive(Clone, Debug, PartialEq)]
pub enum End {
    /// The method said done.
    Done,
    /// The method left before it was done; why, as a clause.
    Left(String),
    /// No answer came for as long as the bench waits.
    Silent,
    /// Tuning used up its simulated time.
    OutOfTime,
    /// Tuning used up its time on the wall.
    OutOfWallTime,
    /// The plant could not go on.
    Fault(Fault),
    /// A person asked the run to end.
    Interrupted,
    /// The bench made a mistake of its own; its words.
    Broken(String),
}

/// Counts of the link.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LinkCounts {
    /// Feedbacks that were answered.
    pub exchanges: u64,
    /// Feedbacks sent again.
    pub resent: u64,
    /// How often the method came back over a new connection.
    pub opened_again: u64,
    /// Frames that moved nothing, by reason.
    pub refused: BTreeMap<&'static str, u64>,
}

/// What was recorded since somebody last took it. The caller empties it, so that memory stays flat.
#[derive(Clone, Debug, Default)]
pub struct Taken {
    /// A row a tick.
    pub rows: Vec<Row>,
    /// Frames that reached the session, as `frames.rs` keeps them.
    pub frames: Vec<u8>,
}

/// A request with its answer, as they crossed.
#[derive(Clone, Debug)]
struct Answered {
    asked: Vec<u8>,
    sent: Vec<u8>,
}

/// A frame as it left.
#[derive(Clone, Debug)]
struct Sent {
    bytes: [u8; MAX_FRAME_BYTES],
    length: usize,
}

/// The tuning phase of one trial.
#[derive(Clone, Debug)]
pub struct Session {
    /// Plant, sensor and drive.
    pub bench: Bench,
    /// What the link did.
    pub counts: LinkCounts,
    /// What the method wrote into the record, with the second of each line.
    pub log: Vec<(f64, String)>,
    /// What was recorded and not taken yet.
    pub taken: Taken,
    rate: TickRate,
    terms: Terms,
    tick: u64,
    exchange: u32,
    controlword: u16,
    last: Value,
    sequence: u32,
    feedback: Sent,
    answered: VecDeque<Answered>,
    refused_bytes: usize,
    end: Option<End>,
}

impl Session {
    /// A session before its first tick. The drive is switched off; the method enables it.
    #[must_use]
    pub fn new(setup: &Setup, terms: Terms) -> Self {
        Self {
            bench: Bench::new(setup),
            counts: LinkCounts::default(),
            log: Vec::new(),
            taken: Taken::default(),
            rate: setup.rate,
            terms,
            tick: 0,
            exchange: 0,
            controlword: 0,
            last: Value::default(),
            sequence: 0,
            feedback: Sent { bytes: [0; MAX_FRAME_BYTES], length: 0 },
            answered: VecDeque::with_capacity(ANSWERS_MAX),
            refused_bytes: 0,
            end: None,
        }
    }

    /// How it ended, once it has.
    #[must_use]
    pub fn end(&self) -> Option<&End> {
        self.end.as_ref()
    }

    /// The tick that comes next.
    #[must_use]
    pub fn tick(&self) -> u64 {
        self.tick
    }

    /// Announces the phase, runs the ticks of exchange 0 without a command and sends its feedback. Happens once, and not
    /// at all when the session is over already.
    pub fn begin(&mut self, out: Out<'_>) {
        if self.end.is_some() || self.feedback.length != 0 {
            return;
        }
        frames::keep(&mut self.taken.frames, self.tick, frames::BEGIN);
        let phase = self.encoded(Message::Phase(Phase { phase: PhaseKind::Tuning, corner: 0 }));
        out(&phase.bytes[..phase.length]);
        self.advance(&Values::default(), out);
    }

    /// Takes one frame from the method. `true` when it was a sign of life: an answer or a request that is not stale.
    pub fn receive(&mut self, bytes: &[u8], out: Out<'_>) -> bool {
        let decoded = decode(bytes);
        if self.end.is_some() {
            return self.receive_late(decoded.ok(), out);
        }
        let is_open = matches!(decoded, Ok(Frame { message: Message::Open(_), sequence: 1.. }));
        let tick = self.tick;
        let heard = match decoded {
            Err(malformed) => self.refuse(malformed.key()),
            Ok(frame) => self.act(bytes, frame, out),
        };
        if !heard {
            self.refused_bytes = self.refused_bytes.saturating_add(bytes.len());
        }
        if (heard || self.refused_bytes <= REFUSED_MAX_BYTES) && !bytes.is_empty() && !is_open {
            frames::keep(&mut self.taken.frames, tick, bytes);
        }
        heard
    }

    /// When tuning is over settings are locked and nothing acts any more; a request is told so.
    fn receive_late(&mut self, frame: Option<Frame>, out: Out<'_>) -> bool {
        let answer = frame.and_then(|frame| requests::locked(&self.bench.drive, frame.sequence, &frame.message));
        answer.is_some_and(|answer| self.send(answer, out))
    }

    fn act(&mut self, bytes: &[u8], frame: Frame, out: Out<'_>) -> bool {
        match frame.message {
            Message::Command(command) => self.command(&command, out),
            Message::Close(Close { reason }) => {
                self.leave(format!("closed the connection ({})", reason.name()));
                true
            }
            Message::Done => {
                self.end = Some(End::Done);
                true
            }
            Message::Probe(probe) => self.send(Message::Echo(Probe { nonce: probe.nonce }), out),
            Message::Log(log) => self.keep(log.text.as_str()),
            // The link hands on an open without number or token when the same method has come back.
            Message::Open(_) if frame.sequence == 0 => self.open_again(out),
            // An answer to a probe of nobody's, or an open whose accept crossed it on the way.
            Message::Echo(_) | Message::Open(_) => self.refuse("not_asked_for"),
            request => self.request(bytes, frame.sequence, &request, out),
        }
    }

    /// The same method on a new connection: it begins its numbers anew, so no request of before is one of now, and it
    /// hears what the one before heard last. Exchange, drive and settings stay as they are.
    fn open_again(&mut self, out: Out<'_>) -> bool {
        self.counts.opened_again += 1;
        self.answered.clear();
        if self.feedback.length != 0 {
            self.send(Message::Phase(Phase { phase: PhaseKind::Tuning, corner: 0 }), out);
            out(&self.feedback.bytes[..self.feedback.length]);
        }
        true
    }

    fn command(&mut self, command: &CommandFrame, out: Out<'_>) -> bool {
        let values = command.values.len();
        if command.exchange != self.exchange || self.feedback.length == 0 {
            return self.refuse("stale_command");
        }
        if 1 < values && values != usize::from(self.terms.stride_ticks) {
            return self.refuse("count");
        }
        self.controlword = command.controlword;
        self.counts.exchanges += 1;
        self.exchange += 1;
        self.advance(&command.values, out);
        true
    }

    /// Runs the ticks of one exchange and sends its feedback.
    fn advance(&mut self, values: &Values, out: Out<'_>) {
        let first_tick = self.tick;
        let mut samples = Samples::new();
        let mut shown = Feedback::default();
        for place in 0..usize::from(self.terms.stride_ticks) {
            if let Some(value) = values.as_slice().get(place) {
                self.last = *value;
            }
            match self.one_tick() {
                Ok(feedback) => shown = feedback,
                Err(fault) => {
                    self.end = Some(End::Fault(fault));
                    return;
                }
            }
            samples.push(sample(&shown));
        }
        let message = Message::Feedback(FeedbackFrame {
            exchange: self.exchange,
            first_tick,
            trip: shown.trip,
            statusword: shown.statusword,
            samples,
        });
        // In place: this happens in every exchange, and a frame is three kilobytes.
        self.sequence = self.sequence.wrapping_add(1);
        self.feedback.length = encode(&Frame { sequence: self.sequence, message }, &mut self.feedback.bytes);
        out(&self.feedback.bytes[..self.feedback.length]);
        if self.terms.time_ticks <= self.tick {
            self.abandon(End::OutOfTime);
        }
    }

    fn one_tick(&mut self) -> Result<Feedback, Fault> {
        let request = Request {
            controlword: self.controlword,
            speed_rad_per_s: self.last.speed_rad_per_s,
            speed_offset_rad_per_s: self.last.speed_offset_rad_per_s,
            torque_offset_nm: self.last.torque_offset_nm,
        };
        let (feedback, row) = self.bench.tick(&request, &Loads::none(), request.speed_rad_per_s)?;
        self.taken.rows.push(row);
        self.tick += 1;
        Ok(feedback)
    }

    /// A request is answered once; when it comes again, its answer is sent again and nothing else happens.
    fn request(&mut self, bytes: &[u8], sequence: u32, request: &Message, out: Out<'_>) -> bool {
        if let Some(before) = self.answered.iter().find(|before| before.asked == bytes) {
            out(&before.sent);
            return true;
        }
        let Some(answer) = requests::answer(&mut self.bench.drive, &self.terms.initial, sequence, request) else {
            return self.refuse("not_for_the_bench");
        };
        let sent = self.encoded(answer);
        out(&sent.bytes[..sent.length]);
        if self.answered.len() == ANSWERS_MAX {
            self.answered.pop_front();
        }
        self.answered.push_back(Answered { asked: bytes.to_vec(), sent: sent.bytes[..sent.length].to_vec() });
        true
    }

    fn keep(&mut self, line: &str) -> bool {
        if LOG_LINES_MAX <= self.log.len() {
            return self.refuse("log_full");
        }
        self.log.push((self.rate.seconds(self.tick), line.to_owned()));
        true
    }

    fn refuse(&mut self, reason: &'static str) -> bool {
        *self.counts.refused.entry(reason).or_insert(0) += 1;
        false
    }

    fn send(&mut self, message: Message, out: Out<'_>) -> bool {
        let sent = self.encoded(message);
        out(&sent.bytes[..sent.length]);
        true
    }

    /// A frame under the next sequence number.
    fn encoded(&mut self, message: Message) -> Sent {
        self.sequence = self.sequence.wrapping_add(1);
        let mut bytes = [0; MAX_FRAME_BYTES];
        let length = encode(&Frame { sequence: self.sequence, message }, &mut bytes);
        Sent { bytes, length }
    }

    /// Sends the last feedback again, bit by bit as it was; before the first one there is nothing to send.
    pub fn resend(&mut self, out: Out<'_>) {
        if self.feedback.length == 0 {
            return;
        }
        self.counts.resent += 1;
        out(&self.feedback.bytes[..self.feedback.length]);
    }

    /// Tells the method something that needs no answer: a phase, the result, a close.
    pub fn tell(&mut self, message: Message, out: Out<'_>) {
        self.send(message, out);
    }

    /// The method is gone; why, as a clause. The axis is brought to rest.
    pub fn leave(&mut self, why: String) {
        self.abandon(End::Left(why));
    }

    /// No answer came within the bench's patience: the axis makes its quick stop.
    pub fn fall_silent(&mut self) {
        self.abandon(End::Silent);
    }

    /// Tuning used up its time on the wall.
    pub fn run_out_of_wall_time(&mut self) {
        self.abandon(End::OutOfWallTime);
    }

    /// Nobody commands any more: quick stop in simulated time, so that no axis is left moving.
    fn abandon(&mut self, end: End) {
        if self.end.is_some() {
            return;
        }
        self.bench.drive.quick_stop(Trip::CommanderSilent);
        self.last = Value::default();
        let limit = self.tick + self.rate.nearest_tick(ABANDONED_STOP_MAX_S);
        while self.bench.drive.torque_may_act() && self.tick < limit {
            if let Err(fault) = self.one_tick() {
                self.end = Some(End::Fault(fault));
                return;
            }
        }
        self.end = Some(end);
    }
}

/// The reason of a close that the bench sends for an end.
#[must_use]
pub fn close_reason(end: &End) -> CloseReason {
    match end {
        End::Done | End::Interrupted => CloseReason::Over,
        End::Left(_) => CloseReason::Leaving,
        End::Silent => CloseReason::Silent,
        End::OutOfTime | End::OutOfWallTime => CloseReason::OutOfTime,
        End::Fault(_) | End::Broken(_) => CloseReason::Failed,
    }
}

fn sample(feedback: &Feedback) -> Sample {
    Sample {
        counts: feedback.counts,
        setpoint_rad_per_s: feedback.setpoint_rad_per_s,
        measured_speed_rad_per_s: feedback.measured_speed_rad_per_s,
        controller_torque_nm: feedback.controller_torque_nm,
        summed_torque_nm: feedback.summed_torque_nm,
        torque_command_nm: feedback.torque_command_nm,
    }
}
