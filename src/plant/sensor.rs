//! An angle sensor: counts, sign, gear, offset, cyclic error, noise, latency, and two faults.
//!
//! What it does not: reckon a speed from counts (see `drive`). Start reading at [`Sensor::sample`].

use crate::base::random::Stream;
use crate::base::real;
use crate::base::units::TURN_RAD;

/// What an angle sensor is like.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorParameters {
    /// N, counts per turn of the sensor, above 0.
    pub counts_per_turn: f64,
    /// Standard deviation of the white angle noise in counts, before rounding; 0: none.
    pub noise_counts_rms: f64,
    /// n: the sample of tick k shows the angle at the start of tick k − n.
    pub latency_ticks: u32,
    /// +1, or −1 for a sensor wired the wrong way round.
    pub sign: f64,
    /// Turns of the sensor per turn of the shaft that it sits at, above 0; 1: it sits on the shaft itself.
    pub gear: f64,
    /// Mounting offset in rad of that shaft, added to the angle.
    pub offset_rad: f64,
    /// What the shown angle is off by, in periods of the sensor's own turn.
    pub cyclic_error: Vec<CyclicError>,
}

/// One harmonic of what an angle sensor is off by: peak · sin(per_turn · φ + phase), φ the sensor's own angle with its
/// offset. With tracks of n periods a turn that are read as sine and cosine, an offset of either shows at n, a mismatch of
/// their amplitudes or of their quadrature at 2n; an eccentric disc shows at 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CyclicError {
    /// Periods per turn of the sensor.
    pub per_turn: u32,
    /// Peak in rad of the sensor's angle.
    pub peak_rad: f64,
    /// Phase at the sensor's angle 0, in rad.
    pub phase_rad: f64,
}

impl SensorParameters {
    /// A sensor of so many counts per turn and nothing else.
    #[must_use]
    pub const fn plain(counts_per_turn: f64) -> Self {
        Self {
            counts_per_turn,
            noise_counts_rms: 0.0,
            latency_ticks: 0,
            sign: 1.0,
            gear: 1.0,
            offset_rad: 0.0,
            cyclic_error: Vec::new(),
        }
    }

    /// Counts per turn of the shaft that it sits at: what a nameplate calls counts per turn.
    #[must_use]
    pub fn counts_per_shaft_turn(&self) -> f64 {
        self.counts_per_turn * self.gear
    }

    /// Counts before noise and rounding at an angle of the shaft in rad: sign (φ + cyclic(φ)) N / 2π, φ the gear times
    /// angle and offset.
    #[must_use]
    pub fn counts_at(&self, shaft_angle_rad: f64) -> f64 {
        let mut angle_rad = self.gear * (shaft_angle_rad + self.offset_rad);
        if !self.cyclic_error.is_empty() {
            angle_rad += self.cyclic_rad(angle_rad);
        }
        self.sign * angle_rad * self.counts_per_turn / TURN_RAD
    }

    fn cyclic_rad(&self, angle_rad: f64) -> f64 {
        let wave =
            |error: &CyclicError| error.peak_rad * real::sin(f64::from(error.per_turn) * angle_rad + error.phase_rad);
        self.cyclic_error.iter().map(wave).sum()
    }
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
    /// When counts per turn or gear are not above 0, the noise is negative or the sign is neither +1 nor −1.
    #[must_use]
    pub fn new(parameters: &SensorParameters, noise: Stream, initial_angle_rad: f64) -> Self {
        assert!(0.0 < parameters.counts_per_turn, "counts per turn must be above 0");
        assert!(0.0 <= parameters.noise_counts_rms, "the noise must not be negative");
        assert!(parameters.sign.abs() == 1.0, "the sign must be +1 or -1");
        assert!(0.0 < parameters.gear, "the gear must be above 0");
        let latency = parameters.latency_ticks as usize;
        Self {
            parameters: parameters.clone(),
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

    /// The sample of a tick, in counts: round_half_to_even(counts at θ_{k−n} + noise_k)
    /// ([`SensorParameters::counts_at`]), less the counts lost. Called once per tick with the shaft's angle in rad at its
    /// start; draws one number when there is noise, none otherwise.
    pub fn sample(&mut self, shaft_angle_rad: f64) -> i64 {
        let shown_rad = self.delayed_rad(shaft_angle_rad);
        let parameters = &self.parameters;
        let mut counts = parameters.counts_at(shown_rad);
        if 0.0 < parameters.noise_counts_rms {
            counts += parameters.noise_counts_rms * self.noise.normal();
        }
        let true_counts = (real::round_half_to_even(counts) as i64).saturating_sub(self.lost_counts);
        let held_counts = if 0 < self.frozen_ticks { self.shown_counts } else { None };
        self.frozen_ticks = self.frozen_ticks.saturating_sub(1);
        *self.shown_counts.insert(held_counts.unwrap_or(true_counts))
    }

    fn delayed_rad(&mut self, shaft_angle_rad: f64) -> f64 {
        let Some(place) = self.past_rad.get_mut(self.oldest) else { return shaft_angle_rad };
        let shown_rad = std::mem::replace(place, shaft_angle_rad);
        self.oldest = (self.oldest + 1) % self.past_rad.len();
        shown_rad
    }
}
