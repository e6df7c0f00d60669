//! What a scenario file may not say is refused, all of it at once, with line, key, what was found, what is allowed, and
//! the nearest known name.
//!
//! Each row of `data/scenarios/mistakes.txt` changes one place of a shipped scenario and gives every complaint in order,
//! without file name.

use plantstand::scenario::complaint::Kind;
use plantstand::scenario::read;

const ROLL: &str = include_str!("../scenarios/dough-sheeter.toml");
const ARM: &str = include_str!("../scenarios/swivel-arm.toml");
const GATE: &str = include_str!("../scenarios/sluice-gate.toml");
const TORQUE_ROLL: &str = include_str!("../scenarios/torque/dough-sheeter.toml");
const TORQUE_ARM: &str = include_str!("../scenarios/torque/swivel-arm.toml");
const VOLTAGE_ROLL: &str = include_str!("../scenarios/voltage/dough-sheeter.toml");
const MISTAKES: &str = include_str!("data/scenarios/mistakes.txt");

/// Complaints about a text, a line each, without the file's name.
fn complaints(text: &str) -> Vec<String> {
    let lines = match read("x.toml", text) {
        Ok(_) => Vec::new(),
        Err(complaints) => complaints.iter().map(ToString::to_string).collect(),
    };
    lines.iter().map(|line| line.strip_prefix("x.toml:").unwrap_or(line).to_owned()).collect()
}

/// The text with every change made; each must find its place.
fn changed(text: &str, changes: &[(&str, &str)]) -> String {
    changes.iter().fold(text.to_owned(), |text, (from, to)| {
        assert!(text.contains(from), "{from} is not in the scenario");
        text.replacen(from, to, 1)
    })
}

fn check(text: &str, from: &str, to: &str, expected: &[&str]) {
    assert_eq!(complaints(&changed(text, &[(from, to)])), expected, "{from} -> {to}");
}

/// Every row under a heading of the table.
fn check_table(heading: &str) {
    let (_, table) = MISTAKES.split_once(&format!("## {heading}\n")).expect("the heading stands in the table");
    let table = table.split("\n## ").next().unwrap_or_default();
    let mut rows: Vec<(String, &str, &str, Vec<&str>)> = Vec::new();
    for line in table.lines().filter(|line| !line.is_empty()) {
        match line.strip_prefix("    ") {
            Some(complaint) => rows.last_mut().expect("a row stands above").3.push(complaint),
            None => {
                let (name, change) = line.split_once(": ").expect("a row names its scenario");
                let (from, to) = change.split_once(" ->").expect("a row has an arrow");
                rows.push((name.to_owned(), from, to.strip_prefix(' ').unwrap_or(to), Vec::new()));
            }
        }
    }
    assert!(!rows.is_empty(), "{heading}");
    for (name, from, to, expected) in rows {
        let text = match name.as_str() {
            "roll" => ROLL,
            "arm" => ARM,
            "torque roll" => TORQUE_ROLL,
            "torque arm" => TORQUE_ARM,
            "voltage roll" => VOLTAGE_ROLL,
            _ => GATE,
        };
        check(text, &from.replace("\\n", "\n"), &to.replace("\\n", "\n"), &expected);
    }
}

/// A number outside its range is shown with the range and its unit; what is no number at all likewise.
#[test]
fn numbers_out_of_range_are_refused() {
    check_table("numbers out of range are refused");
}

/// A value of another kind is refused with what belongs there.
#[test]
fn wrong_types_are_refused() {
    check_table("wrong types are refused");
}

/// An unknown key is named with the nearest known one, when that is near; the misspelt one is not missing besides.
#[test]
fn unknown_keys_get_a_suggestion() {
    check_table("unknown keys get a suggestion");
}

/// A missing piece is named at its section, with what belongs there.
#[test]
fn missing_pieces_are_named() {
    check_table("missing pieces are named");
}

/// What belongs to a later capability is `not built yet`, never unknown.
#[test]
fn later_capabilities_are_not_built_yet() {
    check_table("later capabilities are not built yet");
}

/// What cannot be although each number by itself could.
#[test]
fn contradictions_are_refused() {
    check_table("contradictions are refused");
}

/// What an impairment may be, and how the outside may be treated.
#[test]
fn what_is_done_to_the_link_is_checked() {
    check_table("what is done to the link is checked");
}

/// Faults last whole ticks, one of a sort at a time; only a controller outside is reset.
#[test]
fn faults_are_checked() {
    check_table("faults are checked");
}

/// The programme ascends on whole ticks, within the axis' speed, every name once.
#[test]
fn programmes_are_checked() {
    check_table("programmes are checked");
}

