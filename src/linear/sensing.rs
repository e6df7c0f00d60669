//! What a sensor's grain and noise cost: noise of the measured speed, and the speed gain that keeps the torque quiet.
//!
//! What it does not: cyclic errors, which are no noise. Start reading at [`SpeedNoise`].

use crate::base::real;
use crate::base::time::TickRate;
use crate::base::units::TURN_RAD;
use crate::drive::filter::LowPassCoefficients;
use crate::plant::sensor::SensorParameters;

/// Noise of the speed that a drive measures as a difference of counts over one tick.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpeedNoise {
    rate: TickRate,
    /// Standard deviation of one sample of the angle in rad: the sensor's white noise and its grain.
    angle_rms_rad: f64,
}

impl SpeedNoise {
    /// The noise behind a sensor: its white noise, and that of rounding to whole counts, which spreads evenly over one
    /// count and so has 1/√12 of it as its standard deviation (Widrow's model of quantisation; textbooks on sampled
    /// systems). At standstill with little noise the rounding is less than that, and so it is with the M/T method where
    /// edges come in every tick.
    #[must_use]
    pub fn new(sensor: &SensorParameters, rate: TickRate) -> Self {
        let counts_rms = real::hypot(sensor.noise_counts_rms, (1.0_f64 / 12.0).sqrt());
        Self { rate, angle_rms_rad: counts_rms * TURN_RAD / sensor.counts_per_shaft_turn() }
    }

    /// Standard deviation of the measured speed behind a first-order low-pass of this corner in Hz (0: none), in rad/s.
    ///
    /// White noise n with deviation σ goes through (1 − a)(1 − z⁻¹) / (1 − a z⁻¹); the impulse response is 1 − a, then
    /// −(1 − a)² aᵏ⁻¹, and the sum of its squares 2 (1 − a)² / (1 + a).
    #[must_use]
    pub fn speed_rms_rad_per_s(&self, low_pass_hz: f64) -> f64 {
        let a = LowPassCoefficients::new(low_pass_hz, self.rate).a;
        let rest = 1.0 - a;
        self.angle_rms_rad * f64::from(self.rate.hz) * rest * (2.0 / (1.0 + a)).sqrt()
    }

    /// The speed gain in Nms/rad at which noise alone moves the torque by so many Nm rms behind a low-pass of this
    /// corner. The loop's own answer to the noise is left out, which a gain well below its limit hardly adds to.
    #[must_use]
    pub fn gain_nms_per_rad(&self, torque_rms_nm: f64, low_pass_hz: f64) -> f64 {
        torque_rms_nm / self.speed_rms_rad_per_s(low_pass_hz)
    }
}
