//! Measures how the axis answers to torque at many frequencies at once, while it turns slowly.
//!
//! A multisine is added to the torque; what the motor's measured speed makes of it, line by line, is the response that
//! every later step stands on. What it does not: draw conclusions (`two_mass.rs`, `filter_design.rs`). Start reading at
//! [`sweep`].

use std::f64::consts::PI;

use num_complex::Complex64;

use crate::base::real;
use crate::base::signal::Feedback;
use crate::base::waveform::Multisine;
use crate::method::axis::{Axis, Stop};
use crate::method::identify;
use crate::method::mechanics::Mechanics;
use crate::method::moves::{Mover, Pace, Wish};

/// One period of the multisine: lines lie 2 Hz apart, fine enough for the oscillation of a load at 10 Hz.
const PERIOD_S: f64 = 0.5;
/// Lines get further apart with frequency: by 2 %, half the width of a resonance with a hundredth of damping.
const LINE_SPACING: f64 = 0.02;
/// First line in whole periods: below, friction and weight speak louder than the sweep.
const FIRST_HARMONIC: usize = 2;
/// Highest line in parts of the tick rate: beyond, a loop of this tick rate has no gain left.
const HIGHEST_LINE: f64 = 0.3;
/// Periods that are averaged, all passes together.
const PERIODS: usize = 6;
/// Turning and sweeping before the first period that counts: free oscillations have died away.
const SETTLE_S: f64 = 0.25;
/// Speed of the sweep in parts of the pace of other moves: slow enough for several periods in a small window.
const SPEED_SHARE: f64 = 0.35;
/// The speed must not fall below this share of its mean: near standstill friction is anything but a straight line.
const SLOWEST_SHARE: f64 = 0.25;

/// The response of measured speed to torque command at one frequency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Frequency in rad/s.
    pub rad_per_s: f64,
    /// Speed over torque, in rad/(s·Nm), all delays of the loop included.
    pub value: Complex64,
    /// Standard deviation of the value, from the scatter between periods.
    pub deviation: f64,
}

/// A measured response.
#[derive(Clone, Debug, PartialEq)]
pub struct Response {
    /// Its lines, lowest frequency first.
    pub lines: Vec<Line>,
    /// How much more it scatters than the sensor's noise explains, as the median over the lines: about 1 when the axis
    /// answers alike each time, far more when something rattles.
    pub unrest: f64,
}

/// Where and how fast a pass goes.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Pass {
    from_rad: f64,
    speed_rad_per_s: f64,
    length_rad: f64,
    periods: usize,
    /// Least torque that keeps the teeth on one flank along the way: weight against the motion.
    lean_nm: f64,
}

/// Sweeps with a torque of this rms; `scatter_rad` is that of the sensor's angle.
pub fn sweep<A: Axis>(
    mover: &mut Mover<'_, A>,
    mechanics: &Mechanics,
    rms_nm: f64,
    scatter_rad: f64,
) -> Result<Response, Stop> {
    let pace = identify::pace(mover, mover.room.width_rad());
    let mut pass = choose_pass(mover, mechanics, pace)?;
    let whole = multisine(mover);
    let mut rms_nm = rms_nm;
    for _ in 0..3 {
        let signal = whole.clone().scaled(rms_nm / whole.rms());
        let mut periods = Vec::new();
        let mut slowest = f64::INFINITY;
        while periods.len() < PERIODS {
            let seen = run_pass(mover, &pass, pace, &signal)?;
            slowest = slowest.min(slowest_share(mover, &seen, pass.speed_rad_per_s));
            let weight_nm = |tick: &Feedback| {
                mechanics.weight_nm(mover.plate.motor_angle_rad(tick.counts) / mover.plate.gear_ratio)
            };
            periods.extend(seen.chunks_exact(signal.samples.len()).map(|period| spectrum(&signal, period, weight_nm)));
            if slowest < SLOWEST_SHARE {
                break;
            }
            pass = next_pass(pass, mechanics);
        }
        if SLOWEST_SHARE <= slowest {
            mover.rest(pace)?;
            return Ok(average(mover, &signal, &periods, scatter_rad));
        }
        mover.axis.log("The sweep brought the axis nearly to rest; I repeat it with half the torque.")?;
        rms_nm /= 2.0;
    }
    Err(Stop::because("the axis does not keep turning under a small sweep; its window is too narrow to turn faster"))
}

