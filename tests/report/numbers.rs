//! Promise: numbers are shown with four digits and no idle zeros, axes have round ticks, and thinning a trace keeps its peaks.

use plantstand::report::axis::{Axis, nice_step};
use plantstand::report::figure::{figure, figures_apart, quantity, shown};
use plantstand::report::trace::{path, stairs, thinned};

fn check_figure(value: f64, text: &str) {
    assert_eq!(figure(value), text, "{value:e}");
}

#[test]
fn a_number_has_four_digits_and_no_idle_zeros() {
    check_figure(0.22, "0.22");
    check_figure(0.153_68, "0.1537");
    check_figure(13.0, "13");
    check_figure(-0.0, "0");
    check_figure(-498.24, "-498.2");
    check_figure(99.995, "100");
    check_figure(9999.96, "10000");
    check_figure(20_000.0, "20000");
    check_figure(1_048_576.0, "1048576");
    check_figure(4.2e-4, "0.00042");
    check_figure(0.000_012_34, "0.00001234");
    check_figure(1.25e-6, "1.25e-6");
    check_figure(3e9, "3e9");
    check_figure(f64::NAN, "no number");
}

#[test]
fn compared_numbers_are_told_apart() {
    assert_eq!(figures_apart(15.000_03, 15.0), ("15.00003".into(), "15".into()));
    assert_eq!(figures_apart(14.2, 15.0), ("14.2".into(), "15".into()));
    assert_eq!(figures_apart(15.0, 15.0), ("15".into(), "15".into()));
    assert_eq!(figures_apart(0.1 + 0.2, 0.3).0, "0.30000000000000004");
}

#[test]
fn a_degree_sign_stands_close_and_other_units_do_not_break_away() {
    assert_eq!(quantity(41.2, "°"), "41.2°");
    assert_eq!(quantity(41.2, "rpm"), "41.2\u{a0}rpm");
    assert_eq!(quantity(2.4, ""), "2.4");
}

#[test]
fn text_from_outside_becomes_one_harmless_line() {
    assert_eq!(shown(" a\nb\u{1b}[31m\u{202e}c\u{0}  d "), "a b [31m c d");
}

#[test]
fn ticks_are_one_two_or_five_times_a_power_of_ten() {
    for (step, nice) in [(0.13, 0.1), (1.5, 2.0), (3.0, 2.0), (3.5, 5.0), (8.0, 10.0), (0.0, 1.0), (f64::NAN, 1.0)] {
        assert!((nice_step(step) - nice).abs() < 1e-12, "{step}");
    }
    let labels =
        |axis: Axis, about| -> Vec<String> { axis.ticks(about).into_iter().filter_map(|tick| tick.label).collect() };
    assert_eq!(labels(Axis::linear(-0.05, 0.52), 5), ["0", "0.1", "0.2", "0.3", "0.4", "0.5"]);
    assert_eq!(
        labels(Axis::logarithmic(1.0, 4000.0), 12),
        ["1", "2", "5", "10", "20", "50", "100", "200", "500", "1000", "2000"]
    );
    assert_eq!(labels(Axis::logarithmic(1.0, 4000.0), 5), ["1", "10", "100", "1000"]);
}

#[test]
fn an_axis_without_room_still_has_some() {
    for axis in [
        Axis::linear_round([], 0.1),
        Axis::linear_round([3.0, 3.0], 0.1),
        Axis::linear_round([f64::NAN, 0.0], 0.1),
        Axis::linear(2.0, 2.0),
    ] {
        assert!(axis.low < axis.high && axis.place_frac(axis.low).is_finite(), "{axis:?}");
    }
}

/// Wherever it stands, one sample that is higher or lower than the rest is drawn.
#[test]
fn a_spike_of_one_sample_is_never_lost() {
    let calm: Vec<f64> = (0..25_600).map(|tick| f64::from(tick % 7)).collect();
    for place in (0..calm.len()).step_by(97).chain([calm.len() - 1]) {
        for spike in [100.0, -100.0] {
            let mut values = calm.clone();
            values[place] = spike;
            let kept = thinned(&values, 600);
            assert!(kept.contains(&place), "{place}");
            assert!(kept.len() <= 1202 && kept.windows(2).all(|pair| pair[0] < pair[1]));
        }
    }
}

#[test]
fn samples_that_are_not_finite_hide_no_others() {
    let mut values = vec![f64::NAN; 10_000];
    (values[4321], values[4322]) = (1.0, f64::INFINITY);
    assert_eq!(thinned(&values, 100), [4321]);
    assert!(thinned(&[], 100).is_empty());
    assert_eq!(thinned(&[1.0, f64::NAN, 2.0], 100), [0, 2]);
}

#[test]
fn paths_are_relative_and_close_written() {
    assert_eq!(path([(0.0, 10.0), (1.2, 7.6), (1.3, 7.7), (4.0, 20.0)]), "M0 10l1-2 3 12");
    assert_eq!(path([(0.0, 10.0)]), "");
    assert_eq!(stairs([(0.0, 10.0), (5.0, 10.0), (6.0, 2.0)]), "M0 10l5 0 1 0 0-8");
}
