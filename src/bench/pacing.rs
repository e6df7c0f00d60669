//! Who waits for whom: in lockstep the bench waits for the answer, in real time ticks come on the clock.
//!
//! What it does not: know what a frame means (`session.rs`), where it comes from or what time it is (`port.rs`). Start
//! reading at [`lockstep`].

use std::time::Duration;

use crate::base::time::TickRate;
use crate::bench::port::{Clock, Gone, Link, Metronome, Outlet, RESEND_AFTER};
use crate::bench::session::Session;
use crate::bench::terms::End;
use crate::bench::timing::due_ns;
use crate::wire::layout::MAX_FRAME_BYTES;
use crate::wire::message::Pace;

/// What may end a run by the wall clock. It can only end it as void, so no bit depends on it.
#[derive(Clone, Copy, Debug)]
pub struct Patience {
    /// How long the method may be silent; `None` waits for ever (a person in a debugger).
    pub silence: Option<Duration>,
    /// How long the phase may take in all; `None` where nobody counts.
    pub phase: Option<Duration>,
}

/// Who watches a run from outside the tick: takes what was recorded, and may ask the run to end.
pub trait Watch {
    /// Called after every exchange; returning `Some` ends the run. Must not block for long.
    fn look(&mut self, session: &mut Session) -> Option<End>;
}

// One byte more than the longest frame: what is longer is seen to be, and refused for its length.
type Buffer = [u8; MAX_FRAME_BYTES + 1];

/// Runs a phase until it ends, as fast as both sides allow. Everything the session sends goes out over the link.
pub fn lockstep(
    session: &mut Session,
    link: &mut dyn Link,
    clock: &mut dyn Clock,
    patience: Patience,
    watch: &mut dyn Watch,
) -> End {
    let mut wait = Waiting::begin(session, link, clock);
    loop {
        wait.heed_loss(session);
        if let Some(end) = watch.look(session).or_else(|| session.end().cloned()) {
            return end;
        }
        wait.for_a_frame(session, link, clock, patience);
    }
}

/// One side that waits for the other: what came last and when, what was sent when.
struct Waiting {
    buffer: Buffer,
    gone: Option<Gone>,
    heard: Duration,
    sent: Duration,
    asked: u64,
}

impl Waiting {
    /// Tuning begins with the method's first word, every later phase at once.
    fn begin(session: &mut Session, link: &mut dyn Link, clock: &mut dyn Clock) -> Self {
        let now = clock.elapsed();
        let mut gone = None;
        if !session.awaits_hello() {
            session.begin(&mut |frame| gone = link.send(frame).err());
        }
        Self { buffer: [0; MAX_FRAME_BYTES + 1], gone, heard: now, sent: now, asked: session.asked() }
    }

    fn heed_loss(&mut self, session: &mut Session) {
        if let Some(cause) = self.gone.take() {
            session.leave(cause.cause);
        }
    }

    /// Takes one frame, or finds that none came; repeats what was not answered, and loses patience at last.
    fn for_a_frame(&mut self, session: &mut Session, link: &mut dyn Link, clock: &mut dyn Clock, patience: Patience) {
        let Self { buffer, gone, .. } = self;
        let progress = match link.receive(buffer) {
            Ok(Some(length)) => session.receive(&buffer[..length], &mut |frame| *gone = link.send(frame).err()),
            Ok(None) => false,
            Err(cause) => {
                *gone = Some(cause);
                false
            }
        };
        // A method says a word as soon as it listens on the port it was given; one that does not is begun with anyway.
        if session.awaits_hello() {
            session.begin(&mut |frame| *gone = link.send(frame).err());
        }
        self.after(progress, clock.elapsed(), session, link, patience);
    }

    /// Takes the frames that are there, and not more than a tick can bear; whether one was a sign of life.
    fn poll(&mut self, session: &mut Session, link: &mut dyn Link) -> bool {
        let Self { buffer, gone, .. } = self;
        let mut progress = false;
        for _ in 0..FRAMES_PER_TICK_MAX {
            match link.poll(buffer) {
                Ok(Some(length)) => {
                    progress |= session.receive(&buffer[..length], &mut |frame| *gone = link.send(frame).err());
                }
                Ok(None) => break,
                Err(cause) => {
                    *gone = Some(cause);
                    break;
                }
            }
        }
        progress
    }

