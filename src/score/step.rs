//! Measures of a step of the setpoint, in the window that it opens.
//!
//! Initial value: the setpoint before the entry. Final value: the setpoint at the window's end, not the response's mean.
//! Levels between samples are found by linear interpolation. What it does not: know what a limit allows. Start reading at
//! [`Step`].

use crate::base::units::RPM_RAD_PER_S;
use crate::score::answer::{Answer, Found, NoNumber};
use crate::score::integral;
use crate::score::window::{Options, Window};

/// Half width of the settling band where nothing is given, in percent of the step: the ±2 % of most textbooks.
pub const DEFAULT_BAND_PERCENT: f64 = 2.0;

/// A response in units of its step: 0 is the initial value, 1 the final one.
#[derive(Clone, Copy, Debug)]
pub struct Step<'a> {
    window: &'a Window<'a>,
    speed: &'a [f64],
    initial_rad_per_s: f64,
    height_rad_per_s: f64,
}

impl<'a> Step<'a> {
    /// The step that opens the window; `None` when its height is zero: its measures are then `not defined`.
    #[must_use]
    pub fn of(window: &'a Window<'a>, options: &Options) -> Option<Self> {
        let initial_rad_per_s = window.setpoint_before_rad_per_s;
        let height_rad_per_s = window.final_setpoint_rad_per_s() - initial_rad_per_s;
        let speed = window.speed(options.side);
        (height_rad_per_s != 0.0).then_some(Self { window, speed, initial_rad_per_s, height_rad_per_s })
    }

    /// The response at sample `k`, 0 to 1 along the step.
    fn at(&self, k: usize) -> f64 {
        (self.speed[k] - self.initial_rad_per_s) / self.height_rad_per_s
    }

    /// Seconds from the entry to the first crossing of a level (0 to 1 of the step); `None` when it is not reached. A
    /// response that begins at or beyond the level reaches it at its first sample.
    #[must_use]
    pub fn first_crossing_s(&self, level: f64) -> Option<f64> {
        let k = (0..self.speed.len()).find(|k| level <= self.at(*k))?;
        let place = match k {
            0 => 0.0,
            _ => between(k - 1, self.at(k - 1), self.at(k), level),
        };
        Some(self.window.since_entry_s(place))
    }

    /// The sample with the largest value of `f` among samples, the first of equals; `None` without samples.
    fn extreme(&self, samples: std::ops::Range<usize>, f: impl Fn(f64) -> f64) -> Option<(usize, f64)> {
        samples.map(|k| (k, f(self.at(k)))).fold(None, |best, (k, value)| match best {
            Some((_, most)) if value <= most => best,
            _ => Some((k, value)),
        })
    }

    /// Seconds of the run at sample `k`.
    fn run_time_s(&self, k: usize) -> f64 {
        self.window.run_time_s(k as f64)
    }
}

/// Place (in samples) between `k` and `k + 1` at which a straight line from `from` to `to` has the value `level`.
pub(in crate::score) fn between(k: usize, from: f64, to: f64, level: f64) -> f64 {
    k as f64 + (level - from) / (to - from)
}

const NOT_DEFINED: Answer = Answer::Without(NoNumber::NotDefined);

/// `overshoot_percent`: largest excursion beyond the final value, in percent of the step; 0 if there is none.
#[must_use]
pub fn overshoot_percent(window: &Window, options: &Options) -> Answer {
    let Some(step) = Step::of(window, options) else { return NOT_DEFINED };
    match step.extreme(0..step.speed.len(), |y| y - 1.0) {
        Some((k, excursion)) if 0.0 < excursion => Answer::at(100.0 * excursion, step.run_time_s(k)),
        _ => Answer::of(0.0),
    }
}

/// `undershoot_percent`: the larger of the excursion short of the final value after its first crossing and the excursion
/// beyond the initial value before it; the note names which. Without a crossing the second one is taken over the window.
#[must_use]
pub fn undershoot_percent(window: &Window, options: &Options) -> Answer {
    let Some(step) = Step::of(window, options) else { return NOT_DEFINED };
    let samples = step.speed.len();
    let crossing = (0..samples).find(|k| 1.0 <= step.at(*k)).unwrap_or(samples);
    let after = step.extreme(crossing..samples, |y| 1.0 - y).filter(|(_, excursion)| 0.0 < *excursion);
    let before = step.extreme(0..crossing, |y| -y).filter(|(_, excursion)| 0.0 < *excursion);
    let found = |(k, excursion): (usize, f64), note| {
        Answer::Number(Found { value: 100.0 * excursion, at_s: Some(step.run_time_s(k)), note: Some(note) })
    };
    match (after, before) {
        (Some(after), before) if before.is_none_or(|before| before.1 <= after.1) => {
            found(after, "short of the final value after its first crossing")
        }
        (_, Some(before)) => found(before, "beyond the initial value before the first crossing"),
        _ => Answer::of(0.0),
    }
}

