//! Plants to check with.
//!
//! What it does not: check anything. Start reading at [`chain`].

use plantstand::base::time::TickRate;
use plantstand::plant::coupling::Coupling;
use plantstand::plant::event::{Event, EventKind, EventLog, Place};
use plantstand::plant::friction::{Coulomb, Friction};
use plantstand::plant::load::{Load, LoadKind};
use plantstand::plant::motor::MotorKind;
use plantstand::plant::stepper::{Applied, Plant, TickInput};
use plantstand::plant::train::{Initial, Node, Parameters};

pub const RATE: TickRate = TickRate { hz: 8000 };

pub fn free(inertia_kgm2: f64) -> Node {
    Node { inertia_kgm2, friction: Friction::None }
}

pub fn rubbing(inertia_kgm2: f64, kinetic_nm: f64, static_nm: f64) -> Node {
    let coulomb =
        Coulomb { kinetic_nm, static_nm, stribeck_rad_per_s: 1.0, stribeck_exponent: 2.0, viscous_nms_per_rad: 0.0 };
    Node { inertia_kgm2, friction: Friction::Coulomb(coulomb) }
}

pub fn coupling(stiffness_nm_per_rad: f64, damping_nms_per_rad: f64) -> Coupling {
    Coupling {
        ratio: 1.0,
        stiffness_nm_per_rad,
        damping_nms_per_rad,
        half_gap_rad: 0.0,
        torque_limit_nm: None,
        coupled: true,
    }
}

pub fn chain(nodes: Vec<Node>, couplings: Vec<Coupling>) -> Parameters {
    Parameters { motor: MotorKind::AT_ONCE, nodes, couplings, stops: None, loads: Vec::new(), brake: None }
}

/// One node under one load.
pub fn loaded(inertia_kgm2: f64, kind: LoadKind) -> Parameters {
    Parameters { loads: vec![Load { node: 0, kind }], ..chain(vec![free(inertia_kgm2)], Vec::new()) }
}

/// A plant at given angles and speeds, its energy kept account of.
pub fn moving(parameters: &Parameters, angle_rad: &[f64], speed_rad_per_s: &[f64]) -> Plant {
    let initial = Initial {
        angle_rad: angle_rad.to_vec(),
        speed_rad_per_s: speed_rad_per_s.to_vec(),
        ..Initial::at_rest(parameters, 0.0)
    };
    Plant::new(parameters, &initial, RATE, true)
}

pub fn torque(torque_nm: f64) -> TickInput {
    TickInput { drive: Applied::Torque(torque_nm), ..TickInput::default() }
}

/// Steps under one input; the events on the way.
pub fn run(plant: &mut Plant, input: &TickInput, ticks: u64) -> Vec<Event> {
    let mut events = EventLog::new(1000);
    for _ in 0..ticks {
        plant.step(input, &mut events).expect("no fault");
    }
    assert_eq!(events.dropped(), 0);
    events.iter().copied().collect()
}

pub fn kinds(events: &[Event]) -> Vec<(EventKind, Place, i8)> {
    events.iter().map(|event| (event.kind, event.place, event.direction)).collect()
}

pub fn assert_near(found: f64, expected: f64, tolerance: f64) {
    let error = (found - expected).abs();
    assert!(error <= tolerance, "found {found}, expected {expected}, {error:e} apart");
}

pub fn assert_energy_closes(plant: &Plant) {
    let energy = plant.energy();
    let share = energy.residual_j().abs() / energy.work_j();
    assert!(share <= 1e-9, "{share:e} of the work is unaccounted for: {energy:?}");
}
