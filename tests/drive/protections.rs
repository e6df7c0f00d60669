//! Trips: when each comes, how the axis stops, that it stays latched and named until a fault reset; and that nothing
//! that is asked for makes a torque beyond the limit or a number that is not finite.

use plantstand::base::random::Stream;
use plantstand::base::signal::{Actuation, Request};
use plantstand::base::units::{DEG_RAD, RPM_RAD_PER_S};
use plantstand::drive::protection::Trip;
use plantstand::drive::setting::Setting;
use plantstand::drive::state::{State, control, status};

use crate::{Axis, COUNTS_PER_TURN, asking_rpm, drive_with, tuned_drive_with, word};

const COUNTS_PER_DEG: f64 = COUNTS_PER_TURN / 360.0;

/// Every trip has its own number from 1 and its own name.
#[test]
fn trips_have_numbers_and_names() {
    for (index, trip) in Trip::ALL.into_iter().enumerate() {
        assert_eq!(usize::from(trip.number()), index + 1);
        assert_eq!(Trip::from_number(trip.number()), Some(trip));
    }
    assert_eq!(Trip::from_number(0), None);
    assert_eq!(Trip::Overspeed.name(), "overspeed");
}

/// Overspeed takes the torque off at once and stays, whatever the controlword, until a fault reset; then the drive has
/// to be switched on step by step.
#[test]
fn overspeed_latches() {
    let mut axis = Axis::new(tuned_drive_with(&[(Setting::SpeedLimit, 500.0), (Setting::SpeedResetTime, 0.0)]));
    axis.run(4000, &asking_rpm(490.0));
    assert_eq!(axis.drive.state(), State::OperationEnabled, "within the limit");
    let mut ticks = 0;
    while axis.drive.trip().is_none() && ticks < 8000 {
        axis.tick(&asking_rpm(600.0));
        ticks += 1;
    }
    assert_eq!(axis.drive.trip(), Some(Trip::Overspeed));
    assert_eq!((axis.drive.state(), axis.actuation), (State::FaultReactionActive, Actuation::Off));
    assert!((axis.speed_rad_per_s / RPM_RAD_PER_S - 500.0).abs() <= 40.0, "{}", axis.speed_rad_per_s / RPM_RAD_PER_S);
    for controlword in [0x0F, 0x06, 0x07, 0x00, 0x02] {
        let feedback = axis.tick(&word(controlword));
        assert_eq!(axis.drive.state(), State::Fault);
        assert_eq!(feedback.trip, Trip::Overspeed.number());
        assert_ne!(feedback.statusword & status::WARNING, 0);
    }
    let feedback = axis.tick(&word(control::FAULT_RESET));
    assert_eq!((axis.drive.state(), feedback.trip), (State::SwitchOnDisabled, 0));
    axis.tick(&word(control::ENABLE_OPERATION_WORD));
    assert_eq!(axis.drive.state(), State::SwitchOnDisabled);
}

/// Sensor noise far above the distance to the limit in single ticks does not trip: 6 counts rms are 4 rpm rms in the
/// plain difference, whose greatest of a million ticks is near 20 rpm.
#[test]
fn overspeed_does_not_trip_on_noise() {
    let mut drive = drive_with(&[(Setting::SpeedLimit, 100.0)]);
    drive.start_enabled();
    let mut stream = Stream::new(3, "noise");
    let counts_per_tick = 95.0 / 60.0 * COUNTS_PER_TURN / 8000.0;
    let mut greatest = 0.0_f64;
    for k in 0..1_000_000 {
        let counts = (f64::from(k) * counts_per_tick + 6.0 * stream.normal()).round() as i64;
        let (feedback, _) = drive.tick(counts, &asking_rpm(95.0));
        greatest = greatest.max(feedback.measured_speed_rad_per_s / RPM_RAD_PER_S);
    }
    assert!(110.0 < greatest);
    assert_eq!(drive.trip(), None);
}

