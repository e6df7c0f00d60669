//! From what was recorded to the result: measures, limits, reasons, verdict.
//!
//! What it does not: run anything (`examination.rs`, `bench/session.rs`). Start reading at [`judge`].

use crate::base::recording::Recording;
use crate::bench::session::End;
use crate::scenario::{Limit, Pace, Scenario};
use crate::score::measure::{Kind, Measure, OptionKey};
use crate::score::verdict::{Graded, Mark, grade_percent};
use crate::score::window::{Options, Signals};
use crate::score::{Answer, NoNumber};
use crate::trial::bits::Bits;
use crate::trial::conduct;
use crate::trial::examination::Examination;
use crate::trial::phases::{Examined, Identity, TRIAL, TUNING, Tuned};
use crate::trial::result;
use crate::trial::result::{
    ImpairmentFacts, LimitResult, MeasureResult, Reason, SCHEMA_VERSION, TrialResult, TuningEnd, Verdict,
};
use crate::trial::words;

/// The loop that a controller outside closes is not known from inside.
const UNKNOWN_LOOP: Answer = Answer::Without(NoNumber::NotDefined);

/// The result of a trial. `examined` is none when tuning ended before done.
#[must_use]
pub fn judge(scenario: &Scenario, identity: &Identity, tuned: &Tuned, examined: Option<&Examined>) -> TrialResult {
    let limits = examined.map_or_else(Vec::new, |examined| limit_results(scenario, tuned, examined));
    let measures = examined.map_or_else(Vec::new, |examined| other_measures(scenario, examined));
    let mut reasons = void_reasons(tuned, examined);
    let void = !reasons.is_empty();
    reasons.extend(conduct::breaches(scenario, tuned));
    reasons.extend(examined.map_or_else(Vec::new, |examined| conduct::in_examination(scenario, examined)));
    reasons.extend(missed(&limits));
    let verdict = match (void, reasons.is_empty()) {
        (true, _) => void_verdict(&tuned.end),
        (false, false) => Verdict::Fail,
        (false, true) => Verdict::Pass,
    };
    let grade = (!void).then(|| if verdict == Verdict::Fail { 0.0 } else { grade_percent(&graded(scenario, &limits)) });
    TrialResult {
        schema_version: SCHEMA_VERSION,
        program: identity.program.clone(),
        scenario: identity.scenario.clone(),
        method: identity.method.clone(),
        pace: pace_name(scenario.timing.pace).to_owned(),
        impairment: scenario.impairment.as_ref().map(ImpairmentFacts::of),
        verdict,
        reasons,
        grade_percent: grade,
        settings: tuned.setting_facts(),
        tuning_ended: tuning_end(&tuned.end),
        machines: examined
            .map_or_else(Vec::new, |examined| examined.runs.iter().map(|run| run.machine.clone()).collect()),
        bits_sha256: bits(tuned, examined, &limits, &measures),
        limits,
        measures,
        conduct: conduct::facts(scenario, tuned),
        link: tuned.link.clone(),
        timing: tuned.timing.clone(),
    }
}

/// The pace as results and the command line call it.
#[must_use]
pub fn pace_name(pace: Pace) -> &'static str {
    match pace {
        Pace::Lockstep => "lockstep",
        Pace::RealTime => "real-time",
    }
}

/// Whose fault a void is: the method's, when it left, fell silent or ran out of time; else the bench's.
fn void_verdict(end: &End) -> Verdict {
    match end {
        End::Left(_) | End::Silent | End::OutOfTime | End::OutOfWallTime => Verdict::VoidMethod,
        End::Done | End::Finished | End::Fault(_) | End::Broken(_) | End::Interrupted => Verdict::VoidBench,
    }
}

fn void_reasons(tuned: &Tuned, examined: Option<&Examined>) -> Vec<Reason> {
    let tuning = |text: String| vec![Reason { text, machine: tuned.ended_in.clone(), at_s: Some(tuned.ended_at_s) }];
    let method = tuned.what_the_method_did.as_deref();
    match &tuned.end {
        End::Done | End::Finished => late_reasons(tuned, examined),
        End::Left(why) => {
            let words =
                tuned.last_words.as_ref().map_or_else(String::new, |words| format!("; its last words: “{words}”"));
            tuning(format!("the method left before it was done: it {why}{words}"))
        }
        End::Silent => {
            let why = method.map_or_else(String::new, |clause| format!(": it {clause}"));
            tuning(format!("the method fell silent before it was done{why}"))
        }
        End::OutOfTime => tuning("the method used up its simulated time before it was done".to_owned()),
        End::OutOfWallTime => tuning("the method used up its time on the wall before it was done".to_owned()),
        End::Interrupted => tuning("the run was interrupted".to_owned()),
        End::Fault(fault) => tuning(format!("the bench could not go on: {fault}")),
        End::Broken(words) => tuning(format!("the bench made a mistake of its own: {words}")),
    }
}

