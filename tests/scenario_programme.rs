//! The programme at a tick: steps act from their tick on, ramps are exact at every tick, windows join.

use plantstand::base::faults::Faults;
use plantstand::plant::stepper::Ramp;
use plantstand::scenario::programme::{Entry, Programme};

fn entry(name: &str, at_tick: u64) -> Entry {
    let name = name.to_owned();
    Entry {
        name,
        at_tick,
        speed_rad_per_s: None,
        over_ticks: 0,
        load_torque_nm: None,
        resisting_torque_nm: None,
        load_over_ticks: 0,
        faults: Faults::default(),
    }
}

fn programme() -> Programme {
    let swing = Entry { speed_rad_per_s: Some(60.0), over_ticks: 6, ..entry("swing", 10) };
    let pull = Entry { load_torque_nm: Some(8.0), load_over_ticks: 4, ..entry("pull", 20) };
    let turn = Entry { speed_rad_per_s: Some(-30.0), over_ticks: 3, ..entry("turn", 30) };
    let early = Entry { speed_rad_per_s: Some(40.0), load_torque_nm: Some(0.0), ..entry("early", 31) };
    let seal = Entry { resisting_torque_nm: Some(1.5), ..entry("seal", 40) };
    Programme::new(vec![swing, pull, turn, early, seal], 50)
}

fn check_setpoint(tick: u64, expected_rad_per_s: f64) {
    assert_eq!(programme().at(tick).setpoint_rad_per_s, expected_rad_per_s, "tick {tick}");
}

/// 0 before, the old value at the ramp's first tick, the new one when it is over; an entry in mid-ramp steps from there.
#[test]
fn setpoint_goes_along_its_ramps() {
    check_setpoint(0, 0.0);
    check_setpoint(10, 0.0);
    check_setpoint(11, 10.0);
    check_setpoint(15, 50.0);
    check_setpoint(16, 60.0);
    check_setpoint(30, 60.0);
    check_setpoint(31, 40.0);
    check_setpoint(1_000_000, 40.0);
}

fn check_load(tick: u64, start: f64, end: f64) {
    assert_eq!(programme().at(tick).load_torque_nm, Ramp { start, end }, "tick {tick}");
}

/// A torque ramp is linear over each of its ticks; a step is whole from the start of its tick.
#[test]
fn torques_go_along_within_ticks() {
    check_load(19, 0.0, 0.0);
    check_load(20, 0.0, 2.0);
    check_load(23, 6.0, 8.0);
    check_load(24, 8.0, 8.0);
    check_load(30, 8.0, 8.0);
    check_load(31, 0.0, 0.0);
    assert_eq!(programme().at(39).resisting_torque_nm, Ramp { start: 0.0, end: 0.0 });
    assert_eq!(programme().at(40).resisting_torque_nm, Ramp { start: 1.5, end: 1.5 });
}

/// A window runs to the next entry, the last one to the end; its setpoints are those before it and at its end.
#[test]
fn windows_join() {
    let programme = programme();
    let found: Vec<(String, u64, u64)> =
        programme.windows().into_iter().map(|window| (window.name, window.start_tick, window.end_tick)).collect();
    let expected = [("swing", 10, 20), ("pull", 20, 30), ("turn", 30, 31), ("early", 31, 40), ("seal", 40, 50)];
    assert_eq!(found, expected.map(|(name, start, end)| (name.to_owned(), start, end)));
    assert_eq!((programme.setpoint_before_rad_per_s(0), programme.setpoint_at_end_rad_per_s(0)), (0.0, 60.0));
    assert_eq!((programme.setpoint_before_rad_per_s(2), programme.setpoint_at_end_rad_per_s(2)), (60.0, 30.0));
    assert_eq!((programme.setpoint_before_rad_per_s(3), programme.setpoint_at_end_rad_per_s(3)), (30.0, 40.0));
}

/// A fault stands at the tick in which its entry begins and at no other; an entry without one has none.
#[test]
fn faults_stand_at_their_ticks() {
    let reset = Faults { controller_reset_ticks: 160, ..Faults::default() };
    let lost = Faults { sensor_counts_lost: -7, ..Faults::default() };
    let entries = vec![
        Entry { faults: reset, ..entry("reset", 10) },
        entry("rest", 20),
        Entry { faults: lost, ..entry("jump", 30) },
    ];
    let programme = Programme::new(entries, 40);
    let found: Vec<(u64, Faults)> = (0..50)
        .map(|tick| (tick, programme.faults_at(tick)))
        .filter(|(_, found)| *found != Faults::default())
        .collect();
    assert_eq!(found, [(10, reset), (30, lost)]);
}
