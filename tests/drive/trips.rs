//! Trips by current, warmth, bus and sensor: each where its setting has it, off where that is 0, none of them without
//! torque; and that a reset forgets the trip but not the heat.

use plantstand::base::signal::{Actuation, Request, Sample};
use plantstand::drive::Drive;
use plantstand::drive::protection::Trip;
use plantstand::drive::setting::{Setting, Settings};
use plantstand::drive::state::{State, control};

use crate::currents::from;
use crate::{Axis, COUNTS_PER_TURN, RATE, asking_rpm, tuned_drive_with, word};

/// Rated current of the rig's winding, as a peak of phase.
const RATED_PEAK_A: f64 = 4.1 * std::f64::consts::SQRT_2;

/// A drive that knows of a winding, in operation enabled.
fn drive_with_winding(changes: &[(Setting, f64)]) -> Drive {
    let mut settings = Settings::defaults(&from());
    for &(setting, value) in changes {
        settings.set(setting, value);
    }
    let mut drive = Drive::new(RATE, from().nameplate, settings);
    drive.start_enabled();
    drive
}

/// A current vector of this length along phase a, on a bus.
fn loaded(current_a: f64, bus_v: f64) -> Sample {
    Sample { phase_current_a: [current_a, -0.5 * current_a], bus_v, ..Sample::default() }
}

/// The trip after a tick with this sample, and that the torque is off with it.
fn trip_at(changes: &[(Setting, f64)], sample: &Sample) -> Option<Trip> {
    let mut drive = drive_with_winding(changes);
    drive.sense(sample);
    let (feedback, actuation) = drive.act(&asking_rpm(0.0));
    assert_eq!(drive.trip().map_or(0, Trip::number), feedback.trip);
    assert_eq!(actuation == Actuation::Off, drive.trip().is_some());
    let mut disabled = drive_with_winding(changes);
    disabled.act(&word(control::DISABLE_VOLTAGE_WORD));
    disabled.sense(sample);
    disabled.act(&word(control::DISABLE_VOLTAGE_WORD));
    assert_eq!(disabled.trip(), None, "without torque there is nothing to take away");
    drive.trip()
}

#[test]
fn overcurrent_trips_beyond_its_setting() {
    let at = |limit_a, current_a| trip_at(&[(Setting::Overcurrent, limit_a)], &loaded(current_a, 560.0));
    assert_eq!(at(10.0, 9.999), None);
    assert_eq!(at(10.0, 10.001), Some(Trip::Overcurrent));
    assert_eq!(at(10.0, -10.001), Some(Trip::Overcurrent));
    assert_eq!(at(0.0, 1e5), None, "0 is off");
    // The vector counts, not one phase: a third of a turn further each phase shows half of it, with the sign turned.
    let turned = Sample { phase_current_a: [-0.5 * 10.001, 10.001], ..loaded(0.0, 560.0) };
    assert_eq!(trip_at(&[(Setting::Overcurrent, 10.0)], &turned), Some(Trip::Overcurrent));
}

#[test]
fn the_bus_trips_on_either_side() {
    let limits = [(Setting::BusMin, 400.0), (Setting::BusMax, 750.0)];
    assert_eq!(trip_at(&limits, &loaded(0.0, 399.9)), Some(Trip::BusVoltageLow));
    assert_eq!(trip_at(&limits, &loaded(0.0, 400.0)), None);
    assert_eq!(trip_at(&limits, &loaded(0.0, 750.0)), None);
    assert_eq!(trip_at(&limits, &loaded(0.0, 750.1)), Some(Trip::BusVoltageHigh));
    assert_eq!(trip_at(&[], &loaded(0.0, 1.0)), None, "0 is off");
    let mut without_winding = tuned_drive_with(&limits);
    without_winding.tick(0, &asking_rpm(0.0));
    assert_eq!(without_winding.trip(), None, "where no bus is measured none is watched");
}

#[test]
fn a_sensor_that_owns_up_trips_always() {
    let faulty = Sample { sensor_faulty: true, ..loaded(0.0, 560.0) };
    assert_eq!(trip_at(&[], &faulty), Some(Trip::SensorFault));
}

