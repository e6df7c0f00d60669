//! Two masses on a spring, seen from the motor through all delays, and their fit to a measured response.
//!
//! The fit answers what the sweep alone cannot: how the axis would answer with another load, a softer spring, an open
//! gap. What it does not: friction that depends on direction, play. Start reading at [`TwoMass`], then [`fit`].

use std::f64::consts::PI;

use nalgebra::{DMatrix, DVector};
use num_complex::Complex64;

use crate::base::real;
use crate::base::time::TickRate;
use crate::method::axis::Stop;
use crate::method::sweep::Line;

/// An axis of two masses. Values on the motor's side of all gears.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TwoMass {
    /// Inertia of the motor.
    pub motor_inertia_kgm2: f64,
    /// Inertia of the load.
    pub load_inertia_kgm2: f64,
    /// Stiffness between them; 0 when they are apart.
    pub stiffness_nm_per_rad: f64,
    /// Damping between them; 0 when they are apart.
    pub damping_nms_per_rad: f64,
    /// Friction that grows with speed, at the motor.
    pub viscous_nms_per_rad: f64,
    /// Delay of the loop beyond hold and speed difference.
    pub delay_s: f64,
    /// First-order lag between torque command and torque.
    pub lag_s: f64,
}

impl TwoMass {
    /// Frequency at which the load swings on a motor that is held, in Hz.
    #[must_use]
    pub fn antiresonance_hz(&self) -> f64 {
        (self.stiffness_nm_per_rad / self.load_inertia_kgm2).sqrt() / (2.0 * PI)
    }

    /// Frequency at which both swing against each other, in Hz.
    #[must_use]
    pub fn resonance_hz(&self) -> f64 {
        self.antiresonance_hz() * (1.0 + self.load_inertia_kgm2 / self.motor_inertia_kgm2).sqrt()
    }

    /// Both inertias together.
    #[must_use]
    pub fn inertia_kgm2(&self) -> f64 {
        self.motor_inertia_kgm2 + self.load_inertia_kgm2
    }

    /// Damping ratio of the resonance.
    #[must_use]
    pub fn damping_ratio(&self) -> f64 {
        PI * self.resonance_hz() * self.damping_nms_per_rad / self.stiffness_nm_per_rad
    }

    /// The same axis with nothing behind the motor, as in an open gap.
    #[must_use]
    pub fn motor_alone(&self) -> Self {
        Self { stiffness_nm_per_rad: 0.0, damping_nms_per_rad: 0.0, ..*self }
    }

    /// Measured speed over torque command at a frequency, rad/(s·Nm).
    ///
    /// Mechanics: J1 s ω1 = M − B ω1 − Z (ω1 − ω2), J2 s ω2 = Z (ω1 − ω2) with Z = d + k/s. The command is held for a tick
    /// and speed is the difference of angles over a tick: each is (1 − e^{−sT})/(sT). What folds down from beyond half
    /// the tick rate is left out; there the response has fallen to nothing.
    #[must_use]
    pub fn response(&self, rad_per_s: f64, rate: TickRate) -> Complex64 {
        let s = Complex64::new(0.0, rad_per_s);
        let joint = self.damping_nms_per_rad + self.stiffness_nm_per_rad / s;
        let load = s * self.load_inertia_kgm2;
        let behind = if self.stiffness_nm_per_rad == 0.0 { Complex64::ZERO } else { joint * load / (joint + load) };
        let mechanics = 1.0 / (s * self.motor_inertia_kgm2 + self.viscous_nms_per_rad + behind);
        let tick_rad = rad_per_s * rate.period_s();
        let hold = (1.0 - unit(-tick_rad)) / Complex64::new(0.0, tick_rad);
        mechanics * hold * hold * unit(-rad_per_s * self.delay_s) / (1.0 + s * self.lag_s)
    }

