//! Measures of a step of the load torque, in the window that it opens.
//!
//! What it does not: know the load torque; it looks at setpoint and speed only. Start reading at [`dip_rpm`].

use crate::base::units::RPM_RAD_PER_S;
use crate::score::answer::{Answer, NoNumber};
use crate::score::integral;
use crate::score::step::{DEFAULT_BAND_PERCENT, settled};
use crate::score::window::{Options, Window};

/// Largest |setpoint − speed| in rad/s and its sample; `None` without samples.
fn largest(window: &Window, options: &Options) -> Option<(usize, f64)> {
    window.deviation(options.side).map(f64::abs).enumerate().fold(None, |best, (k, value)| match best {
        Some((_, most)) if value <= most => best,
        _ => Some((k, value)),
    })
}

/// `dip_rpm`: largest |setpoint − speed| in the window.
#[must_use]
pub fn dip_rpm(window: &Window, options: &Options) -> Answer {
    match largest(window, options) {
        Some((k, dip_rad_per_s)) => Answer::at(dip_rad_per_s / RPM_RAD_PER_S, window.run_time_s(k as f64)),
        None => Answer::Without(NoNumber::NotDefined),
    }
}

/// `dip_percent`: the same in percent of the setpoint at the window's end; `not defined` at setpoint 0.
#[must_use]
pub fn dip_percent(window: &Window, options: &Options) -> Answer {
    let setpoint = window.final_setpoint_rad_per_s().abs();
    match largest(window, options) {
        Some((k, dip)) if 0.0 < setpoint => Answer::at(100.0 * dip / setpoint, window.run_time_s(k as f64)),
        _ => Answer::Without(NoNumber::NotDefined),
    }
}

/// `recovery_time_s`: as settling, in a band of ±2 % of the setpoint unless given; at setpoint 0 it must be given in rpm,
/// else `not defined`.
#[must_use]
pub fn recovery_time_s(window: &Window, options: &Options) -> Answer {
    let setpoint = window.final_setpoint_rad_per_s().abs();
    let percent = options.band_percent.unwrap_or(DEFAULT_BAND_PERCENT);
    match options.band_rpm {
        Some(rpm) => settled(window, options, rpm * RPM_RAD_PER_S),
        None if 0.0 < setpoint => settled(window, options, percent / 100.0 * setpoint),
        None => Answer::Without(NoNumber::NotDefined),
    }
}

/// `dip_area_rad`: ∫(setpoint − speed) dt to the window's end, signed.
#[must_use]
pub fn dip_area_rad(window: &Window, options: &Options) -> Answer {
    Answer::of(integral::trapezoid(window.deviation(options.side)) * window.rate.period_s())
}
