//! The chain of inertias as a linear system in speeds and twists.
//!
//! No state is an angle, so the free turning of the whole axis is no unstable mode; the motor's angle is added where a
//! difference of it is wanted. What it does not: friction other than viscous, gravity, stops. Start reading at
//! [`Chain::of`].

use nalgebra::{DMatrix, DVector};

use crate::plant::coupling::Coupling;
use crate::plant::motor::MotorKind;
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
/// Nm where the torque path lags, or the current of the q axis in A where the motor has a winding. Input: the torque
/// command that acts, in Nm, or the voltage on the q axis, in V.
#[derive(Clone, Debug, PartialEq)]
pub struct Chain {
    /// A.
    pub a: DMatrix<f64>,
    /// B.
    pub b: DVector<f64>,
    /// Nodes that hang together with the motor.
    pub nodes: usize,
    /// The place of the current among the states; `None` for a motor without a winding.
    pub current: Option<usize>,
    /// Product of the ratios from the motor to the last node of the train; `None` when the load is not connected.
    pub load_ratio: Option<f64>,
}

/// How the input becomes torque on the motor. A lag's torque or a winding's current is the last state.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Actuator {
    /// The torque is the input.
    AtOnce,
    /// The torque follows the input.
    Lag { lag_s: f64 },
    /// L i' = v − R i − K w, torque K i.
    Winding { resistance_ohm: f64, inductance_h: f64, torque_constant_nm_per_a: f64, volts_per_rad_per_s: f64 },
}

impl Actuator {
    fn of(motor: &MotorKind) -> Self {
        match motor {
            MotorKind::IdealTorque { lag_s } if 0.0 < *lag_s => Self::Lag { lag_s: *lag_s },
            MotorKind::IdealTorque { .. } => Self::AtOnce,
            MotorKind::Pmsm(pmsm) => {
                let volts_per_rad_per_s = f64::from(pmsm.pole_pairs) * pmsm.flux_linkage_vs;
                Self::Winding {
                    resistance_ohm: pmsm.resistance_ohm,
                    inductance_h: pmsm.inductance_q_h,
                    torque_constant_nm_per_a: 1.5 * volts_per_rad_per_s,
                    volts_per_rad_per_s,
                }
            }
            MotorKind::Brushed(brushed) => Self::Winding {
                resistance_ohm: brushed.resistance_ohm,
                inductance_h: brushed.inductance_h,
                torque_constant_nm_per_a: brushed.torque_constant_nm_per_a,
                volts_per_rad_per_s: brushed.torque_constant_nm_per_a,
            },
        }
    }

    /// Puts itself into the last row of A and B, and its torque on the motor, the first state.
    fn put_in(self, a: &mut DMatrix<f64>, b: &mut DVector<f64>, motor_kgm2: f64) {
        let own = a.nrows() - 1;
        match self {
            Self::AtOnce => b[0] = 1.0 / motor_kgm2,
            Self::Lag { lag_s } => {
                a[(0, own)] = 1.0 / motor_kgm2;
                a[(own, own)] = -1.0 / lag_s;
                b[own] = 1.0 / lag_s;
            }
            Self::Winding { resistance_ohm, inductance_h, torque_constant_nm_per_a, volts_per_rad_per_s } => {
                a[(0, own)] = torque_constant_nm_per_a / motor_kgm2;
                a[(own, own)] = -resistance_ohm / inductance_h;
                a[(own, 0)] = -volts_per_rad_per_s / inductance_h;
                b[own] = 1.0 / inductance_h;
            }
        }
    }
}

/// Whether any coupling has backlash, so that a loop has to be judged with open gaps too.
#[must_use]
pub fn has_play(parameters: &Parameters) -> bool {
    parameters.couplings.iter().any(|coupling| 0.0 < coupling.half_gap_rad)
}

/// Viscous friction of a node in Nms/rad: of the two directions, the lesser, where the loop is damped least; of bristles
/// σ2 alone, as if they slipped.
pub(in crate::linear) fn viscous_nms_per_rad(node: &Node) -> f64 {
    node.friction.viscous_nms_per_rad()
}

impl Chain {
    /// The chain of a train: J_i w_i' = T_{i−1} − T_i / r_i − B_i w_i, T_i = k_i x_i + d_i x_i', x_i' = w_i / r_i − w_{i+1},
    /// and on the motor the torque, that follows its command with the torque path's lag or is the current's.
    #[must_use]
    pub fn of(parameters: &Parameters, gaps: Gaps) -> Self {
        let couplings = &parameters.couplings;
        let is_cut = |coupling: &Coupling| !coupling.coupled || gaps == Gaps::Open && 0.0 < coupling.half_gap_rad;
        let cut = couplings.iter().position(is_cut);
        let nodes = cut.map_or(parameters.nodes.len(), |coupling| coupling + 1);
        let actuator = Actuator::of(&parameters.motor);
        let size = 2 * nodes - 1 + usize::from(actuator != Actuator::AtOnce);
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
        actuator.put_in(&mut a, &mut b, parameters.nodes[0].inertia_kgm2);
        let current = matches!(actuator, Actuator::Winding { .. }).then_some(size - 1);
        Self { a, b, nodes, current, load_ratio: cut.is_none().then(|| parameters.total_ratio()) }
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