/// `rise_time_s`: 10 % to 90 %, first crossings.
#[must_use]
pub fn rise_time_s(window: &Window, options: &Options) -> Answer {
    let Some(step) = Step::of(window, options) else { return NOT_DEFINED };
    match (step.first_crossing_s(0.1), step.first_crossing_s(0.9)) {
        (Some(low_s), Some(high_s)) => Answer::at(high_s - low_s, window.rate.seconds(window.entry_tick) + high_s),
        _ => Answer::Without(NoNumber::NotReached),
    }
}

/// `delay_s`: from the entry to 50 % of the step.
#[must_use]
pub fn delay_s(window: &Window, options: &Options) -> Answer {
    let Some(step) = Step::of(window, options) else { return NOT_DEFINED };
    match step.first_crossing_s(0.5) {
        Some(delay_s) => Answer::at(delay_s, window.rate.seconds(window.entry_tick) + delay_s),
        None => Answer::Without(NoNumber::NotReached),
    }
}

/// `peak_time_s`: from the entry to the sample of the overshoot; `none` when there is no overshoot.
#[must_use]
pub fn peak_time_s(window: &Window, options: &Options) -> Answer {
    let Some(step) = Step::of(window, options) else { return NOT_DEFINED };
    match step.extreme(0..step.speed.len(), |y| y - 1.0) {
        Some((k, excursion)) if 0.0 < excursion => Answer::at(window.since_entry_s(k as f64), step.run_time_s(k)),
        _ => Answer::Without(NoNumber::None),
    }
}

/// `settling_time_s`: from the entry to the last entry into the band round the final value.
#[must_use]
pub fn settling_time_s(window: &Window, options: &Options) -> Answer {
    let Some(step) = Step::of(window, options) else { return NOT_DEFINED };
    let percent = options.band_percent.unwrap_or(DEFAULT_BAND_PERCENT);
    let band_rad_per_s = match options.band_rpm {
        Some(rpm) => rpm * RPM_RAD_PER_S,
        None => percent / 100.0 * step.height_rad_per_s.abs(),
    };
    settled(window, options, band_rad_per_s)
}

/// Time from the entry to the last entry into final setpoint ± band.
///
/// Settled means inside at the window's end and for at least `hold_s` before it; on the edge is inside. A response that
/// is never outside settles in 0 s. A window shorter than twice `hold_s` is `not defined`.
pub(in crate::score) fn settled(window: &Window, options: &Options, band_rad_per_s: f64) -> Answer {
    let speed = window.speed(options.side);
    let goal = window.final_setpoint_rad_per_s();
    let excess = |k: usize| (speed[k] - goal).abs() - band_rad_per_s;
    let Some(last) = speed.len().checked_sub(1) else { return NOT_DEFINED };
    let length_s = window.setpoint_rad_per_s.len() as f64 * window.rate.period_s();
    if length_s < 2.0 * options.hold_s {
        return NOT_DEFINED;
    }
    let Some(outside) = (0..=last).rev().find(|k| 0.0 < excess(*k)) else {
        return Answer::at(0.0, window.run_time_s(0.0));
    };
    if outside == last {
        return Answer::Without(NoNumber::NotSettled);
    }
    // The edge that is crossed last is the one on whose far side the last sample outside lies.
    let edge = goal + band_rad_per_s.copysign(speed[outside] - goal);
    let place = between(outside, speed[outside], speed[outside + 1], edge);
    if window.since_entry_s(last as f64) - window.since_entry_s(place) < options.hold_s {
        return Answer::Without(NoNumber::NotSettled);
    }
    Answer::at(window.since_entry_s(place), window.run_time_s(place))
}

/// `steady_deviation_rpm`: mean of setpoint minus speed over the last quarter of the window, by the trapezoid rule.
#[must_use]
pub fn steady_deviation_rpm(window: &Window, options: &Options) -> Answer {
    if Step::of(window, options).is_none() {
        return NOT_DEFINED;
    }
    let samples = window.speed(options.side).len();
    let from = 0.75 * samples.saturating_sub(1) as f64;
    let deviation: Vec<f64> = window.deviation(options.side).collect();
    match integral::mean_from(&deviation, from) {
        Some(mean_rad_per_s) => Answer::of(mean_rad_per_s / RPM_RAD_PER_S),
        None => NOT_DEFINED,
    }
}
