//! Tries settings on the axis itself: listens to it at standstill, and lets it take steps of speed while it turns.
//!
//! What it does not: choose settings (`filter_design.rs`) or decide what to do about a bad trial (`careful.rs`). Start
//! reading at [`listen`] and [`step`].

use std::f64::consts::PI;

use crate::base::real;
use crate::base::signal::Feedback;
use crate::method::axis::{Axis, Stop};
use crate::method::controller::Settings;
use crate::method::filter_design::{Given, NOISE_FROM_HZ};
use crate::method::identify;
use crate::method::moves::{Mover, Pace, Wish};
use crate::score::noise::Highpass;

/// Turning before a step, so that it meets a steady axis.
const BEFORE_S: f64 = 0.2;
/// Looked at after a step: long enough for what crosses over at 3 Hz and faster.
const AFTER_S: f64 = 0.3;
/// Speed is averaged over a millisecond: noise goes down, ringing up to some 300 Hz stays visible.
const AVERAGE_S: f64 = 0.001;
/// The step's torque stays below this share of the limit, or the limit would shape the answer.
const SHARE_OF_LIMIT: f64 = 0.6;

/// How the motor took a step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Largest excursion beyond the new speed, in percent of the step.
    pub overshoot_percent: f64,
    /// The same as expected from the fitted axis.
    pub expected_percent: f64,
    /// What still moves in the last third, rms in percent of the step.
    pub unrest_percent: f64,
}

/// Stands still and gives the torque noise, rms above [`NOISE_FROM_HZ`] in percent of rated torque.
pub fn listen<A: Axis>(mover: &mut Mover<'_, A>) -> Result<f64, Stop> {
    mover.hold(0.2)?;
    let seen = mover.hold(0.4)?;
    let mean_nm = seen.iter().map(|tick| tick.torque_command_nm).sum::<f64>() / seen.len() as f64;
    let filter = Highpass::new(NOISE_FROM_HZ, mover.facts.rate);
    let mut filter = filter.ok_or_else(|| Stop::because("the tick rate is too low to listen for noise"))?;
    let passed: Vec<f64> = seen.iter().map(|tick| filter.pass(tick.torque_command_nm - mean_nm)).collect();
    let settled = &passed[passed.len() / 5..];
    let square = settled.iter().map(|torque_nm| torque_nm * torque_nm).sum::<f64>() / settled.len() as f64;
    Ok(100.0 * square.sqrt() / mover.plate.rated_torque_nm)
}

/// A step up and, on the way back, the same step down; gives the worse of each number.
pub fn step<A: Axis>(mover: &mut Mover<'_, A>, given: &Given<'_>, settings: &Settings) -> Result<Step, Stop> {
    let room_rad = mover.room.width_rad();
    let pace = identify::pace(mover, room_rad);
    let by_torque = SHARE_OF_LIMIT * mover.plate.torque_limit_nm / settings.gain_nms_per_rad;
    let by_room = room_rad / (2.0 * (BEFORE_S + 2.0 * AFTER_S));
    let height_rad_per_s = by_torque.min(0.5 * pace.speed_rad_per_s).min(by_room);
    let expected_percent = expected_overshoot_percent(given, settings);
    let way_rad = height_rad_per_s * (BEFORE_S + 2.0 * AFTER_S + 3.0 * height_rad_per_s / pace.slope_rad_per_s2);
    let from_rad = mover.angle_rad().min(mover.room.high_rad - way_rad);
    mover.go(from_rad, pace)?;
    let up = one_step(mover, height_rad_per_s, pace)?;
    let down = one_step(mover, -height_rad_per_s, pace)?;
    Ok(Step { overshoot_percent: up[0].max(down[0]), expected_percent, unrest_percent: up[1].max(down[1]) })
}

/// One step from turning to turning twice as fast, then to rest. Gives overshoot and unrest in percent of the step.
fn one_step<A: Axis>(mover: &mut Mover<'_, A>, height_rad_per_s: f64, pace: Pace) -> Result<[f64; 2], Stop> {
    mover.hold(0.15)?;
    let rate = mover.facts.rate;
    let before = mover.ticks_in(height_rad_per_s.abs() / pace.slope_rad_per_s2 + BEFORE_S);
    let before = before.next_multiple_of(mover.facts.stride);
    let count = before + mover.ticks_in(AFTER_S);
    let seen = mover.run(count, |tick| {
        let share = (rate.seconds(tick as u64) * pace.slope_rad_per_s2 / height_rad_per_s.abs()).min(1.0);
        let steps = if tick < before { share } else { 2.0 };
        Wish { speed_rad_per_s: steps * height_rad_per_s, ..Wish::default() }
    })?;
    let answer = averaged(mover, &seen[before..], height_rad_per_s);
    let overshoot = answer.iter().fold(0.0, |most: f64, speed| most.max(speed - 2.0));
    let last = &answer[2 * answer.len() / 3..];
    let mean = last.iter().sum::<f64>() / last.len() as f64;
    let square = last.iter().map(|speed| (speed - mean) * (speed - mean)).sum::<f64>() / last.len() as f64;
    mover.rest(pace)?;
    Ok([100.0 * overshoot, 100.0 * square.sqrt()])
}

/// Speed in parts of the step, each averaged over [`AVERAGE_S`].
fn averaged<A: Axis>(mover: &Mover<'_, A>, seen: &[Feedback], height_rad_per_s: f64) -> Vec<f64> {
    let block = (mover.facts.rate.nearest_tick(AVERAGE_S) as usize).max(1);
    let speed = mover.plate.rad_per_count() * f64::from(mover.facts.rate.hz) / block as f64 / height_rad_per_s;
    seen.windows(block + 1).map(|at| (at[block].counts - at[0].counts) as f64 * speed).collect()
}

/// Overshoot of measured speed after a step of the setpoint, from the fitted axis.
///
/// The answer of a stable loop T with T(0) = 1 is y(t) = 2/π ∫ Re T(jω) sin(ωt)/ω dω (from Fourier's integral of a real
/// causal signal). Lines 1 Hz apart, in the middle of each, serve for the first half second.
fn expected_overshoot_percent(given: &Given<'_>, settings: &Settings) -> f64 {
    let highest_hz = 0.2 * f64::from(given.rate.hz);
    let real_parts: Vec<(f64, f64)> = (0..highest_hz as u32)
        .map(|hz| {
            let rad_per_s = 2.0 * PI * (f64::from(hz) + 0.5);
            let open = given.axis.response(rad_per_s, given.rate) * settings.response(rad_per_s, given.rate);
            (rad_per_s, (open / (1.0 + open)).re)
        })
        .collect();
    let answer = |milliseconds: u32| {
        let time_s = 0.001 * f64::from(milliseconds);
        real_parts.iter().map(|(rad_per_s, part)| 4.0 * part * real::sin(rad_per_s * time_s) / rad_per_s).sum::<f64>()
    };
    let highest = (1..300).map(answer).fold(1.0, f64::max);
    100.0 * (highest - 1.0)
}
