//! The order of the method: fixed powers of time, the inner step halved.
//!
//! What it does not: step as the plant does of itself, with as many powers as the motion needs. Start reading at
//! [`measure`].

use plantstand::base::real;
use plantstand::base::time::TickRate;
use plantstand::plant::coupling::Coupling;
use plantstand::plant::event::EventLog;
use plantstand::plant::friction::{Coulomb, Friction};
use plantstand::plant::load::{Load, LoadKind};
use plantstand::plant::motor::MotorKind;
use plantstand::plant::stepper::{Applied, Plant, Stepping, TickInput};
use plantstand::plant::train::{Initial, Node, Parameters};

/// Errors of the speeds with a number of pieces a tick and with twice as many, and the order they show.
pub struct Halving {
    pub error_rad_per_s: f64,
    pub halved_error_rad_per_s: f64,
}

impl Halving {
    /// log2 of the errors' ratio.
    pub fn measured_order(&self) -> f64 {
        real::ln(self.error_rad_per_s / self.halved_error_rad_per_s) / real::ln(2.0)
    }
}

/// Halves the inner step of a smooth motion in which Stribeck friction, an unbalanced arm and a resonance all matter.
pub fn measure(order: usize, pieces: usize) -> Halving {
    let exact = speeds(Stepping::ADAPTED);
    let error = |pieces: usize| {
        let found = speeds(Stepping { order: Some(order), pieces });
        found.iter().zip(&exact).map(|(found, exact)| (found - exact).abs()).fold(0.0, f64::max)
    };
    Halving { error_rad_per_s: error(pieces), halved_error_rad_per_s: error(2 * pieces) }
}

fn speeds(stepping: Stepping) -> Vec<f64> {
    let friction = |scale: f64| {
        Friction::Coulomb(Coulomb {
            kinetic_nm: 0.1 * scale,
            static_nm: 0.4 * scale,
            stribeck_rad_per_s: 8.0,
            stribeck_exponent: 2.0,
            viscous_nms_per_rad: 0.002,
        })
    };
    let parameters = Parameters {
        motor: MotorKind::IdealTorque { lag_s: 2e-3 },
        nodes: vec![
            Node { inertia_kgm2: 4e-4, friction: friction(0.5) },
            Node { inertia_kgm2: 2e-3, friction: friction(1.0) },
        ],
        couplings: vec![Coupling {
            ratio: 1.0,
            stiffness_nm_per_rad: 260.0,
            damping_nms_per_rad: 0.02,
            half_gap_rad: 0.0,
            torque_limit_nm: None,
            coupled: true,
        }],
        stops: None,
        loads: vec![Load { node: 1, kind: LoadKind::UnbalancedArm { peak_nm: 0.6, zero_rad: 0.3 } }],
        brake: None,
    };
    let mut initial = Initial::at_rest(&parameters, 0.0);
    initial.speed_rad_per_s = vec![9.0, 6.0];
    let mut plant = Plant::with_stepping(&parameters, &initial, TickRate { hz: 500 }, false, stepping);
    let mut events = EventLog::new(10);
    for _ in 0..10 {
        plant.step(&TickInput { drive: Applied::Torque(0.8), ..TickInput::default() }, &mut events).expect("no fault");
    }
    assert_eq!(events.iter().count(), 0, "the motion is smooth");
    vec![plant.speed_rad_per_s(0), plant.speed_rad_per_s(1)]
}
