//! Part G: friction.
//!
//! What it does not: steady bristles (`tests/plant_trajectories/friction.rs`). Start reading anywhere.

use plantstand::base::time::TickRate;
use plantstand::plant::coupling::Coupling;
use plantstand::plant::event::{EventKind, EventLog};
use plantstand::plant::friction::{Bristle, Coulomb, Friction};
use plantstand::plant::stepper::{Plant, Ramp, TickInput};
use plantstand::plant::train::{Initial, Node};

use crate::rows::{RATE, Row, chain, moving, rubbing, run_until};

fn coulomb(row: &Row) -> Coulomb {
    Coulomb {
        kinetic_nm: row.input("kinetic_nm"),
        static_nm: row.input("static_nm"),
        stribeck_rad_per_s: row.input("stribeck_rad_per_s"),
        stribeck_exponent: row.input("stribeck_exponent"),
        viscous_nms_per_rad: row.input("viscous_nms_per_rad"),
    }
}

fn check_points(id: &str) {
    let row = Row::named(id);
    let friction = Friction::Coulomb(coulomb(&row));
    let torques = row.inputs("speeds_rad_per_s").into_iter().map(|speed| friction.slipping_torque_nm(speed));
    row.check(&torques.collect::<Vec<_>>());
}

/// Row `stribeck-points`: Armstrong-Hélouvry, Dupont and Canudas de Wit, Automatica 30 (1994).
#[test]
fn stribeck_points() {
    check_points("stribeck-points");
}

/// Row `stribeck-points-exponent-1`: as above.
#[test]
fn stribeck_points_with_exponent_1() {
    check_points("stribeck-points-exponent-1");
}

/// Row `coast-down`: derived, by separating J w' = −Tc − B w.
#[test]
fn coast_down() {
    let row = Row::named("coast-down");
    let kinetic_nm = row.input("kinetic_nm");
    let friction = Coulomb {
        kinetic_nm,
        static_nm: row.input("static_nm"),
        stribeck_rad_per_s: 1.0,
        stribeck_exponent: 2.0,
        viscous_nms_per_rad: row.input("viscous_nms_per_rad"),
    };
    let parameters = chain(vec![rubbing(row.input("inertia_kgm2"), friction)], Vec::new());
    let mut plant = moving(&parameters, &[row.input("initial_rad_per_s")], 0.0, RATE);
    let stick = run_until(&mut plant, &TickInput::default(), EventKind::Sticks);
    let coulomb_j = kinetic_nm * plant.angle_rad(0);
    row.check(&[stick.time_s, plant.angle_rad(0), coulomb_j, plant.energy().friction_j - coulomb_j]);
}

/// Row `coast-down-stribeck`: derived, the integral of J dw / F(w).
#[test]
fn coast_down_with_stribeck_friction() {
    let row = Row::named("coast-down-stribeck");
    let parameters = chain(vec![rubbing(row.input("inertia_kgm2"), coulomb(&row))], Vec::new());
    let mut plant = moving(&parameters, &[row.input("initial_rad_per_s")], 0.0, RATE);
    let stick = run_until(&mut plant, &TickInput::default(), EventKind::Sticks);
    row.check(&[stick.time_s, plant.angle_rad(0)]);
}

/// A Stribeck curve so narrow that the node comes down all of it within one tick, from speeds at which nothing of it is
/// felt: the time to rest is the integral of J dw / F(w), derived; Simpson's rule.
#[test]
fn a_narrow_stribeck_curve_is_not_stepped_over() {
    let inertia_kgm2 = 1e-3;
    for (exponent, start_per_stribeck) in [(1.0, 15.0), (1.0, 40.0), (2.0, 5.0), (2.0, 6.1), (2.0, 40.0), (1.5, 12.0)] {
        let start_rad_per_s = 0.03;
        let friction = Coulomb {
            kinetic_nm: 0.3,
            static_nm: 1.5,
            stribeck_rad_per_s: start_rad_per_s / start_per_stribeck,
            stribeck_exponent: exponent,
            viscous_nms_per_rad: 0.0,
        };
        let law = Friction::Coulomb(friction);
        let parts = 200_000;
        let width = start_rad_per_s / f64::from(parts);
        // At speed 0 itself the law is that of a node that rests.
        let inverse = |k: i32| 1.0 / law.slipping_torque_nm((width * f64::from(k)).max(1e-300));
        let weight = |k: i32| [2.0, 4.0][usize::try_from(k % 2).expect("0 or 1")];
        let inner: f64 = (1..parts).map(|k| weight(k) * inverse(k)).sum();
        let time_s = inertia_kgm2 * width / 3.0 * (inverse(0) + inner + inverse(parts));
        let parameters = chain(vec![rubbing(inertia_kgm2, friction)], Vec::new());
        let mut plant = moving(&parameters, &[start_rad_per_s], 0.0, RATE);
        let stick = run_until(&mut plant, &TickInput::default(), EventKind::Sticks);
        let share = (stick.time_s - time_s).abs() / time_s;
        assert!(
            share < 1e-9,
            "exponent {exponent}, from {start_per_stribeck} Stribeck speeds: {} s, {time_s} s",
            stick.time_s
        );
    }
}

