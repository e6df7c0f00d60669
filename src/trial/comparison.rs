//! A run of a suite against its known-good result: what is the same, what moved within its tolerance, what is red.
//!
//! Red is any measure outside its tolerance in either direction, another verdict, and frames that differ where they
//! should be the same. What it does not: run trials, read files. Start reading at [`compare`].

use std::collections::BTreeSet;

use crate::scenario::suite::{Expect, Tolerance, Tolerances, Trial};
use crate::score::measure::Measure;
use crate::trial::known_good::{Known, KnownRun, Measures, measure_name, measures};
use crate::trial::result::{NoNumber, TrialResult, Verdict};
use crate::trial::sent::{Sent, blocks, first_block, first_difference, sha256};
use crate::trial::suite_result::{Change, FirstDifference, FramesResult, LimitNow, Move, RunResult, State};

/// What a run is compared with.
#[derive(Clone, Copy, Debug)]
pub struct Against<'a> {
    /// The known-good result; none for a trial that nobody accepted yet.
    pub known: Option<&'a KnownRun>,
    /// The known-good frames themselves, where they are at hand.
    pub frames: Option<&'a [Sent]>,
    /// Tolerances that hold where the trial gives none.
    pub tolerances: &'a Tolerances,
}

/// Compares one run.
#[must_use]
pub fn compare(trial: &Trial, result: &TrialResult, sent: &[Sent], against: &Against<'_>) -> RunResult {
    let known = against.known;
    let moves =
        known.map_or_else(Vec::new, |known| moves(&known.measures, &measures(result), &trial.tolerances, against));
    let frames = known.map_or_else(FramesResult::default, |known| frames(known, sent, against, result));
    let mut run = RunResult {
        trial: trial.name.clone(),
        seed: result.scenario.seed,
        state: State::Same,
        reasons: Vec::new(),
        verdict: Some(result.verdict),
        known_verdict: known.map(|known| known.verdict),
        grade_percent: result.grade_percent,
        known_grade_percent: known.and_then(|known| known.grade_percent),
        scenario_changed: known.is_some_and(|known| known.scenario_sha256 != result.scenario.sha256),
        compared: known.map_or(0, |known| count(&known.measures)),
        moves,
        frames,
        limits: limits(result),
        record: None,
    };
    run.reasons = reasons(trial, result, &run);
    run.state = state(&run, known.is_some_and(|known| known.bits_sha256 == result.bits_sha256));
    run
}

/// A run that could not be made.
#[must_use]
pub fn unable(trial: &Trial, seed: u64, why: String) -> RunResult {
    RunResult {
        trial: trial.name.clone(),
        seed,
        state: State::Unable,
        reasons: vec![why],
        verdict: None,
        known_verdict: None,
        grade_percent: None,
        known_grade_percent: None,
        scenario_changed: false,
        compared: 0,
        moves: Vec::new(),
        frames: FramesResult::default(),
        limits: Vec::new(),
        record: None,
    }
}

fn count(measures: &Measures) -> usize {
    measures.values().flat_map(|windows| windows.values()).map(|found| found.len()).sum()
}

fn state(run: &RunResult, same_bits: bool) -> State {
    match run.verdict {
        Some(Verdict::VoidMethod | Verdict::VoidBench) => State::Void,
        _ if run.known_verdict.is_none() => State::New,
        _ if !run.reasons.is_empty() => State::Red,
        _ if same_bits && run.moves.is_empty() => State::Same,
        _ => State::Within,
    }
}

fn reasons(trial: &Trial, result: &TrialResult, run: &RunResult) -> Vec<String> {
    if matches!(result.verdict, Verdict::VoidMethod | Verdict::VoidBench) {
        return result.reasons.iter().map(|reason| reason.text.clone()).collect();
    }
    let mut reasons = Vec::new();
    let expected = trial.expect.map(|expect| if expect == Expect::Pass { Verdict::Pass } else { Verdict::Fail });
    if let Some(expected) = expected.filter(|expected| *expected != result.verdict) {
        reasons.push(format!("the verdict is {}; the suite expects {}", word(result.verdict), word(expected)));
    }
    match run.known_verdict {
        None => reasons.push("no known-good result yet; look at its record, then run with --accept".to_owned()),
        Some(known) if known != result.verdict => {
            reasons.push(format!("the verdict is {}; known good is {}", word(result.verdict), word(known)));
        }
        Some(_) => {}
    }
    let of = |change| run.moves.iter().filter(|moved| moved.change == change).count();
    for (change, words) in [
        (Change::Worse, "got worse by more than the tolerance"),
        (Change::Other, "came or went"),
        (Change::Better, "got better by more than the tolerance: accept?"),
    ] {
        match of(change) {
            0 => {}
            1 => reasons.push(format!("1 of {} measures {words}", run.compared)),
            many => reasons.push(format!("{many} of {} measures {words}", run.compared)),
        }
    }
    if trial.frames_same && run.frames.differ == Some(true) {
        reasons.push("frames differ, which should be the same".to_owned());
    }
    reasons
}

/// `pass`, `fail`, `void`.
#[must_use]
pub fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "pass",
        Verdict::Fail => "fail",
        Verdict::VoidMethod | Verdict::VoidBench => "void",
    }
}

