//! A run against its known-good result: worse, better and within are told apart; another verdict is red; the first frame
//! and field that differ are named; and known-good results read back to the bit.

use std::collections::BTreeMap;

use plantstand::bench::frames::{self, Entry};
use plantstand::scenario::suite::{Suite, Tolerance, Tolerances, read};
use plantstand::trial::comparison::{Against, compare};
use plantstand::trial::known_good::{Known, KnownGood, KnownRun, SCHEMA_VERSION};
use plantstand::trial::result::{NoNumber, TrialResult, Verdict};
use plantstand::trial::sent::{self, BLOCK_TICKS, Sent};
use plantstand::trial::suite_result::{Change, RunResult, State};
use plantstand::wire::codec::encode;
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{
    Frame, Log, Message, Phase, PhaseKind, Text, TorqueCommandFrame, TorqueValue, TorqueValues,
};

#[path = "report/fabricated.rs"]
#[expect(dead_code, reason = "the report's tests use the rest")]
mod fabricated;

fn result() -> TrialResult {
    fabricated::passed().result
}

fn suite(words: &str) -> Suite {
    let text = format!("title = \"t\"\nby = \"careful\"\n[[trial]]\nscenario = \"roll.toml\"\nseeds = [1]\n{words}\n");
    read("s.toml", &text).unwrap_or_else(|complaints| panic!("{complaints:?}"))
}

/// The measure of the first limit with this name, changed, against the unchanged result.
fn moved(measure: &str, words: &str, change: impl Fn(f64) -> f64) -> RunResult {
    let known = KnownRun::of("roll", &result(), &[]).expect("it is not void");
    let mut now = result();
    let limit = now.limits.iter_mut().find(|limit| limit.found.measure == measure).expect("the limit");
    limit.found.value = limit.found.value.map(change);
    let tolerances = Tolerances::new();
    let against = Against { known: Some(&known), frames: None, tolerances: &tolerances };
    compare(&suite(words).trials[0], &now, &[], &against)
}

fn check_move(measure: &str, words: &str, change: impl Fn(f64) -> f64, expected: Change, state: State) {
    let run = moved(measure, words, change);
    assert_eq!(run.moves.iter().map(|one| one.change).collect::<Vec<_>>(), [expected], "{measure} {words}");
    assert_eq!((run.state, run.moves[0].measure.as_str()), (state, measure));
    assert_eq!(run.reasons.is_empty(), state.is_green());
}

#[test]
fn the_same_is_the_same() {
    assert_eq!(moved("overshoot_percent", "", |value| value).state, State::Same);
    assert!(100 > moved("overshoot_percent", "", |value| value).moves.len());
}

/// Without a tolerance one bit is too much; with one, red begins beyond it, in either direction.
#[test]
fn what_moves_beyond_its_tolerance_is_red_in_either_direction() {
    let tolerance = "[trial.tolerance]\novershoot_percent = 0.2";
    check_move("overshoot_percent", "", |value| value.next_up(), Change::Worse, State::Red);
    check_move("overshoot_percent", "", |value| value.next_down(), Change::Better, State::Red);
    check_move("overshoot_percent", tolerance, |value| value + 0.19, Change::Within, State::Within);
    check_move("overshoot_percent", tolerance, |value| value - 0.19, Change::Within, State::Within);
    check_move("overshoot_percent", tolerance, |value| value + 0.21, Change::Worse, State::Red);
    check_move("overshoot_percent", tolerance, |value| value - 0.21, Change::Better, State::Red);
    let share = "[trial.tolerance]\nsettling_time_s = { relative_frac = 0.01 }";
    check_move("settling_time_s", share, |value| value * 1.009, Change::Within, State::Within);
    check_move("settling_time_s", share, |value| value * 1.011, Change::Worse, State::Red);
}

/// A trial's own tolerance goes before the file's.
#[test]
fn the_tolerances_of_the_file_hold_where_the_trial_gives_none() {
    let known = KnownRun::of("roll", &result(), &[]).expect("it is not void");
    let mut now = result();
    let limit = now.limits.iter_mut().find(|limit| limit.found.measure == "overshoot_percent").expect("the limit");
    limit.found.value = limit.found.value.map(|value| value + 0.1);
    let tolerances =
        BTreeMap::from([("overshoot_percent".to_owned(), Tolerance { absolute: 0.2, relative_frac: 0.0 })]);
    let against = Against { known: Some(&known), frames: None, tolerances: &tolerances };
    let state = |words: &str| compare(&suite(words).trials[0], &now, &[], &against).state;
    assert_eq!(state(""), State::Within);
    assert_eq!(state("[trial.tolerance]\novershoot_percent = 0.05"), State::Red);
}

