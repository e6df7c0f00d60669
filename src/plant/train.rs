//! What a machine is: a chain of inertias from the motor outwards, and the state it starts from.
//!
//! What it does not: move (see [`crate::plant::stepper`]) or check what people wrote (see `scenario`). Start reading at
//! [`Parameters`].

use crate::plant::brake::Brake;
use crate::plant::coupling::Coupling;
use crate::plant::friction::Friction;
use crate::plant::load::Load;
use crate::plant::motor::MotorKind;
use crate::plant::stops::Stops;

/// A chain of n ≥ 1 inertias and the n − 1 couplings between them. Nodes and couplings count from 0: node 0 is the
/// motor, coupling i joins node i to node i + 1.
#[derive(Clone, Debug, PartialEq)]
pub struct Parameters {
    /// How the motor's torque comes about.
    pub motor: MotorKind,
    /// The inertias, motor first.
    pub nodes: Vec<Node>,
    /// The couplings, the motor's first; one fewer than nodes.
    pub couplings: Vec<Coupling>,
    /// End stops of the last node; `None`: it may turn without end.
    pub stops: Option<Stops>,
    /// Loads on nodes, any number.
    pub loads: Vec<Load>,
    /// The holding brake; `None`: there is none.
    pub brake: Option<Brake>,
}

/// One inertia with its friction.
#[derive(Clone, Debug, PartialEq)]
pub struct Node {
    /// Inertia in kg·m², above 0, at this node's own speed.
    pub inertia_kgm2: f64,
    /// Friction between this node and the frame.
    pub friction: Friction,
}

impl Parameters {
    /// Motor turns per turn of the last node: the product of the couplings' ratios; 1 for a single node.
    #[must_use]
    pub fn total_ratio(&self) -> f64 {
        self.couplings.iter().map(|coupling| coupling.ratio).product()
    }
}

/// Where a machine starts.
#[derive(Clone, Debug, PartialEq)]
pub struct Initial {
    /// Angle in rad, one per node.
    pub angle_rad: Vec<f64>,
    /// Speed in rad/s, one per node.
    pub speed_rad_per_s: Vec<f64>,
    /// Position inside the backlash in rad, in [−half gap, half gap], one per coupling; 0 where there is no backlash.
    pub gap_position_rad: Vec<f64>,
}

impl Initial {
    /// At rest with the last node at an angle in rad, every coupling untwisted and in the middle of its backlash.
    #[must_use]
    pub fn at_rest(parameters: &Parameters, load_angle_rad: f64) -> Self {
        let count = parameters.nodes.len();
        let mut angle_rad = vec![load_angle_rad; count];
        for (node, coupling) in parameters.couplings.iter().enumerate().rev() {
            angle_rad[node] = coupling.ratio * angle_rad[node + 1];
        }
        Self { angle_rad, speed_rad_per_s: vec![0.0; count], gap_position_rad: vec![0.0; parameters.couplings.len()] }
    }
}
