//! The promise: `plantstand simulate` computes the truth. Fed with the machine and the torque of a reference trajectory it
//! writes states within 1e-5 of each state's span, and the same events at the same places and times.
//!
//! The reference (two masses, play, Stribeck friction) was computed by another solver; where it lies says which. Start
//! reading at [`simulated_states_are_those_of_the_reference`].

use std::fmt::Write as _;
use std::path::Path;
use std::process::{Command, Output};

use plantstand::base::units::{ARCMIN_RAD, RPM_RAD_PER_S};
use serde_json::Value;

/// States may be off by this share of their span: the accuracy that the plant promises.
const SHARE_OF_SPAN_MAX: f64 = 1e-5;

/// Events may be off by this much: a hundredth of a tick, far below the shortest time between two of them.
const EVENT_TIME_S_MAX: f64 = 1.25e-6;

/// Ticks between two samples of the reference.
const TICKS_PER_SAMPLE: usize = 8;

fn reference() -> Value {
    let text = include_str!("data/trajectories/b_two_mass_play_friction.json");
    serde_json::from_str(text).expect("the reference is JSON")
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

fn list(value: &Value) -> &Vec<Value> {
    value.as_array().unwrap_or_else(|| panic!("{value} is no list"))
}

fn friction(node: &Value) -> String {
    let friction = &node["friction"];
    format!(
        "{{ kind = \"coulomb\", kinetic_nm = {}, static_nm = {}, stribeck_rpm = {:?}, viscous_nms_per_rad = {} }}",
        friction["kinetic_nm"],
        friction["static_nm"],
        number(&friction["stribeck_rad_per_s"]) / RPM_RAD_PER_S,
        friction["viscous_nms_per_rad"],
    )
}

/// The reference's machine as a scenario file; what the bare plant does not have is any that is allowed.
fn scenario(reference: &Value) -> String {
    let ([motor, load], coupling) = ([&reference["nodes"][0], &reference["nodes"][1]], &reference["couplings"][0]);
    let start = &reference["initial_state"];
    format!(
        r#"
title = "Two masses with play"
seed = 1
commands = "speed"
[timing]
tick_hz = {tick_hz}
end_s = {end_s:?}
[motor]
kind = "ideal_torque"
lag_s = 0
inertia_kgm2 = {motor_inertia}
rated_torque_nm = 1
peak_torque_nm = 3
rated_speed_rpm = 3000
friction = {motor_friction}
[motor.sensor]
counts_per_turn = 10000
[[train]]
ratio = {ratio}
stiffness_nm_per_rad = {stiffness}
damping_nms_per_rad = {damping}
backlash_arcmin = {backlash:?}
inertia_kgm2 = {load_inertia}
friction = {load_friction}
[initial]
angle_rad = {angles}
speed_rad_per_s = {speeds}
gap_position_rad = {gaps}
[axis]
endless = true
max_speed_rpm = 3000
[drive.settings]
speed_gain_nms_per_rad = 0.01
speed_reset_time_s = 0
torque_limit_nm = 1
[tuning]
time_s = 10
window_deg = [-90, 90]
path_deg = 1000
[[programme]]
name = "step"
at_s = 0.5
speed_rpm = 100
[[limit]]
measure = "overshoot_percent"
during = "step"
max = 50
"#,
        tick_hz = number(&reference["tick_hz"]),
        end_s = number(&reference["duration_s"]),
        motor_inertia = motor["inertia_kgm2"],
        motor_friction = friction(motor),
        ratio = coupling["ratio_motor_turns_per_load_turn"],
        stiffness = coupling["stiffness_nm_per_rad"],
        damping = coupling["damping_nms_per_rad"],
        backlash = 2.0 * number(&coupling["half_gap_rad"]) / ARCMIN_RAD,
        load_inertia = load["inertia_kgm2"],
        load_friction = friction(load),
        angles = start["angle_rad"],
        speeds = start["speed_rad_per_s"],
        gaps = start["gap_position_rad"],
    )
}

fn torque_csv(reference: &Value) -> String {
    let mut text = "time_s,torque_nm\n".to_owned();
    for piece in list(&reference["torque_profile"]["pieces"]) {
        writeln!(text, "{},{}", piece[0], piece[1]).expect("a text grows");
    }
    text
}

/// Runs `simulate` on the reference's machine in a folder.
fn simulate(folder: &Path, reference: &Value, torque: &str, more: &[&str]) -> Output {
    std::fs::write(folder.join("test.toml"), scenario(reference)).expect("a scenario");
    std::fs::write(folder.join("torque.csv"), torque).expect("a torque");
    let mut command = Command::new(env!("CARGO_BIN_EXE_plantstand"));
    command.current_dir(folder).args(["simulate", "test.toml", "--torque", "torque.csv"]).args(more);
    command.output().expect("the program starts")
}

/// The reference simulated by the program: its states and its events as CSV texts.
fn simulated(reference: &Value, more: &[&str]) -> (String, String) {
    let folder = tempfile::tempdir().expect("a folder for the test");
    let outputs = ["--out", "states.csv", "--events", "events.csv"];
    let ran = simulate(folder.path(), reference, &torque_csv(reference), &[&outputs, more].concat());
    assert_eq!((ran.status.code(), ran.stderr.as_slice()), (Some(0), &[][..]), "{ran:?}");
    let read = |name: &str| std::fs::read_to_string(folder.path().join(name)).expect(name);
    (read("states.csv"), read("events.csv"))
}

/// A CSV's heading and its cells, row by row.
fn cells(text: &str) -> (Vec<&str>, Vec<Vec<&str>>) {
    let mut lines = text.lines().map(|line| line.split(',').collect());
    (lines.next().expect("a heading"), lines.collect())
}

/// A column of the states at the reference's samples is within the accuracy of the reference's list.
fn check_column(states: &str, name: &str, expected: &Value) {
    let (heading, rows) = cells(states);
    let place = heading.iter().position(|found| *found == name).unwrap_or_else(|| panic!("no column {name}"));
    let found = rows.iter().step_by(TICKS_PER_SAMPLE).map(|row| row[place].parse::<f64>().expect("a number"));
    let found: Vec<f64> = found.collect();
    let expected: Vec<f64> = list(expected).iter().map(number).collect();
    assert_eq!(found.len(), expected.len(), "{name}");
    let (low, high) = expected.iter().fold((f64::MAX, f64::MIN), |(low, high), x| (low.min(*x), high.max(*x)));
    let worst = found.iter().zip(&expected).map(|(found, expected)| (found - expected).abs()).fold(0.0, f64::max);
    assert!(worst <= SHARE_OF_SPAN_MAX * (high - low), "{name}: off by {worst}, span {}", high - low);
}

#[test]
fn simulated_states_are_those_of_the_reference() {
    let reference = reference();
    let (states, _) = simulated(&reference, &[]);
    for node in 0..2 {
        check_column(&states, &format!("node_{node}_angle_rad"), &reference["angle_rad"][node]);
        check_column(&states, &format!("node_{node}_speed_rad_per_s"), &reference["speed_rad_per_s"][node]);
    }
    check_column(&states, "coupling_0_torque_nm", &reference["coupling_torque_nm"][0]);
    check_column(&states, "coupling_0_gap_position_rad", &reference["gap_position_rad"][0]);
}

#[test]
fn simulated_events_are_those_of_the_reference() {
    let reference = reference();
    let (_, events) = simulated(&reference, &[]);
    let (heading, rows) = cells(&events);
    assert_eq!(heading, ["time_s", "event", "place", "direction", "speed_rad_per_s", "energy_j"]);
    let expected = list(&reference["events"]);
    assert_eq!(rows.len(), expected.len());
    for (row, event) in rows.iter().zip(expected) {
        let (place, number_key, side) = match event.get("node") {
            Some(node) => (format!("node_{node}"), "node", event.get("direction")),
            None => (format!("coupling_{}", event["coupling"]), "coupling", event.get("side")),
        };
        assert_eq!(
            (row[1], row[2]),
            (event["kind"].as_str().expect("a kind"), place.as_str()),
            "{number_key}: {event}"
        );
        if let Some(side) = side {
            assert_eq!(row[3].parse::<i64>().ok(), side.as_i64(), "{event}");
        }
        let late_s = row[0].parse::<f64>().expect("a time") - number(&event["time_s"]);
        assert!(late_s.abs() < EVENT_TIME_S_MAX, "{late_s} s beside {event}");
        assert_eq!((row[4], row[5]), ("", ""), "only strikes have a speed and an energy");
    }
}

/// Asking for the energy changes no state; what is stored, lost and supplied then balances to 1e-9 of the work done.
#[test]
fn energy_is_accounted_for_at_every_tick() {
    let reference = reference();
    let folder = tempfile::tempdir().expect("a folder for the test");
    let more = ["--out", "states.csv", "--energy", "energy.csv"];
    let ran = simulate(folder.path(), &reference, &torque_csv(&reference), &more);
    assert_eq!((ran.status.code(), ran.stderr.as_slice()), (Some(0), &[][..]), "{ran:?}");
    let read = |name: &str| std::fs::read_to_string(folder.path().join(name)).expect(name);
    let (plain, energy) = (simulated(&reference, &[]).0, read("energy.csv"));
    assert!(read("states.csv") == plain, "asking for the energy changed a state");
    let (heading, rows) = cells(&energy);
    assert_eq!(
        heading.join(","),
        "time_s,supplied_j,stored_j,friction_j,damping_j,limiters_j,stops_j,load_j,unaccounted_j,work_j"
    );
    assert_eq!(rows.len(), cells(&plain).1.len(), "one row a tick, both ends included");
    let value = |row: &[&str], place: usize| row[place].parse::<f64>().expect("a number");
    for row in &rows {
        let (unaccounted_j, work_j) = (value(row, 8), value(row, 9));
        assert!(unaccounted_j.abs() <= 1e-9 * work_j, "{row:?}");
        let lost_j: f64 = (3..8).map(|place| value(row, place)).sum();
        let balance_j = value(row, 2) - value(&rows[0], 2) + lost_j - value(row, 1);
        assert!((balance_j - unaccounted_j).abs() <= 1e-12 * work_j.max(1e-12), "{row:?}");
    }
    let end = rows.last().expect("rows");
    assert!(0.0 < value(end, 3) && 0.0 < value(end, 4), "friction and damping lose something: {end:?}");
}

#[test]
fn there_is_a_row_a_tick_with_both_ends_in_digits_that_read_back() {
    let (states, _) = simulated(&reference(), &["--for", "0.5"]);
    let (heading, rows) = cells(&states);
    assert_eq!(
        heading.join(","),
        "time_s,node_0_angle_rad,node_0_speed_rad_per_s,node_1_angle_rad,node_1_speed_rad_per_s,\
         coupling_0_torque_nm,coupling_0_gap_position_rad"
    );
    assert_eq!(rows.len(), 4001);
    assert_eq!((rows[0][0], rows[4000][0]), ("0", "0.5"));
    for cell in rows.iter().flatten() {
        let value: f64 = cell.parse().expect("a number");
        assert_eq!(format!("{value}"), *cell);
    }
}

/// A torque file that is wrong is refused with the status of a wrong input and these words.
/// What would never end is refused; so is what ends between two ticks.
#[test]
fn a_length_that_is_no_whole_number_of_ticks_or_too_long_is_refused() {
    for seconds in ["1e300", "601", "inf", "nan", "0.00001", "-1"] {
        let folder = tempfile::tempdir().expect("a folder for the test");
        let more = ["--out", "states.csv", &format!("--for={seconds}")];
        let ran = simulate(folder.path(), &reference(), &torque_csv(&reference()), &more);
        let said = String::from_utf8_lossy(&ran.stderr);
        assert_eq!(ran.status.code(), Some(2), "{seconds}: {said}");
        assert!(said.contains("--for") && said.contains("up to 600 s"), "{seconds}: {said}");
        assert!(!folder.path().join("states.csv").exists(), "{seconds}");
    }
}

fn check_torque_refused(torque: &str, says: &[&str]) {
    let folder = tempfile::tempdir().expect("a folder for the test");
    let ran = simulate(folder.path(), &reference(), torque, &["--out", "-"]);
    assert_eq!((ran.status.code(), ran.stdout.as_slice()), (Some(2), &[][..]), "{ran:?}");
    let error = String::from_utf8(ran.stderr).expect("the program writes UTF-8");
    for say in says {
        assert!(error.contains(say), "no '{say}' in {error}");
    }
}

#[test]
fn a_wrong_torque_file_gives_every_complaint_with_its_line() {
    check_torque_refused("time,torque\n0,1\n", &["torque.csv:1", "time_s,torque_nm"]);
    check_torque_refused(
        "time_s,torque_nm\n0,1\n0.00001,1\n0.5,nan\n0.5,much\n0.25,1\n0.25,2\n1,2,3\n",
        &["torque.csv:3", "whole ticks", "torque.csv:4", "torque.csv:5", "torque.csv:7", "torque.csv:8"],
    );
}
