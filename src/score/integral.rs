//! Integral measures of a step, by the trapezoid rule, and the trapezoid rule itself.
//!
//! What it does not: weigh or normalise. Start reading at [`iae_rad`].

use crate::score::answer::{Answer, NoNumber};
use crate::score::step::Step;
use crate::score::window::{Options, Window};

/// `iae_rad`: ∫|setpoint − speed| dt over the window.
#[must_use]
pub fn iae_rad(window: &Window, options: &Options) -> Answer {
    of_step(window, options, |_, deviation| deviation.abs())
}

/// `ise_rad2_per_s`: ∫(setpoint − speed)² dt over the window.
#[must_use]
pub fn ise_rad2_per_s(window: &Window, options: &Options) -> Answer {
    of_step(window, options, |_, deviation| deviation * deviation)
}

/// `itae_rad_s`: ∫t |setpoint − speed| dt over the window, t from the entry.
#[must_use]
pub fn itae_rad_s(window: &Window, options: &Options) -> Answer {
    of_step(window, options, |time_s, deviation| time_s * deviation.abs())
}

/// The integral of `f(time since the entry in s, deviation in rad/s)`; `not defined` for a step of zero.
fn of_step(window: &Window, options: &Options, f: impl Fn(f64, f64) -> f64) -> Answer {
    if Step::of(window, options).is_none() {
        return Answer::Without(NoNumber::NotDefined);
    }
    let values =
        window.deviation(options.side).enumerate().map(|(k, deviation)| f(window.since_entry_s(k as f64), deviation));
    Answer::of(trapezoid(values) * window.rate.period_s())
}

/// The trapezoid rule over samples one apart; 0 for fewer than two samples.
pub(in crate::score) fn trapezoid(values: impl Iterator<Item = f64>) -> f64 {
    let (mut sum, mut last) = (0.0, None);
    for value in values {
        if let Some(last) = last {
            sum += 0.5 * (last + value);
        }
        last = Some(value);
    }
    sum
}

/// The trapezoid rule over samples one apart from the place `from` (in samples, with fractions) to the last sample; the
/// value at `from` is interpolated linearly.
pub(in crate::score) fn trapezoid_from(values: &[f64], from: f64) -> f64 {
    let first = from.ceil() as usize;
    let Some(whole) = values.get(first..) else { return 0.0 };
    let fraction = first as f64 - from;
    let head = match first.checked_sub(1) {
        Some(before) if 0.0 < fraction && first < values.len() => {
            let start = values[first] + (values[before] - values[first]) * fraction;
            0.5 * (start + values[first]) * fraction
        }
        _ => 0.0,
    };
    head + trapezoid(whole.iter().copied())
}

/// The mean from a place (in samples, with fractions) to the last sample, by the trapezoid rule; the last value itself
/// when nothing lies between, `None` without samples.
pub(in crate::score) fn mean_from(values: &[f64], from: f64) -> Option<f64> {
    let last = values.len().checked_sub(1)?;
    let length = last as f64 - from;
    if length <= 0.0 { Some(values[last]) } else { Some(trapezoid_from(values, from) / length) }
}
