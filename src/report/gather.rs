//! From what a trial found to what a page shows: runs with their entries and marks, loops with their margins.
//!
//! What it does not: draw. Start reading at [`pictures`].

use std::f64::consts::TAU;

use num_complex::Complex64;

use super::{
    BodePoint, EntryMark, GainMargin, LoopPicture, Mark, PhaseMargin, Pictures, Run, SensitivityPeak, SensitivityPoint,
    TuningRun,
};
use crate::base::real;
use crate::base::recording::Recording;
use crate::base::units::DEG_RAD;
use crate::drive::protection::Trip;
use crate::drive::setting::{Setting, Settings};
use crate::linear::chain::{Gaps, has_play};
use crate::linear::margins::{breakpoints_rad_per_s, survey};
use crate::linear::model::LoopModel;
use crate::scenario::Scenario;
use crate::score::margins::{Survey, nyquist_rad_per_s};
use crate::score::response_grid::grid;
use crate::trial::examination::{Examination, machine};
use crate::trial::phases::{Examined, Tuned};

/// Lowest frequency that is drawn: below every crossover that an axis has.
const LOWEST_HZ: f64 = 0.5;
/// Points of a curve at most: as many as a wide screen has columns.
const POINTS_MAX: usize = 1200;

/// Everything that a report can show of a trial.
#[must_use]
pub fn pictures<'a>(
    scenario: &Scenario,
    tuned: &Tuned,
    examined: Option<&'a Examined>,
    tuning: Option<&'a Recording>,
    replay_command: Option<String>,
) -> Pictures<'a> {
    let runs = examined.map_or(&[][..], |examined| &examined.runs);
    let loops = runs.iter().flat_map(|run| loops(scenario, &run.machine, &tuned.stored)).collect();
    Pictures {
        runs: runs.iter().map(|run| picture(scenario, run, &tuned.stored)).collect(),
        loops,
        tuning: tuning.map(|recording| tuning_run(scenario, tuned, recording)),
        replay_command,
    }
}

fn tuning_run<'a>(scenario: &Scenario, tuned: &Tuned, recording: &'a Recording) -> TuningRun<'a> {
    TuningRun {
        recording,
        total_ratio: scenario.machine.plant.total_ratio(),
        angle_zero_rad: if scenario.axis.travel_rad.is_none() { scenario.axis.start_rad } else { 0.0 },
        marks: marks(&tuned.trips, &tuned.strikes_s),
    }
}

fn marks(trips: &[(Trip, f64)], strikes_s: &[f64]) -> Vec<Mark> {
    let trips = trips.iter().map(|(trip, at_s)| Mark { at_s: *at_s, text: format!("trip: {}", trip.name()) });
    let strikes = strikes_s.iter().map(|at_s| Mark { at_s: *at_s, text: "strike at a stop".to_owned() });
    trips.chain(strikes).collect()
}

fn number_of(scenario: &Scenario, name: &str) -> usize {
    scenario.corners.iter().position(|corner| corner.name == name).map_or(0, |corner| corner + 1)
}

fn picture<'a>(scenario: &Scenario, run: &'a Examination, settings: &Settings) -> Run<'a> {
    let rate = scenario.timing.rate;
    let entry = |window: crate::scenario::programme::ProgrammeWindow| EntryMark {
        name: window.name,
        at_s: rate.seconds(window.start_tick),
        end_s: rate.seconds(window.end_tick),
    };
    let total_ratio =
        machine(scenario, number_of(scenario, &run.machine)).map_or(1.0, |(_, machine)| machine.plant.total_ratio());
    Run {
        machine: run.machine.clone(),
        recording: &run.recording,
        total_ratio,
        entries: scenario.programme.windows().into_iter().map(entry).collect(),
        marks: marks(&run.trips, &run.strikes_s),
        rated_torque_nm: scenario.nameplate.rated_torque_nm,
        torque_limit_nm: settings.get(Setting::TorqueLimit),
    }
}

/// The loop of a machine by name, gaps closed and, with play, open; none where it is closed outside.
#[must_use]
pub fn loops(scenario: &Scenario, name: &str, settings: &Settings) -> Vec<LoopPicture> {
    let known = machine(scenario, number_of(scenario, name)).filter(|_| scenario.drive_closes_the_loop());
    let Some((_, machine)) = known else { return Vec::new() };
    let states = [Some(Gaps::Closed), has_play(&machine.plant).then_some(Gaps::Open)];
    let picture = |gaps: Gaps| {
        let model = LoopModel::new(&machine.plant, &machine.sensor, settings, scenario.timing.rate, gaps);
        let breakpoints = breakpoints_rad_per_s(&model, &machine.plant, settings);
        let found = survey(&model, &breakpoints);
        let highest = nyquist_rad_per_s(scenario.timing.rate);
        let points = thinned(&grid(TAU * LOWEST_HZ, highest, &breakpoints));
        loop_picture(name, gaps == Gaps::Open, &found, &points, |w| model.open(w))
    };
    states.into_iter().flatten().map(picture).collect()
}

/// Every so many points of a fine grid, so that a page stays small.
fn thinned(points: &[f64]) -> Vec<f64> {
    points.iter().copied().step_by(points.len().div_ceil(POINTS_MAX).max(1)).collect()
}

fn loop_picture(
    name: &str,
    gaps_open: bool,
    found: &Survey,
    points: &[f64],
    open: impl Fn(f64) -> Complex64,
) -> LoopPicture {
    let bode = |w: &f64| {
        let value = open(*w);
        BodePoint {
            hz: w / TAU,
            magnitude_db: decibels(real::hypot(value.re, value.im)),
            phase_deg: real::atan2(value.im, value.re) / DEG_RAD,
        }
    };
    let sensitivity = |w: &f64| {
        let back = open(*w) + 1.0;
        SensitivityPoint { hz: w / TAU, magnitude_db: -decibels(real::hypot(back.re, back.im)) }
    };
    let least = |one: &f64, other: &f64| one.abs().total_cmp(&other.abs());
    let phase = found.crossovers.iter().min_by(|a, b| least(&a.phase_rad, &b.phase_rad));
    let gain = found.half_turns.iter().min_by(|a, b| least(&a.gain_db, &b.gain_db));
    let peak = found.sensitivity_peak;
    LoopPicture {
        machine: name.to_owned(),
        gaps_open,
        stable: found.stable,
        points: points.iter().map(bode).collect(),
        crossovers_hz: found.crossovers.iter().map(|crossover| crossover.rad_per_s / TAU).collect(),
        phase_margin: phase
            .map(|found| PhaseMargin { hz: found.rad_per_s / TAU, deg: found.phase_rad.abs() / DEG_RAD }),
        gain_margin: gain.map(|found| GainMargin { hz: found.rad_per_s / TAU, db: found.gain_db.abs() }),
        sensitivity: points.iter().map(sensitivity).collect(),
        sensitivity_peak: found.stable.then_some(SensitivityPeak { hz: peak.rad_per_s / TAU, ratio: peak.value }),
    }
}

fn decibels(ratio: f64) -> f64 {
    20.0 * real::log10(ratio)
}
