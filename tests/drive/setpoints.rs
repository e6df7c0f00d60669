//! The setpoint's way: ramp, low-pass, offset, slope; enabling at speed; halt; and the quick stop that a controlword
//! asks for.

use plantstand::base::signal::{Actuation, Request};
use plantstand::base::units::{RPM_RAD_PER_S, TURN_RAD};
use plantstand::drive::setting::Setting;
use plantstand::drive::state::{State, control};

use crate::{Axis, RATE, asking_rpm, drive_with, tuned_drive_with, word};

/// 0.001: the numbers below are round in rpm, not in rad/s.
fn check_rpm(found_rad_per_s: f64, expected_rpm: f64) {
    let found_rpm = found_rad_per_s / RPM_RAD_PER_S;
    assert!((found_rpm - expected_rpm).abs() <= 1e-3, "{found_rpm} rpm, not {expected_rpm} rpm");
}

/// Without ramp and low-pass the setpoint is what is asked for, plus the offset.
#[test]
fn the_setpoint_is_what_is_asked_for() {
    let mut drive = tuned_drive_with(&[]);
    let request = Request { speed_offset_rad_per_s: 0.25, ..asking_rpm(100.0) };
    let (feedback, _) = drive.tick(0, &request);
    assert_eq!(feedback.setpoint_rad_per_s, request.speed_rad_per_s + 0.25);
}

/// 8000 rpm/s at 8 kHz is 1 rpm a tick, and the last step ends on the target exactly.
#[test]
fn the_ramp_takes_its_step_each_tick() {
    let mut drive = tuned_drive_with(&[(Setting::SetpointRamp, 8000.0)]);
    let request = asking_rpm(2.5);
    for expected_rpm in [1.0, 2.0] {
        check_rpm(drive.tick(0, &request).0.setpoint_rad_per_s, expected_rpm);
    }
    assert_eq!(drive.tick(0, &request).0.setpoint_rad_per_s, request.speed_rad_per_s);
    check_rpm(drive.tick(0, &asking_rpm(-5.0)).0.setpoint_rad_per_s, 1.5);
}

/// The ramp comes before the low-pass, the offset after it.
#[test]
fn the_lowpass_follows_the_ramp() {
    let mut drive = tuned_drive_with(&[(Setting::SetpointRamp, 8000.0), (Setting::SetpointLowpass, 100.0)]);
    let a = (-TURN_RAD * 100.0 / 8000.0_f64).exp();
    let request = Request { speed_offset_rad_per_s: 3.0 * RPM_RAD_PER_S, ..asking_rpm(100.0) };
    let first = 1.0 - a;
    check_rpm(drive.tick(0, &request).0.setpoint_rad_per_s, first + 3.0);
    check_rpm(drive.tick(0, &request).0.setpoint_rad_per_s, a * first + (1.0 - a) * 2.0 + 3.0);
}

/// Feed-forward is the inertia times the setpoint's slope: 8000 rpm/s.
#[test]
fn feedforward_takes_the_slope_of_the_setpoint() {
    let settings = [(Setting::SetpointRamp, 8000.0), (Setting::InertiaFeedforward, 1e-3), (Setting::SpeedGain, 0.0)];
    let mut drive = tuned_drive_with(&settings);
    for _ in 0..10 {
        let (feedback, _) = drive.tick(0, &asking_rpm(100.0));
        let expected_nm = 1e-3 * 8000.0 * RPM_RAD_PER_S;
        assert!((feedback.torque_command_nm - expected_nm).abs() <= 1e-12);
    }
}

/// Enabling a turning axis: the ramp starts at the measured speed, sum and filters at 0, and there is no kick from the
/// feed-forward in that tick.
#[test]
fn enabling_starts_at_the_measured_speed() {
    let settings = [
        (Setting::SpeedGain, 0.1),
        (Setting::SpeedResetTime, 0.05),
        (Setting::SetpointRamp, 8000.0),
        (Setting::InertiaFeedforward, 1e-3),
        (Setting::TorqueLowpass, 500.0),
    ];
    let mut axis = Axis::new(drive_with(&settings));
    axis.speed_rad_per_s = 600.0 * RPM_RAD_PER_S;
    axis.run(10, &word(control::SHUTDOWN_WORD));
    axis.run(1, &word(control::SWITCH_ON_WORD));
    let feedback = axis.tick(&asking_rpm(0.0));
    assert_eq!(axis.drive.state(), State::OperationEnabled);
    let one_rpm = RPM_RAD_PER_S;
    assert!((feedback.measured_speed_rad_per_s - feedback.setpoint_rad_per_s - one_rpm).abs() <= 1e-9);
    let expected_nm = -0.1 * one_rpm * (1.0 + 1.0 / 8000.0 / 0.05);
    assert!((feedback.controller_torque_nm - expected_nm).abs() <= 1e-12, "{}", feedback.controller_torque_nm);
}

