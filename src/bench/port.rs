//! Where the run loop meets the world: a link that carries frames, a clock that tells how long the run has lasted.
//!
//! What it does not: open a socket or read a clock; `host` does, and `memory.rs` stands in for both. Start reading at
//! [`Link`].

use std::time::Duration;

/// After how long without an answer the same feedback is sent again, in lockstep.
///
/// A tenth of a second: long against any round trip on one machine, short against a person's patience.
pub const RESEND_AFTER: Duration = Duration::from_millis(100);

/// Carries whole frames to and from one peer.
pub trait Link {
    /// Sends one frame.
    ///
    /// # Errors
    /// [`Gone`] when nothing sent here can arrive any more.
    fn send(&mut self, frame: &[u8]) -> Result<(), Gone>;

    /// Waits up to [`RESEND_AFTER`] for the next frame and returns its length; `None` when nothing came.
    ///
    /// # Errors
    /// [`Gone`] when nothing can arrive any more.
    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone>;

    /// The next frame that is there already; never waits. What a paced run takes at the start of a tick.
    ///
    /// # Errors
    /// [`Gone`] when nothing can arrive any more.
    fn poll(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone>;

    /// What the carrier itself threw away so far, by reason: bytes that made no frame, frames that found no room.
    fn thrown_away(&self) -> Vec<(&'static str, u64)> {
        Vec::new()
    }
}

/// The peer or the device cannot be reached any more.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Gone {
    /// What happened, as a clause about the method: `lost its line: ...`.
    pub cause: String,
}

/// Tells the wall-clock time since the run began. In lockstep it can only end a run as void.
pub trait Clock {
    /// Time since the run began.
    fn elapsed(&mut self) -> Duration;
}

/// Tells when ticks are due on the wall clock, and waits for them.
pub trait Metronome {
    /// Waits until so many nanoseconds after the start, and returns the nanoseconds since the start at which it woke.
    fn wait_until_ns(&mut self, due_ns: u64) -> u64;

    /// Nanoseconds since the start.
    fn now_ns(&mut self) -> u64;
}

/// Takes what a paced run recorded. Never waits.
pub trait Outlet {
    /// Takes the rows and frames out of what was taken, leaving room for more; `false` when there was no room for them.
    fn give(&mut self, taken: &mut crate::bench::session::Taken) -> bool;
}