/// The deviation must last: 50 ms are 400 ticks, so the tick 400 after the first one beyond trips, and none before. A
/// blocked motor: the measured speed is 0.
#[test]
fn the_deviation_trips_after_50_ms() {
    let mut drive = tuned_drive_with(&[(Setting::DeviationTrip, 20.0)]);
    for _ in 0..400 {
        let (feedback, _) = drive.tick(0, &asking_rpm(21.0));
        assert_ne!(feedback.statusword & status::WARNING, 0);
    }
    assert_eq!(drive.trip(), None);
    let (feedback, actuation) = drive.tick(0, &asking_rpm(21.0));
    assert_eq!((drive.trip(), actuation), (Some(Trip::SpeedDeviation), Actuation::Off));
    assert_eq!((feedback.torque_command_nm, feedback.trip), (0.0, Trip::SpeedDeviation.number()));
    drive.tick(0, &word(0));
    assert_eq!(drive.state(), State::Fault);
}

/// One tick within the limit begins the 50 ms anew; at the limit is within; 0 is off.
#[test]
fn the_deviation_must_last_without_a_break() {
    let mut drive = tuned_drive_with(&[(Setting::DeviationTrip, 20.0)]);
    for k in 1..10_000 {
        drive.tick(0, &asking_rpm(if k % 400 == 0 { 0.0 } else { 30.0 }));
    }
    let mut at_limit = tuned_drive_with(&[(Setting::DeviationTrip, 20.0)]);
    let mut off = tuned_drive_with(&[]);
    for _ in 0..10_000 {
        at_limit.tick(0, &asking_rpm(20.0));
        off.tick(0, &asking_rpm(2000.0));
    }
    assert_eq!((drive.trip(), at_limit.trip(), off.trip()), (None, None, None));
}

/// Beyond a travel limit the axis stops within v²/(2a) and 4 ms of way for the loop's own lag, then the trip is latched
/// as a fault. `gear_ratio` and `zero_counts` move the limits; `speed_rpm` is the motor's.
fn check_travel(speed_rpm: f64, gear_ratio: f64, zero_counts: f64) {
    let settings = [
        (Setting::TravelMin, -90.0),
        (Setting::TravelMax, 90.0),
        (Setting::GearRatio, gear_ratio),
        (Setting::AngleZero, zero_counts),
        (Setting::QuickStop, 20_000.0),
        (Setting::SpeedGain, 1.0),
    ];
    let mut axis = Axis::new(tuned_drive_with(&settings));
    axis.angle_rad = zero_counts / COUNTS_PER_DEG * DEG_RAD;
    let load_angle_deg = |axis: &Axis| (axis.angle_rad / DEG_RAD - zero_counts / COUNTS_PER_DEG) / gear_ratio;
    let mut ticks = 0;
    while axis.drive.state() != State::Fault && ticks < 80_000 {
        let beyond = 90.0 < (load_angle_deg(&axis).abs() - 1e-3);
        let within = load_angle_deg(&axis).abs() < 90.0 - 1e-3;
        let trip = axis.tick(&asking_rpm(speed_rpm)).trip;
        assert!(!beyond || trip == Trip::TravelLimit.number(), "trips where the limit is");
        assert!(!within || trip == 0, "and not before");
        ticks += 1;
    }
    assert_eq!(axis.drive.trip(), Some(Trip::TravelLimit), "{speed_rpm} {gear_ratio} {zero_counts}");
    let motor_deg_per_s = speed_rpm.abs() * 6.0;
    let braking_deg = motor_deg_per_s * motor_deg_per_s / (2.0 * 20_000.0 * 6.0) + 0.004 * motor_deg_per_s;
    let overrun_deg = (load_angle_deg(&axis).abs() - 90.0) * gear_ratio.abs();
    assert!(overrun_deg <= braking_deg, "{overrun_deg} degrees at the motor, {braking_deg} allowed");
    assert_eq!(load_angle_deg(&axis).signum(), (speed_rpm * gear_ratio).signum());
    let counts = (axis.angle_rad / DEG_RAD * COUNTS_PER_DEG).round() as i64;
    assert!((axis.drive.load_angle_rad(counts) / DEG_RAD - load_angle_deg(&axis)).abs() <= 1e-3, "shown as it is");
}

