//! States, controlword and statusword: every row of part O of the check values (source: IEC 61800-7-201, drive profile
//! CiA 402, as each row says), the whole table, and "off means off".

use plantstand::base::signal::{Actuation, Request};
use plantstand::drive::Drive;
use plantstand::drive::protection::Trip;
use plantstand::drive::setting::Setting;
use plantstand::drive::state::{COMMANDS, Event, State, TRANSITIONS, command, control, status};
use serde_json::Value;

use crate::{asking_rpm, drive_with, word};

/// The expected value of a check row.
pub fn expected(id: &str) -> Value {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/check-values.json")).unwrap();
    let values: Value = serde_json::from_str(&text).unwrap();
    let rows = values["rows"].as_array().unwrap();
    rows.iter().find(|row| row["id"] == id).unwrap_or_else(|| panic!("no row {id}"))["expected"].clone()
}

/// `"0x0000006F"` as a word.
fn hex(value: &Value) -> u16 {
    u16::from_str_radix(value.as_str().unwrap().trim_start_matches("0x"), 16).unwrap()
}

/// Bits of a pattern like `"xxxx xxxx x01x 0111"`: mask of the given ones, and their value.
fn pattern(value: &Value) -> (u16, u16) {
    let digits = value.as_str().unwrap().chars().filter(|digit| *digit != ' ');
    digits
        .fold((0, 0), |(mask, bits), digit| (mask << 1 | u16::from(digit != 'x'), bits << 1 | u16::from(digit == '1')))
}

fn state_named(name: &str) -> State {
    State::ALL.into_iter().find(|state| state.name() == name).unwrap_or_else(|| panic!("no state {name}"))
}

/// A drive that came into this state by its controlword and trips, from power-up on.
fn drive_in(state: State) -> Drive {
    let mut drive = drive_with(&[]);
    let words: &[u16] = match state {
        State::NotReadyToSwitchOn => panic!("left before the first tick"),
        State::SwitchOnDisabled => &[],
        State::ReadyToSwitchOn => &[0x06],
        State::SwitchedOn => &[0x06, 0x07],
        State::OperationEnabled => &[0x06, 0x07, 0x0F],
        State::QuickStopActive => &[0x06, 0x07, 0x0F, 0x02],
        State::FaultReactionActive | State::Fault => &[],
    };
    for controlword in words {
        drive.tick(0, &word(*controlword));
    }
    if matches!(state, State::FaultReactionActive | State::Fault) {
        drive.quick_stop(Trip::CommanderSilent);
    }
    if state == State::Fault {
        drive.tick(0, &word(0));
    }
    assert_eq!(drive.state(), state);
    drive
}

/// The state's coding holds by itself and in what the drive sends in the tick that enters it.
fn check_statusword(id: &str) {
    let row = expected(id);
    let (mask, value) = (hex(&row[1]), hex(&row[2]));
    assert_eq!(pattern(&row[0]), (mask, value), "{id}");
    let state = state_named(&id["statusword-".len()..].replace('-', " "));
    assert_eq!(state.statusword() & mask, value, "{id}");
    let bits: Vec<State> = State::ALL.into_iter().filter(|other| other.statusword() & mask == value).collect();
    assert_eq!(bits, [state], "{id}: no other state looks like it");
}

#[test]
fn statusword_codes_every_state() {
    check_statusword("statusword-not-ready-to-switch-on");
    check_statusword("statusword-switch-on-disabled");
    check_statusword("statusword-ready-to-switch-on");
    check_statusword("statusword-switched-on");
    check_statusword("statusword-operation-enabled");
    check_statusword("statusword-quick-stop-active");
    check_statusword("statusword-fault-reaction-active");
    check_statusword("statusword-fault");
}

/// What the drive sends carries the coding of the state it is in.
#[test]
fn feedback_carries_the_statusword_of_the_state() {
    const STATE_BITS: u16 = 0x6F;
    let mut drive = drive_with(&[]);
    for controlword in [0x00, 0x06, 0x07, 0x0F, 0x02, 0x06, 0x00, 0x06, 0x0F, 0x0F, 0x07, 0x06] {
        let (feedback, _) = drive.tick(0, &word(controlword));
        assert_eq!(feedback.statusword & STATE_BITS, drive.state().statusword() & STATE_BITS);
    }
}

