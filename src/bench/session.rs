//! The bench's side of the protocol during one phase of a trial: bytes in, ticks done, bytes out.
//!
//! A session lasts as long as the connection. It tunes; where the outside commands torque or voltage it goes on through the power
//! cycle and every examination. Nothing here waits, and no foreign byte can make it fail: what is malformed, stale or
//! repeated is counted and moves nothing. What it does not: sockets, time on the wall (`pacing.rs`), what a request
//! means (`requests.rs`), the ticks themselves (`run.rs`). Start reading at [`Session::receive`].

use std::sync::Arc;

use crate::base::time::TickRate;
use crate::bench::frames::Entry;
use crate::bench::run::{Run, Went};
use crate::bench::sent::{Answers, Sent};
use crate::bench::standing::Command;
use crate::bench::tick::{Bench, Script, Setup};
use crate::bench::{frames, requests};
use crate::wire::codec::{Malformed, decode, encode};
use crate::wire::layout::MAX_FRAME_BYTES;
use crate::wire::message::{
    Accept, Close, Commands, Frame, Message, Pace, Phase, PhaseKind, Probe, Refuse, RefuseReason, Text,
};

pub use crate::bench::terms::{End, LinkCounts, Taken, Terms, close_reason};

/// Most lines of a method's log that are kept: a chatty method must not fill the memory.
const LOG_LINES_MAX: usize = 10_000;

/// Most bytes of refused frames that a record keeps: they move nothing, and a flood must not fill the memory or a disk.
const REFUSED_MAX_BYTES: usize = 1 << 20;

/// Where frames go out.
pub type Out<'a> = &'a mut dyn FnMut(&[u8]);

/// A connection with its method, and the phase that runs.
#[derive(Clone, Debug)]
pub struct Session {
    /// What the link did.
    pub counts: LinkCounts,
    /// What the method wrote into the record, with the second of each line.
    pub log: Vec<(f64, String)>,
    /// What was recorded and not taken yet.
    pub taken: Taken,
    rate: TickRate,
    terms: Terms,
    phase: Phase,
    run: Run,
    begun: bool,
    /// How often the outside was asked for something new.
    asked: u64,
    /// Whether the outside is ready for the phase; one that only tunes always is.
    ready: bool,
    announcement: Sent,
    sequence: u32,
    feedback: Sent,
    answers: Answers,
    refused_bytes: usize,
    end: Option<End>,
}

impl Session {
    /// A session before its first tick. The drive is switched off; the method enables it.
    #[must_use]
    pub fn new(setup: &Setup, terms: Terms) -> Self {
        Self {
            counts: LinkCounts::default(),
            log: Vec::new(),
            taken: Taken::default(),
            rate: setup.rate,
            phase: Phase { phase: PhaseKind::Tuning, corner: 0 },
            run: Run::tuning(Bench::new(setup), &terms),
            terms,
            begun: false,
            asked: 0,
            ready: false,
            announcement: Sent::NOTHING,
            sequence: 0,
            feedback: Sent::NOTHING,
            answers: Answers::default(),
            refused_bytes: 0,
            end: None,
        }
    }

    /// How the phase ended, once it has.
    #[must_use]
    pub fn end(&self) -> Option<&End> {
        self.end.as_ref()
    }

    /// The tick that comes next.
    #[must_use]
    pub fn tick(&self) -> u64 {
        self.run.tick()
    }

    /// Plant, sensor and drive of the phase.
    #[must_use]
    pub fn bench(&self) -> &Bench {
        &self.run.bench
    }

    /// The same, to be changed between phases.
    pub fn bench_mut(&mut self) -> &mut Bench {
        &mut self.run.bench
    }

    /// What the method was told.
    #[must_use]
    pub fn accept(&self) -> &Accept {
        &self.terms.accept
    }

    /// How often the outside was asked for something new: a feedback, or a phase that was announced.
    #[must_use]
    pub fn asked(&self) -> u64 {
        self.asked
    }

    /// Whether the phase waits for the method's word before it begins: only tuning does.
    #[must_use]
    pub fn awaits_hello(&self) -> bool {
        !self.begun && self.phase.phase == PhaseKind::Tuning
    }

    /// Whether ticks may run: the phase has begun and the outside is ready for it.
    #[must_use]
    pub fn is_ready(&self) -> bool {
        self.begun && self.ready
    }

    /// Prepares the power cycle, at which a controller outside begins anew as well.
    pub fn prepare_power_cycle(&mut self) {
        self.prepare(Phase { phase: PhaseKind::PowerCycle, corner: 0 });
    }

