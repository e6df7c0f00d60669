//! A speed controller as a drive's settings describe it, at one frequency, and what a loop of it is worth.
//!
//! What it does not: choose settings (`filter_design.rs`). Start reading at [`Settings`].

use std::f64::consts::PI;

use num_complex::Complex64;

use crate::base::real;
use crate::base::time::TickRate;

/// A notch in the torque command: (s² + 2πB·10^(−D/20) s + w0²) / (s² + 2πB s + w0²).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Notch {
    /// Centre, w0/2π.
    pub hz: f64,
    /// Width B.
    pub width_hz: f64,
    /// Depth D at the centre.
    pub depth_db: f64,
}

/// The settings of a speed loop.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// Kp in Nm per rad/s.
    pub gain_nms_per_rad: f64,
    /// Tn in s.
    pub reset_time_s: f64,
    /// First-order low-pass of the torque command, 0: off.
    pub lowpass_hz: f64,
    /// A notch, where there is one.
    pub notch: Option<Notch>,
}

impl Settings {
    /// Torque command over speed error at a frequency, exactly as the drive computes it tick by tick:
    /// Kp (1 + T/Tn · z/(z − 1)), notch by Tustin prewarped at its centre, low-pass (1 − a)/(1 − a/z) with a = e^(−2πfT).
    #[must_use]
    pub fn response(&self, rad_per_s: f64, rate: TickRate) -> Complex64 {
        let filters = filters(self.lowpass_hz, self.notch, rad_per_s, rate);
        filters * self.gain_nms_per_rad * (1.0 + integral(rad_per_s, rate) / self.reset_time_s)
    }
}

/// T z/(z − 1): a sum over ticks, at a frequency.
#[must_use]
pub fn integral(rad_per_s: f64, rate: TickRate) -> Complex64 {
    let back = back_one_tick(rad_per_s, rate);
    rate.period_s() / (1.0 - back)
}

/// z⁻¹ at a frequency.
#[must_use]
pub fn back_one_tick(rad_per_s: f64, rate: TickRate) -> Complex64 {
    let angle_rad = -rad_per_s * rate.period_s();
    Complex64::new(real::cos(angle_rad), real::sin(angle_rad))
}

/// Low-pass times notch at a frequency.
#[must_use]
pub fn filters(lowpass_hz: f64, notch: Option<Notch>, rad_per_s: f64, rate: TickRate) -> Complex64 {
    let back = back_one_tick(rad_per_s, rate);
    let mut value = Complex64::ONE;
    if 0.0 < lowpass_hz {
        let keep = real::exp(-2.0 * PI * lowpass_hz * rate.period_s());
        value *= (1.0 - keep) / (1.0 - keep * back);
    }
    if let Some(notch) = notch {
        let centre = 2.0 * PI * notch.hz;
        let s = centre / real::tan(centre * rate.period_s() / 2.0) * (1.0 - back) / (1.0 + back);
        let damping = 2.0 * PI * notch.width_hz * s;
        let rest = s * s + centre * centre;
        value *= (rest + damping * real::pow(10.0, -notch.depth_db / 20.0)) / (rest + damping);
    }
    value
}

/// What an open loop over rising frequencies is worth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Worth {
    /// Ms, the peak of |1/(1 + L)|.
    pub sensitivity_peak: f64,
    /// Smallest angular distance of L from −1 over all unity-gain crossings, in degrees; 180 without a crossing.
    pub phase_margin_deg: f64,
    /// Whether the closed loop is stable, by Nyquist's count.
    pub stable: bool,
}

/// Judges an open loop given at rising frequencies up to half the tick rate.
///
/// Stability after Nyquist for a loop whose only pole on the unit circle is the integrator: the angle of 1 + L, which
/// starts between −180° and 0°, must come to rest at 0°, having gone round the origin no time.
#[must_use]
pub fn judge(open: impl Iterator<Item = Complex64>) -> Worth {
    let mut nearest_square = f64::INFINITY;
    let mut margin_rad = PI;
    let mut angle_rad = 0.0;
    let mut before: Option<(Complex64, f64)> = None;
    for value in open {
        let from_critical = 1.0 + value;
        nearest_square = nearest_square.min(from_critical.norm_sqr());
        let size = value.norm_sqr().sqrt();
        match before {
            None => angle_rad = angle(from_critical),
            Some((last, last_size)) => {
                angle_rad += angle(from_critical * (1.0 + last).conj());
                if (last_size < 1.0) != (size < 1.0) {
                    let share = (1.0 - last_size) / (size - last_size);
                    margin_rad = f64::min(margin_rad, angle(-(last + (value - last) * share)).abs());
                }
            }
        }
        before = Some((value, size));
    }
    Worth {
        sensitivity_peak: 1.0 / nearest_square.sqrt(),
        phase_margin_deg: margin_rad * 180.0 / PI,
        stable: angle_rad.abs() < PI / 2.0,
    }
}

fn angle(value: Complex64) -> f64 {
    real::atan2(value.im, value.re)
}
