//! What a first run of an axis tells: direction, noise of the sensor, inertia, friction, weight.
//!
//! Everything comes from feedback: counts, torque command. What it does not: the response to frequencies (`sweep.rs`).
//! Start reading at [`direction`], [`stand_up`], [`mechanics`], the order in which a careful person does them.

use nalgebra::{DMatrix, DVector};

use crate::base::real;
use crate::base::signal::Feedback;
use crate::base::units::RPM_RAD_PER_S;
use crate::method::axis::{Axis, Stop};
use crate::method::mechanics::Mechanics;
use crate::method::moves::{Mover, Pace, Wish};

/// A direction pulse. In 10 ms of rated torque most motors reach a third of their rated speed when alone, and a
/// loaded axis moves a few degrees: enough to count, too little to hurt.
const PULSE_S: f64 = 0.01;
/// After torque went off: friction or a clamp have brought a slow axis to rest.
const COME_TO_REST_S: f64 = 0.15;
/// First pulse in parts of rated torque, doubled until the axis answers: a twentieth is about a good bearing's friction.
const FIRST_PULSE: f64 = 0.05;
/// A pulse counts when it moved the sensor by this many times the scatter of its counts: out of reach for noise.
const CLEAR_OF_NOISE: f64 = 25.0;
/// Torque limits of the first enables in parts of rated torque: small first, more only when the axis sinks.
const FIRST_LIMITS: [f64; 3] = [0.3, 0.6, 1.0];
/// Turning the motor alone, the soft loop crosses over at this, in rad/s: a quarter of J/(2·0.75 ms), the gain by which
/// one would set a drive of 8 kHz from the motor alone. Soft enough for any load, stiff enough to carry a weight.
const SOFT_CROSSOVER_RAD_PER_S: f64 = 167.0;
/// Reset time of the soft loop: a few times 1/crossover when the load has ten times the motor's inertia.
const SOFT_RESET_TIME_S: f64 = 0.1;
/// Acceleration of identification moves: with this share of rated torque per motor inertia an axis of ten motor
/// inertias needs 30 % of rated torque, which leaves room for friction and weight.
const SLOPE_SHARE: f64 = 0.03;
/// Speed of identification moves in parts of rated speed: far above where friction falls with speed, far below where
/// anything else is at its limit.
const SPEED_SHARE: f64 = 0.1;
/// Longest run at speed in a leg of the mechanics move: long enough to see weight change with angle.
const LEG_S: f64 = 0.8;
/// Why a method stops at a wrong sign.
const WRONG_WAY: &str =
    "positive torque turns the counts down: look at sensor sign and motor phases before anything else";
/// Share of the room kept free at each end of the mechanics move: with weight unknown, it may swing past its goals.
const UNKNOWN_MARGIN: f64 = 0.15;
/// Block over which torque and acceleration are averaged for the regression.
const BLOCK_S: f64 = 0.005;

/// A pace for identification moves that needs at most this much room.
#[must_use]
pub fn pace<A: Axis>(mover: &Mover<'_, A>, room_rad: f64) -> Pace {
    let plate = &mover.plate;
    let slope_rad_per_s2 = SLOPE_SHARE * plate.rated_torque_nm / plate.motor_inertia_kgm2;
    let by_room = (slope_rad_per_s2 * room_rad / 4.0).sqrt();
    let by_speed = (SPEED_SHARE * plate.rated_speed_rad_per_s).min(0.3 * mover.facts.max_speed_rad_per_s);
    Pace { speed_rad_per_s: by_speed.min(by_room), slope_rad_per_s2 }
}

/// Writes the soft gains with which an unknown axis is held and moved.
pub fn soften<A: Axis>(mover: &mut Mover<'_, A>) -> Result<(), Stop> {
    let gain = SOFT_CROSSOVER_RAD_PER_S * mover.plate.motor_inertia_kgm2;
    for (name, value) in [
        ("speed_gain_nms_per_rad", gain),
        ("speed_reset_time_s", SOFT_RESET_TIME_S),
        ("speed_filter_hz", 0.0),
        ("setpoint_ramp_rpm_per_s", 0.0),
        ("setpoint_lowpass_hz", 0.0),
        ("torque_lowpass_hz", 0.0),
        ("notch_1_hz", 0.0),
        ("notch_2_hz", 0.0),
        ("inertia_feedforward_kgm2", 0.0),
    ] {
        mover.axis.write(name, value)?;
    }
    Ok(())
}

/// Scatter of the counts of an axis that stands (or drifts slowly), as their standard deviation.
///
/// Second differences do not see a slow motion and have six times the variance of white noise. A sensor whose noise is
/// far below one count shows none at rest; when it turns, rounding alone scatters by 1/√12 count, the least given here.
#[must_use]
pub fn scatter_counts(seen: &[Feedback]) -> f64 {
    let bends = seen.windows(3).map(|at| (at[0].counts - 2 * at[1].counts + at[2].counts) as f64);
    let (count, sum) = bends.fold((0.0, 0.0), |(count, sum), bend| (count + 1.0, sum + bend * bend));
    (sum / f64::max(count, 1.0) / 6.0).max(1.0 / 12.0).sqrt()
}

