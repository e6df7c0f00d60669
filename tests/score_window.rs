//! A window runs from its entry to the next one: the sample at its end belongs to it, the next entry's setpoint does not.

use plantstand::base::recording::{Recording, Row, Signal};
use plantstand::base::time::TickRate;
use plantstand::score::measure::Measure;
use plantstand::score::window::{Options, Side, Signals, Torques};

const RATE: TickRate = TickRate { hz: 10 };

/// Ten rows: setpoint 0, from row 2 on 5, from row 6 on 9; the load's speed is the row's number, the gear turns −2 to 1.
fn recording() -> Recording {
    let mut recording = Recording::with_capacity(RATE, 10);
    for k in 0..10 {
        let mut row: Row = [0.0; Signal::ALL.len()];
        row[Signal::Setpoint as usize] = [0.0, 0.0, 5.0, 5.0, 5.0, 5.0, 9.0, 9.0, 9.0, 9.0][k];
        row[Signal::LoadSpeed as usize] = k as f64;
        row[Signal::TorqueCommand as usize] = 10.0 * k as f64;
        recording.push(&row);
    }
    recording
}

#[test]
fn the_end_sample_belongs_to_the_window_and_the_next_setpoint_does_not() {
    let recording = recording();
    let signals = Signals::of(&recording, -2.0);
    let window = signals.window(2..6).expect("the run covers it");
    assert_eq!(window.setpoint_before_rad_per_s, 0.0);
    assert_eq!(window.final_setpoint_rad_per_s(), 5.0);
    assert_eq!(window.speed(Side::Load), [-4.0, -6.0, -8.0, -10.0, -12.0]);
    assert_eq!(window.deviation(Side::Load).collect::<Vec<_>>(), [9.0, 11.0, 13.0, 15.0, 17.0]);
    assert_eq!(window.torque_command_nm, [20.0, 30.0, 40.0, 50.0]);
    assert_eq!(window.span_s(), [0.2, 0.6]);
}

#[test]
fn the_last_window_has_no_end_sample_and_a_run_cut_short_no_window() {
    let recording = recording();
    let signals = Signals::of(&recording, 1.0);
    let window = signals.window(6..10).expect("the run covers it");
    assert_eq!((window.speed(Side::Load).len(), window.setpoint_rad_per_s.len()), (4, 4));
    assert_eq!(window.setpoint_before_rad_per_s, 5.0);
    assert!(signals.window(6..11).is_none() && signals.window(4..4).is_none());
    assert_eq!(signals.window(0..2).expect("the run covers it").setpoint_before_rad_per_s, 0.0);
}

/// What is narrowed is the samples; the step's initial value and the start of times stay with the entry.
#[test]
fn last_s_narrows_the_samples_only() {
    let recording = recording();
    let signals = Signals::of(&recording, 1.0);
    let narrowed = signals.window(2..6).expect("the run covers it").narrowed(0.2);
    assert_eq!((narrowed.entry_tick, narrowed.start_tick, narrowed.setpoint_before_rad_per_s), (2, 4, 0.0));
    assert_eq!(narrowed.speed(Side::Load), [4.0, 5.0, 6.0]);
    assert!((narrowed.since_entry_s(0.0) - 0.2).abs() < 1e-15);
    assert_eq!(signals.window(2..6).map(|window| window.narrowed(7.0).start_tick), Some(2));
    let options = Options { last_s: Some(0.2), ..Options::with(Torques { rated_nm: 10.0, limit_nm: 50.0 }) };
    let of = |measure: Measure| {
        let window = signals.window(2..6).expect("the run covers it");
        measure.evaluate(&window, &options).value().expect("it has a number")
    };
    // Ticks 4 and 5: commands of 40 and 50 Nm; deviations 1, 0, −1.
    assert!((of(Measure::TorquePeak) - 500.0).abs() < 1e-12 && (of(Measure::TimeAtLimit) - 50.0).abs() < 1e-12);
    assert!((of(Measure::Iae) - 0.1).abs() < 1e-12 && of(Measure::DipArea).abs() < 1e-12);
}