/// Equal lines from [`FIRST_HARMONIC`] up to [`HIGHEST_LINE`].
fn multisine<A: Axis>(mover: &Mover<'_, A>) -> Multisine {
    let samples = mover.ticks_in(PERIOD_S);
    let highest = (HIGHEST_LINE * samples as f64) as usize;
    let mut harmonics = Vec::new();
    let mut harmonic = FIRST_HARMONIC;
    while harmonic <= highest {
        harmonics.push(harmonic);
        harmonic += ((LINE_SPACING * harmonic as f64).round() as usize).max(1);
    }
    Multisine::schroeder(&harmonics, samples)
}

/// Finds the stretch of the room where weight leans hardest against the motion, so that play stays on one flank; of
/// those, the longest pass that gives up no more than a fifth of it.
fn choose_pass<A: Axis>(mover: &Mover<'_, A>, mechanics: &Mechanics, pace: Pace) -> Result<Pass, Stop> {
    let mut chosen: Option<Pass> = None;
    for periods in 1..=PERIODS {
        let needed_s = SETTLE_S + PERIOD_S * periods as f64 + 2.0 * pace.speed_rad_per_s / pace.slope_rad_per_s2;
        let speed_rad_per_s = (SPEED_SHARE * pace.speed_rad_per_s).min(mover.room.width_rad() / needed_s);
        if chosen.is_some() && speed_rad_per_s < SPEED_SHARE * pace.speed_rad_per_s {
            break;
        }
        let best = best_place(mover, mechanics, speed_rad_per_s, speed_rad_per_s * needed_s, periods);
        let given_up = chosen.map_or(0.0, |chosen| chosen.lean_nm - best.lean_nm);
        if given_up <= 0.2 * chosen.map_or(0.0, |chosen| chosen.lean_nm.abs()) + 0.1 * mechanics.kinetic_nm {
            chosen = Some(best);
        }
    }
    chosen.ok_or_else(|| Stop::because("there is no room for a sweep"))
}

/// The best start and direction of a pass of this length.
fn best_place<A: Axis>(
    mover: &Mover<'_, A>,
    mechanics: &Mechanics,
    speed_rad_per_s: f64,
    length_rad: f64,
    periods: usize,
) -> Pass {
    let here_rad = mover.angle_rad();
    let spare_rad = (mover.room.width_rad() - length_rad).max(0.0);
    let mut best: Option<(f64, Pass)> = None;
    for step in 0..=20 {
        for direction in [1.0, -1.0] {
            let low_rad = mover.room.low_rad + spare_rad * f64::from(step) / 20.0;
            let from_rad = if 0.0 < direction { low_rad } else { low_rad + length_rad };
            let lean = |part: i32| {
                let motor_rad = from_rad + direction * length_rad * f64::from(part) / 10.0;
                direction * mechanics.weight_nm(motor_rad / mover.plate.gear_ratio)
            };
            let lean_nm = (0..=10).map(lean).fold(f64::INFINITY, f64::min);
            let pass = Pass { from_rad, speed_rad_per_s: direction * speed_rad_per_s, length_rad, periods, lean_nm };
            // A long way to the start costs path and time: a full room away counts as a tenth of the friction.
            let far = (from_rad - here_rad).abs() / mover.room.width_rad();
            let worth = lean_nm - 0.1 * mechanics.kinetic_nm * far;
            if best.is_none_or(|(most, _)| most < worth) {
                best = Some((worth, pass));
            }
        }
    }
    best.map_or(Pass { from_rad: here_rad, speed_rad_per_s, length_rad, periods, lean_nm: 0.0 }, |(_, pass)| pass)
}

/// The next pass: the way back where weight leans as well on that, else the same again.
fn next_pass(pass: Pass, mechanics: &Mechanics) -> Pass {
    let heaviest_nm = mechanics.constant_nm.abs() + real::hypot(mechanics.sine_nm, mechanics.cosine_nm);
    if 0.2 * mechanics.kinetic_nm < heaviest_nm {
        return pass;
    }
    let end_rad = pass.from_rad + pass.length_rad.copysign(pass.speed_rad_per_s);
    Pass { from_rad: end_rad, speed_rad_per_s: -pass.speed_rad_per_s, ..pass }
}

/// One pass: to its start, up to speed, sweep. Gives the ticks of the periods that count.
fn run_pass<A: Axis>(
    mover: &mut Mover<'_, A>,
    pass: &Pass,
    pace: Pace,
    signal: &Multisine,
) -> Result<Vec<Feedback>, Stop> {
    mover.go(pass.from_rad, pace)?;
    mover.hold(0.1)?;
    let rate = mover.facts.rate;
    let ramp = mover.ticks_in(pass.speed_rad_per_s.abs() / pace.slope_rad_per_s2);
    let settle = ramp + mover.ticks_in(SETTLE_S);
    let count = settle + pass.periods * signal.samples.len();
    let seen = mover.run(count, |tick| {
        if tick < ramp {
            let slope_rad_per_s2 = pace.slope_rad_per_s2.copysign(pass.speed_rad_per_s);
            return Wish {
                speed_rad_per_s: rate.seconds(tick as u64) * slope_rad_per_s2,
                slope_rad_per_s2,
                torque_nm: 0.0,
            };
        }
        Wish { speed_rad_per_s: pass.speed_rad_per_s, slope_rad_per_s2: 0.0, torque_nm: signal.at(tick) }
    })?;
    Ok(seen[settle..count].to_vec())
}

