//! The promise: no reader of outside bytes panics, and each keeps what `tests/fuzz_targets/` says of it, for every input
//! in the corpus, for each of them cut off anywhere, and for thousands of seeded changes of them.
//!
//! Counted in cases, not in seconds: the same ones every time. A failure prints the target and the case; the same seeds
//! make it again. Start reading at [`check_target`].

mod fuzz_dice;
mod fuzz_targets;

use std::panic::catch_unwind;

use fuzz_dice::{Dice, corpus};
use fuzz_targets::{TARGETS, Target};
use plantstand::base::random::Stream;

fn target(name: &str) -> Target {
    TARGETS.into_iter().find(|target| target.name == name).unwrap_or_else(|| panic!("no target {name}"))
}

/// What a target starts from.
fn inputs(target: &Target) -> Vec<Vec<u8>> {
    let own = format!("tests/data/corpus/{}", target.name);
    corpus(&[&[own.as_str()], target.folders].concat())
}

/// Runs a target on one input; a failure says which and shows the bytes.
fn check_one(target: &Target, case: &str, bytes: &[u8]) {
    if catch_unwind(|| (target.check)(bytes)).is_err() {
        panic!("{} breaks its promise, {case}: {:?}", target.name, String::from_utf8_lossy(bytes));
    }
}

/// The corpus as it is, some of each input's prefixes, and so many changed ones.
fn check_target(name: &str, cases: u64) {
    let target = target(name);
    let corpus = inputs(&target);
    assert!(!corpus.is_empty(), "{name} has no corpus");
    for (place, input) in corpus.iter().enumerate() {
        check_one(&target, &format!("input {place}"), input);
        let step = 1 + input.len() / 64;
        for length in (0..input.len()).step_by(step) {
            check_one(&target, &format!("input {place} cut to {length}"), &input[..length]);
        }
    }
    for case in 0..cases {
        let stream = Stream::new(case, name);
        let bytes = Dice { stream, corpus: &corpus, words: target.words }.changed();
        check_one(&target, &format!("case {case}"), &bytes);
    }
}

#[test]
fn any_bytes_are_a_frame_or_refused() {
    check_target("wire", 30_000);
}

#[test]
fn any_bytes_on_a_line_are_the_same_frames_in_pieces_of_any_size() {
    check_target("stream", 10_000);
}

#[test]
fn any_sequence_of_frames_leaves_the_session_sound() {
    check_target("session", 3_000);
}

#[test]
fn any_record_of_frames_runs_again_to_some_end() {
    check_target("replay", 600);
}

#[test]
fn any_bytes_are_recorded_frames_or_refused() {
    check_target("frames", 20_000);
}

#[test]
fn any_text_is_settings_or_complaints() {
    check_target("settings", 10_000);
}

#[test]
fn any_text_is_a_scenario_or_complaints() {
    check_target("scenario", 7_000);
}

#[test]
fn any_text_is_a_torque_or_complaints() {
    check_target("torque", 10_000);
}

#[test]
fn any_text_is_a_result_or_refused() {
    check_target("result", 3_000);
}

#[test]
fn the_dice_make_inputs_that_get_far() {
    // Changes that nothing ever let through would try nothing but the first check.
    let wire = target("wire");
    let corpus = inputs(&wire);
    let mut dice = Dice { stream: Stream::new(1, "far"), corpus: &corpus, words: wire.words };
    let far = (0..2000).filter(|_| {
        let mut bytes = dice.changed();
        fuzz_targets::wire::seal(&mut bytes) && plantstand::wire::codec::decode(&bytes).is_ok()
    });
    let far = far.count();
    assert!(50 < far, "{far} of 2000");
}