/// Why a run that went to its end cannot be trusted all the same: the clock was not kept, or a plant could not go on.
fn late_reasons(tuned: &Tuned, examined: Option<&Examined>) -> Vec<Reason> {
    let missed = tuned.timing.iter().filter(|timing| timing.missed_too_many()).map(|timing| Reason {
        text: format!(
            "the bench missed {} of {} ticks; {} in a million are allowed",
            timing.missed_ticks, timing.ticks, timing.allowed_missed_per_million
        ),
        machine: TRIAL.to_owned(),
        at_s: None,
    });
    let faults = examined.iter().flat_map(|examined| &examined.runs).filter_map(|run| {
        let fault = run.fault.as_ref()?;
        let text = format!("the bench could not go on: {fault}");
        Some(Reason { text, machine: run.machine.clone(), at_s: Some(fault.time_s) })
    });
    missed.chain(faults).collect()
}

/// Every limit on every machine it was asked for, in file order, nominal first.
fn limit_results(scenario: &Scenario, tuned: &Tuned, examined: &Examined) -> Vec<LimitResult> {
    let mut results = Vec::new();
    for (number, limit) in scenario.limits.iter().enumerate() {
        if limit.measure.kind() == Kind::Conduct {
            results.push(limit_result(scenario, number, limit, TUNING, tuned.watch.answer(limit.measure)));
            continue;
        }
        for (machine, run) in examined.runs.iter().enumerate() {
            let nominal = machine == 0;
            if (nominal && !limit.nominal) || (!nominal && !limit.corners) {
                continue;
            }
            let options = limit.options(examined.torques);
            let answer = match limit.measure.kind() {
                Kind::Loop => examined.loops.get(machine).map_or(UNKNOWN_LOOP, |found| found.answer(limit)),
                _ => over_window(scenario, run, limit.measure, limit.during, &options),
            };
            results.push(limit_result(scenario, number, limit, &run.machine, answer));
        }
    }
    results
}

fn limit_result(scenario: &Scenario, number: usize, limit: &Limit, machine: &str, answer: Answer) -> LimitResult {
    LimitResult {
        limit: number,
        found: narrowed(limit, measure_result(scenario, limit.measure, limit.during, machine, answer)),
        max: limit.bound.max,
        min: limit.bound.min,
        target: limit.bound.target,
        band_percent: limit.band_percent,
        band_rpm: limit.band_rpm,
        weight: limit.weight,
        held: limit.bound.held(&answer),
        grade: limit.bound.grade(&answer),
    }
}

/// A measure over an entry's window. A window after a trip, or one that the run did not reach, is `not reached`.
fn over_window(
    scenario: &Scenario,
    run: &Examination,
    measure: Measure,
    during: Option<usize>,
    options: &Options,
) -> Answer {
    let Some(window) = during.and_then(|entry| scenario.programme.window(entry)) else {
        return Answer::Without(NoNumber::NotDefined);
    };
    let tripped_before = run.over_from_tick().is_some_and(|tick| tick < window.start_tick);
    let signals = signals(scenario, run, &run.recording);
    match signals.window(window.start_tick..window.end_tick) {
        Some(window) if !tripped_before => measure.evaluate(&window, options),
        _ => Answer::Without(NoNumber::NotReached),
    }
}

fn signals<'a>(scenario: &Scenario, run: &Examination, recording: &'a Recording) -> Signals<'a> {
    let corner = scenario.corners.iter().find(|corner| corner.name == run.machine);
    let machine = corner.map_or(&scenario.machine, |corner| &corner.machine);
    Signals::of(recording, machine.plant.total_ratio())
}

/// The window as the limit narrows it to its last seconds.
fn narrowed(limit: &Limit, mut found: MeasureResult) -> MeasureResult {
    if let (Some(last_s), Some([start_s, end_s]), true) =
        (limit.last_s, found.window_s, limit.measure.takes(OptionKey::LastS))
    {
        found.window_s = Some([start_s.max(end_s - last_s), end_s]);
    }
    found
}

fn measure_result(
    scenario: &Scenario,
    measure: Measure,
    during: Option<usize>,
    machine: &str,
    answer: Answer,
) -> MeasureResult {
    let window = during.and_then(|entry| scenario.programme.window(entry));
    let rate = scenario.timing.rate;
    let (value, no_number, at_s, note) = match answer {
        Answer::Number(found) => (Some(found.value), None, found.at_s, found.note.map(str::to_owned)),
        Answer::Without(reason) => (None, Some(no_number(reason)), None, None),
    };
    MeasureResult {
        measure: measure.name().to_owned(),
        unit: measure.unit().to_owned(),
        machine: machine.to_owned(),
        during: window.as_ref().map(|window| window.name.clone()),
        window_s: window.map(|window| [rate.seconds(window.start_tick), rate.seconds(window.end_tick)]),
        value,
        no_number,
        at_s,
        note,
    }
}