/// A measure that lost its number got worse, one that found it got better, one that is gone came or went.
#[test]
fn a_measure_without_a_number_is_compared_by_its_reason() {
    let known = KnownRun::of("roll", &result(), &[]).expect("it is not void");
    let tolerances = Tolerances::new();
    let against = Against { known: Some(&known), frames: None, tolerances: &tolerances };
    let mut now = result();
    let found = &mut now.limits[0].found;
    (found.value, found.no_number) = (None, Some(NoNumber::NotSettled));
    let run = compare(&suite("").trials[0], &now, &[], &against);
    assert_eq!((run.moves[0].change, run.moves[0].now), (Change::Worse, Some(Known::Without(NoNumber::NotSettled))));
    now.limits.remove(0);
    let run = compare(&suite("").trials[0], &now, &[], &against);
    assert_eq!((run.moves[0].change, run.moves[0].now, run.state), (Change::Other, None, State::Red));
}

/// `expect` decides what verdict is not red; a known-good fail that stays a fail is green.
#[test]
fn another_verdict_is_red() {
    let tolerances = Tolerances::new();
    let mut failed = result();
    failed.verdict = Verdict::Fail;
    let check = |known: &TrialResult, now: &TrialResult, words: &str| {
        let known = KnownRun::of("roll", known, &[]).expect("it is not void");
        let against = Against { known: Some(&known), frames: None, tolerances: &tolerances };
        compare(&suite(words).trials[0], now, &[], &against).state
    };
    assert_eq!(check(&result(), &failed, ""), State::Red);
    assert_eq!(check(&failed, &failed, "expect = \"fail\""), State::Same);
    assert_eq!(check(&failed, &failed, ""), State::Same);
    assert_eq!(check(&failed, &failed, "expect = \"pass\""), State::Red);
    let mut void = result();
    void.verdict = Verdict::VoidMethod;
    assert_eq!(check(&result(), &void, ""), State::Void);
    assert!(KnownRun::of("roll", &void, &[]).is_none(), "a void run is good for nothing");
}

/// Frames of an examination: a torque for each tick, one of them changed.
fn frames_with(change: Option<(u64, f64)>, controlword: u16) -> Vec<u8> {
    let mut bytes = frames::TITLE.to_vec();
    let mut sequence = 0;
    let mut add = |tick: u64, message: Message| {
        sequence += 1;
        let mut frame = [0; MAX_FRAME_BYTES];
        let length = encode(&Frame { sequence, message }, &mut frame);
        frames::keep(&mut bytes, tick, Entry::Frame(&frame[..length]));
        // What is sent again says nothing new.
        frames::keep(&mut bytes, tick, Entry::Frame(&frame[..length]));
    };
    add(0, Message::PhaseAcknowledgement(Phase { phase: PhaseKind::Examination, corner: 2 }));
    for tick in 0..1000 {
        let torque_nm = match change {
            Some((at, other)) if at == tick => other,
            _ => 0.001 * tick as f64,
        };
        let values = TorqueValues::from_slice(&[TorqueValue { torque_nm, feedforward_nm: 0.0 }]).expect("room");
        // The clock differs from run to run, and what a method logs with it.
        let compute_us = if change.is_some() { 17 } else { 3 };
        add(tick, Message::Log(Log { text: Text::new(&format!("took {compute_us} us")) }));
        add(
            tick,
            Message::TorqueCommand(TorqueCommandFrame { exchange: tick as u32, controlword, compute_us, values }),
        );
    }
    bytes
}

fn read_sent(bytes: &[u8]) -> Vec<Sent> {
    sent::read(bytes).expect("a record of frames")
}