    fn from_logarithms(x: &DVector<f64>) -> Self {
        Self {
            motor_inertia_kgm2: real::exp(x[0]),
            load_inertia_kgm2: real::exp(x[1]),
            stiffness_nm_per_rad: real::exp(x[2]),
            damping_nms_per_rad: real::exp(x[3]),
            viscous_nms_per_rad: real::exp(x[4]),
            delay_s: real::exp(x[5]),
            lag_s: real::exp(x[6]),
        }
    }

    fn logarithms(&self) -> DVector<f64> {
        let values = [
            self.motor_inertia_kgm2,
            self.load_inertia_kgm2,
            self.stiffness_nm_per_rad,
            self.damping_nms_per_rad,
            self.viscous_nms_per_rad,
            self.delay_s,
            self.lag_s,
        ];
        DVector::from_iterator(values.len(), values.into_iter().map(real::ln))
    }
}

/// e^{jφ}.
fn unit(angle_rad: f64) -> Complex64 {
    Complex64::new(real::cos(angle_rad), real::sin(angle_rad))
}

/// What is known before the fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Beforehand {
    /// Motor inertia by the nameplate.
    pub motor_inertia_kgm2: f64,
    /// Inertia of motor and load together, from a move.
    pub inertia_kgm2: f64,
    /// Friction that grows with speed, from a move.
    pub viscous_nms_per_rad: f64,
    /// Ticks per second.
    pub rate: TickRate,
}

/// How far each logarithm may be from what was known beforehand, as a standard deviation: the nameplate is good to a
/// tenth, the moved inertia to a third; the spring is not known at all; damping, friction, delay and lag to a factor of
/// some two or three.
const TRUST: [f64; 7] = [0.1, 0.3, 1e3, 1.5, 1.0, 0.5, 1.0];
/// Part of a line's magnitude by which a good two-mass model may miss it: real axes are not two masses.
const MODEL_ERROR: f64 = 0.04;

/// A fit and how well it explains what was measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fit {
    /// The axis found.
    pub axis: TwoMass,
    /// Root mean square of the misses, in standard deviations: about 1 when two masses explain the response.
    pub miss: f64,
}

/// Fits two masses to a response: the best of a grid of springs and loads, then Levenberg and Marquardt on logarithms.
pub fn fit(lines: &[Line], known: &Beforehand) -> Result<Fit, Stop> {
    let start = TwoMass {
        motor_inertia_kgm2: known.motor_inertia_kgm2,
        load_inertia_kgm2: (known.inertia_kgm2 - known.motor_inertia_kgm2).max(0.1 * known.motor_inertia_kgm2),
        stiffness_nm_per_rad: 1.0,
        damping_nms_per_rad: 1.0,
        viscous_nms_per_rad: known.viscous_nms_per_rad.max(0.01 * known.inertia_kgm2),
        delay_s: 2.0 * known.rate.period_s(),
        lag_s: 1.5 * known.rate.period_s(),
    };
    let mut starts: Vec<(f64, TwoMass, DVector<f64>)> = Vec::new();
    let (lowest, highest) = (lines[0].rad_per_s, lines[lines.len() - 1].rad_per_s);
    for step in 0..=120 {
        let rad_per_s = lowest * real::pow(highest / lowest, f64::from(step) / 120.0);
        for share in [0.5, 0.7, 1.0, 1.4, 2.0] {
            let tried = with_spring(&start, share * start.load_inertia_kgm2, rad_per_s);
            let prior = prior(&start, &tried);
            let square = misses(lines, &tried.logarithms(), &prior, known.rate).norm_squared();
            starts.push((square, tried, prior));
        }
    }
    starts.sort_by(|a, b| a.0.total_cmp(&b.0));
    let fits = starts.iter().take(4).map(|(_, tried, prior)| polish(lines, tried, prior, known.rate));
    let best = fits.min_by(|a, b| a.0.total_cmp(&b.0));
    let (square, axis) = best.ok_or_else(|| Stop::because("the sweep has no lines to fit"))?;
    if !square.is_finite() {
        return Err(Stop::because("no pair of masses fits what the sweep measured"));
    }
    Ok(Fit { axis, miss: (square / (2.0 * lines.len() as f64)).sqrt() })
}

