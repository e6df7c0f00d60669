//! Emergency stop, guard, travel switches and the holding brake: when torque may act and when it does not, from random
//! sequences as well. The words of IEC 61800-5-2 and IEC 60204-1 are from memory.

use plantstand::base::random::Stream;
use plantstand::base::safeguard::{EmergencyStop, Inputs};
use plantstand::base::signal::{Actuation, Feedback, Request, Sample};
use plantstand::base::units::RPM_RAD_PER_S;
use plantstand::drive::Drive;
use plantstand::drive::hindrance::Hindrance;
use plantstand::drive::protection::Trip;
use plantstand::drive::setting::Setting;
use plantstand::drive::state::{State, control, status};

use crate::{Axis, RATE, asking_rpm, tuned_drive_with, word};

const STO: Inputs =
    Inputs { emergency_stop: Some(EmergencyStop::Sto), guard_open: false, low_switch: false, high_switch: false };
const GUARD: Inputs = Inputs { emergency_stop: None, guard_open: true, low_switch: false, high_switch: false };

fn ss1(time_s: f64) -> Inputs {
    Inputs { emergency_stop: Some(EmergencyStop::Ss1 { time_s }), ..Inputs::default() }
}

fn running_at(speed_rpm: f64, changes: &[(Setting, f64)]) -> Axis {
    let mut axis = Axis::new(tuned_drive_with(changes));
    axis.run(4000, &asking_rpm(speed_rpm));
    axis
}

fn press(axis: &mut Axis, inputs: Inputs) {
    axis.sample = Sample { inputs, ..axis.sample };
}

/// Torque goes in the tick that sees the cause, the drive is in switch on disabled with its voltage not enabled, and no
/// controlword leads out of it; released, it has to be enabled step by step.
fn check_sto(inputs: Inputs, bit: u16, hindrance: Hindrance) {
    let mut axis = running_at(1000.0, &[]);
    press(&mut axis, inputs);
    let feedback = axis.tick(&asking_rpm(1000.0));
    assert_eq!((axis.drive.state(), axis.actuation), (State::SwitchOnDisabled, Actuation::Off));
    assert_eq!((feedback.torque_command_nm, feedback.trip), (0.0, 0), "it is no trip");
    for controlword in [0x06, 0x07, 0x0F, 0x00, 0x02, 0x80, 0x06, 0x0F] {
        let feedback = axis.tick(&word(controlword));
        assert_eq!(axis.drive.state(), State::SwitchOnDisabled, "{controlword:#04x}");
        assert_eq!(feedback.statusword & (bit | status::VOLTAGE_ENABLED), bit);
        assert_eq!(axis.drive.hindrance(), Some(hindrance));
    }
    press(&mut axis, Inputs::default());
    let released = axis.run(100, &asking_rpm(1000.0));
    assert_eq!(axis.drive.state(), State::SwitchOnDisabled, "nothing restarts by itself");
    assert_eq!(released.statusword & (bit | status::VOLTAGE_ENABLED), status::VOLTAGE_ENABLED);
    assert_eq!(axis.drive.hindrance(), None);
    for controlword in [0x06, 0x07, 0x0F] {
        axis.tick(&word(controlword));
    }
    assert_eq!(axis.drive.state(), State::OperationEnabled);
}

#[test]
fn safe_torque_off_takes_the_torque_and_keeps_it() {
    check_sto(STO, status::EMERGENCY_STOP, Hindrance::EmergencyStop);
    check_sto(GUARD, status::GUARD_OPEN, Hindrance::GuardOpen);
}

/// Safe torque off leads every state without a fault to switch on disabled, and leaves a fault as it is; the fault can
/// be reset meanwhile.
#[test]
fn safe_torque_off_in_every_state() {
    for words in [&[][..], &[0x06], &[0x06, 0x07], &[0x06, 0x07, 0x0F], &[0x06, 0x07, 0x0F, 0x02]] {
        let mut drive = crate::drive_with(&[]);
        for controlword in words {
            drive.tick(0, &word(*controlword));
        }
        drive.sense(&Sample { inputs: STO, ..Sample::default() });
        drive.act(&word(0x0F));
        assert_eq!(drive.state(), State::SwitchOnDisabled, "{words:?}");
    }
    let mut axis = running_at(1000.0, &[]);
    axis.drive.quick_stop(Trip::CommanderSilent);
    press(&mut axis, STO);
    axis.tick(&word(0x0F));
    assert_eq!((axis.drive.state(), axis.actuation), (State::FaultReactionActive, Actuation::Off));
    axis.tick(&word(0x0F));
    assert_eq!(axis.drive.hindrance(), Some(Hindrance::Trip(Trip::CommanderSilent)));
    axis.tick(&word(0x80));
    assert_eq!((axis.drive.state(), axis.drive.hindrance()), (State::SwitchOnDisabled, Some(Hindrance::EmergencyStop)));
}

