//! Margins of any loop, from its frequency response: phase, gain and delay margin, crossover, Ms, bandwidth, resonance.
//!
//! Every crossing and every peak up to the highest frequency is found and polished; nothing is read off a grid. What it
//! does not: know a machine (`linear/model.rs` makes the loop of one). Start reading at [`Survey::of`].

use std::f64::consts::{FRAC_1_SQRT_2, PI, TAU};

use num_complex::Complex64;

use crate::base::real;
use crate::base::units::DEG_RAD;
use crate::score::answer::{Answer, NoNumber};
use crate::score::measure::Measure;
use crate::score::response_grid::{Extreme, Samples, grid};
use crate::score::window::Side;

/// A frequency response: a complex number at an angular frequency in rad/s.
pub type Response<'a> = &'a dyn Fn(f64) -> Complex64;

/// A loop, opened at the torque command.
#[derive(Clone, Copy)]
pub struct Loop<'a> {
    /// L: what comes back at the opened place, with the sign turned, so that the closed loop is L / (1 + L).
    pub open: Response<'a>,
    /// Setpoint to true motor speed; must have a value at 0.
    pub closed_motor: Response<'a>,
    /// Setpoint to true load speed as a motor speed; must have a value at 0. `None` where the load is not connected.
    pub closed_load: Option<Response<'a>>,
    /// Where the search begins: below everything that can happen, above 0.
    pub low_rad_per_s: f64,
    /// Where it ends: half the tick rate, π tick_hz, or for a continuous loop where it has died out.
    pub high_rad_per_s: f64,
    /// Resonances, antiresonances, natural frequencies of poles: the search looks closely round them.
    pub breakpoints_rad_per_s: &'a [f64],
    /// Whether the closed loop is stable, by its poles.
    pub stable: bool,
}

/// A frequency at which |L| = 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crossover {
    /// Where, in rad/s.
    pub rad_per_s: f64,
    /// 180° + arg L, in rad, in (−π, π]: the phase margin there with its sign.
    pub phase_rad: f64,
}

/// A frequency at which arg L = −180°.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HalfTurn {
    /// Where, in rad/s.
    pub rad_per_s: f64,
    /// −|L| in dB: the gain margin there with its sign.
    pub gain_db: f64,
}

/// Everything found about a loop.
#[derive(Clone, Debug, PartialEq)]
pub struct Survey {
    /// Whether the closed loop is stable; no measure has a number when it is not.
    pub stable: bool,
    /// Every unity-gain crossing by rising frequency.
    pub crossovers: Vec<Crossover>,
    /// Every crossing of −180° by rising frequency.
    pub half_turns: Vec<HalfTurn>,
    /// Ms = max |1/(1 + L)| and where it lies.
    pub sensitivity_peak: Extreme,
    /// First fall of setpoint to motor speed below 1/√2 of its value at 0 Hz, in rad/s.
    pub bandwidth_motor_rad_per_s: Option<f64>,
    /// The same to the load's speed; `None` inside when it never falls, outside when the load is not connected.
    pub bandwidth_load_rad_per_s: Option<Option<f64>>,
    /// Largest |T| (not in dB) above the first minimum above the first crossover, and where.
    pub resonance_peak: Option<Extreme>,
}

impl Survey {
    /// Looks at a loop from its lowest to its highest frequency.
    #[must_use]
    pub fn of(looked_at: &Loop) -> Self {
        let points = grid(looked_at.low_rad_per_s, looked_at.high_rad_per_s, looked_at.breakpoints_rad_per_s);
        let crossovers = crossovers(looked_at, &points);
        let first_crossover = crossovers.first().map(|crossover| crossover.rad_per_s);
        Self {
            stable: looked_at.stable,
            half_turns: half_turns(looked_at, &points),
            sensitivity_peak: sensitivity_peak(looked_at, &points),
            bandwidth_motor_rad_per_s: first_fall(looked_at.closed_motor, &points),
            bandwidth_load_rad_per_s: looked_at.closed_load.map(|closed| first_fall(closed, &points)),
            resonance_peak: first_crossover.and_then(|from| resonance_peak(looked_at, &points, from)),
            crossovers,
        }
    }

    /// The answer of a measure of the loop; other measures are `not defined`. `side` is the bandwidth's.
    #[must_use]
    pub fn answer(&self, measure: Measure, side: Side) -> Answer {
        if !self.stable {
            return Answer::Without(NoNumber::Unstable);
        }
        let smallest = |values: &mut dyn Iterator<Item = f64>| values.reduce(f64::min);
        let found = match measure {
            Measure::PhaseMargin => {
                smallest(&mut self.crossovers.iter().map(|crossover| crossover.phase_rad.abs() / DEG_RAD))
            }
            Measure::DelayMargin => smallest(&mut self.crossovers.iter().map(delay_margin_s)),
            Measure::GainMargin => smallest(&mut self.half_turns.iter().map(|turn| turn.gain_db.abs())),
            Measure::Crossover => self.crossovers.first().map(|crossover| crossover.rad_per_s / TAU),
            Measure::SensitivityPeak => Some(self.sensitivity_peak.value),
            Measure::ResonancePeak => self.resonance_peak.map(|peak| decibels(peak.value)),
            Measure::Bandwidth => match (side, self.bandwidth_load_rad_per_s) {
                (Side::Motor, _) => self.bandwidth_motor_rad_per_s.map(|w| w / TAU),
                (Side::Load, Some(bandwidth)) => bandwidth.map(|w| w / TAU),
                (Side::Load, None) => return Answer::Without(NoNumber::NotDefined),
            },
            _ => return Answer::Without(NoNumber::NotDefined),
        };
        found.map_or(Answer::Without(NoNumber::None), Answer::of)
    }
}