#[test]
fn a_travel_limit_stops_within_the_braking_distance() {
    check_travel(600.0, 1.0, 0.0);
    check_travel(-600.0, 1.0, 0.0);
    check_travel(1000.0, 32.0, 123_456.0);
    check_travel(1000.0, -32.0, -5e6);
    check_travel(-1000.0, -8.0, 1e6);
}

/// The trip's quick stop shows as quick stop active with the trip already named, and ends as a fault also when the
/// commander takes the voltage away.
#[test]
fn a_trip_that_brakes_ends_as_a_fault() {
    let brake = || {
        let mut axis = Axis::new(tuned_drive_with(&[]));
        axis.run(4000, &asking_rpm(1000.0));
        axis.drive.quick_stop(Trip::CommanderSilent);
        let feedback = axis.tick(&asking_rpm(1000.0));
        assert_eq!((axis.drive.state(), feedback.trip), (State::QuickStopActive, Trip::CommanderSilent.number()));
        axis
    };
    let mut axis = brake();
    axis.run(2000, &asking_rpm(1000.0));
    assert_eq!((axis.drive.state(), axis.drive.trip()), (State::Fault, Some(Trip::CommanderSilent)));
    assert!(axis.speed_rad_per_s.abs() < 10.0 * RPM_RAD_PER_S);
    let mut axis = brake();
    axis.tick(&word(control::DISABLE_VOLTAGE_WORD));
    assert_eq!((axis.drive.state(), axis.actuation), (State::FaultReactionActive, Actuation::Off));
    assert_eq!(axis.drive.trip(), Some(Trip::CommanderSilent));
}

/// Silence where no torque acts has nothing to brake: a fault at once, and the first trip keeps its name.
#[test]
fn silence_while_disabled_is_a_fault_at_once() {
    let mut drive = drive_with(&[]);
    drive.quick_stop(Trip::CommanderSilent);
    drive.quick_stop(Trip::TravelLimit);
    drive.tick(0, &word(0x06));
    assert_eq!((drive.state(), drive.trip()), (State::Fault, Some(Trip::CommanderSilent)));
}

/// An axis left beyond its limit by a trip can be enabled there and driven back; asked further out it trips again.
#[test]
fn an_axis_beyond_its_limit_is_driven_back() {
    let beyond = || {
        let mut axis = Axis::new(tuned_drive_with(&[(Setting::TravelMax, 90.0)]));
        axis.angle_rad = 95.0 * DEG_RAD;
        let feedback = axis.run(4000, &asking_rpm(0.0));
        assert_eq!(axis.drive.trip(), None);
        assert_ne!(feedback.statusword & status::INTERNAL_LIMIT_ACTIVE, 0);
        axis
    };
    let mut back = beyond();
    back.run(4000, &asking_rpm(-20.0));
    assert_eq!((back.drive.state(), back.drive.trip()), (State::OperationEnabled, None));
    assert!(back.angle_rad < 90.0 * DEG_RAD);
    let mut out = beyond();
    out.tick(&asking_rpm(1.0));
    assert_eq!(out.drive.trip(), Some(Trip::TravelLimit));
    let mut pushed = beyond();
    pushed.run(200, &Request { torque_offset_nm: 6.0, ..asking_rpm(0.0) });
    assert_eq!(pushed.drive.trip(), Some(Trip::TravelLimit));
}

/// An axis without travel limits runs on.
#[test]
fn an_endless_axis_runs_on() {
    let mut axis = Axis::new(tuned_drive_with(&[]));
    axis.angle_rad = 1e6;
    axis.run(40_000, &asking_rpm(3000.0 * 0.9));
    assert_eq!(axis.drive.trip(), None);
}

/// A drive that runs away while it brakes is switched off; the trip that came first keeps its name.
#[test]
fn overspeed_ends_a_quick_stop() {
    let mut axis = Axis::new(tuned_drive_with(&[(Setting::SpeedLimit, 1200.0)]));
    axis.run(4000, &asking_rpm(1000.0));
    axis.drive.quick_stop(Trip::CommanderSilent);
    axis.tick(&word(0x0F));
    axis.speed_rad_per_s = 2000.0 * RPM_RAD_PER_S;
    axis.run(20, &word(0x0F));
    assert_eq!((axis.drive.state(), axis.drive.trip()), (State::Fault, Some(Trip::CommanderSilent)));
}

