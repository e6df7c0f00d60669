//! The drive's filters: a first-order low-pass and a notch, each with the exact coefficients it works with.
//!
//! The linear model evaluates the same coefficients at z, so what is judged is what acts. What it does not: decide
//! where a filter stands in the loop (see `speed_loop.rs`, `ramp.rs`, `measured_speed.rs`). Start reading at
//! [`LowPassCoefficients`].

use std::f64::consts::PI;

use crate::base::real;
use crate::base::time::TickRate;

/// A low-pass y_k = a y_{k−1} + (1 − a) u_k, so H(z) = (1 − a) / (1 − a z⁻¹).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LowPassCoefficients {
    /// a = exp(−2πfT), in [0, 1); 0 when off, which passes every value on with the same bits.
    pub a: f64,
}

impl LowPassCoefficients {
    /// The low-pass with this corner frequency, by matching its pole: exp(−2πfT). 0 Hz: off.
    #[must_use]
    pub fn new(corner_hz: f64, rate: TickRate) -> Self {
        let a = if corner_hz == 0.0 { 0.0 } else { real::exp(-2.0 * PI * corner_hz * rate.period_s()) };
        Self { a }
    }
}

/// A low-pass and its last output.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LowPass {
    coefficients: LowPassCoefficients,
    /// 1 − a, taken once.
    fresh: f64,
    last: f64,
}

impl LowPass {
    /// A low-pass at 0.
    #[must_use]
    pub fn new(coefficients: LowPassCoefficients) -> Self {
        Self { coefficients, fresh: 1.0 - coefficients.a, last: 0.0 }
    }

    /// What it works with.
    #[must_use]
    pub fn coefficients(&self) -> LowPassCoefficients {
        self.coefficients
    }

    /// Other coefficients, the same last output: a change while running does not jump.
    pub fn retune(&mut self, coefficients: LowPassCoefficients) {
        *self = Self { last: self.last, ..Self::new(coefficients) };
    }

    /// Back to 0.
    pub fn reset(&mut self) {
        self.last = 0.0;
    }

    /// One tick.
    #[inline]
    pub fn next(&mut self, input: f64) -> f64 {
        self.last = self.coefficients.a * self.last + self.fresh * input;
        self.last
    }
}

/// A notch as a person sets it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NotchShape {
    /// Centre in Hz, below half the tick rate; 0: off.
    pub centre_hz: f64,
    /// Width B in Hz; 0: no notch, since numerator and denominator are then the same.
    pub width_hz: f64,
    /// Depth D at the centre in dB; 0: no notch, likewise.
    pub depth_db: f64,
}

/// A notch y_k = b0 u_k + b1 u_{k−1} + b2 u_{k−2} − a1 y_{k−1} − a2 y_{k−2}, so
/// H(z) = (b0 + b1 z⁻¹ + b2 z⁻²) / (1 + a1 z⁻¹ + a2 z⁻²).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NotchCoefficients {
    /// Of u_k.
    pub b0: f64,
    /// Of u_{k−1}.
    pub b1: f64,
    /// Of u_{k−2}.
    pub b2: f64,
    /// Of y_{k−1}.
    pub a1: f64,
    /// Of y_{k−2}.
    pub a2: f64,
}

impl NotchCoefficients {
    /// Passes every value on with the same bits.
    pub const OFF: Self = Self { b0: 1.0, b1: 0.0, b2: 0.0, a1: 0.0, a2: 0.0 };

    /// The notch (s² + n s + w0²) / (s² + m s + w0²) with m = 2πB and n = m·10^(−D/20) by Tustin's method, prewarped at
    /// its centre (Franklin, Powell, Workman, Digital Control of Dynamic Systems, chapter on discrete equivalents).
    ///
    /// Put s = K (z − 1)/(z + 1), K = w0 / tan(w0 T / 2), and multiply by (z + 1)²:
    /// numerator (K² + n K + w0²) z² + 2 (w0² − K²) z + (K² − n K + w0²), denominator the same with m.
    #[must_use]
    pub fn new(shape: &NotchShape, rate: TickRate) -> Self {
        if shape.centre_hz == 0.0 || shape.width_hz == 0.0 || shape.depth_db == 0.0 {
            return Self::OFF;
        }
        let centre = 2.0 * PI * shape.centre_hz;
        let warp = centre / real::tan(centre * rate.period_s() / 2.0);
        let denominator = 2.0 * PI * shape.width_hz * warp;
        let numerator = denominator * real::pow(10.0, -shape.depth_db / 20.0);
        let outer = warp * warp + centre * centre;
        let middle = 2.0 * (centre * centre - warp * warp);
        let lead = outer + denominator;
        Self {
            b0: (outer + numerator) / lead,
            b1: middle / lead,
            b2: (outer - numerator) / lead,
            a1: middle / lead,
            a2: (outer - denominator) / lead,
        }
    }
}

/// A notch and its last two inputs and outputs (direct form I). They follow while the notch is off too, so that
/// switching it on or retuning it does not jump.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Notch {
    coefficients: NotchCoefficients,
    inputs: [f64; 2],
    outputs: [f64; 2],
}

impl Notch {
    /// A notch at 0.
    #[must_use]
    pub fn new(coefficients: NotchCoefficients) -> Self {
        Self { coefficients, inputs: [0.0; 2], outputs: [0.0; 2] }
    }

    /// What it works with.
    #[must_use]
    pub fn coefficients(&self) -> NotchCoefficients {
        self.coefficients
    }

    /// Other coefficients, the same states.
    pub fn retune(&mut self, coefficients: NotchCoefficients) {
        self.coefficients = coefficients;
    }

    /// Back to 0.
    pub fn reset(&mut self) {
        *self = Self::new(self.coefficients);
    }

    /// One tick, summed as b0 u_k + ((b1 u_{k−1} + b2 u_{k−2}) − (a1 y_{k−1} + a2 y_{k−2})): what is already known
    /// first, so that only one product waits for u_k.
    #[inline]
    pub fn next(&mut self, input: f64) -> f64 {
        let Self { coefficients: c, inputs: u, outputs: y } = self;
        let output = c.b0 * input + ((c.b1 * u[0] + c.b2 * u[1]) - (c.a1 * y[0] + c.a2 * y[1]));
        *u = [input, u[0]];
        *y = [output, y[0]];
        output
    }
}
