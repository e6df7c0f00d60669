//! Time is a tick number; seconds are k / tick_hz.
//!
//! What it does not: read a clock. Start reading at [`TickRate`].

/// How many ticks a second has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TickRate {
    /// Ticks per second, at least 1.
    pub hz: u32,
}

impl TickRate {
    /// One tick in seconds.
    #[must_use]
    pub fn period_s(self) -> f64 {
        1.0 / f64::from(self.hz)
    }

    /// The start of a tick in seconds: one division, never a running sum, so that no error grows with time.
    #[must_use]
    pub fn seconds(self, tick: u64) -> f64 {
        tick as f64 / f64::from(self.hz)
    }

    /// The nearest tick to a time at or after 0; a negative time gives tick 0.
    #[must_use]
    pub fn nearest_tick(self, seconds: f64) -> u64 {
        (seconds * f64::from(self.hz)).round().max(0.0) as u64
    }

    /// The tick that starts at this time, to 1e-6 of a tick; `None` when the time lies between ticks or before 0.
    #[must_use]
    pub fn whole_tick(self, seconds: f64) -> Option<u64> {
        let ticks = seconds * f64::from(self.hz);
        let nearest = ticks.round();
        (0.0 <= nearest && (ticks - nearest).abs() <= 1e-6).then_some(nearest as u64)
    }
}
