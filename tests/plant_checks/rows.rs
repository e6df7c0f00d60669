//! Rows of the check values, and plants to check them with.
//!
//! What it does not: check anything. Start reading at [`Row`].

use std::path::Path;

use plantstand::base::time::TickRate;
use plantstand::plant::coupling::Coupling;
use plantstand::plant::event::{Event, EventKind, EventLog};
use plantstand::plant::friction::{Coulomb, Friction};
use plantstand::plant::motor::MotorKind;
use plantstand::plant::stepper::{Plant, TickInput};
use plantstand::plant::train::{Initial, Node, Parameters};
use serde_json::Value;

/// A row by its name.
pub struct Row(Value);

impl Row {
    pub fn named(id: &str) -> Self {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/check-values.json");
        let file: Value = serde_json::from_str(&std::fs::read_to_string(path).expect("check values")).expect("JSON");
        let rows = file["rows"].as_array().expect("rows");
        Self(rows.iter().find(|row| row["id"] == id).unwrap_or_else(|| panic!("no row {id}")).clone())
    }

    pub fn input(&self, key: &str) -> f64 {
        self.0["inputs"][key].as_f64().unwrap_or_else(|| panic!("no input {key}"))
    }

    pub fn inputs(&self, key: &str) -> Vec<f64> {
        self.0["inputs"][key]
            .as_array()
            .expect("a list")
            .iter()
            .map(|value| value.as_f64().expect("a number"))
            .collect()
    }

    /// All expected numbers, those of nested lists in order.
    pub fn expected(&self) -> Vec<f64> {
        let mut numbers = Vec::new();
        flatten(&self.0["expected"], &mut numbers);
        numbers
    }

    /// Every number found within the row's own tolerance.
    pub fn check(&self, found: &[f64]) {
        self.check_within(found, self.0["tolerance"]["value"].as_f64().expect("one tolerance"));
    }

    /// The same with a tolerance of the test's own, for which it gives the reason.
    pub fn check_within(&self, found: &[f64], tolerance: f64) {
        let expected = self.expected();
        assert_eq!(found.len(), expected.len());
        for (found, expected) in found.iter().zip(&expected) {
            let scale = if self.0["tolerance"]["kind"] == "rel" { expected.abs() } else { 1.0 };
            let error = (found - expected).abs();
            assert!(error <= tolerance * scale, "{}: found {found}, expected {expected} ({error:e})", self.0["id"]);
        }
    }
}

fn flatten(value: &Value, numbers: &mut Vec<f64>) {
    match value {
        Value::Array(list) => list.iter().for_each(|value| flatten(value, numbers)),
        value => numbers.push(value.as_f64().expect("a number")),
    }
}

/// 8 kHz.
pub const RATE: TickRate = TickRate { hz: 8000 };

pub fn free(inertia_kgm2: f64) -> Node {
    Node { inertia_kgm2, friction: Friction::None }
}

pub fn rubbing(inertia_kgm2: f64, coulomb: Coulomb) -> Node {
    Node { inertia_kgm2, friction: Friction::Coulomb(coulomb) }
}

pub fn chain(nodes: Vec<Node>, couplings: Vec<Coupling>) -> Parameters {
    Parameters { motor: MotorKind::AT_ONCE, nodes, couplings, stops: None, loads: Vec::new(), brake: None }
}

/// A plant at given speeds, its last node at an angle.
pub fn moving(parameters: &Parameters, speeds_rad_per_s: &[f64], load_angle_rad: f64, rate: TickRate) -> Plant {
    let mut initial = Initial::at_rest(parameters, load_angle_rad);
    initial.speed_rad_per_s = speeds_rad_per_s.to_vec();
    Plant::new(parameters, &initial, rate, true)
}

/// Steps with the same input until an event of a kind, which is returned, with the plant at the end of its tick.
pub fn run_until(plant: &mut Plant, input: &TickInput, kind: EventKind) -> Event {
    let mut events = EventLog::new(100);
    for _ in 0..1_000_000 {
        plant.step(input, &mut events).expect("no fault");
        if let Some(event) = events.iter().find(|event| event.kind == kind) {
            return *event;
        }
    }
    panic!("no {}", kind.name());
}
