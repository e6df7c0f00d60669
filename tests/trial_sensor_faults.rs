//! The promise of a sensor fault in a scenario: it begins in its tick, the counts show it, the measured speed jumps by what
//! it must, and nothing before that tick, nor the machine itself until the drive has acted on it, differs by a bit.
//!
//! In memory, on the shipped roll. Start reading at [`examined`].

use std::f64::consts::TAU;

use plantstand::base::recording::Signal;
use plantstand::trial::examination::{Examination, examine};

#[path = "trial_runs/scenario_text.rs"]
mod scenario_text;

/// Seed of every run here.
const SEED: u64 = 20;

/// The tick of the fault, at 0.7 s: the roll turns steadily at 400 rpm.
const AT_TICK: usize = 5600;

/// Counts of a turn of the roll's sensor, as its scenario has them.
const COUNTS_PER_TURN: f64 = 1_048_576.0;

/// Measured speed of one count in a tick, in rad/s, at 8 kHz.
const COUNT_RAD_PER_S: f64 = TAU / COUNTS_PER_TURN * 8000.0;

/// Counts that six sigma of the sensor's noise, a rounding, and the two harmonics of its cyclic error (25 and 12 arcsec)
/// make at most.
const OWN_COUNTS: f64 = 6.0 * 6.0 + 1.0 + (25.0 + 12.0) / 1_296_000.0 * COUNTS_PER_TURN;

/// The nominal machine with this fault in the programme, or with none.
fn examined(fault: Option<&str>) -> Examination {
    let text = scenario_text::dough_sheeter();
    let entry =
        fault.map_or(String::new(), |fault| format!("[[programme]]\nname = \"sensor fault\"\nat_s = 0.7\n{fault}\n"));
    let before = "[[programme]]\nname = \"dough enters\"";
    assert_eq!(text.matches(before).count(), 1);
    let scenario = scenario_text::read(&text.replace(before, &format!("{entry}{before}")));
    assert_eq!(scenario.machine.sensor.counts_per_turn, COUNTS_PER_TURN);
    examine(&scenario, 0, &scenario.settings, SEED).expect("a nominal machine")
}

/// Counts beyond those of the motor's angle one tick before, which is what the roll's sensor shows.
fn counts_off(run: &Examination, tick: usize) -> f64 {
    let angle_rad = run.recording.column(Signal::MotorAngle)[tick - 1];
    run.recording.column(Signal::Counts)[tick] - angle_rad / TAU * COUNTS_PER_TURN
}

/// The first tick in which a signal differs by a bit.
fn first_apart(signal: Signal, clean: &Examination, faulty: &Examination) -> Option<usize> {
    let (clean, faulty) = (clean.recording.column(signal), faulty.recording.column(signal));
    assert_eq!(clean.len(), faulty.len());
    (0..clean.len()).find(|tick| clean[*tick].to_bits() != faulty[*tick].to_bits())
}

/// The sensor shows the fault in its tick, the drive reckons with it in the same one, and its torque acts from the next.
fn check_begins_in_its_tick(clean: &Examination, faulty: &Examination) {
    assert!(clean.trips.is_empty() && faulty.trips.is_empty(), "{:?}", faulty.trips);
    let first = |signal| first_apart(signal, clean, faulty);
    for signal in [Signal::Counts, Signal::MeasuredSpeed, Signal::ControllerTorque, Signal::TorqueCommand] {
        assert_eq!(first(signal), Some(AT_TICK), "{signal:?}");
    }
    for signal in [Signal::MotorAngle, Signal::MotorSpeed, Signal::Torque] {
        assert_eq!(first(signal), Some(AT_TICK + 2), "{signal:?}");
    }
    assert_eq!(first(Signal::Setpoint), None);
    for signal in Signal::ALL {
        assert!(first(signal).is_none_or(|tick| AT_TICK <= tick), "{signal:?}");
    }
}

#[test]
fn lost_counts_stay_lost_and_are_a_jump_of_the_measured_speed_in_one_tick() {
    let clean = examined(None);
    for lost in [900.0, -900.0] {
        let faulty = examined(Some(&format!("sensor_counts_lost = {lost}")));
        check_begins_in_its_tick(&clean, &faulty);
        let jump = |signal| faulty.recording.column(signal)[AT_TICK] - clean.recording.column(signal)[AT_TICK];
        assert_eq!(jump(Signal::Counts), -lost);
        let expected_rad_per_s = -lost * COUNT_RAD_PER_S;
        assert!((jump(Signal::MeasuredSpeed) - expected_rad_per_s).abs() < 1e-9, "{}", jump(Signal::MeasuredSpeed));
        // One tick later the difference is that of two samples that are both off, so the jump is gone again.
        let after = |run: &Examination| run.recording.column(Signal::MeasuredSpeed)[AT_TICK + 1];
        assert!((after(&faulty) - after(&clean)).abs() < 1e-9);
        for tick in [1, AT_TICK - 1] {
            assert!(counts_off(&faulty, tick).abs() < OWN_COUNTS, "tick {tick}");
        }
        for tick in AT_TICK..faulty.recording.rows() {
            assert!(
                (counts_off(&faulty, tick) + lost).abs() < OWN_COUNTS,
                "tick {tick}: {}",
                counts_off(&faulty, tick)
            );
        }
    }
}

#[test]
fn a_frozen_sensor_shows_its_last_counts_and_no_speed_and_then_everything_at_once() {
    let (clean, faulty) = (examined(None), examined(Some("sensor_frozen_s = 0.001")));
    check_begins_in_its_tick(&clean, &faulty);
    let counts = faulty.recording.column(Signal::Counts);
    let measured = faulty.recording.column(Signal::MeasuredSpeed);
    let thaws = AT_TICK + 8;
    for tick in AT_TICK..thaws {
        assert_eq!((counts[tick], measured[tick]), (counts[AT_TICK - 1], 0.0), "tick {tick}");
    }
    let at_once_rad_per_s = (counts[thaws] - counts[AT_TICK - 1]) * COUNT_RAD_PER_S;
    assert!((measured[thaws] - at_once_rad_per_s).abs() < 1e-9 && 8.0 * 41.0 < measured[thaws], "{}", measured[thaws]);
    for tick in (1..AT_TICK).chain(thaws..counts.len()) {
        assert!(counts_off(&faulty, tick).abs() < OWN_COUNTS, "tick {tick}: {}", counts_off(&faulty, tick));
    }
}
