//! Lateness is counted to the tick and the thousandth; misses are counted alone and in a row.

use plantstand::base::time::TickRate;
use plantstand::bench::timing::{Bar, Timing, due_ns};
use plantstand::trial::result::TimingFacts;

/// A deadline is the nearest nanosecond to k / `tick_hz`, after any number of ticks.
#[test]
fn deadlines_do_not_drift() {
    for hz in [1, 7, 3000, 8000, 8001, 44_100, 1_000_000] {
        for tick in [0, 1, 2, 999, 86_400 * u64::from(hz), 365 * 86_400 * u64::from(hz) + 1] {
            let (hz, due) = (u128::from(hz), u128::from(due_ns(TickRate { hz }, tick)));
            let exact = u128::from(tick) * 1_000_000_000;
            assert!((due * hz).abs_diff(exact) * 2 <= hz, "tick {tick} at {hz} Hz is due at {due} ns");
        }
    }
}

/// The share of a hundred thousand latenesses 1, 2, 3 ... ns lies where it must, to a thousandth.
#[test]
fn percentiles_are_right_to_a_thousandth() {
    let mut timing = Timing::new();
    (1..=100_000).for_each(|late_ns| timing.tick(late_ns, false));
    for (share, expected_us) in [(0.5, 50.0), (0.99, 99.0), (0.999, 99.9), (1.0, 100.0)] {
        let found = timing.late_us(share).expect("there are ticks");
        assert!((found / expected_us - 1.0).abs() <= 1.1e-3, "{share}: {found} µs instead of {expected_us}");
    }
}

#[test]
fn without_a_tick_there_is_no_lateness() {
    let timing = Timing::new();
    assert_eq!((timing.ticks(), timing.late_us(0.5), timing.bars()), (0, None, vec![]));
}

#[test]
fn every_tick_is_in_one_bar() {
    let mut timing = Timing::new();
    for late_ns in [0, 100, 101, 125, 126, 999, 1000, 41_000, u64::MAX] {
        timing.tick(late_ns, false);
    }
    let bars: Vec<Bar> = timing.bars().into_iter().filter(|bar| 0 < bar.ticks).collect();
    let expected = [(0.1, 2), (0.125, 2), (0.16, 1), (1.0, 2), (50.0, 1), (10_000_000.0, 1)];
    assert_eq!(bars, expected.map(|(up_to_us, ticks)| Bar { up_to_us, ticks }));
}

/// Bars without a tick stand between others, not before the first or after the last.
#[test]
fn bars_go_from_the_first_tick_to_the_last() {
    let mut timing = Timing::new();
    timing.tick(1000, false);
    timing.tick(2000, false);
    let found: Vec<(f64, u64)> = timing.bars().iter().map(|bar| (bar.up_to_us, bar.ticks)).collect();
    assert_eq!(found, [(1.0, 1), (1.25, 0), (1.6, 0), (2.0, 1)]);
}

#[test]
fn misses_are_counted_alone_and_in_a_row() {
    let mut timing = misses(&[true, true, false, true, true, true, false, true]);
    assert_eq!((timing.missed_ticks, timing.longest_run_of_misses), (6, 3));
    timing.merge(&misses(&[true, true, true, false]));
    assert_eq!((timing.ticks(), timing.missed_ticks, timing.longest_run_of_misses), (12, 9, 3));
    // The row that the merged run ended with is over.
    timing.tick(0, true);
    assert_eq!(timing.longest_run_of_misses, 3);
}

fn misses(missed: &[bool]) -> Timing {
    let mut timing = Timing::new();
    missed.iter().for_each(|missed| timing.tick(0, *missed));
    timing
}

#[test]
fn as_many_misses_as_are_allowed_are_not_too_many() {
    check_too_many(5000, 1, 200, false);
    check_too_many(5000, 2, 200, true);
    check_too_many(4999, 1, 200, true);
    check_too_many(10, 0, 0, false);
    check_too_many(10, 1, 0, true);
    check_too_many(10, 10, 1_000_000, false);
    check_too_many(0, 0, 0, false);
}

fn check_too_many(ticks: u32, missed: u32, allowed: u32, too_many: bool) {
    let mut timing = Timing::new();
    (0..ticks).for_each(|tick| timing.tick(0, tick < missed));
    let facts = TimingFacts::of(&timing, "sleep", allowed, vec![]);
    assert_eq!(facts.missed_too_many(), too_many, "{missed} of {ticks}, {allowed} in a million allowed");
}
