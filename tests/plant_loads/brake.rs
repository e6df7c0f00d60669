//! The holding brake.
//!
//! What it does not: opening and closing times, which are the drive's. Start reading anywhere.

use plantstand::plant::brake::Brake;
use plantstand::plant::event::{EventKind, Place};
use plantstand::plant::load::{Load, LoadKind};
use plantstand::plant::stepper::{Applied, TickInput};
use plantstand::plant::train::Parameters;

use crate::machine::{assert_energy_closes, assert_near, chain, coupling, free, kinds, loaded, moving, run};

fn hanging(load_nm: f64, torque_nm: f64, drag_nm: f64) -> Parameters {
    let constant = LoadKind::Constant { torque_nm: load_nm };
    Parameters { brake: Some(Brake { node: 0, torque_nm, drag_nm }), ..loaded(0.01, constant) }
}

fn closed(brake_closed: bool) -> TickInput {
    TickInput { brake_closed, ..TickInput::default() }
}

/// A load falls for 100 ms, the brake closes on it: it stops after v J / (B − M), which is the moment it sticks, and
/// hangs there to the bit until the brake opens. Derived.
#[test]
fn it_catches_a_falling_load_and_holds_it_exactly() {
    let mut plant = moving(&hanging(2.0, 5.0, 0.0), &[0.0], &[0.0]);
    assert!(run(&mut plant, &closed(false), 800).is_empty(), "it falls");
    assert_near(plant.speed_rad_per_s(0), -20.0, 1e-12);
    let fallen_rad = plant.angle_rad(0);
    let events = run(&mut plant, &closed(true), 800);
    assert_eq!(kinds(&events), [(EventKind::Sticks, Place::Node(0), -1)]);
    let stopping_s = 20.0 * 0.01 / 3.0;
    assert_near(events[0].time_s, 0.1 + stopping_s, 1e-14);
    assert_near(plant.angle_rad(0), fallen_rad - 10.0 * stopping_s, 1e-12);
    let held_rad = plant.angle_rad(0);
    assert!(run(&mut plant, &closed(true), 800).is_empty());
    assert_eq!((plant.angle_rad(0), plant.speed_rad_per_s(0)), (held_rad, 0.0));
    let events = run(&mut plant, &closed(false), 800);
    assert_eq!(kinds(&events), [(EventKind::BreaksAway, Place::Node(0), -1)]);
    assert_near(plant.speed_rad_per_s(0), -20.0, 1e-12);
    assert_energy_closes(&plant);
}

/// Above its torque it slips with just that torque; open and dragging it takes its share.
#[test]
fn it_slips_above_its_torque_and_drags_when_open() {
    let mut plant = moving(&hanging(2.0, 1.5, 0.0), &[0.0], &[0.0]);
    let events = run(&mut plant, &closed(true), 800);
    assert_eq!(kinds(&events), [(EventKind::BreaksAway, Place::Node(0), -1)]);
    assert_near(plant.speed_rad_per_s(0), -5.0, 1e-12);
    let mut plant = moving(&hanging(0.0, 1.5, 0.25), &[0.0], &[10.0]);
    let events = run(&mut plant, &closed(false), 8000);
    assert_eq!(kinds(&events), [(EventKind::Sticks, Place::Node(0), 1)]);
    assert_near(events[0].time_s, 0.4, 1e-14);
    assert_energy_closes(&plant);
}

/// On the load behind a spring: the spring's torque swings about the load's, and the brake lets go where it passes.
#[test]
fn it_may_sit_on_another_node() {
    let parameters = Parameters {
        loads: vec![Load { node: 1, kind: LoadKind::Constant { torque_nm: 1.0 } }],
        brake: Some(Brake { node: 1, torque_nm: 3.0, drag_nm: 0.0 }),
        ..chain(vec![free(0.001), free(0.004)], vec![coupling(500.0, 0.05)])
    };
    let mut plant = moving(&parameters, &[0.0, 0.0], &[0.0, 0.0]);
    let input = TickInput { drive: Applied::Torque(2.5), ..closed(true) };
    let events = run(&mut plant, &input, 8000);
    assert!(!events.is_empty() && events.iter().all(|event| event.place == Place::Node(1)), "{events:?}");
    assert_eq!(plant.speed_rad_per_s(1), 0.0, "at last the spring holds 2.5 against 1, within 3");
    assert_energy_closes(&plant);
}