    /// Prepares the examination of a machine through a controller outside: 0 the nominal one, else the corner's number.
    pub fn prepare_examination(&mut self, setup: &Setup, corner: u16, script: Arc<dyn Script + Send + Sync>) {
        self.run = Run::examination(Bench::new(setup), &self.terms, corner, script);
        self.prepare(Phase { phase: PhaseKind::Examination, corner });
    }

    fn prepare(&mut self, phase: Phase) {
        self.phase = phase;
        (self.begun, self.ready, self.end) = (false, false, None);
        self.feedback.length = 0;
    }

    /// Announces the phase. In lockstep, where nobody has to acknowledge, the ticks of exchange 0 run at once and their
    /// feedback goes out. Happens once, and not at all when the session is over already.
    pub fn begin(&mut self, out: Out<'_>) {
        if self.end.is_some() || self.begun {
            return;
        }
        self.begun = true;
        self.mark();
        self.announce(self.phase, out);
        if !self.is_outside_controlled() {
            self.ready = true;
            self.go_on(out);
        }
    }

    fn is_outside_controlled(&self) -> bool {
        self.terms.accept.commands != Commands::Speed
    }

    fn is_lockstep(&self) -> bool {
        self.terms.accept.pace == Pace::Lockstep
    }

    fn announce(&mut self, phase: Phase, out: Out<'_>) {
        self.asked += 1;
        self.announcement = self.encoded(Message::Phase(phase));
        out(self.announcement.bytes());
    }

    /// Takes one frame from the method. `true` when it was a sign of life: an answer or a request that is not stale.
    pub fn receive(&mut self, bytes: &[u8], out: Out<'_>) -> bool {
        let decoded = decode(bytes);
        if self.end.is_some() {
            return self.receive_late(decoded.ok(), out);
        }
        let kept_before = self.taken.frames.len();
        self.keep_frame(bytes, &decoded);
        let heard = match decoded {
            Err(malformed) => self.refuse(malformed.key()),
            Ok(frame) => self.act(bytes, frame, out),
        };
        if !heard {
            self.refused_bytes = self.refused_bytes.saturating_add(bytes.len());
            if REFUSED_MAX_BYTES < self.refused_bytes {
                self.taken.frames.truncate(kept_before);
            }
        }
        heard
    }

    /// An open holds the token: what it does is kept, and not its bytes.
    fn keep_frame(&mut self, bytes: &[u8], decoded: &Result<Frame, Malformed>) {
        let entry = match decoded {
            Ok(Frame { message: Message::Open(_), sequence }) if *sequence == 0 || self.opens_again() => {
                Entry::OpenedAgain
            }
            Ok(Frame { message: Message::Open(_), .. }) => return,
            _ if bytes.is_empty() => return,
            _ => Entry::Frame(bytes),
        };
        frames::keep(&mut self.taken.frames, self.run.tick(), entry);
    }

    /// Whether an open that comes now is one of a client that lost its state. Before anything was exchanged it is only
    /// the same open once more.
    fn opens_again(&self) -> bool {
        self.begun && self.counts.exchanges != 0 && self.terms.may_reset
    }

    /// Between phases settings are locked and nothing acts; a request is told so.
    fn receive_late(&mut self, frame: Option<Frame>, out: Out<'_>) -> bool {
        let drive = &self.run.bench.drive;
        let answer = frame.and_then(|frame| requests::locked(drive, frame.sequence, &frame.message));
        answer.is_some_and(|answer| self.send(answer, out))
    }

    fn act(&mut self, bytes: &[u8], frame: Frame, out: Out<'_>) -> bool {
        let commands = self.terms.accept.commands;
        match frame.message {
            Message::Command(command) if commands == Commands::Speed => self.command(Command::of_speed(&command), out),
            Message::TorqueCommand(command) if commands == Commands::Torque => {
                self.command(Command::of_torque(&command), out)
            }
            Message::VoltageCommand(command) if commands == Commands::Voltage => {
                self.command(Command::of_voltage(&command), out)
            }
            Message::PhaseAcknowledgement(phase) if self.is_outside_controlled() => self.acknowledge(phase, out),
            Message::Close(Close { reason }) => {
                self.leave(format!("closed the connection ({})", reason.name()));
                true
            }
            Message::Done if self.phase.phase == PhaseKind::Tuning => {
                self.finish(End::Done);
                true
            }
            Message::Probe(probe) => self.send(Message::Echo(Probe { nonce: probe.nonce }), out),
            Message::Log(log) => self.keep(log.text.as_str()),
            Message::Open(_) => self.open_again(frame.sequence, out),
            // An answer to a probe of nobody's, a done that comes again.
            Message::Echo(_) | Message::Done => self.refuse("not_asked_for"),
            Message::Command(_)
            | Message::TorqueCommand(_)
            | Message::VoltageCommand(_)
            | Message::PhaseAcknowledgement(_) => self.refuse("not_for_this_run"),
            request if self.phase.phase == PhaseKind::Tuning => self.request(bytes, frame.sequence, &request, out),
            request => self.receive_late(Some(Frame { sequence: frame.sequence, message: request }), out),
        }
    }

