//! Load torques on a node that belong to the machine.
//!
//! A load torque counts against positive motion: J w' = ... − load. What it does not: the programme's torques, which
//! come with each tick ([`crate::plant::stepper::TickInput`]); draw a noise's random numbers
//! ([`crate::plant::load_noise`]). Start reading at [`Load`].

use crate::base::real;

/// One load on one node.
#[derive(Clone, Debug, PartialEq)]
pub struct Load {
    /// The node, from 0.
    pub node: usize,
    /// What kind of load.
    pub kind: LoadKind,
}

/// How a load's torque comes about.
#[derive(Clone, Debug, PartialEq)]
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
    /// A fan, pump or stirrer: c w |w| always against the motion. Source: the affinity laws of turbomachines, by which
    /// torque goes with the square of speed.
    Fan {
        /// c in Nm·s²/rad², at least 0.
        torque_nms2_per_rad2: f64,
    },
    /// A sum of harmonics of the node's angle, such as a cut's or a gear mesh's. It has a potential: over a whole turn
    /// it does no work.
    Harmonics {
        /// Its terms.
        terms: Vec<Harmonic>,
    },
    /// Random torque: a process of Ornstein and Uhlenbeck, white noise through a first-order low-pass. The plant does
    /// not draw it; it comes with each tick.
    Noise {
        /// Standard deviation in Nm, at least 0.
        rms_nm: f64,
        /// Corner of the low-pass in Hz, above 0.
        corner_hz: f64,
        /// The name of its random stream; no two loads share one.
        source: String,
    },
}

/// peak sin(n θ + phase).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Harmonic {
    /// n: periods a turn.
    pub per_turn: u32,
    /// Peak in Nm.
    pub peak_nm: f64,
    /// Phase at angle 0 in rad.
    pub phase_rad: f64,
}

impl Harmonic {
    /// n θ + phase.
    pub(crate) fn argument_rad(&self, angle_rad: f64) -> f64 {
        f64::from(self.per_turn) * angle_rad + self.phase_rad
    }

    /// The torque at an angle.
    pub(crate) fn torque_nm(&self, angle_rad: f64) -> f64 {
        self.peak_nm * real::sin(self.argument_rad(angle_rad))
    }
}
