//! Transcendental functions with the same bits on every machine.
//!
//! The platform's own `sin`, `exp`, `powf` differ between processors of one architecture, since their library picks
//! instructions at run time; these come from a portable library instead. `sqrt`, `abs`, `floor` and the like are exact
//! by IEEE 754 and need no wrapper. What it does not: vectors, matrices. Start reading anywhere.

use libm as portable;

/// Sine of an angle in rad.
#[must_use]
pub fn sin(angle_rad: f64) -> f64 {
    portable::sin(angle_rad)
}

/// Cosine of an angle in rad.
#[must_use]
pub fn cos(angle_rad: f64) -> f64 {
    portable::cos(angle_rad)
}

/// Sine and cosine of an angle in rad, for less than one after the other.
#[must_use]
pub fn sin_cos(angle_rad: f64) -> (f64, f64) {
    portable::sincos(angle_rad)
}

/// Tangent of an angle in rad.
#[must_use]
pub fn tan(angle_rad: f64) -> f64 {
    portable::tan(angle_rad)
}

/// Angle in rad of the point (x, y), in (−π, π].
#[must_use]
pub fn atan2(y: f64, x: f64) -> f64 {
    portable::atan2(y, x)
}

/// Exponential function.
#[must_use]
pub fn exp(x: f64) -> f64 {
    portable::exp(x)
}

/// Natural logarithm; NaN below 0, −∞ at 0.
#[must_use]
pub fn ln(x: f64) -> f64 {
    portable::log(x)
}

/// Decimal logarithm; NaN below 0, −∞ at 0.
#[must_use]
pub fn log10(x: f64) -> f64 {
    portable::log10(x)
}

/// x to the power y.
#[must_use]
pub fn pow(x: f64, y: f64) -> f64 {
    portable::pow(x, y)
}

/// Hyperbolic tangent.
#[must_use]
pub fn tanh(x: f64) -> f64 {
    portable::tanh(x)
}

/// Length of the vector (x, y).
#[must_use]
pub fn hypot(x: f64, y: f64) -> f64 {
    portable::hypot(x, y)
}

/// Rounds to the nearest whole number, halves to the even one.
#[must_use]
pub fn round_half_to_even(x: f64) -> f64 {
    portable::rint(x)
}
