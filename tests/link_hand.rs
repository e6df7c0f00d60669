//! What a hand does at the machine, over the link: done at once or refused with its reason, the same bits in a replay, and
//! never torque where safe torque off stands or an axis that moves on by itself.
//!
//! The machine is the shipped arm, hanging sideways on a brake, with emergency stop, guard and travel switches. Start
//! reading at [`arm`].

use plantstand::base::recording::Signal;
use plantstand::base::units::DEG_RAD;
use plantstand::bench::frames::{self, Entry};
use plantstand::drive::protection::Trip;
use plantstand::drive::setting::Setting;
use plantstand::drive::state::{State, status};
use plantstand::trial::phases;
use plantstand::wire::message::{HandActionKind, HandOutcome, Message, Value};

#[expect(dead_code, reason = "other tests use the rest")]
#[path = "trial_runs/peer.rs"]
mod peer;
#[path = "trial_runs/scenario_text.rs"]
mod scenario_text;

use peer::{Peer, speed};
use scenario_text::read;

/// Seconds that the arm's brake takes.
const OPENS_S: f64 = 0.06;
const CLOSES_S: f64 = 0.04;

/// The arm on a brake instead of a clamp, with everything fitted; `stop` is what its emergency stop does.
fn arm(stop: &str) -> String {
    let text = include_str!("../scenarios/swivel-arm.toml");
    let brake = format!("[motor.brake]\ntorque_nm = 3\nopens_after_s = {OPENS_S}\ncloses_after_s = {CLOSES_S}\n\n");
    let fitted = format!("emergency_stop = \"{stop}\"\nguard = true\nswitches = {{ at_deg = [-100, -40] }}\n");
    assert!(text.contains("[motor.sensor]"));
    let text = text.lines().filter(|line| !line.starts_with("clamped_when_off") && !line.contains("brake"));
    let text: String = text.map(|line| format!("{line}\n")).collect();
    text.replacen("[motor.sensor]", &format!("{brake}[motor.sensor]"), 1).replacen(
        "max_speed_rpm",
        &format!("{fitted}max_speed_rpm"),
        1,
    )
}

/// A hand at the arm, after its first feedback.
fn begun(stop: &str) -> Peer {
    let mut peer = Peer::at(&arm(stop));
    peer.begin();
    // The scenario starts soft and slow; the hand wants an axis that holds.
    peer.setting(Setting::SpeedGain, 0.07);
    peer.setting(Setting::SpeedResetTime, 0.05);
    peer
}

fn run(peer: &mut Peer, exchanges: u32, controlword: u16, values: &[Value]) {
    for _ in 0..exchanges {
        peer.command(controlword, values);
    }
}

/// Enabled, with the brake open and the load taken.
fn holding(stop: &str) -> Peer {
    let mut peer = begun(stop);
    peer.enable();
    run(&mut peer, 300, 0x0F, &[]);
    assert_eq!(peer.session.bench().drive.state(), State::OperationEnabled);
    peer
}

fn column(peer: &Peer, signal: Signal) -> Vec<f64> {
    peer.session.taken.rows.iter().map(|row| row[signal as usize]).collect()
}

fn load_deg(peer: &Peer) -> f64 {
    peer.session.bench().plant.angle_rad(1) / DEG_RAD
}

/// The brake holds what is off, and opened at the drive's word the arm hangs on the motor: it sinks by less than a degree
/// and a half, and does not move before the brake has opened.
#[test]
fn the_brake_holds_until_the_drive_lifts_it() {
    let mut peer = begun("sto");
    run(&mut peer, 200, 0x00, &[]);
    let held_deg = load_deg(&peer);
    // The teeth lie in the middle of their play at the start, and the shaft twists a little.
    assert!((held_deg + 70.0).abs() < 0.2, "{held_deg}");
    peer.enable();
    let opened = (OPENS_S * 8000.0) as usize / 8;
    run(&mut peer, opened as u32 - 3, 0x0F, &[speed(60.0)]);
    assert_ne!(peer.feedback().statusword & status::BRAKE_NOT_OPEN, 0);
    assert!(column(&peer, Signal::MotorSpeed).iter().rev().take(200).all(|speed| *speed == 0.0));
    run(&mut peer, 250, 0x0F, &[speed(0.0)]);
    assert_eq!(peer.feedback().statusword & status::BRAKE_NOT_OPEN, 0);
    assert!((load_deg(&peer) - held_deg).abs() < 1.5, "{}", load_deg(&peer));
}

