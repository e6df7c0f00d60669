//! The order of the method: fixed powers of time, the inner step halved.
//!
//! What it does not: say which cases there are (`cases.rs`). Start reading at [`measure`].

use plantstand::base::real;
use plantstand::base::time::TickRate;
use plantstand::plant::coupling::Coupling;
use plantstand::plant::event::EventLog;
use plantstand::plant::friction::{Coulomb, Friction};
use plantstand::plant::load::{Load, LoadKind};
use plantstand::plant::motor::MotorKind;
use plantstand::plant::stepper::{Applied, Plant, Stepping, TickInput};
use plantstand::plant::train::{Initial, Node, Parameters};

use crate::cases::{Found, Halving};
use crate::reference;

/// Errors with a number of pieces a tick and with twice as many, and the order they show.
pub struct Halved {
    pub error: f64,
    pub halved_error: f64,
}

impl Halved {
    /// log2 of the errors' ratio.
    pub fn measured_order(&self) -> f64 {
        real::ln(self.error / self.halved_error) / real::ln(2.0)
    }
}

/// Halves the inner step of a smooth motion and compares with what the plant does of itself.
pub fn measure(halving: &Halving, order: usize, pieces: usize) -> Halved {
    let exact = (halving.states)(Stepping::ADAPTED);
    let error = |pieces: usize| {
        let found = (halving.states)(Stepping { order: Some(order), pieces });
        found.iter().zip(&exact).map(|(found, exact)| (found - exact).abs()).fold(0.0, f64::max)
    };
    Halved { error: error(pieces), halved_error: error(2 * pieces) }
}

/// Ten long ticks of 2 ms without an event: the speeds after each tick, one after the other, and the plant at the end.
pub fn moved(parameters: &Parameters, initial: &Initial, stepping: Stepping) -> (Vec<f64>, Plant) {
    let mut plant = Plant::with_stepping(parameters, initial, TickRate { hz: 500 }, false, stepping);
    let mut events = EventLog::new(10);
    let mut speeds = initial.speed_rad_per_s.clone();
    for _ in 0..10 {
        plant.step(&TickInput { drive: Applied::Torque(0.8), ..TickInput::default() }, &mut events).expect("no fault");
        speeds.extend((0..plant.nodes()).map(|node| plant.speed_rad_per_s(node)));
    }
    assert_eq!(events.iter().count(), 0, "the motion is smooth");
    (speeds, plant)
}

/// A motion as the plant does it of itself, against ten pieces where it takes one; both as [`moved`] gives them.
pub fn against_finer(motion: fn(Stepping) -> (Vec<f64>, Plant)) -> Found {
    let (found, plant) = motion(Stepping::ADAPTED);
    let (finer, _) = motion(Stepping { order: None, pieces: 10 });
    let of_node = |states: &[f64], node: usize| states.iter().skip(node).step_by(plant.nodes()).copied().collect();
    let errors = (0..plant.nodes()).map(|node| {
        let (found, finer): (Vec<f64>, Vec<f64>) = (of_node(&found, node), of_node(&finer, node));
        reference::error(&finer, &found)
    });
    Found { error: errors.fold(0.0, f64::max), ticks: plant.tick(), effort: plant.effort() }
}

/// Two masses with a resonance and nothing that is not linear.
pub fn linear(stepping: Stepping) -> Vec<f64> {
    let node = |inertia_kgm2: f64, viscous_nms_per_rad: f64| Node {
        inertia_kgm2,
        friction: Friction::Coulomb(Coulomb {
            kinetic_nm: 0.0,
            static_nm: 0.0,
            stribeck_rad_per_s: 1.0,
            stribeck_exponent: 2.0,
            viscous_nms_per_rad,
        }),
    };
    let parameters = Parameters {
        motor: MotorKind::AT_ONCE,
        nodes: vec![node(4e-4, 1e-3), node(2e-3, 2e-3)],
        couplings: vec![coupling()],
        stops: None,
        loads: Vec::new(),
        brake: None,
    };
    let mut initial = Initial::at_rest(&parameters, 0.0);
    initial.speed_rad_per_s = vec![9.0, 6.0];
    moved(&parameters, &initial, stepping).0
}

/// A smooth motion in which Stribeck friction, an unbalanced arm, a torque lag and a resonance all matter.
pub fn curved(stepping: Stepping) -> (Vec<f64>, Plant) {
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
        couplings: vec![coupling()],
        stops: None,
        loads: vec![Load { node: 1, kind: LoadKind::UnbalancedArm { peak_nm: 0.6, zero_rad: 0.3 } }],
        brake: None,
    };
    let mut initial = Initial::at_rest(&parameters, 0.0);
    initial.speed_rad_per_s = vec![9.0, 6.0];
    moved(&parameters, &initial, stepping)
}

fn coupling() -> Coupling {
    Coupling {
        ratio: 1.0,
        stiffness_nm_per_rad: 260.0,
        damping_nms_per_rad: 0.02,
        half_gap_rad: 0.0,
        torque_limit_nm: None,
        coupled: true,
    }
}