/// Every measure that is not what it was, to the bit; outside its tolerance first, by size of the move against it.
fn moves(known: &Measures, now: &Measures, own: &Tolerances, against: &Against<'_>) -> Vec<Move> {
    let mut moves = Vec::new();
    for (machine, during, measure) in places(known).union(&places(now)) {
        let at = |measures: &Measures| measures.get(*machine)?.get(*during)?.get(*measure).copied();
        let (before, after) = (at(known), at(now));
        let name = measure_name(measure);
        let tolerance = own.get(name).or_else(|| against.tolerances.get(name)).copied().unwrap_or_default();
        let Some((change, allowed)) = change(name, before, after, tolerance) else { continue };
        moves.push(Move {
            change,
            machine: (*machine).to_owned(),
            during: (*during).to_owned(),
            measure: (*measure).to_owned(),
            unit: Measure::from_name(name).map_or("", Measure::unit).to_owned(),
            known: before,
            now: after,
            allowed,
        });
    }
    moves.sort_by(|one, other| one.change.cmp(&other.change).then(other.size().total_cmp(&one.size())));
    moves
}

fn places(measures: &Measures) -> BTreeSet<(&str, &str, &str)> {
    let windows = measures.iter().flat_map(|(machine, windows)| windows.iter().map(move |one| (machine, one)));
    windows
        .flat_map(|(machine, (during, found))| {
            found.keys().map(move |measure| (machine.as_str(), during.as_str(), measure.as_str()))
        })
        .collect()
}

/// How a measure moved, and what it may move by; `None` when it is the same to the bit.
fn change(name: &str, before: Option<Known>, after: Option<Known>, tolerance: Tolerance) -> Option<(Change, f64)> {
    let (Some(before), Some(after)) = (before, after) else { return Some((Change::Other, 0.0)) };
    match (before, after) {
        (Known::Number(before), Known::Number(after)) => {
            let allowed = tolerance.allowed(before);
            let within = (after - before).abs() <= allowed;
            let change = if within { Change::Within } else { direction(name, before, after) };
            (before.to_bits() != after.to_bits()).then_some((change, allowed))
        }
        (Known::Without(before), Known::Without(after)) if before == after => None,
        // Nothing to measure holds a limit; every other reason misses it.
        _ => Some(match (counts(before), counts(after)) {
            (true, false) => (Change::Worse, 0.0),
            (false, true) => (Change::Better, 0.0),
            _ => (Change::Other, 0.0),
        }),
    }
}

fn counts(known: Known) -> bool {
    matches!(known, Known::Number(_) | Known::Without(NoNumber::None))
}

/// Which way a measure moved. One with a sign, such as a deviation, is better nearer to 0; a level in dB has no 0.
fn direction(name: &str, before: f64, after: f64) -> Change {
    let Some(measure) = Measure::from_name(name) else { return Change::Other };
    let size = |value: f64| if measure.unit() == "dB" { value } else { value.abs() };
    let (before, after) = (size(before), size(after));
    match (after < before, before < after) {
        (true, _) if measure.larger_is_worse() => Change::Better,
        (_, true) if !measure.larger_is_worse() => Change::Better,
        (false, false) => Change::Other,
        _ => Change::Worse,
    }
}

impl Move {
    /// How far it moved, in shares of what it may move by; without such a share, of what it was.
    fn size(&self) -> f64 {
        let (Some(Known::Number(before)), Some(Known::Number(after))) = (self.known, self.now) else {
            return f64::INFINITY;
        };
        let scale = if 0.0 < self.allowed { self.allowed } else { before.abs() };
        if 0.0 < scale { (after - before).abs() / scale } else { f64::INFINITY }
    }
}

fn limits(result: &TrialResult) -> Vec<LimitNow> {
    let named = result.limits.iter().map(|limit| {
        let found = &limit.found;
        let during = found.during.as_ref().map_or_else(String::new, |during| format!(", {during}"));
        LimitNow {
            what: format!("{} on {}{during}", found.measure, found.machine),
            unit: found.unit.clone(),
            value: found.value,
        }
    });
    named.collect()
}

fn frames(known: &KnownRun, sent: &[Sent], against: &Against<'_>, result: &TrialResult) -> FramesResult {
    if known.frames_sha256 == sha256(sent) {
        return FramesResult { differ: Some(false), first: None };
    }
    let seconds = |ticks: [u64; 2]| ticks.map(|tick| tick as f64 / f64::from(result.scenario.tick_hz.max(1)));
    // Frames that are not those of the known-good result tell nothing about it.
    let at_hand = against.frames.filter(|frames| sha256(frames) == known.frames_sha256);
    let exact = at_hand.and_then(|before| first_difference(before, sent)).map(|found| FirstDifference {
        part: found.part,
        ticks: [found.tick; 2],
        at_s: seconds([found.tick; 2]),
        fields: vec![found.field],
        known: Some(found.known),
        now: Some(found.now),
    });
    let by_block = || {
        first_block(&known.frames.parts, &blocks(sent), sent).map(|found| FirstDifference {
            part: found.part,
            ticks: found.ticks,
            at_s: seconds(found.ticks),
            fields: found.fields,
            known: None,
            now: None,
        })
    };
    FramesResult { differ: Some(true), first: exact.or_else(by_block) }
}
