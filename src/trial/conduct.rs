//! How the method treated the machine, in facts, and what it broke, in sentences.
//!
//! What it does not: watch (`score/conduct.rs` does, tick by tick). Start reading at [`breaches`].

use crate::base::units::{DEG_RAD, RPM_RAD_PER_S};
use crate::scenario::Scenario;
use crate::score::measure::Measure;
use crate::trial::phases::{Examined, TRIAL, TUNING, Tuned};
use crate::trial::result::{Conduct, Fault, Reason};
use crate::trial::words::number;

/// What the method broke: each is a fail of its own.
#[must_use]
pub fn breaches(scenario: &Scenario, tuned: &Tuned) -> Vec<Reason> {
    let mut reasons = Vec::new();
    let mut say = |text: String, at_s: Option<f64>| {
        reasons.push(Reason { text, machine: TUNING.to_owned(), at_s });
    };
    let overrun_deg = tuned.watch.overrun_rad() / DEG_RAD;
    if 0.0 < overrun_deg {
        say(format!("while tuning the load went {} degrees beyond its window", number(overrun_deg)), None);
    }
    let (path_deg, allowed_deg) = (tuned.watch.path_rad() / DEG_RAD, scenario.tuning.path_rad / DEG_RAD);
    if allowed_deg < path_deg {
        let (path, allowed) = (number(path_deg), number(allowed_deg));
        say(format!("while tuning the load turned {path} degrees in all, allowed were {allowed}"), None);
    }
    let strikes = tuned.watch.strikes();
    if scenario.tuning.stop_strikes < strikes {
        say(format!("while tuning a stop was struck, {}", times(strikes)), tuned.strikes_s.first().copied());
    }
    let overspeed_percent = tuned.watch.overspeed_percent();
    if 0.0 < overspeed_percent {
        say(format!("while tuning the motor turned {} % faster than the axis may", number(overspeed_percent)), None);
    }
    if settings_kept(tuned) == Some(false) {
        say("the tuned settings were not stored: the power cycle brought the old ones back".to_owned(), None);
    }
    reasons.extend(computed_too_long(scenario, tuned));
    reasons
}

/// A method that by its own account needs longer for an answer than the scenario allows, in whichever phase.
fn computed_too_long(scenario: &Scenario, tuned: &Tuned) -> Option<Reason> {
    let (computed_us, limit_us) = (tuned.link.compute_max_us, scenario.timing.compute_limit_us?);
    let text = format!("the method said that it computed for {computed_us} µs, allowed are {limit_us} µs");
    (limit_us < computed_us).then(|| Reason { text, machine: TRIAL.to_owned(), at_s: None })
}

/// What happened to the machine while it was examined: trips, strikes, overspeed.
#[must_use]
pub fn in_examination(scenario: &Scenario, examined: &Examined) -> Vec<Reason> {
    let mut reasons = Vec::new();
    for run in &examined.runs {
        let mut say = |text: String, at_s: Option<f64>| {
            reasons.push(Reason { text, machine: run.machine.clone(), at_s });
        };
        if let Some((trip, at_s)) = run.trips.first() {
            say(format!("the drive tripped: {}", trip.name()), Some(*at_s));
        }
        if 0 < run.watch.strikes() {
            say(format!("a stop was struck, {}", times(run.watch.strikes())), run.strikes_s.first().copied());
        }
        let overspeed_percent = run.watch.overspeed_percent();
        if 0.0 < overspeed_percent {
            let allowed = number(scenario.axis.max_speed_rad_per_s / RPM_RAD_PER_S);
            say(format!("the motor turned {} % faster than {allowed} rpm", number(overspeed_percent)), None);
        }
    }
    reasons
}

fn times(count: u32) -> String {
    match count {
        1 => "once".to_owned(),
        2 => "twice".to_owned(),
        _ => format!("{count} times"),
    }
}

fn settings_kept(tuned: &Tuned) -> Option<bool> {
    tuned.watch.answer(Measure::SettingsKept).value().map(|kept| 0.0 < kept)
}

/// Conduct as numbers.
#[must_use]
pub fn facts(scenario: &Scenario, tuned: &Tuned) -> Conduct {
    let watch = &tuned.watch;
    let answer = |measure: Measure| watch.answer(measure).value().unwrap_or(0.0);
    let [low_rad, high_rad] = watch.reached_rad();
    Conduct {
        tuning_time_s: answer(Measure::TuningTime),
        time_allowed_s: scenario.tuning.time_s,
        travel_window_deg: answer(Measure::TravelWindow),
        travel_min_deg: low_rad / DEG_RAD,
        travel_max_deg: high_rad / DEG_RAD,
        window_allowed_deg: scenario.tuning.window_rad.map(|angle_rad| angle_rad / DEG_RAD),
        travel_overrun_deg: answer(Measure::TravelOverrun),
        travel_path_deg: answer(Measure::TravelPath),
        path_allowed_deg: scenario.tuning.path_rad / DEG_RAD,
        stop_strikes: watch.strikes(),
        stop_strikes_allowed: scenario.tuning.stop_strikes,
        stop_energy_j: answer(Measure::StopEnergy),
        overspeed_percent: watch.overspeed_percent(),
        faults: tuned.trips.iter().map(|(trip, at_s)| Fault { name: trip.name().to_owned(), at_s: *at_s }).collect(),
        moves: answer(Measure::Moves) as u32,
        torque_rms_percent: answer(Measure::TorqueRms),
        torque_peak_percent: answer(Measure::TorquePeak),
        time_at_limit_percent: answer(Measure::TimeAtLimit),
        settings_kept: settings_kept(tuned),
    }
}
