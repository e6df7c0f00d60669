//! Coupled and uncoupled by hand.
//!
//! What it does not: ask who may (see `drive`). Start reading anywhere.

use plantstand::plant::event::{EventKind, Place};
use plantstand::plant::load::{Load, LoadKind};
use plantstand::plant::stepper::NotAtRest;
use plantstand::plant::train::Parameters;

use crate::machine::{assert_energy_closes, assert_near, chain, coupling, free, kinds, moving, rubbing, run, torque};

fn train() -> Parameters {
    chain(vec![rubbing(0.001, 0.02, 0.03), rubbing(0.004, 0.1, 0.2)], vec![coupling(500.0, 0.05)])
}

/// Uncoupled, the motor turns alone with its own inertia and friction, and the load stands to the bit.
#[test]
fn uncoupled_the_motor_turns_alone() {
    let mut plant = moving(&train(), &[0.0, 0.0], &[0.0, 0.0]);
    plant.uncouple(0).expect("it is at rest");
    assert!(!plant.is_coupled(0));
    let events = run(&mut plant, &torque(0.52), 800);
    assert_eq!(kinds(&events), [(EventKind::BreaksAway, Place::Node(0), 1)]);
    assert_near(plant.speed_rad_per_s(0), 50.0, 0.05);
    assert_eq!((plant.angle_rad(1), plant.speed_rad_per_s(1)), (0.0, 0.0));
    assert_eq!(plant.coupling_torque_nm(0), 0.0);
    assert_eq!(plant.couple(0), Err(NotAtRest), "not while it turns");
    assert!(!plant.is_coupled(0));
    assert_energy_closes(&plant);
}

/// Coupled again the nodes are untwisted where they stand, and move together from there on.
#[test]
fn coupled_again_it_is_untwisted_where_it_stands() {
    let mut plant = moving(&train(), &[0.0, 0.0], &[0.0, 0.0]);
    plant.uncouple(0).expect("at rest");
    run(&mut plant, &torque(0.5), 400);
    run(&mut plant, &torque(0.0), 16_000);
    assert!(plant.is_at_rest());
    let apart_rad = plant.angle_rad(0) - plant.angle_rad(1);
    assert!(0.1 < apart_rad);
    plant.couple(0).expect("at rest");
    plant.couple(0).expect("coupled already: nothing changes");
    assert_eq!(plant.coupling_torque_nm(0), 0.0);
    let mut clone = plant.clone();
    for _ in 0..2000 {
        assert_eq!(run(&mut plant, &torque(0.5), 1), run(&mut clone, &torque(0.5), 1));
        assert_eq!(plant.angle_rad(1).to_bits(), clone.angle_rad(1).to_bits());
    }
    assert!(1.0 < plant.angle_rad(1));
    assert_near(plant.angle_rad(0) - plant.angle_rad(1), apart_rad, 2e-3);
    assert_energy_closes(&plant);
}

/// A strained coupling taken apart: its spring's energy is accounted for, and what it held moves, each its own way.
#[test]
fn what_a_strained_coupling_held_is_let_go() {
    let parameters = Parameters {
        loads: vec![Load { node: 1, kind: LoadKind::Constant { torque_nm: 2.0 } }],
        ..chain(vec![rubbing(0.001, 3.0, 3.0), free(0.004)], vec![coupling(500.0, 0.5)])
    };
    let mut plant = moving(&parameters, &[0.0, -0.004], &[0.0, 0.0]);
    run(&mut plant, &torque(0.0), 8000);
    assert_near(plant.coupling_torque_nm(0), 2.0, 1e-9);
    assert_eq!(plant.speed_rad_per_s(0), 0.0);
    let hung_rad = plant.angle_rad(1);
    plant.uncouple(0).expect("at rest");
    assert!(run(&mut plant, &torque(0.0), 800).is_empty());
    assert_near(plant.angle_rad(1) - hung_rad, -0.5 * 500.0 * 0.01, 1e-9);
    assert_energy_closes(&plant);
}

/// `coupled: false` starts it so.
#[test]
fn it_may_start_uncoupled() {
    let mut parameters = train();
    parameters.couplings[0].coupled = false;
    let mut plant = moving(&parameters, &[0.0, 0.0], &[0.0, 0.0]);
    run(&mut plant, &torque(0.5), 800);
    assert_eq!(plant.speed_rad_per_s(1), 0.0);
    assert!(40.0 < plant.speed_rad_per_s(0));
}
