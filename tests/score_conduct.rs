//! Conduct is counted as it happened: travel, strikes and their work, overspeed, moves, trips, effort.

use plantstand::base::time::TickRate;
use plantstand::base::units::{DEG_RAD, RPM_RAD_PER_S};
use plantstand::score::conduct::{Rules, Seen, Stops, Watch};
use plantstand::score::measure::Measure;
use plantstand::score::{Answer, NoNumber};

const RATE: TickRate = TickRate { hz: 8000 };
const STOPS: Stops = Stops { low_rad: -2.0, high_rad: 2.0, stiffness_nm_per_rad: 2000.0, damping_nms_per_rad: 3.0 };

fn rules() -> Rules {
    Rules {
        rate: RATE,
        origin_rad: 0.0,
        window_low_rad: -90.0 * DEG_RAD,
        window_high_rad: 60.0 * DEG_RAD,
        max_speed_rad_per_s: 1000.0 * RPM_RAD_PER_S,
        total_ratio: -10.0,
        rated_torque_nm: 2.0,
        stops: Some(STOPS),
    }
}

fn still(load_angle_rad: f64) -> Seen {
    Seen {
        load_angle_rad,
        load_speed_rad_per_s: 0.0,
        motor_speed_rad_per_s: 0.0,
        torque_command_nm: 0.0,
        torque_limit_nm: 4.0,
    }
}

fn close(watch: &Watch, measure: Measure, expected: f64) {
    let found = watch.answer(measure).value().expect("conduct has numbers");
    assert!((found - expected).abs() <= 1e-9 * expected.abs().max(1.0), "{}: {found} {expected}", measure.name());
}

#[test]
fn travel_is_that_of_the_load() {
    let mut watch = Watch::new(rules());
    close(&watch, Measure::TravelWindow, 0.0);
    close(&watch, Measure::TravelOverrun, 0.0);
    for angle_deg in [0.0, -30.0, 75.0, 10.0] {
        watch.tick(&still(angle_deg * DEG_RAD));
    }
    close(&watch, Measure::TravelWindow, 105.0);
    close(&watch, Measure::TravelPath, 30.0 + 105.0 + 65.0);
    close(&watch, Measure::TravelOverrun, 15.0);
    close(&watch, Measure::TuningTime, 4.0 / 8000.0);
}

#[test]
fn travel_of_an_endless_axis_counts_from_its_start() {
    let mut watch = Watch::new(Rules { origin_rad: 3.0, ..rules() });
    watch.tick(&still(3.0));
    watch.tick(&still(3.0 - 95.0 * DEG_RAD));
    close(&watch, Measure::TravelOverrun, 5.0);
}

#[test]
fn overspeed_is_counted_above_the_highest_speed() {
    let mut watch = Watch::new(rules());
    watch.tick(&Seen { motor_speed_rad_per_s: -990.0 * RPM_RAD_PER_S, ..still(0.0) });
    close(&watch, Measure::Overspeed, 0.0);
    watch.tick(&Seen { motor_speed_rad_per_s: -1050.0 * RPM_RAD_PER_S, ..still(0.0) });
    close(&watch, Measure::Overspeed, 5.0);
}

/// A reversal is part of the move; a stop of 50 ms ends it.
#[test]
fn moves_start_from_standstill() {
    let mut watch = Watch::new(rules());
    let moving = |rpm: f64| Seen { load_speed_rad_per_s: rpm * RPM_RAD_PER_S / 10.0, ..still(0.0) };
    let stretches = [(0.0, 400), (100.0, 800), (1.0, 300), (-100.0, 800), (0.0, 400), (100.0, 100)];
    for (rpm, ticks) in stretches {
        for _ in 0..ticks {
            watch.tick(&moving(rpm));
        }
    }
    close(&watch, Measure::Moves, 2.0);
}

#[test]
fn effort_counts_every_tick() {
    let mut watch = Watch::new(rules());
    for torque_command_nm in [-3.998, 1.0, 1.0, 1.0] {
        watch.tick(&Seen { torque_command_nm, ..still(0.0) });
    }
    close(&watch, Measure::TimeAtLimit, 25.0);
    close(&watch, Measure::TorquePeak, 199.9);
    close(&watch, Measure::TorqueRms, 50.0 * ((3.998 * 3.998 + 3.0) / 4.0_f64).sqrt());
}