/// Safe torque off drops the arm for as long as the brake takes: for 40 ms it falls freely, by at most
/// m g r sin(70°) / (J + n² J_motor) t² / 2 with no friction, and by at least half of that; then the brake has it.
#[test]
fn a_load_drops_in_the_gap_between_torque_off_and_brake_closed() {
    let mut peer = holding("sto");
    let before_deg = load_deg(&peer);
    assert_eq!(peer.hand(HandActionKind::PressEmergencyStop), HandOutcome::Done);
    let pressed = peer.session.taken.rows.len();
    run(&mut peer, 200, 0x0F, &[speed(10.0)]);
    let torque = column(&peer, Signal::Torque);
    assert!(torque[pressed + 1..].iter().all(|torque_nm| *torque_nm == 0.0), "no torque from the next tick on");
    let fallen_deg = load_deg(&peer) - before_deg;
    let acceleration = 12.0 * (before_deg * DEG_RAD).sin().abs() / (0.46 + 32.0 * 32.0 * 0.9e-4);
    let free_deg = 0.5 * acceleration * CLOSES_S * CLOSES_S / DEG_RAD;
    // Beyond the gap it coasts until brake and friction have stopped it.
    assert!(0.5 * free_deg < fallen_deg && fallen_deg < 3.0 * free_deg, "{fallen_deg}, freely {free_deg}");
    assert_eq!(peer.session.bench().plant.speed_rad_per_s(0), 0.0);
    let feedback = peer.feedback();
    assert_eq!(feedback.trip, 0);
    assert_ne!(feedback.statusword & status::EMERGENCY_STOP, 0, "and the statusword says why");
    assert_eq!(feedback.statusword & status::VOLTAGE_ENABLED, 0);
}

/// A normal switching off does not: torque holds until the brake is closed.
#[test]
fn a_load_does_not_drop_when_the_drive_is_disabled_at_rest() {
    let mut peer = holding("sto");
    let before_deg = load_deg(&peer);
    run(&mut peer, 200, 0x06, &[]);
    assert_eq!(peer.session.bench().drive.state(), State::ReadyToSwitchOn);
    assert!((load_deg(&peer) - before_deg).abs() < 0.1, "{before_deg} {}", load_deg(&peer));
}

/// A drive that is told of a faster brake than it has drops its load: the setting is believed, the brake is not seen.
#[test]
fn a_wrong_brake_time_drops_the_load() {
    let mut peer = holding("sto");
    assert_eq!(peer.answered_value(Setting::BrakeCloses), CLOSES_S);
    peer.setting(Setting::BrakeCloses, 0.0);
    let before_deg = load_deg(&peer);
    run(&mut peer, 200, 0x06, &[]);
    assert!(0.5 < load_deg(&peer) - before_deg, "{before_deg} {}", load_deg(&peer));
}