/// Row `controlword-commands`: the masks, and every word that is a command is that one and no other.
#[test]
fn controlword_codes_every_command() {
    let rows = expected("controlword-commands");
    for row in rows.as_array().unwrap() {
        let (mask, value) = (hex(&row[2]), hex(&row[3]));
        assert_eq!(pattern(&row[1]), (mask, value));
        let event = match row[0].as_str().unwrap() {
            "shutdown" => Event::Shutdown,
            "switch on" | "disable operation" => Event::SwitchOn,
            "enable operation" | "switch on and enable operation" => Event::EnableOperation,
            "disable voltage" => Event::DisableVoltage,
            "quick stop" => Event::QuickStop,
            other => panic!("unknown command {other}"),
        };
        assert!(COMMANDS.iter().any(|known| (known.event, known.mask, known.value) == (event, mask, value)), "{row}");
        for controlword in 0..=u16::MAX {
            assert_eq!(command(controlword) == Some(event), controlword & mask == value, "{controlword:#06x} {row}");
        }
    }
    assert!((0..=u16::MAX).all(|controlword| command(controlword).is_none() == (controlword & 0x80 != 0)));
}

/// Row `status-and-control-bits`.
#[test]
fn status_and_control_bits_stand_where_the_standard_has_them() {
    let rows = expected("status-and-control-bits");
    let check = |names: &Value, name: &str, bit: u16| {
        assert_eq!(1_u64 << names[name].as_u64().unwrap(), u64::from(bit), "{name}");
    };
    check(&rows[0], "ready to switch on", status::READY_TO_SWITCH_ON);
    check(&rows[0], "switched on", status::SWITCHED_ON);
    check(&rows[0], "operation enabled", status::OPERATION_ENABLED);
    check(&rows[0], "fault", status::FAULT);
    check(&rows[0], "voltage enabled", status::VOLTAGE_ENABLED);
    check(&rows[0], "quick stop", status::NO_QUICK_STOP);
    check(&rows[0], "switch on disabled", status::SWITCH_ON_DISABLED);
    check(&rows[0], "warning", status::WARNING);
    check(&rows[0], "remote", status::REMOTE);
    check(&rows[0], "target reached", status::TARGET_REACHED);
    check(&rows[0], "internal limit active", status::INTERNAL_LIMIT_ACTIVE);
    check(&rows[1], "switch on", control::SWITCH_ON);
    check(&rows[1], "enable voltage", control::ENABLE_VOLTAGE);
    check(&rows[1], "quick stop", control::NO_QUICK_STOP);
    check(&rows[1], "enable operation", control::ENABLE_OPERATION);
    check(&rows[1], "fault reset", control::FAULT_RESET);
    check(&rows[1], "halt", control::HALT);
}

fn events_named(by: &str) -> Vec<Event> {
    match by {
        "automatic" => vec![Event::Automatic],
        "shutdown" => vec![Event::Shutdown],
        "switch on" => vec![Event::SwitchOn],
        "enable operation" => vec![Event::EnableOperation],
        "disable operation" => vec![Event::SwitchOn],
        "disable voltage" => vec![Event::DisableVoltage],
        "disable voltage or quick stop" => vec![Event::DisableVoltage, Event::QuickStop],
        "quick stop" => vec![Event::QuickStop],
        "quick stop finished, or disable voltage" => vec![Event::QuickStopFinished, Event::DisableVoltage],
        "fault" => vec![Event::Tripped],
        "fault reset" => vec![Event::FaultReset],
        other => panic!("unknown event {other}"),
    }
}

/// Row `transitions`: the table has each of them and nothing more, but for number 0 (power-up itself), number 16 (for
/// drives that hold their quick stop; not offered) and "switch on and enable operation", which is number 3 by other
/// bits.
#[test]
fn the_table_is_the_standards() {
    let mut standard = vec![(3, State::ReadyToSwitchOn, Event::EnableOperation, State::SwitchedOn)];
    for row in expected("transitions").as_array().unwrap() {
        let number = u8::try_from(row[0].as_u64().unwrap()).unwrap();
        if number == 0 || number == 16 {
            continue;
        }
        let (from, by) = (row[1].as_str().unwrap(), row[3].as_str().unwrap());
        let next = state_named(row[2].as_str().unwrap());
        let froms = match from {
            "any" => State::ALL[..6].to_vec(),
            name => vec![state_named(name)],
        };
        for from in froms {
            standard.extend(events_named(by).into_iter().map(|event| (number, from, event, next)));
        }
    }
    let mut table: Vec<_> = TRANSITIONS.iter().map(|row| (row.number, row.from, row.event, row.next)).collect();
    standard.sort();
    table.sort();
    assert_eq!(table, standard);
}