#[test]
fn faults_and_kept_settings_are_told() {
    let mut watch = Watch::new(rules());
    assert_eq!(watch.answer(Measure::SettingsKept), Answer::Without(NoNumber::NotReached));
    watch.power_cycled(true);
    watch.fault();
    close(&watch, Measure::SettingsKept, 1.0);
    close(&watch, Measure::Faults, 1.0);
    assert_eq!(watch.answer(Measure::Overshoot), Answer::Without(NoNumber::NotDefined));
}

/// An undamped stop takes the kinetic energy; a damped one takes the work of spring and damper up to the turn.
#[test]
fn stop_energy_is_the_work_up_to_greatest_compression() {
    let inertia_kgm2 = 0.2;
    for damping_nms_per_rad in [0.0, 3.0] {
        let mut watch = Watch::new(Rules { stops: Some(Stops { damping_nms_per_rad, ..STOPS }), ..rules() });
        // Free flight at −1.5 rad/s into the lower stop, then J p'' = −k p − d p', stepped far below a tick.
        let (mut angle, mut speed) = (STOPS.low_rad + 0.001, -1.5);
        let substeps = 100;
        let step_s = RATE.period_s() / f64::from(substeps);
        for _ in 0..600 {
            watch.tick(&Seen { load_angle_rad: angle, load_speed_rad_per_s: speed, ..still(0.0) });
            for _ in 0..substeps {
                let compression: f64 = STOPS.low_rad - angle;
                let torque = if 0.0 < compression {
                    (STOPS.stiffness_nm_per_rad * compression - damping_nms_per_rad * speed).max(0.0)
                } else {
                    0.0
                };
                speed += torque / inertia_kgm2 * step_s;
                angle += speed * step_s;
            }
        }
        watch.strike(0.5 * inertia_kgm2 * 1.5 * 1.5);
        let found = watch.answer(Measure::StopEnergy).value().expect("conduct has numbers");
        // Whatever the damper takes, the node stands at greatest compression: all of its kinetic energy went in.
        assert!((found / 0.225 - 1.0).abs() < 2e-3, "damping {damping_nms_per_rad}: {found} J");
        close(&watch, Measure::StopStrikes, 1.0);
    }
}

/// A contact that ends between two ticks leaves no compressed sample: its kinetic energy counts.
#[test]
fn a_strike_between_two_ticks_keeps_its_kinetic_energy() {
    let mut watch = Watch::new(rules());
    watch.tick(&still(1.999));
    watch.strike(0.4);
    watch.tick(&still(1.999));
    close(&watch, Measure::StopEnergy, 0.4);
}

/// The largest strike counts, wherever it stands among those that end between two ticks.
#[test]
fn the_hardest_of_several_short_strikes_counts() {
    for strikes_j in [[0.1, 0.4, 0.2], [0.4, 0.1, 0.2], [0.1, 0.2, 0.4]] {
        let (mut apart, mut at_once) = (Watch::new(rules()), Watch::new(rules()));
        apart.tick(&still(1.999));
        at_once.tick(&still(1.999));
        for energy_j in strikes_j {
            apart.strike(energy_j);
            apart.tick(&still(1.999));
            at_once.strike(energy_j);
        }
        at_once.tick(&still(1.999));
        close(&apart, Measure::StopEnergy, 0.4);
        close(&at_once, Measure::StopEnergy, 0.4);
    }
}

/// A strike that a tick sees counts with the work on the stop, not with the kinetic energy beside it.
#[test]
fn a_strike_that_is_seen_counts_with_the_work_on_the_stop() {
    let mut watch = Watch::new(rules());
    watch.tick(&still(1.999));
    watch.strike(0.9);
    watch.tick(&still(2.01));
    // Half of 2000 Nm/rad times (0.01 rad)²; it stands still before and after, so that the damper does nothing.
    close(&watch, Measure::StopEnergy, 0.1);
}