/// Safe stop 1 brakes 1000 rpm along 10 000 rpm/s: after 50 ms half is left, after 0.1 s and what the loop lags nothing;
/// then the torque is off, and released it is no different.
#[test]
fn safe_stop_1_brakes_first() {
    let mut axis = running_at(1000.0, &[]);
    press(&mut axis, ss1(1.0));
    axis.run(400, &asking_rpm(1000.0));
    assert_eq!(axis.drive.state(), State::QuickStopActive);
    assert!((axis.speed_rad_per_s / RPM_RAD_PER_S - 500.0).abs() < 110.0, "{}", axis.speed_rad_per_s / RPM_RAD_PER_S);
    let mut ticks = 400;
    while axis.drive.torque_may_act() && ticks < 8000 {
        axis.tick(&asking_rpm(1000.0));
        ticks += 1;
    }
    assert_eq!((axis.drive.state(), axis.drive.trip()), (State::SwitchOnDisabled, None));
    assert!((800..1600).contains(&ticks), "{ticks}");
    assert!(axis.speed_rad_per_s.abs() < 10.0 * RPM_RAD_PER_S);
    axis.run(10, &word(0x06));
    assert_eq!(axis.drive.state(), State::SwitchOnDisabled, "still pressed");
    press(&mut axis, Inputs::default());
    axis.run(10, &asking_rpm(1000.0));
    assert_eq!(axis.drive.state(), State::SwitchOnDisabled);
}

/// The time of a safe stop 1 ends it to the tick, whatever the axis does: 50 ms are 400 ticks.
#[test]
fn safe_stop_1_ends_with_its_time() {
    let mut axis = running_at(1000.0, &[]);
    press(&mut axis, ss1(0.05));
    axis.run(399, &asking_rpm(1000.0));
    assert_eq!(axis.drive.state(), State::QuickStopActive);
    axis.tick(&asking_rpm(1000.0));
    assert_eq!((axis.drive.state(), axis.actuation), (State::SwitchOnDisabled, Actuation::Off));
    let mut at_once = running_at(1000.0, &[]);
    press(&mut at_once, ss1(0.0));
    at_once.tick(&asking_rpm(1000.0));
    assert_eq!(at_once.actuation, Actuation::Off);
}

/// Released before it stands, the axis still stops: what has begun is finished.
#[test]
fn a_safe_stop_that_was_begun_is_finished() {
    let mut axis = running_at(1000.0, &[]);
    press(&mut axis, ss1(1.0));
    axis.run(10, &asking_rpm(1000.0));
    press(&mut axis, Inputs::default());
    axis.run(4000, &asking_rpm(1000.0));
    assert_eq!(axis.drive.state(), State::SwitchOnDisabled);
}

/// A struck switch is a travel limit: it trips when the axis moves or is asked outward, and lets itself be driven off.
/// With a gear that turns the load the other way the motor's direction is the other one; with a sensor that counts
/// against the motor it is the same.
#[test]
fn a_travel_switch_is_a_travel_limit() {
    let upper = Inputs { high_switch: true, ..Inputs::default() };
    let lower = Inputs { low_switch: true, ..Inputs::default() };
    let trips = |inputs: Inputs, changes: &[(Setting, f64)], speed_rpm: f64| {
        let mut drive = tuned_drive_with(changes);
        drive.sense(&Sample { inputs, ..Sample::default() });
        drive.act(&asking_rpm(0.0));
        assert_eq!(drive.trip(), None, "standing on it is no trip");
        drive.sense(&Sample { inputs, ..Sample::default() });
        drive.act(&asking_rpm(speed_rpm));
        drive.trip() == Some(Trip::TravelLimit)
    };
    assert!(trips(upper, &[], 10.0) && !trips(upper, &[], -10.0));
    assert!(trips(lower, &[], -10.0) && !trips(lower, &[], 10.0));
    let geared = [(Setting::GearRatio, -8.0)];
    assert!(trips(upper, &geared, -10.0) && !trips(upper, &geared, 10.0));
    let counting_down = [(Setting::SensorSign, -1.0)];
    assert!(trips(upper, &counting_down, 10.0) && !trips(upper, &counting_down, -10.0));
}

const BRAKE: [(Setting, f64); 2] = [(Setting::BrakeOpens, 0.05), (Setting::BrakeCloses, 0.03)];

/// Ticks until `done` holds of the axis, under one request.
fn ticks_until(axis: &mut Axis, request: &Request, done: impl Fn(&Axis, &Feedback) -> bool) -> u32 {
    (1..8000)
        .find(|_| {
            let feedback = axis.tick(request);
            done(axis, &feedback)
        })
        .expect("it comes to that within a second")
}