/// Finds out whether positive torque turns the counts up, with gains at zero and short pulses to and fro. Gives the
/// torque that was enough, in Nm.
pub fn direction<A: Axis>(mover: &mut Mover<'_, A>) -> Result<f64, Stop> {
    let standing = mover.wait(0.3)?;
    let scatter = scatter_counts(&standing);
    let most_nm = mover.plate.rated_torque_nm.min(mover.plate.torque_limit_nm);
    let mut torque_nm = (FIRST_PULSE * mover.plate.rated_torque_nm).min(most_nm);
    mover.axis.write("speed_gain_nms_per_rad", 0.0)?;
    mover.axis.write("speed_reset_time_s", 0.0)?;
    loop {
        mover.axis.write("torque_limit_nm", torque_nm)?;
        match [answer(mover, torque_nm, scatter)?, answer(mover, torque_nm, scatter)?] {
            [Answer::Right, Answer::Right] => return Ok(torque_nm),
            [Answer::Wrong, Answer::Wrong] => return Err(Stop::because(WRONG_WAY)),
            _ => {}
        }
        if most_nm <= torque_nm {
            return Err(Stop::because(format!(
                "the axis does not answer to {most_nm:.2} Nm; is it blocked, or the sensor loose?"
            )));
        }
        torque_nm = (2.0 * torque_nm).min(most_nm);
    }
}

/// What an axis says to a pulse up and a pulse down.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Answer {
    Right,
    Wrong,
    Unclear,
}

/// Compares a pulse up with a pulse down. Each starts from rest, so weight and a spring that weight has wound up are in
/// both and cancel; what is left of the last pulse's swinging does not, so the difference must also exceed what both
/// have in common.
fn answer<A: Axis>(mover: &mut Mover<'_, A>, torque_nm: f64, scatter_counts: f64) -> Result<Answer, Stop> {
    let up_counts = pulse(mover, torque_nm)? as f64;
    let down_counts = pulse(mover, -torque_nm)? as f64;
    let clear_counts = (CLEAR_OF_NOISE * scatter_counts).max((up_counts + down_counts).abs() / 2.0);
    Ok(match up_counts - down_counts {
        difference if clear_counts < difference => Answer::Right,
        difference if difference < -clear_counts => Answer::Wrong,
        _ => Answer::Unclear,
    })
}

/// One pulse of torque from rest, and off again. Gives the way in counts.
fn pulse<A: Axis>(mover: &mut Mover<'_, A>, torque_nm: f64) -> Result<i64, Stop> {
    mover.enable()?;
    let seen = mover.run(mover.ticks_in(PULSE_S), |_| Wish { torque_nm, ..Wish::default() })?;
    mover.disable()?;
    mover.wait(COME_TO_REST_S)?;
    Ok(seen[seen.len() - 1].counts - seen[0].counts)
}

/// Enables with soft gains and a small torque limit, and holds. When the axis sinks, torque goes off and the next limit
/// is tried. Gives the scatter of the counts at standstill.
pub fn stand_up<A: Axis>(mover: &mut Mover<'_, A>) -> Result<f64, Stop> {
    soften(mover)?;
    for share in FIRST_LIMITS {
        let limit_nm = (share * mover.plate.rated_torque_nm).min(mover.plate.torque_limit_nm);
        mover.axis.write("torque_limit_nm", limit_nm)?;
        mover.enable()?;
        if takes_its_load(mover, limit_nm)? {
            let seen = mover.hold(0.3)?;
            return Ok(scatter_counts(&seen[seen.len() / 2..]));
        }
        mover.disable()?;
        mover.wait(COME_TO_REST_S)?;
    }
    Err(Stop::because("the axis sinks at rated torque: its weight is more than the motor may hold for long"))
}

/// Holds for a while; false as soon as the axis moves away while torque is at its limit.
fn takes_its_load<A: Axis>(mover: &mut Mover<'_, A>, limit_nm: f64) -> Result<bool, Stop> {
    let start_rad = mover.angle_rad();
    for _ in 0..mover.ticks_in(0.5).div_ceil(mover.facts.stride) {
        let seen = mover.run(mover.facts.stride, |_| Wish::default())?;
        let at_limit = seen.iter().all(|tick| 0.999 * limit_nm <= tick.torque_command_nm.abs());
        let away_rad = (mover.angle_rad() - start_rad).abs();
        if at_limit && 0.05 < away_rad {
            return Ok(false);
        }
    }
    Ok(true)
}

