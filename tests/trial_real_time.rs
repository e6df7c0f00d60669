//! The promise of a whole trial on the clock: over a datagram and over a serial line it comes to its end, its result tells
//! of every tick, and its record replays to the same bits, however late a busy machine was.
//!
//! The built program, on the real clock; nothing here depends on how well that clock was kept. Start reading at
//! [`check_trial`].

use plantstand::trial::result::{TrialResult, TuningEnd, Verdict};

#[path = "trial_runs/program.rs"]
mod program;

use program::Ground;

/// Ticks of a second.
const TICK_HZ: f64 = 8000.0;

/// Ticks of one examination of half a second: 0 to 4000, and one in which the last is completed.
const EXAMINATION_TICKS: u64 = 4002;

/// The roll whose speed loop is closed outside, its programme run through in half a second, and no lateness too much.
fn short_roll() -> String {
    let changes = [
        ("end_s = 3.2", "end_s = 0.5"),
        ("allowed_missed_per_million = 200 ", "allowed_missed_per_million = 1000000 "),
        ("silent_ticks_before_quick_stop = 40", "silent_ticks_before_quick_stop = 1000000"),
        ("at_s = 0.2", "at_s = 0.05"),
        ("at_s = 1.2", "at_s = 0.2"),
        ("at_s = 2.2", "at_s = 0.35"),
        ("last_s = 0.5", "last_s = 0.1"),
    ];
    let mut text = include_str!("../scenarios/torque/dough-sheeter.toml").to_owned();
    for (before, after) in changes {
        assert_eq!(text.matches(before).count(), 1, "{before}");
        text = text.replace(before, after);
    }
    text
}

/// Every tick of the trial is in its timing: those of tuning, and those of two machines.
fn check_timing(result: &TrialResult) {
    let timing = result.timing.as_ref().expect("a run on the clock has a timing");
    // At the end of tuning one sensed tick waits for its second half, which never comes.
    let tuning_ticks = (result.conduct.tuning_time_s * TICK_HZ).round() as u64 + 1;
    assert_eq!(timing.ticks, tuning_ticks + 2 * EXAMINATION_TICKS);
    assert_eq!(timing.lateness.iter().map(|bar| bar.ticks).sum::<u64>(), timing.ticks);
    assert_eq!(timing.allowed_missed_per_million, 1_000_000);
    assert!(timing.missed_ticks <= timing.ticks && timing.silent_ticks <= timing.ticks);
    assert!(timing.late_p50_us <= timing.late_max_us && timing.late_p50_us.is_some());
}

fn check_trial(link: &str, begins: &str) {
    let ground = Ground::new(&short_roll());
    let ran = ground.score(&["--pace", "real-time", "--corner", "worn belt", "--link", link, "--record", "r"]);
    assert!(matches!(ran.status, Some(0 | 1)), "neither passed nor failed: {ran:?}");
    let result = ground.result("r");
    assert!(matches!(result.verdict, Verdict::Pass | Verdict::Fail), "{:?}", result.reasons);
    assert_eq!((result.pace.as_str(), result.tuning_ended), ("real-time", TuningEnd::Done));
    assert_eq!(result.machines, ["nominal", "worn belt"]);
    assert!(result.link.link.starts_with(begins) && 0 < result.link.exchanges, "{:?}", result.link);
    check_timing(&result);
    let again = ground.run(&["replay", "r"]);
    assert!(again.status == Some(0) && again.out.starts_with("identical: "), "{again:?}");
    assert!(again.out.contains(&result.bits_sha256), "{}", again.out);
}

#[test]
fn a_trial_on_the_clock_over_datagrams_ends_tells_of_its_ticks_and_replays() {
    check_trial("udp", "udp:127.0.0.1:");
}

#[test]
fn a_trial_on_the_clock_over_a_serial_line_ends_tells_of_its_ticks_and_replays() {
    check_trial("pty", "serial:/dev/pts/");
}

#[test]
fn a_spin_before_each_tick_is_refused_in_lockstep_with_the_cure() {
    let ground = Ground::new(&short_roll());
    for words in [&["--spin"] as &[&str], &["--spin", "--pace", "lockstep"]] {
        let ran = ground.score(&[words, &["--record", "r"]].concat());
        assert_eq!((ran.status, ran.out.as_str()), (Some(2), ""), "{ran:?}");
        assert!(ran.error.contains("--spin: in lockstep") && ran.error.contains("--pace real-time"), "{}", ran.error);
        assert!(!ground.path("r").exists());
    }
}