/// On enabling the brake is lifted and torque acts at once; the setpoint is followed 50 ms later and not before.
#[test]
fn a_setpoint_waits_for_the_brake_to_open() {
    let mut drive = crate::drive_with(&[&BRAKE[..], &[(Setting::SpeedGain, 0.1)]].concat());
    for controlword in [0x06, 0x07] {
        drive.tick(0, &word(controlword));
        assert!(!drive.lifts_brake());
    }
    for tick in 0..400 {
        let (feedback, actuation) = drive.tick(0, &Request { torque_offset_nm: 1.0, ..asking_rpm(100.0) });
        assert!(drive.lifts_brake() && actuation != Actuation::Off, "tick {tick}");
        // The torque that will hold the load is there before the brake lets go of it.
        assert_eq!((feedback.setpoint_rad_per_s, feedback.torque_command_nm), (0.0, 1.0), "tick {tick}");
        assert_ne!(feedback.statusword & status::BRAKE_NOT_OPEN, 0);
    }
    let (feedback, _) = drive.tick(0, &asking_rpm(100.0));
    assert!(0.0 < feedback.setpoint_rad_per_s);
    assert_eq!(feedback.statusword & status::BRAKE_NOT_OPEN, 0);
}

/// "Shutdown" and "disable operation" at rest keep the torque until the brake is closed; enabled again meanwhile, the
/// brake opens again and is waited for.
#[test]
fn torque_holds_until_the_brake_is_closed() {
    for (controlword, then) in [(0x06, State::ReadyToSwitchOn), (0x07, State::SwitchedOn)] {
        let mut axis = running_at(0.0, &BRAKE);
        for tick in 0..240 {
            axis.tick(&word(controlword));
            assert_eq!(axis.drive.state(), State::OperationEnabled, "tick {tick}");
            assert!(!axis.drive.lifts_brake() && axis.actuation != Actuation::Off);
        }
        let mut again = axis.clone();
        axis.tick(&word(controlword));
        assert_eq!((axis.drive.state(), axis.actuation), (then, Actuation::Off));
        let ticks = ticks_until(&mut again, &asking_rpm(100.0), |_, feedback| feedback.setpoint_rad_per_s != 0.0);
        assert_eq!((again.drive.state(), ticks), (State::OperationEnabled, 401));
    }
}

/// While the axis turns, and by "disable voltage", a trip or safe torque off, torque goes at once, and the brake is told
/// to close in the same tick.
#[test]
fn torque_that_goes_at_once_leaves_the_load_to_the_brake() {
    let check = |axis: &mut Axis, controlword: u16| {
        assert!(axis.drive.lifts_brake());
        axis.tick(&word(controlword));
        assert_eq!(axis.actuation, Actuation::Off, "{controlword:#04x}");
        assert!(!axis.drive.lifts_brake());
    };
    check(&mut running_at(500.0, &BRAKE), 0x06);
    check(&mut running_at(0.0, &BRAKE), control::DISABLE_VOLTAGE_WORD);
    let mut stopped = running_at(0.0, &BRAKE);
    press(&mut stopped, STO);
    check(&mut stopped, 0x0F);
    let mut tripped = running_at(0.0, &BRAKE);
    tripped.sample = Sample { sensor_faulty: true, ..tripped.sample };
    check(&mut tripped, 0x0F);
}

/// A quick stop brakes with the brake open, then holds for the 30 ms that it takes to close.
#[test]
fn a_quick_stop_ends_when_the_brake_is_closed() {
    let mut axis = running_at(1000.0, &BRAKE);
    let braking = ticks_until(&mut axis, &word(control::QUICK_STOP_WORD), |axis, _| !axis.drive.lifts_brake());
    assert!(800 <= braking, "{braking}");
    assert!(axis.speed_rad_per_s.abs() < 10.0 * RPM_RAD_PER_S);
    let closing = ticks_until(&mut axis, &word(control::QUICK_STOP_WORD), |axis, _| axis.actuation == Actuation::Off);
    assert_eq!((axis.drive.state(), closing), (State::SwitchOnDisabled, 240));
}

/// An outside speed loop holds the load while the brake opens; what it gives acts.
#[test]
fn an_outside_loop_holds_the_load_at_the_brake() {
    let mut drive = crate::drive_with(&BRAKE);
    let request = Request { outside_torque_nm: Some(0.5), ..asking_rpm(100.0) };
    for controlword in [0x06, 0x07] {
        drive.tick(0, &word(controlword));
    }
    let (feedback, actuation) = drive.tick(0, &request);
    assert_eq!(actuation, Actuation::Torque { torque_nm: 0.5 });
    assert_eq!(feedback.setpoint_rad_per_s, 0.0);
}

