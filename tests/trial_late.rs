//! The promise of the clock in the verdict: a bench that missed more ticks than its scenario allows voids the trial by its
//! own fault and says by how many, whatever the method did; as many as are allowed change nothing.
//!
//! In memory: the misses are made up, and no clock runs. Start reading at [`judged_with`].

use std::sync::OnceLock;

use plantstand::bench::timing::Timing;
use plantstand::method::Carried;
use plantstand::scenario::Scenario;
use plantstand::trial::phases::{self, Examined, Tuned};
use plantstand::trial::result::{TimingFacts, TrialResult, Verdict};

#[path = "trial_runs/memory.rs"]
mod memory;
#[path = "trial_runs/scenario_text.rs"]
mod scenario_text;

/// Ticks of the made-up run.
const TICKS: u64 = 10_000;

/// A trial of the dough sheeter with one method, done once.
struct Trial {
    scenario: Scenario,
    tuned: Tuned,
    examined: Examined,
}

impl Trial {
    fn of(method: Carried) -> Self {
        let scenario = scenario_text::read(&scenario_text::dough_sheeter());
        let (tuned, _) = memory::tune(&scenario, 20, method);
        let machines = memory::all_machines(&scenario);
        let examined = phases::examination(&scenario, &machines, &tuned.stored, 20);
        Self { scenario, tuned, examined }
    }
}

/// The same trial as if its clock had missed so many ticks, where so many in a million are allowed.
fn judged_with(trial: &Trial, missed: u64, allowed: u32) -> TrialResult {
    let mut timing = Timing::new();
    (0..TICKS).for_each(|tick| timing.tick(0, tick < missed));
    let mut tuned = trial.tuned.clone();
    tuned.timing = Some(TimingFacts::of(&timing, "sleep", allowed, Vec::new()));
    memory::judged(&trial.scenario, 20, &tuned, Some(&trial.examined))
}

fn good() -> &'static Trial {
    static TRIAL: OnceLock<Trial> = OnceLock::new();
    TRIAL.get_or_init(|| Trial::of(Carried::Careful))
}

#[test]
fn exactly_the_allowance_passes() {
    for (missed, allowed) in [(0, 0), (2, 200), (TICKS, 1_000_000)] {
        let result = judged_with(good(), missed, allowed);
        assert_eq!((result.verdict, result.reasons.len()), (Verdict::Pass, 0), "{missed}: {:?}", result.reasons);
        assert!(result.grade_percent.is_some_and(|grade| 0.0 < grade));
    }
}

#[test]
fn one_more_makes_the_trial_void_by_the_bench_and_says_so() {
    for (missed, allowed) in [(1, 0), (3, 200), (TICKS, 999_999)] {
        let result = judged_with(good(), missed, allowed);
        let sentence = format!("the bench missed {missed} of {TICKS} ticks; {allowed} in a million are allowed");
        assert_eq!((result.verdict, result.grade_percent), (Verdict::VoidBench, None));
        assert_eq!(result.reasons.iter().map(|reason| &reason.text).collect::<Vec<_>>(), [&sentence]);
        let timing = result.timing.expect("the facts stay in the result");
        assert_eq!((timing.ticks, timing.missed_ticks), (TICKS, missed));
    }
}

#[test]
fn a_method_that_fails_is_not_failed_by_a_bench_that_was_late() {
    let trial = Trial::of(Carried::Hasty);
    let [in_time, late] = [2, 3].map(|missed| judged_with(&trial, missed, 200));
    assert_eq!((in_time.verdict, late.verdict), (Verdict::Fail, Verdict::VoidBench));
    assert!(late.reasons[0].text.starts_with("the bench missed 3 of 10000 ticks"), "{:?}", late.reasons);
    assert!(late.reasons.len() == in_time.reasons.len() + 1, "what was missed is told as well");
}
