//! The promise: the same scenario, seed and frames give the same bits in every recorded state and every measure in time,
//! in memory and over UDP, on any number of threads, from a session or from its clone, then and in a replay. And what is
//! not the same is seen.
//!
//! Start reading at [`GOLDEN`].

use std::sync::OnceLock;

use plantstand::bench::frames::{self, Entry};
use plantstand::bench::session::Session;
use plantstand::method::Carried;
use plantstand::scenario::Scenario;
use plantstand::trial::examination::{Examination, examine};
use plantstand::trial::phases::{self, Tuned};
use plantstand::trial::replay::replay;
use plantstand::trial::result::{TrialResult, TuningEnd};

#[path = "trial_runs/memory.rs"]
mod memory;
#[path = "trial_runs/program.rs"]
mod program;
#[path = "trial_runs/scenario_text.rs"]
mod scenario_text;

use memory::{all_machines, judged, tune};
use program::Ground;
use scenario_text::{dough_sheeter, read};

/// What these hashes pin: every recorded state of tuning and of every examination of the shipped dough sheeter under its
/// own seed, and every measure in time, to the last bit; so the plant, the sensor's noise, the drive, the measures and
/// the method together. A change of any of them that changes a bit changes a hash here. That takes a commit that says
/// which change it was and why the new bits are right; nothing else may touch these lines.
const GOLDEN: [(Carried, &str); 2] = [
    (Carried::Hasty, "82e3d28256376653841cdbf642579ae76b7e93fb306d4fadafd82cd3054b9ad5"),
    (Carried::Careful, "dca6766793efbe689b43bb9cf67ab25e2c45ad89a1c51974abea96527687dada"),
];

/// The seed that the scenario itself has.
const SEED: u64 = 20;

/// The tuning by `careful`, done once for all tests that start from it.
fn careful() -> &'static (Scenario, Tuned, Vec<u8>) {
    static TUNED: OnceLock<(Scenario, Tuned, Vec<u8>)> = OnceLock::new();
    TUNED.get_or_init(|| {
        let scenario = read(&dough_sheeter());
        let (tuned, frames) = tune(&scenario, SEED, Carried::Careful);
        (scenario, tuned, frames)
    })
}

fn trial(scenario: &Scenario, seed: u64, tuned: &Tuned) -> TrialResult {
    let examined = phases::examination(scenario, &all_machines(scenario), &tuned.stored, seed);
    judged(scenario, seed, tuned, Some(&examined))
}

/// The hash of a trial in memory.
fn bits(seed: u64, method: Carried) -> String {
    let scenario = read(&dough_sheeter());
    trial(&scenario, seed, &tune(&scenario, seed, method).0).bits_sha256
}

#[test]
fn a_whole_trial_in_memory_has_the_pinned_bits() {
    for (method, pinned) in GOLDEN {
        assert_eq!(bits(SEED, method), pinned, "{}", method.name());
    }
}

#[test]
fn a_whole_trial_over_udp_has_the_pinned_bits() {
    let ground = Ground::new(&dough_sheeter());
    for (method, pinned) in GOLDEN {
        let ran = ground.score(&["--by", method.name(), "--no-record", "--json", "-"]);
        let result: TrialResult = serde_json::from_str(&ran.out).expect("a result");
        assert_eq!(result.bits_sha256, pinned, "{}", method.name());
    }
}

#[test]
fn another_seed_gives_other_bits_and_the_same_one_the_same() {
    assert_ne!(bits(SEED + 1, Carried::Hasty), bits(SEED, Carried::Hasty));
    assert_eq!(bits(SEED + 1, Carried::Hasty), bits(SEED + 1, Carried::Hasty));
}

/// Examines on so many threads, each taking its share of the machines in this order, and puts the runs together.
fn check_threads(threads: usize, reversed: bool) {
    let (scenario, tuned, _) = careful();
    let machines = all_machines(scenario);
    let mut jobs = machines.clone();
    if reversed {
        jobs.reverse();
    }
    let work = |share: Vec<usize>| -> Vec<(usize, Examination)> {
        share.into_iter().map(|number| (number, examine(scenario, number, &tuned.stored, SEED).unwrap())).collect()
    };
    let mut runs: Vec<(usize, Examination)> = std::thread::scope(|scope| {
        let share = |thread: usize| jobs.iter().copied().skip(thread).step_by(threads).collect();
        let started: Vec<_> = (0..threads).map(|thread| scope.spawn(move || work(share(thread)))).collect();
        started.into_iter().flat_map(|thread| thread.join().expect("an examination ends")).collect()
    });
    runs.sort_by_key(|(number, _)| *number);
    let runs = runs.into_iter().map(|(_, run)| run).collect();
    let together = phases::put_together(scenario, &machines, &tuned.stored, runs);
    let result = judged(scenario, SEED, tuned, Some(&together));
    assert_eq!(result, trial(scenario, SEED, tuned), "{threads} threads, reversed {reversed}");
}