/// What one tick of the soak does, and what may be true after it.
struct Soak {
    axis: Axis,
    stream: Stream,
    request: Request,
    /// Whether a trip was raised and no fault reset came since.
    tripped: bool,
    /// Steps of a fresh enable that were seen since torque last went.
    steps: u32,
    /// Ticks since torque last acted.
    idle_ticks: u32,
    acted: u32,
}

impl Soak {
    fn new(seed: u64) -> Self {
        let axis = Axis::new(crate::drive_with(&[&BRAKE[..], &[(Setting::SpeedGain, 0.1)]].concat()));
        let stream = Stream::new(seed, "safeguards");
        Self { axis, stream, request: word(0), tripped: false, steps: 0, idle_ticks: 10_000, acted: 0 }
    }

    fn draw(&mut self) {
        let words = [0x0F, 0x0F, 0x0F, 0x06, 0x07, 0x06, 0x07, 0x00, 0x02, 0x80];
        match (self.stream.uniform() * 60.0) as u32 {
            0..=9 => {
                let controlword = words[(self.stream.uniform() * 10.0) as usize];
                self.request = Request { controlword, ..asking_rpm(300.0 * self.stream.normal()) };
            }
            10 => press(&mut self.axis, STO),
            11 => press(&mut self.axis, ss1(0.2 * self.stream.uniform())),
            12 => press(&mut self.axis, GUARD),
            13..=19 => press(&mut self.axis, Inputs::default()),
            20 => self.axis.sample.sensor_faulty = true,
            21..=24 => self.axis.sample.sensor_faulty = false,
            25 if self.stream.uniform() < 0.1 => self.axis.drive.quick_stop(Trip::CommanderSilent),
            26 if self.stream.uniform() < 0.1 => {
                self.axis.drive.power_cycle();
                self.tripped = false;
            }
            _ => {}
        }
    }

    fn tick(&mut self, case: &str) {
        self.draw();
        let before = self.axis.drive.state();
        let acted_before = self.axis.actuation != Actuation::Off;
        self.tripped |= self.axis.drive.trip().is_some();
        self.axis.tick(&self.request.clone());
        let state = self.axis.drive.state();
        let acts = self.axis.actuation != Actuation::Off;
        let inputs = self.axis.sample.inputs;
        let by_sto = inputs.emergency_stop == Some(EmergencyStop::Sto);
        assert!(!acts || !(inputs.guard_open || by_sto), "{case}: torque under safe torque off");
        if before == State::Fault && state == State::SwitchOnDisabled {
            self.tripped = false;
        }
        // Torque that comes back came through every step of a fresh enable, one a tick.
        self.steps = match state {
            State::SwitchOnDisabled => 1,
            State::ReadyToSwitchOn if before == State::SwitchOnDisabled => 2,
            State::SwitchedOn if self.steps == 2 => 3,
            _ => self.steps,
        };
        if acts && !acted_before {
            assert!(!self.tripped, "{case}: torque after a trip without a reset");
            assert!(before == State::SwitchedOn && state == State::OperationEnabled, "{case}: {before:?} {state:?}");
            assert!(self.request.controlword == 0x0F, "{case}: torque without being asked for");
        }
        self.idle_ticks = if acts { 0 } else { self.idle_ticks + 1 };
        assert!(acts || !self.axis.drive.lifts_brake(), "{case}: the brake is lifted without torque");
        self.acted += u32::from(acts);
        self.axis.speed_rad_per_s = self.axis.speed_rad_per_s.clamp(-1e3, 1e3);
    }
}

/// From random controlwords, buttons, doors, faults and power cuts: no torque under safe torque off, none after a trip
/// before a reset and a fresh enable, and no tick without torque in which the brake is not told to be closed.
#[test]
fn no_sequence_brings_torque_where_none_may_be() {
    let mut acted = 0;
    for seed in 0..150 {
        let mut soak = Soak::new(seed);
        for tick in 0..4000 {
            soak.tick(&format!("seed {seed}, tick {tick}"));
        }
        acted += soak.acted;
    }
    assert!(20_000 < acted, "torque acted in {acted} ticks only");
}

/// A drive alone: the brake times in its settings are ticks of its own rate.
#[test]
fn the_brake_is_told_in_the_tick_that_enables() {
    let mut drive: Drive = crate::drive_with(&[(Setting::BrakeOpens, 1.0 / f64::from(RATE.hz))]);
    for controlword in [0x06, 0x07] {
        drive.tick(0, &word(controlword));
    }
    let (first, _) = drive.tick(0, &asking_rpm(60.0));
    let (second, _) = drive.tick(0, &asking_rpm(60.0));
    assert!(first.setpoint_rad_per_s == 0.0 && 0.0 < second.setpoint_rad_per_s);
}
