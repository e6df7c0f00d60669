//! Lockstep: the bench waits for the answer that names its feedback.
//!
//! What it does not: know what a frame means (`session.rs`) or where it comes from (`port.rs`). Start reading at
//! [`lockstep`].

use std::time::Duration;

use crate::bench::port::{Clock, Gone, Link, RESEND_AFTER};
use crate::bench::session::{End, Session};
use crate::wire::layout::MAX_FRAME_BYTES;

/// What may end a lockstep run by the wall clock. It can only end it as void, so no bit depends on it.
#[derive(Clone, Copy, Debug)]
pub struct Patience {
    /// How long the method may be silent; `None` waits for ever (a person in a debugger).
    pub silence: Option<Duration>,
    /// How long tuning may take in all.
    pub tuning: Duration,
}

/// Who watches a run from outside the tick: takes what was recorded, and may ask the run to end.
pub trait Watch {
    /// Called after every exchange; returning `Some` ends the run. Must not block for long.
    fn look(&mut self, session: &mut Session) -> Option<End>;
}

/// Runs the tuning phase until it ends. Everything the session sends goes out over the link.
pub fn lockstep(
    session: &mut Session,
    link: &mut dyn Link,
    clock: &mut dyn Clock,
    patience: Patience,
    watch: &mut dyn Watch,
) -> End {
    // One byte more than the longest frame: what is longer is seen to be, and refused for its length.
    let mut buffer = [0_u8; MAX_FRAME_BYTES + 1];
    let mut gone: Option<Gone> = None;
    let mut heard = clock.elapsed();
    let mut sent = heard;
    let mut answered = session.counts.exchanges;
    // A method says a word as soon as it listens on the port it was given; one that does not is begun with anyway.
    let mut begun = false;
    loop {
        if let Some(cause) = gone.take() {
            session.leave(cause.cause);
        }
        if let Some(end) = watch.look(session).or_else(|| session.end().cloned()) {
            return end;
        }
        let progress = match link.receive(&mut buffer) {
            Ok(Some(length)) => session.receive(&buffer[..length], &mut |frame| gone = link.send(frame).err()),
            Ok(None) => false,
            Err(cause) => {
                gone = Some(cause);
                false
            }
        };
        if !begun {
            begun = true;
            session.begin(&mut |frame| gone = link.send(frame).err());
            sent = clock.elapsed();
        }
        let now = clock.elapsed();
        if progress {
            heard = now;
        }
        if answered != session.counts.exchanges {
            answered = session.counts.exchanges;
            sent = now;
        } else if link.has_lost() || RESEND_AFTER <= now.saturating_sub(sent) {
            sent = now;
            session.resend(&mut |frame| gone = link.send(frame).err());
        }
        if patience.silence.is_some_and(|silence| silence <= now.saturating_sub(heard)) {
            session.fall_silent();
        }
        if patience.tuning <= now {
            session.run_out_of_wall_time();
        }
    }
}