/// A limit that could never be held, or that says what its measure does not take.
#[test]
fn limits_are_checked() {
    check_table("limits are checked");
}

/// A corner is checked like a file of its own, and says so; the nominal machine's complaints are not repeated.
#[test]
fn corners_are_checked() {
    check_table("corners are checked");
}

/// Scatter names numbers of the machine, or a friction, with one distribution each.
#[test]
fn scatter_is_checked() {
    check_table("scatter is checked");
}

/// A syntax error is named once, the rest of the file is read as it was meant, and nothing it swallowed is missing.
#[test]
fn syntax_errors_hide_nothing_and_add_nothing() {
    check_table("syntax errors hide nothing and add nothing");
}

/// `[initial]` has a number per node and per coupling, gaps within the backlash, and says where the axis starts.
#[test]
fn initial_states_are_checked() {
    let initial = |lines: &str| format!("[initial]\n{lines}\n[axis]");
    check(
        ARM,
        "[axis]",
        &initial("angle_rad = [0.0, 0.0]"),
        &["55: axis.start_deg = -70; initial.angle_rad says where the axis starts"],
    );
    let without_start = changed(ARM, &[("start_deg = -70\n", "")]);
    check(&without_start, "[axis]", &initial("angle_rad = [0.0, 0.0]\nspeed_rad_per_s = [3, 0]"), &[]);
    check(
        &without_start,
        "[axis]",
        &initial("angle_rad = [0.0]"),
        &["53: initial.angle_rad = [0.0]; one number per node: 2 belong here, 1 stand"],
    );
    check(
        &without_start,
        "[axis]",
        &initial("angle_rad = [0, 9.0]"),
        &[
            "53: initial.angle_rad = [0, 9.0]; the last node: allowed -110 to 110 ° (axis.travel_deg)",
            "67: tuning.window_deg = [-100, 100]; the axis starts at 515.662015618 °, which must lie within",
        ],
    );
    check(
        ARM,
        "[axis]",
        &initial("gap_position_rad = [0.5]"),
        &[
            "53: initial.gap_position_rad = [0.5]; coupling 0: allowed -0.000727220521664 to 0.000727220521664 rad, half its backlash",
        ],
    );
}

/// Ten mistakes of every sort in one file come out at once, in the order of the file.
#[test]
fn ten_complaints_come_at_once() {
    let found = complaints(include_str!("data/scenarios/ten-mistakes.toml"));
    let expected = [
        "1: seed: missing; allowed 0 to 9223372036854775807",
        "5: timing.tick_hz = 80; allowed 100 to 64000 Hz",
        "9: motor.kind = \"brushed\"; not built yet; allowed \"ideal_torque\", \"pmsm\"",
        "12: motor.peak_torque_nm = \"twelve\"; a text where a number belongs; allowed 0.0001 to 1000000 Nm",
        "14: motor.commutation_offset_deg: not built yet",
        "18: motor.sensor.latency_tick: unknown key; did you mean latency_ticks?",
        "21: syntax: string values must be quoted, expected literal string",
        "23: train.0.friction.static_nm = 0.3; static is not below kinetic: allowed from 0.4 Nm (kinetic_nm)",
        "27: axis.travel_deg = [-10, 10]; an endless axis has none",
        "47: limit.0.during = \"stp\"; no programme entry bears this name; did you mean step?",
        "52: in corner \"worn\": train.0.backlash_arcmin = -12; allowed 0 to 3600 arcmin",
    ];
    assert_eq!(found, expected);
}

/// Every complaint carries its facts besides its line.
#[test]
fn complaints_carry_facts() {
    let text =
        changed(ROLL, &[("stiffness_nm_per_rad = 260", "stifness_nm_per_rad = 260"), ("seed = 20", "seed = -1")]);
    let complaints = read("roll.toml", &text).expect_err("it is broken");
    assert_eq!(complaints[0].to_string(), "roll.toml:7: seed = -1; allowed 0 to 9223372036854775807");
    assert_eq!(
        (complaints[0].line, complaints[0].kind, complaints[0].found.as_deref()),
        (7, Kind::Impossible, Some("-1"))
    );
    assert_eq!((complaints[1].line, complaints[1].kind), (41, Kind::UnknownKey));
    assert_eq!(complaints[1].nearest.as_deref(), Some("stiffness_nm_per_rad"));
}

/// A file that is too long is not looked at.
#[test]
fn long_files_are_refused() {
    let too_long = "#".repeat(plantstand::scenario::MAX_BYTES + 1);
    let complaints = plantstand::scenario::read("x.toml", &too_long).expect_err("it is too long");
    assert_eq!(complaints[0].to_string(), "x.toml:1: 131073 bytes; allowed up to 131072");
}
