//! The torque limiter of a coupling.
//!
//! What it does not: trajectories from outside (`plant_trajectories`). Start reading anywhere.

use plantstand::base::random::Stream;
use plantstand::base::real;
use plantstand::plant::coupling::Coupling;
use plantstand::plant::event::{EventKind, Place};
use plantstand::plant::train::Parameters;

use crate::machine::{RATE, assert_energy_closes, assert_near, chain, coupling, free, kinds, moving, run, torque};

const SLIPS: EventKind = EventKind::LimiterSlips;
const HOLDS: EventKind = EventKind::LimiterHolds;

fn limited(limit_nm: f64, damping_nms_per_rad: f64, half_gap_rad: f64) -> Parameters {
    let link = Coupling { torque_limit_nm: Some(limit_nm), half_gap_rad, ..coupling(400.0, damping_nms_per_rad) };
    chain(vec![free(0.001), free(0.003)], vec![link])
}

/// Two free masses, undamped, under a motor torque T: the spring's torque is S (1 − cos ω t) with S = T J2 / (J1 + J2)
/// and ω² = k (1/J1 + 1/J2), and slips when it reaches L. From then on the speeds go in straight lines: the motor's at
/// (T − L) / J1, the load's at L / J2. When T turns round they meet again, and it holds. Derived.
#[test]
fn without_damping_it_follows_the_closed_form() {
    for direction in [1_i8, -1] {
        let sign = f64::from(direction);
        let (drive_nm, limit_nm) = (4.0, 3.5);
        let mut plant = moving(&limited(limit_nm, 0.0, 0.0), &[0.0, 0.0], &[0.0, 0.0]);
        let events = run(&mut plant, &torque(sign * drive_nm), 60);
        assert_eq!(kinds(&events), [(SLIPS, Place::Coupling(0), direction)]);
        let (steady_nm, rad_per_s) = (drive_nm * 0.75, f64::sqrt(400.0 * (1000.0 + 1000.0 / 3.0)));
        let cosine = 1.0 - limit_nm / steady_nm;
        let sine = f64::sqrt(1.0 - cosine * cosine);
        let slip_s = real::atan2(sine, cosine) / rad_per_s;
        assert_near(events[0].time_s, slip_s, 1e-14);
        // The twist's speed is shared out as the inertias are; the whole turns with T / (J1 + J2).
        let twist_speed = steady_nm / 400.0 * rad_per_s * sine;
        let common = drive_nm / 0.004 * slip_s;
        let [motor, load] = [common + 0.75 * twist_speed, common - 0.25 * twist_speed];
        let since_s = RATE.seconds(60) - slip_s;
        assert_near(plant.speed_rad_per_s(0), sign * (motor + (drive_nm - limit_nm) / 0.001 * since_s), 1e-11);
        assert_near(plant.speed_rad_per_s(1), sign * (load + limit_nm / 0.003 * since_s), 1e-11);
        assert_eq!(plant.coupling_torque_nm(0), sign * limit_nm);
        let apart = (plant.speed_rad_per_s(0) - plant.speed_rad_per_s(1)) * sign;
        let events = run(&mut plant, &torque(-sign * drive_nm), 40);
        assert_eq!(kinds(&events[..1]), [(HOLDS, Place::Coupling(0), direction)]);
        let closing = (drive_nm + limit_nm) / 0.001 + limit_nm / 0.003;
        assert_near(events[0].time_s, RATE.seconds(60) + apart / closing, 1e-14);
        assert_energy_closes(&plant);
    }
}

/// With damping too: a motor that runs against a far heavier load slips for good with just the limit; what it loses is
/// the limit times the slip.
#[test]
fn it_slips_with_the_limit_and_turns_the_rest_into_heat() {
    let parameters = Parameters { nodes: vec![free(0.001), free(1e6)], ..limited(2.0, 0.05, 0.0) };
    let mut plant = moving(&parameters, &[0.0, 0.0], &[0.0, 0.0]);
    let events = run(&mut plant, &torque(3.0), 8000);
    assert_eq!(kinds(&events), [(SLIPS, Place::Coupling(0), 1)]);
    let since_s = 1.0 - events[0].time_s;
    let before_s = 0.01;
    let speed = |plant: &plantstand::plant::stepper::Plant| plant.speed_rad_per_s(0);
    let fast = speed(&plant);
    run(&mut plant, &torque(3.0), 80);
    assert_near(speed(&plant) - fast, 1000.0 * before_s, 1e-9);
    assert!(since_s < 1.0 && 990.0 < fast);
    assert_energy_closes(&plant);
    assert_near(plant.energy().limiters_j, 2.0 * plant.angle_rad(0), 1e-4 * plant.energy().limiters_j);
}

/// A limit that is never reached changes no bit.
#[test]
fn an_idle_limiter_changes_nothing() {
    let mut limited_plant = moving(&limited(1e6, 0.02, 1e-3), &[0.0, 0.0], &[3.0, 0.0]);
    let mut parameters = limited(1e6, 0.02, 1e-3);
    parameters.couplings[0].torque_limit_nm = None;
    let mut plain = moving(&parameters, &[0.0, 0.0], &[3.0, 0.0]);
    for tick in 0..2000 {
        let input = torque(if tick % 300 < 150 { 1.0 } else { -1.0 });
        assert_eq!(run(&mut limited_plant, &input, 1), run(&mut plain, &input, 1));
        for node in 0..2 {
            assert_eq!(limited_plant.angle_rad(node).to_bits(), plain.angle_rad(node).to_bits());
        }
    }
}

/// A hundred random machines with play, friction and a limiter under random torques (seed 9): energy closes, the torque
/// never exceeds the limit, slips and holds take turns.
#[test]
fn random_machines_with_limiters_lose_no_energy() {
    let mut dice = Stream::new(9, "limiters");
    let mut slips = 0;
    for machine in 0..100 {
        let mut between = |low: f64, high: f64| low + (high - low) * dice.uniform();
        let damping = if machine % 4 == 0 { 0.0 } else { between(0.001, 1.0) };
        let half_gap_rad = if machine % 3 == 0 { 0.0 } else { between(0.0, 3e-3) };
        let limit_nm = between(0.5, 3.0);
        let mut parameters = limited(limit_nm, damping, half_gap_rad);
        parameters.couplings[0].ratio = [1.0, 3.0, -2.0][machine % 3];
        parameters.nodes = vec![
            crate::machine::rubbing(between(5e-4, 3e-3), 0.05, 0.08),
            crate::machine::rubbing(between(1e-3, 8e-3), 0.1, 0.2),
        ];
        let mut plant = moving(&parameters, &[0.0, 0.0], &[0.0, 0.0]);
        let mut all = Vec::new();
        for _ in 0..40 {
            let input = torque(between(-3.0, 3.0));
            for _ in 0..50 {
                all.extend(run(&mut plant, &input, 1));
                assert!(plant.coupling_torque_nm(0).abs() <= limit_nm * (1.0 + 1e-12), "machine {machine}");
            }
        }
        let turns: Vec<EventKind> =
            all.iter().map(|event| event.kind).filter(|kind| [SLIPS, HOLDS].contains(kind)).collect();
        assert!(turns.iter().step_by(2).all(|kind| *kind == SLIPS), "machine {machine}: {turns:?}");
        assert!(turns.iter().skip(1).step_by(2).all(|kind| *kind == HOLDS), "machine {machine}: {turns:?}");
        slips += turns.len();
        assert_energy_closes(&plant);
    }
    assert!(500 < slips, "{slips}");
}
