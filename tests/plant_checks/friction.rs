//! Part G: friction.
//!
//! What it does not: bristle friction. Start reading anywhere.

use plantstand::plant::event::{EventKind, EventLog};
use plantstand::plant::friction::{Coulomb, Friction};
use plantstand::plant::stepper::{Plant, Ramp, TickInput};
use plantstand::plant::train::Initial;

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
