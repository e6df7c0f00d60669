//! The drive's command to its holding brake, and how long it takes the brake to have followed.
//!
//! The drive cannot see the brake: it waits for the times in its settings, right or wrong. Where they are 0 nothing
//! waits. What it does not: be the brake (`plant/brake.rs` has its torque, `bench/site.rs` its true times). Start reading
//! at [`BrakeCommand`].

use crate::base::time::TickRate;
use crate::drive::setting::{Setting, Settings};

/// The command and how many ticks it has stood.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BrakeCommand {
    opens_after_ticks: u64,
    closes_after_ticks: u64,
    lifted: bool,
    ticks: u64,
}

impl BrakeCommand {
    /// A brake that has been closed for long.
    #[must_use]
    pub fn closed(settings: &Settings, rate: TickRate) -> Self {
        let mut brake = Self { opens_after_ticks: 0, closes_after_ticks: 0, lifted: false, ticks: u64::MAX };
        brake.retune(settings, rate);
        brake
    }

    /// The same brake, open for long.
    #[must_use]
    pub fn opened(self) -> Self {
        Self { lifted: true, ticks: u64::MAX, ..self }
    }

    /// Other times, the command stands.
    pub fn retune(&mut self, settings: &Settings, rate: TickRate) {
        self.opens_after_ticks = rate.nearest_tick(settings.get(Setting::BrakeOpens));
        self.closes_after_ticks = rate.nearest_tick(settings.get(Setting::BrakeCloses));
    }

    /// A tick begins.
    pub fn pass_tick(&mut self) {
        self.ticks = self.ticks.saturating_add(1);
    }

    /// Commands it to open or to close; the same again changes nothing.
    pub fn command(&mut self, lift: bool) {
        if self.lifted != lift {
            (self.lifted, self.ticks) = (lift, 0);
        }
    }

    /// Whether it is commanded to be open.
    #[must_use]
    pub fn is_lifted(&self) -> bool {
        self.lifted
    }

    /// Whether it must be open by now.
    #[must_use]
    pub fn is_open(&self) -> bool {
        self.lifted && self.opens_after_ticks <= self.ticks
    }

    /// Whether it must be closed by now.
    #[must_use]
    pub fn is_closed(&self) -> bool {
        !self.lifted && self.closes_after_ticks <= self.ticks
    }
}
