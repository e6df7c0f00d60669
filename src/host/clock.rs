//! The wall clock, as the run loop wants it.
//!
//! What it does not: simulated time, which is a tick number. Start reading at [`WallClock`].

use std::time::{Duration, Instant};

use crate::bench::port::Clock;

/// Counts from its making.
#[derive(Clone, Copy, Debug)]
pub struct WallClock(Instant);

impl WallClock {
    /// A clock that reads zero now.
    #[must_use]
    pub fn start() -> Self {
        Self(Instant::now())
    }
}

impl Clock for WallClock {
    fn elapsed(&mut self) -> Duration {
        self.0.elapsed()
    }
}
