//! What a method sees of a machine: facts, feedback, settings by name. Nothing else exists for it.
//!
//! What it does not: bytes or sockets (see `client.rs`, which makes an [`Axis`] of a link). Start reading at [`Axis`].

use std::fmt;

use crate::base::signal::{Feedback, Request};
use crate::base::time::TickRate;

/// What the bench tells a method before it begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Facts {
    /// Control ticks per second.
    pub rate: TickRate,
    /// Ticks per exchange, at least 1.
    pub stride: usize,
    /// End of the travel at either side, load angle in degrees; `None` on an endless axis.
    pub travel_deg: Option<[f64; 2]>,
    /// Where the method may be: load angle in degrees, absolute, on an endless axis counted from the start.
    pub window_deg: [f64; 2],
    /// How far the load may turn in all, in degrees.
    pub path_deg: f64,
    /// Highest speed of the motor, in rad/s.
    pub max_speed_rad_per_s: f64,
    /// Simulated time for the tuning, in s.
    pub time_s: f64,
}

/// Why a method gave up: a sentence for people.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stop {
    /// The reason, without a full stop.
    pub reason: String,
}

impl Stop {
    /// A stop with its reason.
    #[must_use]
    pub fn because(reason: impl Into<String>) -> Self {
        Self { reason: reason.into() }
    }
}

impl fmt::Display for Stop {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(&self.reason)
    }
}

impl std::error::Error for Stop {}

/// The settings that a method left in the drive.
#[derive(Clone, Debug, PartialEq)]
pub struct Summary {
    /// Name and value of each setting that it chose and stored, in the unit of the name.
    pub settings: Vec<(&'static str, f64)>,
}

/// A machine behind a drive, as a method meets it. Every call may end in a [`Stop`]: the link or the bench gave up.
pub trait Axis {
    /// What the bench said when it accepted.
    fn facts(&self) -> Facts;

    /// One exchange. `requests` holds one request per tick of the stride, whose controlword is that of the last one;
    /// `feedback` is overwritten with what the drive showed in exactly those ticks.
    fn exchange(&mut self, requests: &[Request], feedback: &mut Vec<Feedback>) -> Result<(), Stop>;

    /// A setting of the drive, in the unit of its name.
    fn read(&mut self, name: &str) -> Result<f64, Stop>;

    /// Writes a setting (volatile); gives back what the drive now holds.
    fn write(&mut self, name: &str, value: f64) -> Result<f64, Stop>;

    /// Makes the drive keep its settings through a power cycle.
    fn store(&mut self) -> Result<(), Stop>;

    /// A sentence for the record, at most 200 bytes.
    fn log(&mut self, text: &str) -> Result<(), Stop>;
}
