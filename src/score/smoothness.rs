//! Smoothness: speed ripple over whole turns of the load, travel of the torque command.
//!
//! What it does not: look at spectra. Start reading at [`speed_ripple_rms_rpm`].

use crate::base::units::{RPM_RAD_PER_S, TURN_RAD};
use crate::score::answer::{Answer, NoNumber};
use crate::score::integral;
use crate::score::step::between;
use crate::score::window::{Options, Window};

/// `speed_ripple_rms_rpm`: rms of speed minus its mean, over the last whole turns of the load.
#[must_use]
pub fn speed_ripple_rms_rpm(window: &Window, options: &Options) -> Answer {
    let speed = window.speed(options.side);
    let from = whole_turns_from(window.load_angle_rad);
    let Some(mean) = integral::mean_from(speed, from) else { return Answer::Without(NoNumber::NotDefined) };
    let squares: Vec<f64> = speed.iter().map(|speed| (speed - mean) * (speed - mean)).collect();
    let variance = integral::mean_from(&squares, from).unwrap_or(0.0);
    Answer::of(variance.sqrt() / RPM_RAD_PER_S)
}

/// `speed_ripple_peak_rpm`: largest |speed − mean| over the same turns.
#[must_use]
pub fn speed_ripple_peak_rpm(window: &Window, options: &Options) -> Answer {
    let speed = window.speed(options.side);
    let from = whole_turns_from(window.load_angle_rad);
    let Some(mean) = integral::mean_from(speed, from) else { return Answer::Without(NoNumber::NotDefined) };
    let (mut place, mut peak) = (speed.len() - 1, 0.0);
    for (k, speed) in speed.iter().enumerate().skip(from.ceil() as usize) {
        if peak < (speed - mean).abs() {
            (place, peak) = (k, (speed - mean).abs());
        }
    }
    Answer::at(peak / RPM_RAD_PER_S, window.run_time_s(place as f64))
}

/// The place (in samples, with fractions) from which the load makes its last whole turns up to the window's end; 0 when
/// it makes less than one.
fn whole_turns_from(load_angle_rad: &[f64]) -> f64 {
    let (Some(first), Some(last)) = (load_angle_rad.first(), load_angle_rad.last()) else { return 0.0 };
    let turns = ((last - first).abs() / TURN_RAD).floor();
    if turns < 1.0 {
        return 0.0;
    }
    let left = |angle: f64| (last - angle).abs() - turns * TURN_RAD;
    // The last sample from which at least the whole turns remain; the turns start between it and the next one.
    match (0..load_angle_rad.len()).rev().find(|k| 0.0 <= left(load_angle_rad[*k])) {
        Some(k) if k + 1 < load_angle_rad.len() => {
            between(k, left(load_angle_rad[k]), left(load_angle_rad[k + 1]), 0.0)
        }
        _ => 0.0,
    }
}

/// `torque_travel_percent_per_s`: total variation of the torque command per second, in percent of rated torque.
#[must_use]
pub fn torque_travel_percent_per_s(window: &Window, options: &Options) -> Answer {
    let command = window.torque_command_nm;
    let travel_nm: f64 = command.windows(2).map(|pair| (pair[1] - pair[0]).abs()).sum();
    let intervals = command.len().saturating_sub(1).max(1);
    let length_s = intervals as f64 * window.rate.period_s();
    Answer::of(100.0 * travel_nm / length_s / options.torques.rated_nm)
}