/// Safe stop 1 brings a moving arm to rest under torque, closes its brake and only then lets go.
#[test]
fn safe_stop_1_stops_and_holds() {
    let mut peer = holding("ss1");
    run(&mut peer, 30, 0x0F, &[speed(40.0)]);
    assert_eq!(peer.hand(HandActionKind::PressEmergencyStop), HandOutcome::Done);
    run(&mut peer, 3, 0x0F, &[speed(40.0)]);
    assert_eq!(peer.session.bench().drive.state(), State::QuickStopActive);
    run(&mut peer, 200, 0x0F, &[speed(40.0)]);
    let stopped_deg = load_deg(&peer);
    assert_eq!(peer.session.bench().drive.state(), State::SwitchOnDisabled);
    assert_eq!(peer.session.bench().plant.speed_rad_per_s(0), 0.0);
    assert_eq!(peer.hand(HandActionKind::ReleaseEmergencyStop), HandOutcome::Done);
    run(&mut peer, 200, 0x0F, &[speed(40.0)]);
    assert!((load_deg(&peer) - stopped_deg).abs() < 0.1, "nothing restarts by itself");
    peer.enable();
    run(&mut peer, 300, 0x0F, &[]);
    assert_eq!(peer.session.bench().drive.state(), State::OperationEnabled);
}

/// An open guard keeps the drive from enabling, and opened under way takes the torque.
#[test]
fn an_open_guard_means_no_torque() {
    let mut peer = begun("sto");
    assert_eq!(peer.hand(HandActionKind::OpenGuard), HandOutcome::Done);
    peer.enable();
    run(&mut peer, 10, 0x06, &[]);
    assert_eq!(peer.session.bench().drive.state(), State::SwitchOnDisabled);
    assert_ne!(peer.feedback().statusword & status::GUARD_OPEN, 0);
    assert_eq!(peer.hand(HandActionKind::CloseGuard), HandOutcome::Done);
    peer.enable();
    run(&mut peer, 100, 0x0F, &[]);
    assert_eq!(peer.session.bench().drive.state(), State::OperationEnabled);
    assert_eq!(peer.hand(HandActionKind::OpenGuard), HandOutcome::Done);
    run(&mut peer, 1, 0x0F, &[]);
    assert!(!peer.session.bench().drive.torque_may_act());
}

/// Brake lever and coupling are for a drive that is off and an axis at rest; let go, the lever catches a falling arm.
#[test]
fn lever_and_coupling_are_refused_while_enabled_or_moving() {
    let mut peer = holding("sto");
    for action in
        [HandActionKind::SetBrake, HandActionKind::LiftBrake, HandActionKind::Couple, HandActionKind::Uncouple]
    {
        assert_eq!(peer.hand(action), HandOutcome::NotWhileEnabled, "{action:?}");
    }
    run(&mut peer, 100, 0x06, &[]);
    assert_eq!(peer.hand(HandActionKind::LiftBrake), HandOutcome::Done);
    run(&mut peer, 60, 0x06, &[]);
    let falling = peer.session.bench().plant.speed_rad_per_s(1);
    assert!(0.3 < falling, "{falling}");
    for action in [HandActionKind::LiftBrake, HandActionKind::Couple, HandActionKind::Uncouple] {
        assert_eq!(peer.hand(action), HandOutcome::NotAtRest, "{action:?}");
    }
    assert_eq!(peer.hand(HandActionKind::SetBrake), HandOutcome::Done);
    run(&mut peer, 200, 0x06, &[]);
    assert_eq!(peer.session.bench().plant.speed_rad_per_s(0), 0.0);
}

/// Uncoupled, the motor turns alone and the arm falls; coupled again they turn together.
#[test]
fn an_uncoupled_motor_turns_alone() {
    let text = arm("sto").replacen("start_deg = -70", "start_deg = 0", 1).replacen("[-100, -40]", "[-100, 100]", 1);
    let mut peer = Peer::at(&text);
    peer.begin();
    assert_eq!(peer.hand(HandActionKind::Uncouple), HandOutcome::Done);
    peer.enable();
    run(&mut peer, 200, 0x0F, &[speed(30.0)]);
    assert!(20.0 < peer.session.bench().plant.speed_rad_per_s(0));
    assert_eq!(load_deg(&peer), 0.0, "the arm hangs still");
    run(&mut peer, 300, 0x0F, &[speed(0.0)]);
    run(&mut peer, 300, 0x06, &[]);
    assert_eq!(peer.hand(HandActionKind::Couple), HandOutcome::Done);
    peer.enable();
    run(&mut peer, 300, 0x0F, &[speed(30.0)]);
    assert!(1.0 < load_deg(&peer), "{}", load_deg(&peer));
}

