//! The chain of inertias as a linear system in speeds and twists.
//!
//! No state is an angle, so the free turning of the whole axis is no unstable mode; the motor's angle is added where a
//! difference of it is wanted. What it does not: friction other than viscous, gravity, stops. Start reading at
//! [`Chain::of`].

use nalgebra::{DMatrix, DVector};

use crate::plant::friction::Friction;
use crate::plant::train::{Node, Parameters};

/// How couplings with backlash are taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gaps {
    /// Teeth in contact: every coupling is its spring and damper.
    Closed,
    /// Teeth apart: every coupling with backlash is gone, and what lies behind the first one with it.
    Open,
}

/// x' = A x + B u. States: the nodes' speeds in rad/s from the motor on, the couplings' twists in rad, then the torque in
/// Nm where the torque path lags. Input: the torque command that acts, in Nm.
#[derive(Clone, Debug, PartialEq)]
pub struct Chain {
    /// A.
    pub a: DMatrix<f64>,
    /// B.
    pub b: DVector<f64>,
    /// Nodes that hang together with the motor.
    pub nodes: usize,
    /// Product of the ratios from the motor to the last node of the train; `None` when the load is not connected.
    pub load_ratio: Option<f64>,
}

/// Whether any coupling has backlash, so that a loop has to be judged with open gaps too.
#[must_use]
pub fn has_play(parameters: &Parameters) -> bool {
    parameters.couplings.iter().any(|coupling| 0.0 < coupling.half_gap_rad)
}

/// Viscous friction of a node in Nms/rad.
pub(in crate::linear) fn viscous_nms_per_rad(node: &Node) -> f64 {
    match &node.friction {
        Friction::None => 0.0,
        Friction::Coulomb(coulomb) => coulomb.viscous_nms_per_rad,
    }
}

impl Chain {
    /// The chain of a train: J_i w_i' = T_{i−1} − T_i / r_i − B_i w_i, T_i = k_i x_i + d_i x_i', x_i' = w_i / r_i − w_{i+1},
    /// and on the motor the torque, that follows its command with the torque path's lag.
    #[must_use]
    pub fn of(parameters: &Parameters, gaps: Gaps) -> Self {
        let couplings = &parameters.couplings;
        let cut = match gaps {
            Gaps::Closed => None,
            Gaps::Open => couplings.iter().position(|coupling| 0.0 < coupling.half_gap_rad),
        };
        let nodes = cut.map_or(parameters.nodes.len(), |coupling| coupling + 1);
        let lag_s = parameters.motor.torque_lag_s();
        let lags = 0.0 < lag_s;
        let size = 2 * nodes - 1 + usize::from(lags);
        let (mut a, mut b) = (DMatrix::zeros(size, size), DVector::zeros(size));
        for (i, node) in parameters.nodes[..nodes].iter().enumerate() {
            a[(i, i)] -= viscous_nms_per_rad(node) / node.inertia_kgm2;
        }
        for (i, coupling) in couplings[..nodes - 1].iter().enumerate() {
            let twist = nodes + i;
            // Twist rate by speeds, and with it the torque by states.
            let rate = [(i, 1.0 / coupling.ratio), (i + 1, -1.0)];
            let (before, after) = (parameters.nodes[i].inertia_kgm2, parameters.nodes[i + 1].inertia_kgm2);
            for (column, share) in rate {
                a[(twist, column)] += share;
                a[(i, column)] -= coupling.damping_nms_per_rad * share / coupling.ratio / before;
                a[(i + 1, column)] += coupling.damping_nms_per_rad * share / after;
            }
            a[(i, twist)] -= coupling.stiffness_nm_per_rad / coupling.ratio / before;
            a[(i + 1, twist)] += coupling.stiffness_nm_per_rad / after;
        }
        let motor = parameters.nodes[0].inertia_kgm2;
        if lags {
            let torque = size - 1;
            a[(0, torque)] = 1.0 / motor;
            a[(torque, torque)] = -1.0 / lag_s;
            b[torque] = 1.0 / lag_s;
        } else {
            b[0] = 1.0 / motor;
        }
        Self { a, b, nodes, load_ratio: cut.is_none().then(|| parameters.total_ratio()) }
    }

    /// The chain with the motor's angle in rad as one more, last state.
    #[must_use]
    pub fn with_motor_angle(&self) -> (DMatrix<f64>, DVector<f64>) {
        let size = self.a.nrows();
        let mut a = self.a.clone().resize(size + 1, size + 1, 0.0);
        a[(size, 0)] = 1.0;
        (a, self.b.clone().resize_vertically(size + 1, 0.0))
    }
}
