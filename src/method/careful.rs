//! A method that measures before it decides, tries what it decided, and steps back when the axis objects.
//!
//! First enable at small torque and direction; noise of the sensor; inertia, friction and weight from a move; response
//! from a sweep; gain, reset time, low-pass and, where it earns its keep, a notch; trial steps; store. It reads only what
//! a drive shows and knows no machine. What it does not: the reckoning itself, which each stage's own file has. Start
//! reading at [`run`].

use crate::base::real;
use crate::method::axis::{Axis, Stop, Summary};
use crate::method::controller::{Notch, Settings};
use crate::method::filter_design::{self, Design, Given};
use crate::method::identify;
use crate::method::mechanics::Mechanics;
use crate::method::moves::Mover;
use crate::method::steps;
use crate::method::sweep::{self, Line};
use crate::method::two_mass::{self, Beforehand, Fit};

/// Sizes of the sweep, rms in parts of rated torque, largest first: 6 % is heard well above any sensor's noise and felt
/// little; each further one is a third. With each the standard deviations by which a fit may miss the response and still
/// explain it: about 1 is right; the smallest sweep stands nearest to everything else that goes on in an axis.
const SWEEPS: [(f64, f64); 3] = [(0.06, 1.5), (0.02, 1.5), (0.007, 2.0)];
/// And the response repeats when it scatters no more than this many times what the sensor explains.
const QUIET: f64 = 2.5;
/// An axis that takes a step with this much more overshoot than expected (in percent of the step) hides something.
const SURPRISE_PERCENT: f64 = 30.0;
/// Unrest at the end of a step, rms in percent of it: more is ringing.
const UNREST_PERCENT: f64 = 5.0;
/// Torque noise that may be heard in parts of what the design allows itself: the design knows the sensor's noise, not
/// the rest of the axis.
const NOISE_PERCENT: f64 = 1.25 * filter_design::NOISE_PERCENT;
/// Each step back takes a fifth off the gain.
const BACK_OFF: f64 = 0.8;
/// In the sixth trial a third of the gain is left: then something is wrong that no gain cures.
const TRIALS: usize = 6;
/// A load lighter than nothing: the moved inertia may fall short of the nameplate's by this factor before one of the two
/// must be wrong.
const LIGHTEST: f64 = 0.7;

/// Tunes the axis, stores, and gives what was stored; or leaves it switched off with a reason.
pub fn run(axis: &mut impl Axis) -> Result<Summary, Stop> {
    let mut mover = Mover::new(axis)?;
    let outcome = tune(&mut mover);
    if let Err(stop) = &outcome {
        mover.leave()?;
        mover.axis.log(&format!("I stop: {stop}."))?;
    }
    outcome
}

fn tune<A: Axis>(mover: &mut Mover<'_, A>) -> Result<Summary, Stop> {
    say_hello(mover)?;
    let torque_nm = identify::direction(mover)?;
    mover.axis.log(&format!("A pulse of {torque_nm:.2} Nm turns the counts the way it should."))?;
    let scatter_counts = identify::stand_up(mover)?;
    let holding_nm = mover.holding_nm;
    mover.axis.log(&format!("It stands with {holding_nm:.2} Nm; its counts scatter by {scatter_counts:.1}."))?;
    let mechanics = identify::mechanics(mover)?;
    say_mechanics(mover, &mechanics)?;
    mover.known = Some(mechanics);
    let scatter_rad = scatter_counts * mover.plate.rad_per_count();
    let (lines, fit) = response(mover, &mechanics, scatter_rad)?;
    let given = Given {
        lines: &lines,
        axis: fit.axis,
        scatter_rad,
        rated_torque_nm: mover.plate.rated_torque_nm,
        rate: mover.facts.rate,
    };
    let design = try_out(mover, &given)?;
    mover.disable()?;
    mover.axis.store()?;
    let (time_s, path_deg) = (mover.time_s(), mover.path_deg());
    mover
        .axis
        .log(&format!("Stored after {time_s:.1} s and {path_deg:.0} degrees of path. Thank you for the machine."))?;
    Ok(Summary { settings: rows(&design.settings, mover.plate.torque_limit_nm) })
}

/// Sweeps until two masses explain what comes back. A gap that opens now and then makes the answer depend on the size of
/// the sweep; a smaller one stays on one flank, held there by friction alone.
fn response<A: Axis>(
    mover: &mut Mover<'_, A>,
    mechanics: &Mechanics,
    scatter_rad: f64,
) -> Result<(Vec<Line>, Fit), Stop> {
    let known = beforehand(mover, mechanics);
    for (size, explained) in SWEEPS {
        let rms_nm = size * mover.plate.rated_torque_nm;
        let response = sweep::sweep(mover, mechanics, rms_nm, scatter_rad)?;
        let fit = two_mass::fit(&response.lines, &known)?;
        say_fit(mover, &fit, rms_nm, response.unrest)?;
        if fit.miss <= explained && response.unrest <= QUIET {
            return Ok((response.lines, fit));
        }
        mover.axis.log("Two masses do not explain that. Does play open now and then? A smaller sweep will tell.")?;
    }
    Err(Stop::because(
        "two masses do not explain how the axis answers, however small the sweep; look for play or loose screws",
    ))
}

