//! Load torques on a node that belong to the machine.
//!
//! A load torque counts against positive motion: J w' = ... − load. What it does not: the programme's torques, which
//! come with each tick ([`crate::plant::stepper::TickInput`]). Start reading at [`Load`].

/// One load on one node.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Load {
    /// The node, from 0.
    pub node: usize,
    /// What kind of load.
    pub kind: LoadKind,
}

/// How a load's torque comes about.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LoadKind {
    /// The same torque always, gravity on a linear axis for one.
    Constant {
        /// Torque in Nm against positive motion.
        torque_nm: f64,
    },
    /// An unbalanced arm: m g r sin(θ − θ0).
    UnbalancedArm {
        /// m g r in Nm.
        peak_nm: f64,
        /// θ0 in rad, where the arm hangs straight down.
        zero_rad: f64,
    },
    /// Opposes motion only, as Coulomb friction does, static and kinetic alike; it never drives a standing node.
    Resisting {
        /// Torque in Nm, at least 0.
        torque_nm: f64,
    },
}