/// Disabling and enabling again finds sum and filters at 0: the first tick is the same to the bit.
#[test]
fn enabling_forgets_sum_and_filters() {
    let settings = [(Setting::SpeedResetTime, 0.001), (Setting::TorqueLowpass, 50.0), (Setting::Notch1Centre, 300.0)];
    let width = [(Setting::Notch1Width, 300.0), (Setting::Notch1Depth, 20.0), (Setting::SetpointLowpass, 5.0)];
    let mut drive = tuned_drive_with(&[settings, width].concat());
    let request = Request { torque_offset_nm: 0.5, ..asking_rpm(20.0) };
    let first = drive.tick(0, &request).0;
    for _ in 0..100 {
        drive.tick(0, &request);
    }
    drive.tick(0, &word(control::SWITCH_ON_WORD));
    let again = drive.tick(0, &request).0;
    assert_eq!(again.torque_command_nm.to_bits(), first.torque_command_nm.to_bits());
    assert_eq!(again.setpoint_rad_per_s.to_bits(), first.setpoint_rad_per_s.to_bits());
}

/// Halt asks for standstill along the setpoint's ramp and follows no offset; the axis stays enabled.
#[test]
fn halt_stands_still_enabled() {
    let mut axis = Axis::new(tuned_drive_with(&[(Setting::SetpointRamp, 8000.0)]));
    axis.run(4000, &asking_rpm(500.0));
    let mut request = asking_rpm(500.0);
    request.controlword |= control::HALT;
    request.speed_offset_rad_per_s = 10.0;
    check_rpm(axis.run(100, &request).setpoint_rad_per_s, 400.0);
    assert_eq!(axis.run(8000, &request).setpoint_rad_per_s, 0.0);
    assert_eq!(axis.drive.state(), State::OperationEnabled);
}

/// A quick stop brakes along its own ramp from the measured speed, whatever is asked, ends below 5 rpm, and then the
/// torque is off in switch on disabled.
#[test]
fn a_quick_stop_brakes_along_its_ramp() {
    let mut axis = Axis::new(tuned_drive_with(&[(Setting::QuickStop, 4000.0), (Setting::SetpointLowpass, 1.0)]));
    axis.run(24_000, &asking_rpm(1000.0));
    let mut request = asking_rpm(1000.0);
    request.controlword = control::QUICK_STOP_WORD;
    request.speed_offset_rad_per_s = 50.0;
    request.torque_offset_nm = 1.0;
    let first = axis.tick(&request);
    assert_eq!(axis.drive.state(), State::QuickStopActive);
    let step = 0.5 * RPM_RAD_PER_S;
    assert!((first.measured_speed_rad_per_s - first.setpoint_rad_per_s - step).abs() <= 1e-9);
    assert_eq!(first.summed_torque_nm, first.controller_torque_nm);
    let mut ticks = 1;
    while axis.drive.state() == State::QuickStopActive {
        let feedback = axis.tick(&asking_rpm(1000.0));
        ticks += 1;
        assert!(ticks < 4000, "still braking at {} rad/s", feedback.measured_speed_rad_per_s);
    }
    assert_eq!(axis.drive.state(), State::SwitchOnDisabled);
    assert_eq!(axis.actuation, Actuation::Off);
    assert!(axis.speed_rad_per_s.abs() < 10.0 * RPM_RAD_PER_S);
    let ramp_ticks = 2000; // 1000 rpm at 4000 rpm/s, 0.25 s
    assert!((ramp_ticks - 100..ramp_ticks + 400).contains(&ticks), "{ticks}");
    assert_eq!(axis.drive.trip(), None);
}

/// The torque limit acts in a quick stop too: it then takes longer, and still ends.
#[test]
fn the_torque_limit_acts_in_a_quick_stop() {
    let mut axis = Axis::new(tuned_drive_with(&[(Setting::QuickStop, 100_000.0)]));
    axis.run(8000, &asking_rpm(1000.0));
    axis.drive.write(Setting::TorqueLimit, 0.5).unwrap();
    let mut ticks = 0;
    while axis.drive.state() != State::SwitchOnDisabled && ticks < 8000 {
        axis.tick(&word(control::QUICK_STOP_WORD));
        if let Actuation::Torque { torque_nm } = axis.actuation {
            assert!(torque_nm.abs() <= 0.5);
        }
        ticks += 1;
    }
    let at_the_limit_s = 1000.0 * RPM_RAD_PER_S * crate::INERTIA_KGM2 / 0.5;
    assert!((RATE.seconds(ticks) - at_the_limit_s).abs() <= 0.02, "{ticks} ticks");
}

/// An axis that does not slow down is let go one second after the ramp's end.
#[test]
fn a_quick_stop_that_cannot_brake_ends() {
    let mut axis = Axis::new(tuned_drive_with(&[]));
    axis.run(8000, &asking_rpm(1000.0));
    axis.drive.write(Setting::TorqueLimit, 0.0).unwrap();
    let ramp_and_patience = 800 + 8000;
    axis.run(ramp_and_patience - 100, &word(control::QUICK_STOP_WORD));
    assert_eq!(axis.drive.state(), State::QuickStopActive);
    axis.run(200, &word(control::QUICK_STOP_WORD));
    assert_eq!(axis.drive.state(), State::SwitchOnDisabled);
}