/// Designs, tries, and steps back until the axis agrees. The axis is then at rest and enabled.
fn try_out<A: Axis>(mover: &mut Mover<'_, A>, given: &Given<'_>) -> Result<Design, Stop> {
    let mut design = filter_design::design(given)?;
    for _ in 0..TRIALS {
        say_design(mover, &design)?;
        for (name, value) in rows(&design.settings, mover.plate.torque_limit_nm) {
            mover.axis.write(name, value)?;
        }
        let noise_percent = steps::listen(mover)?;
        let step = steps::step(mover, given, &design.settings)?;
        let (overshoot, expected, unrest) = (step.overshoot_percent, step.expected_percent, step.unrest_percent);
        mover.axis.log(&format!(
            "Tried: steps overshoot by {overshoot:.0} % ({expected:.0} % expected) and end with {unrest:.1} % of unrest; \
             noise {noise_percent:.2} % of rated torque."
        ))?;
        if overshoot <= expected + SURPRISE_PERCENT && unrest <= UNREST_PERCENT && noise_percent <= NOISE_PERCENT {
            return Ok(design);
        }
        mover.axis.log("That is livelier than expected; I take a fifth off the gain.")?;
        design = filter_design::with_gain(given, &design, BACK_OFF * design.settings.gain_nms_per_rad);
    }
    Err(Stop::because("the axis stays restless however low the gain; something other than the gain is wrong with it"))
}

/// The settings by name, those that are off included: a filter left by somebody else would spoil the loop.
fn rows(settings: &Settings, torque_limit_nm: f64) -> Vec<(&'static str, f64)> {
    let mut rows = vec![
        ("speed_gain_nms_per_rad", settings.gain_nms_per_rad),
        ("speed_reset_time_s", settings.reset_time_s),
        ("torque_lowpass_hz", settings.lowpass_hz),
        ("torque_limit_nm", torque_limit_nm),
    ];
    match settings.notch {
        None => rows.push(("notch_1_hz", 0.0)),
        Some(Notch { hz, width_hz, depth_db }) => {
            rows.extend([("notch_1_width_hz", width_hz), ("notch_1_depth_db", depth_db), ("notch_1_hz", hz)]);
        }
    }
    rows
}

fn beforehand<A: Axis>(mover: &Mover<'_, A>, mechanics: &Mechanics) -> Beforehand {
    Beforehand {
        motor_inertia_kgm2: mover.plate.motor_inertia_kgm2,
        inertia_kgm2: mechanics.inertia_kgm2,
        viscous_nms_per_rad: mechanics.viscous_nms_per_rad,
        rate: mover.facts.rate,
    }
}

fn say_hello<A: Axis>(mover: &mut Mover<'_, A>) -> Result<(), Stop> {
    let (low, high) = (mover.plate.load_deg(mover.room.low_rad), mover.plate.load_deg(mover.room.high_rad));
    let at_deg = mover.plate.load_deg(mover.angle_rad());
    let (low, high) = (low.min(high), low.max(high));
    mover.axis.log(&format!("The axis stands at {at_deg:.1} degrees; I shall keep it between {low:.0} and {high:.0}."))
}

fn say_mechanics<A: Axis>(mover: &mut Mover<'_, A>, mechanics: &Mechanics) -> Result<(), Stop> {
    let ratio = mechanics.inertia_kgm2 / mover.plate.motor_inertia_kgm2;
    if ratio < LIGHTEST {
        return Err(Stop::because(format!(
            "the whole axis seems to have {ratio:.2} of the inertia on the motor's nameplate; one of them is wrong"
        )));
    }
    let (inertia, kinetic) = (mechanics.inertia_kgm2, mechanics.kinetic_nm);
    let weight_nm = real::hypot(mechanics.sine_nm, mechanics.cosine_nm);
    let constant_nm = mechanics.constant_nm;
    mover.axis.log(&format!(
        "A move shows {inertia:.2e} kgm2 in all, {ratio:.1} times the motor; {kinetic:.2} Nm of friction; \
         weight {constant_nm:.2} Nm steady, {weight_nm:.2} Nm with angle."
    ))
}

fn say_fit<A: Axis>(mover: &mut Mover<'_, A>, fit: &Fit, rms_nm: f64, unrest: f64) -> Result<(), Stop> {
    let (low_hz, high_hz) = (fit.axis.antiresonance_hz(), fit.axis.resonance_hz());
    let (damping, delay_us) = (100.0 * fit.axis.damping_ratio(), 1e6 * (fit.axis.delay_s + fit.axis.lag_s));
    let miss = fit.miss;
    mover.axis.log(&format!(
        "A sweep of {rms_nm:.3} Nm: the load swings at {low_hz:.1} Hz, both masses at {high_hz:.1} Hz, \
         damped by {damping:.1} %; {delay_us:.0} us late; misses {miss:.1}, unrest {unrest:.1}."
    ))
}

fn say_design<A: Axis>(mover: &mut Mover<'_, A>, design: &Design) -> Result<(), Stop> {
    let settings = &design.settings;
    let gain = settings.gain_nms_per_rad;
    let reset_ms = 1e3 * settings.reset_time_s;
    let lowpass = if settings.lowpass_hz == 0.0 {
        "no low-pass".to_owned()
    } else {
        format!("low-pass {:.0} Hz", settings.lowpass_hz)
    };
    let notch = settings.notch.map_or("no notch".to_owned(), |notch| {
        format!("notch {:.0} Hz, {:.0} wide, {:.0} dB", notch.hz, notch.width_hz, notch.depth_db)
    });
    mover.axis.log(&format!("My choice: gain {gain:.4} Nms/rad, reset {reset_ms:.0} ms, {lowpass}, {notch}."))?;
    let (nominal, worst, noise) =
        (design.nominal.sensitivity_peak, design.worst.sensitivity_peak, design.noise_percent);
    let margin = design.worst.phase_margin_deg;
    mover.axis.log(&format!(
        "It should have Ms {nominal:.2}, {worst:.2} when the axis changes, then still {margin:.0} degrees; \
         noise {noise:.2} %."
    ))
}