/// The answer of one measure of a loop; [`Survey::of`] gives all of them for the price of one.
#[must_use]
pub fn evaluate(measure: Measure, looked_at: &Loop, side: Side) -> Answer {
    Survey::of(looked_at).answer(measure, side)
}

/// A ratio in dB.
fn decibels(ratio: f64) -> f64 {
    20.0 * real::log10(ratio)
}

/// |x|, scaled so that no square overflows.
fn modulus(x: Complex64) -> f64 {
    real::hypot(x.re, x.im)
}

/// How much later everything could come before this crossover meets −1.
fn delay_margin_s(crossover: &Crossover) -> f64 {
    let turn = if crossover.phase_rad < 0.0 { crossover.phase_rad + TAU } else { crossover.phase_rad };
    turn / crossover.rad_per_s
}

fn crossovers(looked_at: &Loop, points: &[f64]) -> Vec<Crossover> {
    let level = Samples::of(points, |w| real::ln(modulus((looked_at.open)(w))));
    let crossover = |rad_per_s: f64| {
        let back = -(looked_at.open)(rad_per_s);
        Crossover { rad_per_s, phase_rad: real::atan2(back.im, back.re) }
    };
    level.roots().into_iter().map(crossover).collect()
}

/// A crossing of −180° is a root of the sine of the phase with L on the negative side. A pole without damping turns L
/// round in no time and is no crossing: the sine jumps there. The highest frequency of a sampled loop, where L is real,
/// counts when L is negative: the curve and its mirror image meet there.
fn half_turns(looked_at: &Loop, points: &[f64]) -> Vec<HalfTurn> {
    let sine = |w: f64| {
        let open = (looked_at.open)(w);
        open.im / modulus(open)
    };
    let mut places = Samples::of(points, sine).roots();
    let high = looked_at.high_rad_per_s;
    if places.last().is_none_or(|last| *last < high * (1.0 - 1e-9)) {
        places.push(high);
    }
    places.retain(|w| sine(*w).abs() < 1e-6 && (looked_at.open)(*w).re < 0.0);
    let half_turn = |w: f64| HalfTurn { rad_per_s: w, gain_db: -decibels(modulus((looked_at.open)(w))) };
    places.into_iter().map(half_turn).collect()
}

fn sensitivity_peak(looked_at: &Loop, points: &[f64]) -> Extreme {
    let sensitivity = |w: f64| 1.0 / modulus(1.0 + (looked_at.open)(w));
    let none = Extreme { rad_per_s: looked_at.high_rad_per_s, value: sensitivity(looked_at.high_rad_per_s) };
    largest(&Samples::of(points, sensitivity).maxima()).unwrap_or(none)
}

fn largest(peaks: &[Extreme]) -> Option<Extreme> {
    peaks.iter().copied().reduce(|best, peak| if best.value < peak.value { peak } else { best })
}

fn first_fall(closed: Response, points: &[f64]) -> Option<f64> {
    let edge = modulus(closed(0.0)) * FRAC_1_SQRT_2;
    let above = |w: f64| modulus(closed(w)) - edge;
    // Between two roots the curve stays on one side: the first root with the curve above it before is the fall.
    if above(points[0]) < 0.0 {
        return points.first().copied();
    }
    Samples::of(points, above).roots().first().copied()
}

/// A dip counts when the curve rises from it by more than rounding: towards half the tick rate |T| is level, and a level
/// curve in doubles is full of dips.
fn resonance_peak(looked_at: &Loop, points: &[f64], crossover_rad_per_s: f64) -> Option<Extreme> {
    let closed = Samples::of(points, |w| modulus((looked_at.closed_motor)(w)));
    let maxima = closed.maxima();
    let rises = |dip: &Extreme| {
        let next = maxima.iter().find(|peak| dip.rad_per_s < peak.rad_per_s);
        next.is_some_and(|peak| dip.value * (1.0 + 1e-9) < peak.value)
    };
    let dip = closed.minima_inside().into_iter().find(|dip| crossover_rad_per_s < dip.rad_per_s && rises(dip))?;
    let above: Vec<Extreme> = maxima.into_iter().filter(|peak| dip.rad_per_s < peak.rad_per_s).collect();
    largest(&above)
}

/// The angle of a point on the unit circle at an angular frequency: sampled loops are looked at from 0 to here.
#[must_use]
pub fn nyquist_rad_per_s(rate: crate::base::time::TickRate) -> f64 {
    PI * f64::from(rate.hz)
}