/// Slowest motion during the sweep, over 4 ms each, in parts of the mean speed.
fn slowest_share<A: Axis>(mover: &Mover<'_, A>, seen: &[Feedback], speed_rad_per_s: f64) -> f64 {
    let block = mover.ticks_in(0.004);
    let rad_per_s = mover.plate.rad_per_count() * f64::from(mover.facts.rate.hz) / block as f64;
    let shares =
        seen.windows(block + 1).map(|at| (at[block].counts - at[0].counts) as f64 * rad_per_s / speed_rad_per_s);
    shares.fold(f64::INFINITY, f64::min)
}

/// Torque and speed of one period at the lines of a signal. Weight that changes along the way is taken off the torque: it
/// is the load's, does not repeat, and would leak into the lines.
fn spectrum(signal: &Multisine, period: &[Feedback], weight_nm: impl Fn(&Feedback) -> f64) -> Vec<[Complex64; 2]> {
    let torque = without_trend(period.iter().map(|tick| tick.torque_command_nm - weight_nm(tick)).collect());
    let speed = without_trend(period.iter().map(|tick| tick.measured_speed_rad_per_s).collect());
    let count = period.len();
    let turn: Vec<Complex64> = (0..count)
        .map(|sample| {
            let angle_rad = -2.0 * PI * sample as f64 / count as f64;
            Complex64::new(real::cos(angle_rad), real::sin(angle_rad))
        })
        .collect();
    let at = |line: usize, values: &[f64]| -> Complex64 {
        values.iter().enumerate().map(|(sample, value)| turn[(sample * line) % count] * *value).sum()
    };
    signal.lines.iter().map(|line| [at(line.harmonic, &torque), at(line.harmonic, &speed)]).collect()
}

/// Takes mean and slope off: what weight and a slow settling leave would leak into the lowest lines.
fn without_trend(mut values: Vec<f64>) -> Vec<f64> {
    let count = values.len() as f64;
    let middle = (count - 1.0) / 2.0;
    let mean = values.iter().sum::<f64>() / count;
    let moment: f64 = values.iter().enumerate().map(|(sample, value)| (sample as f64 - middle) * value).sum();
    let slope = moment / (count * (count * count - 1.0) / 12.0);
    values.iter_mut().enumerate().for_each(|(sample, value)| *value -= mean + slope * (sample as f64 - middle));
    values
}

/// The response: mean speed over mean torque. The sweep repeats exactly, so the means are the parts that it caused, and
/// noise that the loop carries round does not bias them as it would a plain ratio of powers.
fn average<A: Axis>(
    mover: &Mover<'_, A>,
    signal: &Multisine,
    periods: &[Vec<[Complex64; 2]>],
    scatter_rad: f64,
) -> Response {
    let count = periods.len() as f64;
    let samples = signal.samples.len() as f64;
    let rate = mover.facts.rate;
    let mut lines = Vec::with_capacity(signal.lines.len());
    let mut unrest = Vec::with_capacity(signal.lines.len());
    for (index, line) in signal.lines.iter().enumerate() {
        let rad_per_s = 2.0 * PI * f64::from(rate.hz) * line.harmonic as f64 / samples;
        let torque = periods.iter().map(|period| period[index][0]).sum::<Complex64>() / count;
        let speed = periods.iter().map(|period| period[index][1]).sum::<Complex64>() / count;
        let value = speed / torque;
        let square: f64 = periods.iter().map(|period| (period[index][1] - value * period[index][0]).norm_sqr()).sum();
        let of_one_period = (square / (count - 1.0).max(1.0)).sqrt();
        // Speed is the angle's difference over a tick, and a sum over a period of white noise grows with its root.
        let slope = 2.0 * real::sin(rad_per_s * rate.period_s() / 2.0) * f64::from(rate.hz);
        unrest.push(of_one_period / (scatter_rad * slope * samples.sqrt()));
        lines.push(Line { rad_per_s, value, deviation: of_one_period / count.sqrt() / torque.norm_sqr().sqrt() });
    }
    unrest.sort_by(f64::total_cmp);
    Response { lines, unrest: unrest[unrest.len() / 2] }
}