    /// Repeats what was not answered (on the clock only what no tick can go on without), and loses patience at last.
    fn after(&mut self, progress: bool, now: Duration, session: &mut Session, link: &mut dyn Link, patience: Patience) {
        if progress {
            self.heard = now;
        }
        let repeats = session.accept().pace == Pace::Lockstep || !session.is_ready();
        if self.asked != session.asked() {
            self.asked = session.asked();
            self.sent = now;
        } else if repeats && (link.has_lost() || RESEND_AFTER <= now.saturating_sub(self.sent)) {
            self.sent = now;
            session.resend(&mut |frame| self.gone = link.send(frame).err());
        }
        if patience.silence.is_some_and(|silence| silence <= now.saturating_sub(self.heard)) {
            session.fall_silent();
        }
        if patience.phase.is_some_and(|phase| phase <= now) {
            session.run_out_of_wall_time();
        }
    }
}

/// What one tick on the clock was like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Beat {
    /// Actual minus scheduled start, in nanoseconds.
    pub late_ns: u64,
    /// Whether its output left after the next tick was due.
    pub missed: bool,
}

/// Who looks after a paced run without ever making it wait.
pub trait Attendant: Outlet {
    /// One tick was done.
    fn beat(&mut self, beat: Beat);

    /// Whether somebody asked the run to end.
    fn asked_to_end(&mut self) -> Option<End>;
}

/// Most frames that are read in one tick, so that a flood cannot make it late for ever.
const FRAMES_PER_TICK_MAX: usize = 64;

/// Rows after which what was recorded is handed on: 32 ms at 8 kHz.
const ROWS_AT_ONCE: usize = 256;

/// From the moment the method is ready to the first tick.
const LEAD_NS: u64 = 1_000_000;

/// Runs a phase until it ends, tick by tick on the clock; ticks are never dropped, late ones are caught up. Until the
/// method is ready for the phase no tick is due. `clock` and `metronome` may start at different moments.
pub fn real_time(
    session: &mut Session,
    link: &mut dyn Link,
    (clock, metronome): (&mut dyn Clock, &mut dyn Metronome),
    patience: Patience,
    attendant: &mut dyn Attendant,
) -> End {
    let mut wait = Waiting::begin(session, link, clock);
    while !session.is_ready() {
        wait.heed_loss(session);
        if let Some(end) = attendant.asked_to_end().or_else(|| session.end().cloned()) {
            return end;
        }
        wait.for_a_frame(session, link, clock, patience);
    }
    let rate = TickRate { hz: session.accept().tick_hz };
    let (start_ns, ready_after) = (metronome.now_ns() + LEAD_NS, clock.elapsed());
    let mut beats = 0_u64;
    loop {
        let (due_ns, next_due_ns) = (start_ns + due_ns(rate, beats), start_ns + due_ns(rate, beats + 1));
        let woke_ns = metronome.wait_until_ns(due_ns);
        let progress = wait.poll(session, link);
        // Ended by the method's word: the tick that was due is not one of the phase any more.
        if let Some(end) = session.end() {
            return end.clone();
        }
        session.tick_on(&mut |frame| wait.gone = link.send(frame).err());
        let done_ns = metronome.now_ns();
        attendant.beat(Beat { late_ns: woke_ns.saturating_sub(due_ns), missed: next_due_ns < done_ns });
        beats += 1;
        wait.heed_loss(session);
        if ROWS_AT_ONCE <= session.taken.rows.len() && !attendant.give(&mut session.taken) {
            session.break_off("the record could not be written as fast as the run went".to_owned());
        }
        wait.after(
            progress,
            ready_after + Duration::from_nanos(done_ns.saturating_sub(start_ns)),
            session,
            link,
            patience,
        );
        match attendant.asked_to_end() {
            // The axis is brought to rest first.
            Some(End::Left(why)) => session.leave(why),
            Some(end) => return end,
            None => {}
        }
        if let Some(end) = session.end() {
            return end.clone();
        }
    }
}