/// A travel switch in the wrong place trips where it stands, long before the travel ends at 110 degrees.
#[test]
fn a_travel_switch_in_the_wrong_place_trips_there() {
    let mut peer = holding("sto");
    for _ in 0..2000 {
        if peer.feedback().trip != 0 {
            break;
        }
        peer.command(0x0F, &[speed(40.0)]);
    }
    assert_eq!(peer.feedback().trip, Trip::TravelLimit.number());
    assert!((-40.0..-38.0).contains(&load_deg(&peer)), "{}", load_deg(&peer));
    run(&mut peer, 100, 0x0F, &[]);
    assert_eq!(peer.session.bench().drive.state(), State::Fault);
    assert_eq!(peer.session.bench().trips.len(), 1, "and stands in the conduct");
}

/// Nobody commands any more: the arm stops under torque, the brake closes, and only then does time end.
#[test]
fn an_abandoned_axis_hangs_on_its_brake() {
    let mut peer = holding("sto");
    run(&mut peer, 30, 0x0F, &[speed(40.0)]);
    peer.session.fall_silent();
    assert_eq!(peer.session.bench().drive.trip(), Some(Trip::CommanderSilent));
    assert_eq!(peer.session.bench().plant.speed_rad_per_s(0), 0.0);
    // And where the emergency stop has taken the torque, time goes on until the brake has closed and the arm stands.
    let mut dropped = holding("sto");
    run(&mut dropped, 30, 0x0F, &[speed(40.0)]);
    assert_eq!(dropped.hand(HandActionKind::PressEmergencyStop), HandOutcome::Done);
    let rows = dropped.session.taken.rows.len();
    dropped.session.fall_silent();
    let closing = (CLOSES_S * 8000.0) as usize;
    assert!(rows + closing < dropped.session.taken.rows.len(), "{rows}, {}", dropped.session.taken.rows.len());
    assert_eq!(dropped.session.bench().plant.speed_rad_per_s(0), 0.0);
    assert!(!dropped.session.bench().is_under_way());
}

/// The frames of a run with hands in it give the same bits again, each action between the same two ticks.
#[test]
fn hands_act_between_the_same_ticks_in_a_replay() {
    let mut peer = holding("ss1");
    run(&mut peer, 30, 0x0F, &[speed(40.0)]);
    peer.hand(HandActionKind::PressEmergencyStop);
    run(&mut peer, 200, 0x0F, &[speed(40.0)]);
    peer.hand(HandActionKind::ReleaseEmergencyStop);
    peer.hand(HandActionKind::LiftBrake);
    run(&mut peer, 40, 0x06, &[]);
    peer.hand(HandActionKind::SetBrake);
    run(&mut peer, 200, 0x06, &[]);
    peer.enable();
    run(&mut peer, 100, 0x0F, &[]);
    peer.hand(HandActionKind::OpenGuard);
    run(&mut peer, 100, 0x0F, &[]);
    peer.say(Message::Done);
    let mut again = Peer { session: phases::tuning(&read(&arm("ss1")), 7), sequence: 0, heard: Vec::new() };
    again.begin();
    let kept = [frames::TITLE, &peer.session.taken.frames].concat();
    for (tick, entry) in frames::read(&kept).expect("frames as a record has them") {
        if let Entry::Frame(bytes) = entry {
            assert_eq!(again.session.tick(), tick);
            again.give(bytes);
        }
    }
    assert_eq!(again.bits(), peer.bits());
    assert_eq!(again.heard, peer.heard);
}