/// A start of the fit whose load swings at this frequency on a held motor, damped by 3 % as machines are.
fn with_spring(start: &TwoMass, load_inertia_kgm2: f64, rad_per_s: f64) -> TwoMass {
    let stiffness_nm_per_rad = load_inertia_kgm2 * rad_per_s * rad_per_s;
    let resonance = rad_per_s * (1.0 + load_inertia_kgm2 / start.motor_inertia_kgm2).sqrt();
    let damping_nms_per_rad = 2.0 * 0.03 * stiffness_nm_per_rad / resonance;
    TwoMass { load_inertia_kgm2, stiffness_nm_per_rad, damping_nms_per_rad, ..*start }
}

/// What is believed about the logarithms: the grid's spring and damping, everything else as known beforehand.
fn prior(start: &TwoMass, tried: &TwoMass) -> DVector<f64> {
    let mut prior = start.logarithms();
    let tried = tried.logarithms();
    (prior[2], prior[3]) = (tried[2], tried[3]);
    prior
}

/// Misses of all lines (real and imaginary part) and of the beliefs, in standard deviations.
fn misses(lines: &[Line], x: &DVector<f64>, prior: &DVector<f64>, rate: TickRate) -> DVector<f64> {
    let axis = TwoMass::from_logarithms(x);
    let mut misses = Vec::with_capacity(2 * lines.len() + x.len());
    for line in lines {
        let sigma = (line.deviation * line.deviation + MODEL_ERROR * MODEL_ERROR * line.value.norm_sqr()).sqrt();
        let miss = (axis.response(line.rad_per_s, rate) - line.value) / sigma;
        misses.extend([miss.re, miss.im]);
    }
    misses.extend((0..x.len()).map(|i| (x[i] - prior[i]) / TRUST[i]));
    DVector::from_vec(misses)
}

/// Levenberg-Marquardt from one start. Sixty steps are far more than a good start needs.
fn polish(lines: &[Line], start: &TwoMass, prior: &DVector<f64>, rate: TickRate) -> (f64, TwoMass) {
    let mut x = start.logarithms();
    let mut now = misses(lines, &x, prior, rate);
    let mut damping = 1e-2;
    for _ in 0..60 {
        let jacobian = slopes(lines, &x, prior, &now, rate);
        let gradient = jacobian.transpose() * &now;
        let mut normal = jacobian.transpose() * &jacobian;
        for i in 0..x.len() {
            normal[(i, i)] *= 1.0 + damping;
        }
        let Some(step) = normal.cholesky().map(|factor| factor.solve(&gradient)) else { break };
        let tried = &x - step.map(|part| part.clamp(-0.5, 0.5));
        let then = misses(lines, &tried, prior, rate);
        let (before, after) = (now.norm_squared(), then.norm_squared());
        if after < before {
            (x, now, damping) = (tried, then, f64::max(damping / 5.0, 1e-9));
            if before - after < 1e-9 * before {
                break;
            }
        } else {
            damping *= 5.0;
            if 1e9 < damping {
                break;
            }
        }
    }
    (now.norm_squared(), TwoMass::from_logarithms(&x))
}

/// Slopes of the misses by small differences.
fn slopes(lines: &[Line], x: &DVector<f64>, prior: &DVector<f64>, now: &DVector<f64>, rate: TickRate) -> DMatrix<f64> {
    const STEP: f64 = 1e-6;
    let columns: Vec<DVector<f64>> = (0..x.len())
        .map(|i| {
            let mut moved = x.clone();
            moved[i] += STEP;
            (misses(lines, &moved, prior, rate) - now) / STEP
        })
        .collect();
    DMatrix::from_columns(&columns)
}
