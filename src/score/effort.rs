//! Effort of the motor over a window: torque and how long it stood at its limit.
//!
//! What it does not: temperature. Start reading at [`torque_rms_percent`].

use crate::score::answer::Answer;
use crate::score::window::{Options, Window};

/// Share of the torque limit from which on the command counts as at the limit.
pub const AT_LIMIT_FRAC: f64 = 0.999;

/// `torque_rms_percent`: rms of the torque command in percent of rated torque; the command is held over each tick.
#[must_use]
pub fn torque_rms_percent(window: &Window, options: &Options) -> Answer {
    let command = window.torque_command_nm;
    let squares: f64 = command.iter().map(|torque_nm| torque_nm * torque_nm).sum();
    Answer::of(100.0 * (squares / command.len() as f64).sqrt() / options.torques.rated_nm)
}

/// `torque_peak_percent`: largest |torque command| in percent of rated torque.
#[must_use]
pub fn torque_peak_percent(window: &Window, options: &Options) -> Answer {
    let (mut place, mut peak_nm) = (0, 0.0);
    for (k, torque_nm) in window.torque_command_nm.iter().enumerate() {
        if peak_nm < torque_nm.abs() {
            (place, peak_nm) = (k, torque_nm.abs());
        }
    }
    Answer::at(100.0 * peak_nm / options.torques.rated_nm, window.run_time_s(place as f64))
}

/// `time_at_limit_percent`: share of ticks with |torque command| at or above 99.9 % of the torque limit.
#[must_use]
pub fn time_at_limit_percent(window: &Window, options: &Options) -> Answer {
    let command = window.torque_command_nm;
    let edge_nm = AT_LIMIT_FRAC * options.torques.limit_nm;
    let at_limit = command.iter().filter(|torque_nm| edge_nm <= torque_nm.abs()).count();
    Answer::of(100.0 * at_limit as f64 / command.len() as f64)
}
