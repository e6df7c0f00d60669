//! The angle sensor on the motor: counts, sign, offset, noise, latency, and two faults.
//!
//! What it does not: reckon a speed from counts (see `drive`). Start reading at [`Sensor::sample`].

use crate::base::random::Stream;
use crate::base::real;
use crate::base::units::TURN_RAD;

/// What an angle sensor is like.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensorParameters {
    /// N, counts per turn of the motor, above 0.
    pub counts_per_turn: f64,
    /// Standard deviation of the white angle noise in counts, before rounding; 0: none.
    pub noise_counts_rms: f64,
    /// n: the sample of tick k shows the angle at the start of tick k − n.
    pub latency_ticks: u32,
    /// +1, or −1 for a sensor wired the wrong way round.
    pub sign: f64,
    /// Mounting offset in rad, added to the angle.
    pub offset_rad: f64,
}

/// A sensor at work. A clone goes on with the same noise.
#[derive(Clone, Debug)]
pub struct Sensor {
    parameters: SensorParameters,
    noise: Stream,
    /// Angles of the last `latency_ticks` samples, a ring; empty without latency.
    past_rad: Vec<f64>,
    oldest: usize,
    /// What the last sample showed; none before the first.
    shown_counts: Option<i64>,
    frozen_ticks: u64,
    lost_counts: i64,
}

impl Sensor {
    /// A sensor before its first sample. Angles from before the first sample are the initial angle.
    ///
    /// # Panics
    /// When the counts per turn are not above 0, the noise is negative or the sign is neither +1 nor −1.
    #[must_use]
    pub fn new(parameters: &SensorParameters, noise: Stream, initial_angle_rad: f64) -> Self {
        assert!(0.0 < parameters.counts_per_turn, "counts per turn must be above 0");
        assert!(0.0 <= parameters.noise_counts_rms, "the noise must not be negative");
        assert!(parameters.sign.abs() == 1.0, "the sign must be +1 or -1");
        let latency = parameters.latency_ticks as usize;
        Self {
            parameters: *parameters,
            noise,
            past_rad: vec![initial_angle_rad; latency],
            oldest: 0,
            shown_counts: None,
            frozen_ticks: 0,
            lost_counts: 0,
        }
    }

    /// A fault: for the next so many samples it shows what it showed last (before its first sample: what that shows).
    /// Behind it noise and latency go on, so that what comes afterwards is what would have come. Frozen already, the
    /// later end holds.
    pub fn freeze(&mut self, ticks: u64) {
        self.frozen_ticks = self.frozen_ticks.max(ticks);
    }

    /// A fault: from the next sample on it shows so many counts fewer, below 0 more; losses add up.
    pub fn lose(&mut self, counts: i64) {
        self.lost_counts = self.lost_counts.saturating_add(counts);
    }

    /// The sample of a tick, in counts: round_half_to_even(sign (θ_{k−n} + offset) N / 2π + noise_k), less the
    /// counts lost. Called once per tick with the motor's angle in rad at its start; draws one number when there is noise,
    /// none otherwise.
    pub fn sample(&mut self, motor_angle_rad: f64) -> i64 {
        let shown_rad = self.delayed_rad(motor_angle_rad);
        let parameters = &self.parameters;
        let angle_rad = parameters.sign * (shown_rad + parameters.offset_rad);
        let mut counts = angle_rad * parameters.counts_per_turn / TURN_RAD;
        if 0.0 < parameters.noise_counts_rms {
            counts += parameters.noise_counts_rms * self.noise.normal();
        }
        let true_counts = (real::round_half_to_even(counts) as i64).saturating_sub(self.lost_counts);
        let held_counts = if 0 < self.frozen_ticks { self.shown_counts } else { None };
        self.frozen_ticks = self.frozen_ticks.saturating_sub(1);
        *self.shown_counts.insert(held_counts.unwrap_or(true_counts))
    }

    fn delayed_rad(&mut self, motor_angle_rad: f64) -> f64 {
        let Some(place) = self.past_rad.get_mut(self.oldest) else { return motor_angle_rad };
        let shown_rad = std::mem::replace(place, motor_angle_rad);
        self.oldest = (self.oldest + 1) % self.past_rad.len();
        shown_rad
    }
}