/// Every state and every event, written down a second time: n not ready, d disabled, r ready, s switched on, o
/// operation enabled, q quick stop, f fault reaction, F fault. Events in the order of `Event::ALL`.
#[test]
fn every_state_meets_every_event() {
    let next = [
        (State::NotReadyToSwitchOn, "nnnnnnfnd"),
        (State::SwitchOnDisabled, "rdddddfdd"),
        (State::ReadyToSwitchOn, "rssddrfrr"),
        (State::SwitchedOn, "rsoddsfss"),
        (State::OperationEnabled, "rsodqofoo"),
        (State::QuickStopActive, "qqqdqqfdq"),
        (State::FaultReactionActive, "ffffffffF"),
        (State::Fault, "FFFFFdFFF"),
    ];
    for (state, letters) in next {
        for (event, letter) in Event::ALL.into_iter().zip(letters.chars()) {
            let index = "ndrsoqfF".find(letter).unwrap();
            assert_eq!(state.next(event), State::ALL[index], "{state:?} {event:?}");
        }
    }
}

/// From power-up to operation enabled: one state a tick, also when "switch on and enable operation" is held.
#[test]
fn enabling_takes_a_tick_a_state() {
    let mut drive = drive_with(&[]);
    assert_eq!(drive.state(), State::SwitchOnDisabled);
    let mut visit = |controlword| {
        drive.tick(0, &word(controlword));
        drive.state()
    };
    assert_eq!(visit(0x0F), State::SwitchOnDisabled);
    assert_eq!(visit(0x06), State::ReadyToSwitchOn);
    assert_eq!(visit(0x0F), State::SwitchedOn);
    assert_eq!(visit(0x0F), State::OperationEnabled);
    assert_eq!(visit(0x07), State::SwitchedOn);
    assert_eq!(visit(0x06), State::ReadyToSwitchOn);
}

/// Off means off: whatever is asked for and whatever the controlword, torque acts in operation enabled and quick stop
/// active only, and elsewhere the drive shows no setpoint and no torque.
#[test]
fn off_means_off_in_every_state() {
    for state in &State::ALL[1..] {
        let enabled = drive_in(*state);
        for controlword in 0..=0xFF {
            let mut drive = enabled.clone();
            drive.write(Setting::SpeedGain, 1.0).unwrap();
            let request = Request { controlword, torque_offset_nm: 1.0, ..asking_rpm(1000.0) };
            let (feedback, actuation) = drive.tick(0, &request);
            let acts = matches!(drive.state(), State::OperationEnabled | State::QuickStopActive);
            assert_eq!(actuation != Actuation::Off, acts, "{state:?} {controlword:#04x}");
            if !acts {
                assert_eq!((feedback.setpoint_rad_per_s, feedback.torque_command_nm), (0.0, 0.0));
                assert_eq!((feedback.controller_torque_nm, feedback.summed_torque_nm), (0.0, 0.0));
            }
        }
    }
}

/// A fault is left by the rising edge of bit 7 only: no other word, and not by a bit that has been there before.
#[test]
fn only_the_rising_edge_of_bit_7_resets_a_fault() {
    let fault = drive_in(State::Fault);
    for controlword in 0..=0xFF {
        let mut drive = fault.clone();
        drive.tick(0, &word(controlword));
        let reset = controlword & 0x80 != 0;
        assert_eq!(drive.state(), if reset { State::SwitchOnDisabled } else { State::Fault }, "{controlword:#04x}");
        assert_eq!(drive.trip(), if reset { None } else { Some(Trip::CommanderSilent) });
    }
    let mut held = drive_with(&[]);
    held.tick(0, &word(0x80));
    held.quick_stop(Trip::CommanderSilent);
    for _ in 0..10 {
        held.tick(0, &word(0x80));
    }
    assert_eq!(held.state(), State::Fault);
    held.tick(0, &word(0x00));
    held.tick(0, &word(0x80));
    assert_eq!(held.state(), State::SwitchOnDisabled);
}

/// Target reached means met within 1 % of rated speed in operation enabled; powered means voltage and remote.
#[test]
fn the_other_status_bits_say_what_they_say() {
    let mut axis = crate::Axis::new(crate::tuned_drive_with(&[(Setting::TorqueLimit, 2.0)]));
    let started = axis.tick(&asking_rpm(1000.0)).statusword;
    assert_eq!(started & (status::TARGET_REACHED | status::WARNING), 0);
    assert_ne!(started & status::INTERNAL_LIMIT_ACTIVE, 0, "the step asks for more than the limit");
    let settled = axis.run(8000, &asking_rpm(1000.0)).statusword;
    assert_ne!(settled & status::TARGET_REACHED, 0);
    assert_eq!(settled & (status::INTERNAL_LIMIT_ACTIVE | status::WARNING), 0);
    assert_ne!(settled & status::REMOTE, 0);
    assert_ne!(settled & status::VOLTAGE_ENABLED, 0);
    assert_eq!(axis.tick(&word(0)).statusword & status::TARGET_REACHED, 0);
}