/// A jump trips in its own tick, the fastest motion that is allowed does not; 0 is off; and the first counts of all are
/// no jump, wherever they stand.
#[test]
fn counts_that_jump_are_a_sensor_fault() {
    let jump = |limit_rpm: f64, speed_rpm: f64| {
        let mut drive = tuned_drive_with(&[(Setting::SensorJump, limit_rpm), (Setting::SpeedLimit, 1e6)]);
        let counts = (speed_rpm / 60.0 * COUNTS_PER_TURN / 8000.0) as i64;
        drive.tick(77_777_777, &asking_rpm(0.0));
        assert_eq!(drive.trip(), None);
        drive.tick(77_777_777 + counts, &asking_rpm(0.0));
        drive.trip()
    };
    assert_eq!(jump(6000.0, 5995.0), None);
    assert_eq!(jump(6000.0, 6005.0), Some(Trip::SensorFault));
    assert_eq!(jump(6000.0, -6005.0), Some(Trip::SensorFault));
    assert_eq!(jump(0.0, 60_000.0), None);
}

/// Ticks from cold at a constant torque until the trip; none within 40 s.
fn ticks_to_overload(torque_nm: f64, time_s: f64) -> Option<u32> {
    let mut drive = tuned_drive_with(&[(Setting::OverloadTime, time_s)]);
    let request = Request { outside_torque_nm: Some(torque_nm), ..asking_rpm(0.0) };
    (0..320_000).find(|_| {
        drive.tick(0, &request);
        drive.trip() == Some(Trip::Overload)
    })
}

/// The cold curve t = T ln(i²/(i² − 1)) / ln(4/3), by hand at twice, three times and one and a half times the rated
/// torque of 2 Nm; at the rated torque never.
#[test]
fn overload_trips_on_the_cold_curve() {
    let curve_s =
        |ratio: f64, time_s: f64| time_s * (ratio * ratio / (ratio * ratio - 1.0)).ln() / (4.0_f64 / 3.0).ln();
    for (torque_nm, ratio) in [(4.0, 2.0), (-6.0, 3.0), (3.0, 1.5)] {
        let ticks = ticks_to_overload(torque_nm, 3.0).unwrap();
        let expected = curve_s(ratio, 3.0) * 8000.0;
        assert!((f64::from(ticks) - expected).abs() <= 3.0, "{torque_nm} Nm: {ticks} ticks, expected {expected}");
    }
    assert!((curve_s(2.0, 3.0) - 3.0).abs() < 1e-12, "the setting is the time at twice the rated current");
    assert_eq!((ticks_to_overload(2.0, 1.0), ticks_to_overload(6.0, 0.0)), (None, None));
}

/// With a winding the measured current counts, against the rated one, and the torque command does not.
#[test]
fn overload_takes_the_measured_current() {
    let ticks = |current_a: f64| {
        let mut drive = drive_with_winding(&[(Setting::OverloadTime, 0.5)]);
        (0..40_000).find(|_| {
            drive.sense(&loaded(current_a, 560.0));
            drive.act(&Request { outside_torque_nm: Some(6.0), ..asking_rpm(0.0) });
            drive.trip() == Some(Trip::Overload)
        })
    };
    let at_twice = ticks(2.0 * RATED_PEAK_A).unwrap();
    assert!((3998..=4002).contains(&at_twice), "{at_twice}");
    assert_eq!(ticks(0.999 * RATED_PEAK_A), None);
}

/// An overload brakes and ends as a fault; after a reset the motor is still warm, so that the same load trips it in a
/// small part of the time that it took from cold. A power cycle forgets the warmth.
#[test]
fn a_reset_does_not_cool_the_motor() {
    let mut axis = Axis::new(tuned_drive_with(&[(Setting::OverloadTime, 1.0)]));
    let heat = |axis: &mut Axis| {
        let heating = Request { outside_torque_nm: Some(4.0), ..asking_rpm(0.0) };
        (0..16_000_u32).find(|_| {
            axis.tick(&heating);
            axis.speed_rad_per_s = 50.0;
            axis.drive.trip().is_some()
        })
    };
    let enable = |axis: &mut Axis| {
        for controlword in [0x00, 0x80, 0x06, 0x07, 0x0F] {
            axis.tick(&word(controlword));
        }
        assert_eq!((axis.drive.state(), axis.drive.trip()), (State::OperationEnabled, None));
    };
    let cold = heat(&mut axis).unwrap();
    assert_eq!((axis.drive.trip(), axis.drive.state()), (Some(Trip::Overload), State::QuickStopActive));
    axis.run(800, &word(0x0F));
    assert_eq!((axis.drive.state(), axis.drive.trip()), (State::Fault, Some(Trip::Overload)));
    enable(&mut axis);
    let warm = heat(&mut axis).unwrap();
    assert!(warm < cold / 10, "{cold} ticks from cold, {warm} from warm");
    axis.run(800, &word(0x0F));
    axis.drive.power_cycle();
    enable(&mut axis);
    let cold_again = heat(&mut axis).unwrap();
    assert!(cold.abs_diff(cold_again) < 10, "{cold} ticks from cold, {cold_again} again");
}