fn no_number(reason: NoNumber) -> result::NoNumber {
    match reason {
        NoNumber::NotDefined => result::NoNumber::NotDefined,
        NoNumber::NotSettled => result::NoNumber::NotSettled,
        NoNumber::NotReached => result::NoNumber::NotReached,
        NoNumber::None => result::NoNumber::None,
        NoNumber::Unstable => result::NoNumber::Unstable,
    }
}

/// Everything else that has an answer, for information: each measure that fits an entry, and the loop's.
fn other_measures(scenario: &Scenario, examined: &Examined) -> Vec<MeasureResult> {
    let mut results = Vec::new();
    for (machine, run) in examined.runs.iter().enumerate() {
        for (entry, found) in scenario.programme.entries().iter().enumerate() {
            let step = found
                .speed_rad_per_s
                .is_some_and(|speed| speed.to_bits() != scenario.programme.setpoint_before_rad_per_s(entry).to_bits());
            let load = found.load_torque_nm.is_some() || found.resisting_torque_nm.is_some();
            let fits = |kind| match kind {
                Kind::Step => step,
                Kind::LoadStep => load && !step,
                Kind::Effort => true,
                _ => false,
            };
            for measure in Measure::all().filter(|measure| measure.is_built() && fits(measure.kind())) {
                let answer = over_window(scenario, run, measure, Some(entry), &Options::with(examined.torques));
                results.push((measure, Some(entry), answer, machine));
            }
        }
        let of_the_loop = |measure: &Measure| measure.is_built() && measure.kind() == Kind::Loop;
        for measure in Measure::all().filter(of_the_loop) {
            let answer = examined.loops.get(machine).map_or(UNKNOWN_LOOP, |found| found.plain_answer(measure));
            results.push((measure, None, answer, machine));
        }
    }
    let asked = |measure: Measure, during: Option<usize>| {
        scenario.limits.iter().any(|limit| limit.measure == measure && limit.during == during)
    };
    results.retain(|(measure, during, answer, _)| {
        !asked(*measure, *during) && *answer != Answer::Without(NoNumber::NotDefined)
    });
    let worded = results.into_iter().map(|(measure, during, answer, machine)| {
        measure_result(scenario, measure, during, &examined.runs[machine].machine, answer)
    });
    worded.collect()
}

/// One reason per missed limit, on the machine that misses it by most; the largest miss first.
fn missed(limits: &[LimitResult]) -> Vec<Reason> {
    let mut worst: Vec<(&LimitResult, usize)> = Vec::new();
    for result in limits.iter().filter(|result| !result.held) {
        match worst.iter_mut().find(|(known, _)| known.limit == result.limit) {
            Some((known, times)) => {
                *times += 1;
                if result.reserve_frac() < known.reserve_frac() {
                    *known = result;
                }
            }
            None => worst.push((result, 1)),
        }
    }
    worst.sort_by(|(one, _), (other, _)| one.reserve_frac().total_cmp(&other.reserve_frac()));
    worst.into_iter().map(|(result, times)| words::miss(result, times)).collect()
}

fn graded(scenario: &Scenario, limits: &[LimitResult]) -> Vec<Graded> {
    let of = |(number, limit): (usize, &Limit)| Graded {
        weight: limit.weight,
        machines: limits
            .iter()
            .filter(|result| result.limit == number)
            .map(|result| Mark { held: result.held, grade: result.grade })
            .collect(),
    };
    scenario.limits.iter().enumerate().map(of).collect()
}

fn tuning_end(end: &End) -> TuningEnd {
    match end {
        End::Done | End::Finished => TuningEnd::Done,
        End::Left(_) => TuningEnd::Left,
        End::Silent => TuningEnd::Silent,
        End::OutOfTime => TuningEnd::OutOfTime,
        End::OutOfWallTime => TuningEnd::OutOfWallTime,
        End::Fault(_) | End::Broken(_) => TuningEnd::Fault,
        End::Interrupted => TuningEnd::Interrupted,
    }
}

fn bits(tuned: &Tuned, examined: Option<&Examined>, limits: &[LimitResult], measures: &[MeasureResult]) -> String {
    let mut bits: Bits = tuned.bits.clone();
    for run in examined.iter().flat_map(|examined| &examined.runs) {
        for row in run.rows() {
            bits.rows(&[row]);
        }
    }
    let all = limits.iter().map(|limit| &limit.found).chain(measures);
    let in_time = all.filter(|found| found.window_s.is_some()).filter_map(|found| found.value);
    bits.numbers(&in_time.collect::<Vec<_>>());
    bits.hex()
}