/// Row `breakaway-ramp`: derived. The ramp is a load torque, since the motor's is held over a tick.
#[test]
fn breakaway_on_a_ramp() {
    let row = Row::named("breakaway-ramp");
    let friction = Coulomb {
        kinetic_nm: row.input("kinetic_nm"),
        static_nm: row.input("static_nm"),
        stribeck_rad_per_s: 1.0,
        stribeck_exponent: 2.0,
        viscous_nms_per_rad: 0.0,
    };
    let parameters = chain(vec![rubbing(row.input("inertia_kgm2"), friction)], Vec::new());
    let mut plant = Plant::new(&parameters, &Initial::at_rest(&parameters, 0.0), RATE, false);
    let mut events = EventLog::new(10);
    let torque_nm = |tick: u64| -row.input("ramp_nm_per_s") * RATE.seconds(tick);
    while plant.tick() < RATE.nearest_tick(row.input("at_s")) {
        let load_torque_nm = Ramp { start: torque_nm(plant.tick()), end: torque_nm(plant.tick() + 1) };
        plant.step(&TickInput { load_torque_nm, ..TickInput::default() }, &mut events).expect("no fault");
    }
    let breakaway = events.iter().next().expect("it breaks away");
    assert_eq!((breakaway.kind, events.iter().count()), (EventKind::BreaksAway, 1));
    row.check(&[breakaway.time_s, plant.speed_rad_per_s(0), plant.angle_rad(0)]);
}

/// A node drawn by a spring whose other end is so heavy that it moves on at its speed: angle and speed at the row's times.
fn drawn(row: &Row) -> Vec<[f64; 2]> {
    let bristle = Bristle {
        kinetic_nm: row.input("kinetic_nm"),
        static_nm: row.input("static_nm"),
        stribeck_rad_per_s: row.input("stribeck_rad_per_s"),
        stribeck_exponent: 2.0,
        viscous_nms_per_rad: row.input("sigma2_nms_per_rad"),
        stiffness_nm_per_rad: row.input("sigma0_nm_per_rad"),
        damping_nms_per_rad: row.input("sigma1_nms_per_rad"),
    };
    let spring = Coupling {
        ratio: 1.0,
        stiffness_nm_per_rad: row.input("spring_nm_per_rad"),
        damping_nms_per_rad: 0.0,
        half_gap_rad: 0.0,
        torque_limit_nm: None,
        coupled: true,
    };
    let drawn = Node { inertia_kgm2: row.input("inertia_kgm2"), friction: Friction::Bristle(bristle) };
    let heavy = Node { inertia_kgm2: 1e9, friction: Friction::None };
    let parameters = chain(vec![heavy, drawn], vec![spring]);
    let rate = TickRate { hz: 1000 };
    let mut plant = moving(&parameters, &[row.input("drawn_at_rad_per_s"), 0.0], 0.0, rate);
    let mut events = EventLog::new(10);
    let at = row.inputs("at_s").into_iter().map(|at_s| {
        while plant.tick() < rate.nearest_tick(at_s) {
            plant.step(&TickInput::default(), &mut events).expect("no fault");
        }
        [plant.angle_rad(1), plant.speed_rad_per_s(1)]
    });
    at.collect()
}

/// Row `lugre-stick-slip`: the numbers of Canudas de Wit et al. 1995, from memory.
#[test]
fn bristles_stick_and_slip() {
    let row = Row::named("lugre-stick-slip");
    row.check(&drawn(&row).iter().map(|state| state[0]).collect::<Vec<_>>());
}

/// Row `lugre-stick-slip-machine`: as above, with the numbers of a small machine.
#[test]
fn bristles_of_a_small_machine_stick_and_slip() {
    let row = Row::named("lugre-stick-slip-machine");
    let states = drawn(&row);
    let found: Vec<f64> = (0..2).flat_map(|which| states.iter().map(move |state| state[which])).collect();
    // Of the largest of each: angles to 0.06 rad, speeds to 0.45 rad/s.
    row.check_within(&found, 0.06 * 1e-5);
}