/// What the soak may write.
fn draw_write(stream: &mut Stream) -> (Setting, f64) {
    let setting = Setting::ALL[(stream.uniform() * 25.0) as usize];
    let (low, high) = setting.range();
    let value = match (stream.uniform() * 6.0) as u32 {
        0 => low,
        1 => high,
        2 => 0.0,
        3 => f64::NAN,
        4 => setting.least() * (1.0 + stream.uniform()),
        _ => low + (high - low) * 10_f64.powf(-8.0 * stream.uniform()),
    };
    (setting, value)
}

fn draw_request(stream: &mut Stream) -> Request {
    let draw = |stream: &mut Stream| match (stream.uniform() * 12.0) as u32 {
        0 => f64::NAN,
        1 => f64::INFINITY,
        2 => -f64::MAX,
        3 => f64::MIN_POSITIVE,
        _ => 300.0 * stream.normal(),
    };
    let words = [0x0F, 0x0F, 0x0F, 0x0F, 0x06, 0x07, 0x00, 0x02, 0x80, 0x10F, 0xFFFF];
    Request {
        controlword: words[(stream.uniform() * 11.0) as usize],
        speed_rad_per_s: draw(stream),
        speed_offset_rad_per_s: draw(stream),
        torque_offset_nm: draw(stream),
        outside_torque_nm: (stream.uniform() < 0.5).then(|| draw(stream)),
        ..Request::default()
    }
}

/// Whatever is asked, written, counted and interrupted: every number is finite and no torque is beyond the limit.
#[test]
fn nothing_that_is_asked_makes_a_bad_torque() {
    let mut acted = 0;
    for seed in 0..200 {
        let mut stream = Stream::new(seed, "soak");
        let mut axis = Axis::new(tuned_drive_with(&[]));
        let mut request = draw_request(&mut stream);
        for k in 0..3000_u32 {
            match (stream.uniform() * 200.0) as u32 {
                0..=9 => request = draw_request(&mut stream),
                10..=13 => {
                    let (setting, value) = draw_write(&mut stream);
                    let before = axis.drive.read(setting);
                    let taken = axis.drive.write(setting, value).unwrap_or(before);
                    assert_eq!(axis.drive.read(setting).to_bits(), taken.to_bits());
                }
                14 => axis.drive.start_enabled(),
                15 if k % 5 == 0 => axis.drive.power_cycle(),
                16 if k % 5 == 0 => axis.drive.quick_stop(Trip::CommanderSilent),
                17 if k % 5 == 0 => axis.angle_rad = 1e9 * stream.normal(),
                _ => {}
            }
            let feedback = axis.tick(&request);
            let limit_nm = axis.drive.read(Setting::TorqueLimit);
            let numbers = [
                feedback.setpoint_rad_per_s,
                feedback.measured_speed_rad_per_s,
                feedback.controller_torque_nm,
                feedback.summed_torque_nm,
                feedback.torque_command_nm,
                axis.drive.integrator_torque_nm(),
            ];
            assert!(numbers.iter().all(|number| number.is_finite()), "seed {seed}, tick {k}: {feedback:?}");
            match axis.actuation {
                Actuation::Off => assert!(!axis.drive.torque_may_act(), "seed {seed}, tick {k}"),
                Actuation::Torque { torque_nm } => {
                    acted += 1;
                    assert!(torque_nm.abs() <= limit_nm, "seed {seed}, tick {k}: {torque_nm} Nm");
                }
                Actuation::Voltage { .. } => panic!("seed {seed}, tick {k}: a voltage without a winding"),
            }
            axis.speed_rad_per_s = axis.speed_rad_per_s.clamp(-1e4, 1e4);
        }
    }
    assert!(10_000 < acted, "torque acted in {acted} ticks only");
}