    fn command(&mut self, command: Command, out: Out<'_>) -> bool {
        if !self.is_in_turn(command.exchange) {
            return self.refuse("stale_command");
        }
        if 1 < command.count() && command.count() != usize::from(self.terms.accept.stride_ticks) {
            return self.refuse("count");
        }
        self.counts.exchanges += 1;
        self.counts.compute_max_us = self.counts.compute_max_us.max(command.compute_us);
        self.run.take(command);
        if self.is_lockstep() {
            self.go_on(out);
        }
        true
    }

    /// In lockstep only the answer to the feedback that waits; on the clock any that is newer than the newest one.
    fn is_in_turn(&self, exchange: u32) -> bool {
        let is_new = self.run.newest().is_none_or(|newest| newest < exchange);
        let is_due = |asked: u32| if self.is_lockstep() { exchange == asked } else { exchange <= asked };
        self.ready && is_new && self.run.asked().is_some_and(is_due)
    }

    /// The outside is ready for the phase that was announced, or for going on after a reset.
    fn acknowledge(&mut self, phase: Phase, out: Out<'_>) -> bool {
        if phase != self.waits_for() || !self.begun {
            return self.refuse("not_asked_for");
        }
        let is_first = !std::mem::replace(&mut self.ready, true);
        if is_first && self.phase.phase == PhaseKind::PowerCycle {
            self.finish(End::Finished);
        } else if is_first && self.is_lockstep() {
            match self.run.asked() {
                // A client that opened again has lost the feedback that it was to answer.
                Some(_) if !self.run.is_resetting() => out(self.feedback.bytes()),
                _ => self.go_on(out),
            }
        }
        true
    }

    /// The phase that the outside is to acknowledge.
    fn waits_for(&self) -> Phase {
        let kind = if self.run.is_resetting() { PhaseKind::Reset } else { self.phase.phase };
        Phase { phase: kind, ..self.phase }
    }

    /// A client that lost its state: it is told the facts again and the phase is announced anew, while exchange and ticks
    /// go on.
    fn open_again(&mut self, sequence: u32, out: Out<'_>) -> bool {
        let accept = self.terms.accept;
        // Number 0 is handed on by the link: who comes back by another way was told the facts there.
        if sequence == 0 || self.opens_again() {
            if sequence != 0 {
                answer_open(sequence, Message::Accept(accept), out);
            }
            self.reconnected(out);
            return true;
        }
        if !self.begun || self.counts.exchanges == 0 {
            answer_open(sequence, Message::Accept(accept), out);
            return false;
        }
        let (version_min, version_max) = (accept.version_min, accept.version_max);
        let detail = Text::new("this scenario forbids to open again");
        let refuse = Refuse { reason: RefuseReason::OpenAgain, version_min, version_max, detail };
        answer_open(sequence, Message::Refuse(refuse), out);
        self.refuse("open_again")
    }

    /// The client begins its numbers anew, so no request of before is one of now; it hears the phase again, and what the
    /// one before was asked last. Exchange, drive and settings stay as they are.
    pub fn reconnected(&mut self, out: Out<'_>) {
        self.counts.opened_again += 1;
        self.answers.clear();
        if !self.begun {
            return;
        }
        self.announce(self.waits_for(), out);
        if self.is_outside_controlled() {
            self.ready = false;
        } else {
            out(self.feedback.bytes());
        }
    }

    /// Runs ticks until the outside is asked again, or for a client on the clock not at all: there each tick has its time.
    fn go_on(&mut self, out: Out<'_>) {
        while self.is_lockstep() && self.end.is_none() && self.ready && !self.tick_on(out) {}
    }