#[test]
fn the_first_tick_and_field_that_differ_are_named() {
    let known = read_sent(&frames_with(None, 0xF));
    let now = read_sent(&frames_with(Some((613, 0.25)), 0xF));
    let found = sent::first_difference(&known, &now).expect("a difference");
    assert_eq!((found.part.as_str(), found.tick, found.field.as_str()), ("examination, corner 2", 613, "torque_nm"));
    assert_eq!((found.known.as_str(), found.now.as_str()), ("0.613", "0.25"));
    let found = sent::first_difference(&known, &read_sent(&frames_with(None, 0x7))).expect("a difference");
    assert_eq!((found.tick, found.field.as_str(), found.now.as_str()), (0, "controlword", "7"));
    assert_eq!(sent::first_difference(&known, &read_sent(&frames_with(None, 0xF))), None);
    let missing = sent::first_difference(&known, &known[..known.len() - 1]).expect("a difference");
    assert_eq!((missing.tick, missing.field.as_str(), missing.now.as_str()), (999, "frame", "none"));
}

/// The repository keeps hashes only: the block and the field follow from them exactly.
#[test]
fn without_the_frames_themselves_the_block_and_the_field_are_named() {
    let known = read_sent(&frames_with(None, 0xF));
    let now = read_sent(&frames_with(Some((613, 0.25)), 0xF));
    let found = sent::first_block(&sent::blocks(&known), &sent::blocks(&now), &now).expect("a difference");
    let first = 613 / BLOCK_TICKS * BLOCK_TICKS;
    assert_eq!(found.ticks, [first, first + BLOCK_TICKS - 1]);
    assert_eq!((found.part.as_str(), found.fields), ("examination, corner 2", vec!["torque_nm".to_owned()]));
    assert_eq!(sent::first_block(&sent::blocks(&known), &sent::blocks(&known), &known), None);
    let words = sent::blocks(&known)["examination, corner 2"]["controlword"].concat();
    assert!(words.contains("*3"), "blocks with one hash stand in one place: {words}");
}

#[test]
fn frames_that_differ_are_red_only_where_they_should_be_the_same() {
    let known_frames = read_sent(&frames_with(None, 0xF));
    let now = read_sent(&frames_with(Some((613, 0.25)), 0xF));
    let known = KnownRun::of("roll", &result(), &known_frames).expect("it is not void");
    let tolerances = Tolerances::new();
    let run = |words: &str, frames: Option<&[Sent]>| {
        let against = Against { known: Some(&known), frames, tolerances: &tolerances };
        compare(&suite(words).trials[0], &result(), &now, &against)
    };
    assert_eq!((run("", None).state, run("frames = \"same\"", None).state), (State::Same, State::Red));
    let exact = run("frames = \"same\"", Some(&known_frames)).frames.first.expect("a difference");
    assert_eq!((exact.ticks, exact.known.as_deref(), exact.now.as_deref()), ([613, 613], Some("0.613"), Some("0.25")));
    // The frames of another run tell nothing about the known-good one.
    let other = run("", Some(&now)).frames.first.expect("a difference");
    assert_eq!((other.ticks, other.known), ([512, 767], None));
}

#[test]
fn known_good_results_read_back_to_the_bit() {
    let mut result = result();
    result.limits[0].found.value = Some(0.1 + 0.2);
    result.limits[1].found.machine = "a \"corner\" of\ttwo\u{7f}".to_owned();
    (result.limits[2].found.value, result.limits[2].found.no_number) = (None, Some(NoNumber::NotReached));
    let run = KnownRun::of("roll, \\ 1", &result, &read_sent(&frames_with(None, 0xF))).expect("it is not void");
    let known = KnownGood { schema_version: SCHEMA_VERSION, run: vec![run] };
    let text = known.text("a\ntitle");
    assert_eq!(KnownGood::read("k.toml", &text), Ok(known), "{text}");
    assert!(text.contains("0.30000000000000004"), "the fewest digits that read back");
    let line = text.lines().position(|line| line.starts_with("seed")).expect("a seed") + 1;
    let broken = KnownGood::read("k.toml", &text.replacen("seed =", "sed =", 1)).expect_err("a mistake");
    assert!(broken.starts_with(&format!("k.toml:{line}: ")) && broken.contains("--accept"), "{broken}");
    assert!(KnownGood::read("k.toml", &text.replacen("schema_version = 1", "schema_version = 9", 1)).is_err());
}