#[test]
fn any_number_of_threads_in_any_order_gives_the_same_result() {
    for threads in [1, 2, 4] {
        check_threads(threads, false);
        check_threads(threads, true);
    }
}

/// Gives recorded frames to a session.
fn feed(session: &mut Session, entries: &[(u64, Entry<'_>)]) {
    for (_, entry) in entries {
        match entry {
            Entry::Frame(frame) => drop(session.receive(frame, &mut |_| {})),
            // The second mark, at the end, finds that the phase has begun.
            _ => session.begin(&mut |_| {}),
        }
    }
}

#[test]
fn a_session_that_is_cloned_in_mid_run_goes_on_to_the_same_bits() {
    let (scenario, _, recorded) = careful();
    let recorded = frames::read(recorded).expect("frames of a record");
    let mut original = phases::tuning(scenario, SEED);
    let (first, second) = recorded.split_at(recorded.len() / 3);
    feed(&mut original, first);
    let mut clone = original.clone();
    feed(&mut original, second);
    feed(&mut clone, second);
    let bits = |session: &Session| -> Vec<u64> { session.taken.rows.iter().flatten().map(|v| v.to_bits()).collect() };
    assert!(10_000 < original.taken.rows.len());
    assert!(bits(&original) == bits(&clone));
    assert_eq!((original.end(), &original.counts), (clone.end(), &clone.counts));
}

/// Replays frames made of the recorded ones, and says whether the rows of tuning have the recorded bits.
fn replayed_same(change: impl Fn(Vec<(u64, Vec<u8>)>) -> Vec<(u64, Vec<u8>)>) -> bool {
    let (scenario, tuned, recorded) = careful();
    let owned = frames::read(recorded).expect("frames of a record");
    let owned = owned.into_iter().filter_map(|(tick, entry)| match entry {
        Entry::Frame(frame) => Some((tick, frame.to_vec())),
        _ => None,
    });
    let owned = change(owned.collect());
    let mut bytes = frames::TITLE.to_vec();
    frames::keep(&mut bytes, 0, Entry::Mark);
    owned.iter().for_each(|(tick, frame)| frames::keep(&mut bytes, *tick, Entry::Frame(frame)));
    let again = replay(scenario, SEED, &[0], &bytes, TuningEnd::Done, "memory".to_owned());
    let (again, _) = again.expect("frames of a record");
    again.bits.hex() == tuned.bits.clone().hex() && again.stored == tuned.stored
}

#[test]
fn a_replay_of_the_frames_gives_the_same_bits() {
    assert!(replayed_same(|frames| frames));
}

#[test]
fn a_replay_in_which_every_frame_comes_three_times_gives_the_same_bits() {
    assert!(replayed_same(|frames| frames.into_iter().flat_map(|frame| vec![frame; 3]).collect()));
}

#[test]
fn a_replay_in_which_one_frame_is_missing_or_changed_gives_other_bits() {
    assert!(!replayed_same(|mut frames| {
        frames.remove(frames.len() / 2);
        frames
    }));
    assert!(!replayed_same(|mut frames| {
        let half = frames.len() / 2;
        frames[half].1[12] ^= 1;
        frames
    }));
}

#[test]
fn a_record_replays_identically_and_a_tampered_one_is_different() {
    let ground = Ground::new(&dough_sheeter());
    assert_eq!(ground.score(&["--by", "careful", "--record", "r", "--corner", "big roll"]).status, Some(0));
    let identical = ground.run(&["replay", "r"]);
    assert_eq!(identical.status, Some(0), "{identical:?}");
    assert!(identical.out.starts_with("identical"), "{}", identical.out);
    assert!(identical.out.contains(&ground.result("r").bits_sha256));

    let frames = ground.path("r/frames.bin");
    let original = std::fs::read(&frames).expect("frames");
    let mut flipped = original.clone();
    flipped[original.len() / 2] ^= 4;
    for tampered in [flipped, original[..original.len() / 2].to_vec(), frames::TITLE.to_vec()] {
        std::fs::write(&frames, tampered).expect("the record is writable");
        let different = ground.run(&["replay", "r"]);
        assert_eq!(different.status, Some(1), "{different:?}");
        assert!(different.out.starts_with("DIFFERENT"), "{}", different.out);
    }
    std::fs::write(&frames, b"something else").expect("the record is writable");
    assert_eq!(ground.run(&["replay", "r"]).status, Some(2));
    std::fs::write(&frames, original).expect("the record is writable");
    std::fs::write(ground.path("r/scenario.toml"), dough_sheeter() + "\n").expect("the record is writable");
    let other = ground.run(&["replay", "r"]);
    assert_eq!(other.status, Some(2));
    assert!(other.error.contains("not the one that was run"), "{}", other.error);
    assert_eq!(ground.run(&["replay", "gone"]).status, Some(2));
}