/// Moves to and fro and finds inertia, friction and weight by regression.
pub fn mechanics<A: Axis>(mover: &mut Mover<'_, A>) -> Result<Mechanics, Stop> {
    let limit_nm = mover.plate.rated_torque_nm.min(mover.plate.torque_limit_nm);
    mover.axis.write("torque_limit_nm", limit_nm)?;
    let pace = pace(mover, mover.room.width_rad());
    let slowest_rad_per_s = 20.0 * RPM_RAD_PER_S;
    if pace.speed_rad_per_s < slowest_rad_per_s {
        let width_deg = mover.plate.load_deg(mover.room.width_rad()).abs();
        return Err(Stop::because(format!(
            "{width_deg:.1} degrees of window are too few to learn anything from a move"
        )));
    }
    let start_rad = mover.angle_rad();
    let wanted_rad = pace.speed_rad_per_s * (LEG_S + pace.speed_rad_per_s / pace.slope_rad_per_s2);
    let inner = mover.room.inset(UNKNOWN_MARGIN * mover.room.width_rad());
    let leg_rad = wanted_rad.min(inner.width_rad());
    let up_rad = (start_rad + leg_rad).min(inner.high_rad).max(inner.low_rad + leg_rad);
    let down_rad = up_rad - leg_rad;
    let mut seen = Vec::new();
    for goal_rad in [up_rad, down_rad, start_rad] {
        seen.extend(mover.go(goal_rad, pace)?);
    }
    mover.hold(0.2)?;
    let load_travel_rad = leg_rad / mover.plate.gear_ratio.abs();
    regress(mover, &seen, 0.1 * pace.speed_rad_per_s, 0.5 < load_travel_rad)
}

/// Least squares of torque against acceleration, direction, speed, and weight. `turns`: the load turned far enough for
/// the sine and cosine of its angle to differ from a constant.
fn regress<A: Axis>(
    mover: &Mover<'_, A>,
    seen: &[Feedback],
    slowest_rad_per_s: f64,
    turns: bool,
) -> Result<Mechanics, Stop> {
    let block = mover.ticks_in(BLOCK_S);
    let columns = if turns { 6 } else { 4 };
    let mut normal = DMatrix::<f64>::zeros(columns, columns);
    let mut right = DVector::<f64>::zeros(columns);
    let mut blocks = 0;
    for at in (block..seen.len().saturating_sub(2 * block)).step_by(block) {
        let (row, torque_nm) = row(mover, seen, at, block, columns);
        if row[2].abs() < slowest_rad_per_s {
            continue;
        }
        blocks += 1;
        for i in 0..columns {
            right[i] += row[i] * torque_nm;
            for j in 0..columns {
                normal[(i, j)] += row[i] * row[j];
            }
        }
    }
    // A whisper of a penalty keeps a column that the move did not excite at zero.
    for i in 0..columns {
        normal[(i, i)] *= 1.0 + 1e-6;
    }
    let found =
        normal.cholesky().map(|factor| factor.solve(&right)).filter(|found| found.iter().all(|x| x.is_finite()));
    let found = found.ok_or_else(|| {
        Stop::because(format!("inertia and friction cannot be told apart ({blocks} blocks of motion)"))
    })?;
    let weight = |column: usize| if column < columns { found[column] } else { 0.0 };
    Ok(Mechanics {
        inertia_kgm2: found[0],
        kinetic_nm: found[1].max(0.0),
        viscous_nms_per_rad: found[2].max(0.0),
        constant_nm: found[3],
        sine_nm: weight(4),
        cosine_nm: weight(5),
    })
}

/// One row of the regression and its torque: the mean over the block that starts at tick `at`. The command of tick k acts
/// from k + 1, well within a block.
fn row<A: Axis>(mover: &Mover<'_, A>, seen: &[Feedback], at: usize, block: usize, columns: usize) -> ([f64; 6], f64) {
    let speed = |from: usize| {
        let counts = (seen[from + block].counts - seen[from].counts) as f64;
        counts * mover.plate.rad_per_count() * f64::from(mover.facts.rate.hz) / block as f64
    };
    let block_s = mover.facts.rate.seconds(block as u64);
    let speed_rad_per_s = speed(at);
    let slope_rad_per_s2 = (speed(at + block) - speed(at - block)) / (2.0 * block_s);
    let middle_rad = mover.plate.motor_angle_rad(seen[at + block / 2].counts);
    let load_rad = middle_rad / mover.plate.gear_ratio;
    let torque_nm = seen[at..at + block].iter().map(|tick| tick.torque_command_nm).sum::<f64>() / block as f64;
    let mut row = [slope_rad_per_s2, speed_rad_per_s.signum(), speed_rad_per_s, 1.0, 0.0, 0.0];
    if columns == 6 {
        (row[4], row[5]) = (real::sin(load_rad), real::cos(load_rad));
    }
    (row, torque_nm)
}
