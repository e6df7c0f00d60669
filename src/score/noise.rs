//! Noise of the torque command, and the high-pass that it is taken through.
//!
//! What it does not: weigh by hearing. Start reading at [`torque_noise_rms_percent`].

use std::f64::consts::{PI, SQRT_2};

use crate::base::real;
use crate::base::time::TickRate;
use crate::score::answer::{Answer, NoNumber};
use crate::score::window::{Options, Window};

/// `torque_noise_rms_percent`: of the torque command over the window's last `last_s` (its last half): the mean
/// subtracted, high-passed once forward from rest, the first fifth dropped (its whole samples), rms of the rest in
/// percent of rated torque. `not defined` without a corner that lies between 0 and half the tick rate.
#[must_use]
pub fn torque_noise_rms_percent(window: &Window, options: &Options) -> Answer {
    let half_s = 0.5 * window.setpoint_rad_per_s.len() as f64 * window.rate.period_s();
    let part = window.narrowed(options.last_s.unwrap_or(half_s));
    let Some(mut filter) = options.highpass_hz.and_then(|corner_hz| Highpass::new(corner_hz, window.rate)) else {
        return Answer::Without(NoNumber::NotDefined);
    };
    let command = part.torque_command_nm;
    let mean_nm = command.iter().sum::<f64>() / command.len() as f64;
    let dropped = command.len() / 5;
    let mut squares = 0.0;
    for (k, torque_nm) in command.iter().enumerate() {
        let passed_nm = filter.pass(torque_nm - mean_nm);
        if dropped <= k {
            squares += passed_nm * passed_nm;
        }
    }
    let rms_nm = (squares / (command.len() - dropped) as f64).sqrt();
    Answer::of(100.0 * rms_nm / options.torques.rated_nm)
}

/// A second-order Butterworth high-pass at rest.
#[derive(Clone, Copy, Debug)]
pub struct Highpass {
    /// b0, b1, b2, a1, a2 of (b0 + b1 z⁻¹ + b2 z⁻²) / (1 + a1 z⁻¹ + a2 z⁻²).
    pub coefficients: [f64; 5],
    state: [f64; 2],
}

impl Highpass {
    /// By the bilinear transform, prewarped at its corner; `None` unless 0 < corner < half the tick rate.
    ///
    /// With K = tan(π f T), s → K⁻¹ (z − 1)/(z + 1) in units of the corner, so s²/(s² + √2 s + 1) becomes
    /// (z − 1)² / ((z − 1)² + √2 K (z² − 1) + K² (z + 1)²) (Oppenheim & Schafer, Discrete-Time Signal Processing).
    #[must_use]
    pub fn new(corner_hz: f64, rate: TickRate) -> Option<Self> {
        if !(0.0 < corner_hz && corner_hz < 0.5 * f64::from(rate.hz)) {
            return None;
        }
        let k = real::tan(PI * corner_hz * rate.period_s());
        let a0 = 1.0 + SQRT_2 * k + k * k;
        let gain = 1.0 / a0;
        let coefficients = [gain, -2.0 * gain, gain, 2.0 * (k * k - 1.0) / a0, (1.0 - SQRT_2 * k + k * k) / a0];
        Some(Self { coefficients, state: [0.0; 2] })
    }

    /// The next value (transposed direct form II).
    pub fn pass(&mut self, input: f64) -> f64 {
        let [b0, b1, b2, a1, a2] = self.coefficients;
        let output = b0 * input + self.state[0];
        self.state = [b1 * input - a1 * output + self.state[1], b2 * input - a2 * output];
        output
    }
}