    /// One tick, unless the phase has ended. `true` when the outside was asked: a feedback went out.
    pub fn tick_on(&mut self, out: Out<'_>) -> bool {
        if self.end.is_some() {
            return false;
        }
        let went = self.run.tick_on(self.ready);
        self.taken.rows.extend(went.row);
        self.counts.silent_ticks += u64::from(went.silent);
        if 0 < went.overtaken {
            *self.counts.refused.entry("stale_command").or_insert(0) += went.overtaken;
        }
        self.after(went, out)
    }

    fn after(&mut self, went: Went, out: Out<'_>) -> bool {
        if let Some(fault) = went.fault {
            self.finish(End::Fault(fault));
        } else if went.finished {
            self.finish(End::Finished);
        }
        if went.reset {
            self.ready = false;
            self.announce(self.waits_for(), out);
        }
        if went.asks {
            self.ask(out);
            return true;
        }
        false
    }

    /// Sends the feedback of the exchange that is complete.
    fn ask(&mut self, out: Out<'_>) {
        self.asked += 1;
        self.sequence = self.sequence.wrapping_add(1);
        // In place: this happens in every exchange, and a frame is three kilobytes.
        self.feedback.length = encode(self.run.feedback(self.sequence), &mut self.feedback.bytes);
        out(self.feedback.bytes());
        if self.phase.phase == PhaseKind::Tuning && self.terms.time_ticks <= self.tick() {
            self.abandon(End::OutOfTime);
        }
    }

    /// A request is answered once; when it comes again, its answer is sent again and nothing else happens.
    fn request(&mut self, bytes: &[u8], sequence: u32, request: &Message, out: Out<'_>) -> bool {
        if let Some(answer) = self.answers.to(bytes) {
            out(answer);
            return true;
        }
        let bench = &mut self.run.bench;
        let Some(answer) = requests::answer(bench, &self.terms.initial, sequence, request) else {
            return self.refuse("not_for_the_bench");
        };
        let sent = self.encoded(answer);
        out(sent.bytes());
        self.answers.keep(bytes, sent.bytes());
        true
    }

    fn keep(&mut self, line: &str) -> bool {
        if LOG_LINES_MAX <= self.log.len() {
            return self.refuse("log_full");
        }
        self.log.push((self.rate.seconds(self.tick()), line.to_owned()));
        true
    }

    fn refuse(&mut self, reason: &'static str) -> bool {
        *self.counts.refused.entry(reason).or_insert(0) += 1;
        false
    }

    fn send(&mut self, message: Message, out: Out<'_>) -> bool {
        let sent = self.encoded(message);
        out(sent.bytes());
        true
    }

    /// A frame under the next sequence number.
    fn encoded(&mut self, message: Message) -> Sent {
        self.sequence = self.sequence.wrapping_add(1);
        let mut bytes = [0; MAX_FRAME_BYTES];
        let length = encode(&Frame { sequence: self.sequence, message }, &mut bytes);
        Sent { bytes, length }
    }

    /// Sends again what the outside is expected to answer, bit by bit as it was: the announcement of the phase, or the
    /// last feedback. Before the phase began there is nothing to send.
    pub fn resend(&mut self, out: Out<'_>) {
        if !self.begun {
            return;
        }
        let sent = if self.ready { &self.feedback } else { &self.announcement };
        if sent.length != 0 {
            self.counts.resent += 1;
            out(sent.bytes());
        }
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

    /// The bench cannot go on, in its own words; the axis is brought to rest.
    pub fn break_off(&mut self, words: String) {
        self.abandon(End::Broken(words));
    }

    /// Nobody commands any more: quick stop in simulated time, so that no axis is left moving.
    fn abandon(&mut self, end: End) {
        if self.end.is_some() {
            return;
        }
        self.mark();
        self.end = Some(match self.run.abandon(&mut self.taken.rows) {
            Ok(()) => end,
            Err(fault) => End::Fault(fault),
        });
    }

    fn finish(&mut self, end: End) {
        self.mark();
        self.end = Some(end);
    }

    /// Marks in the record where a phase begins or ends.
    fn mark(&mut self) {
        frames::keep(&mut self.taken.frames, self.run.tick(), Entry::Mark);
    }
}

/// An answer that carries the number of its question, as those of the door do.
fn answer_open(sequence: u32, message: Message, out: Out<'_>) {
    let mut bytes = [0; MAX_FRAME_BYTES];
    let length = encode(&Frame { sequence, message }, &mut bytes);
    out(&bytes[..length]);
}
