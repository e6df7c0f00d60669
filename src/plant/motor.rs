//! What a motor is: how its torque comes about from what the drive applies to it.
//!
//! What it does not: compute (see [`crate::plant::stepper`]). Currents are peaks of phase, amplitude-invariant in d and q.
//! Start reading at [`MotorKind`].

/// How torque comes about.
#[derive(Clone, Debug, PartialEq)]
pub enum MotorKind {
    /// The torque follows a torque command as a first-order lag.
    IdealTorque {
        /// Its time constant in s; 0: at once.
        lag_s: f64,
    },
    /// Permanent-magnet synchronous machine, fed with a voltage vector.
    Pmsm(Pmsm),
    /// Brushed direct-current machine with a constant field, fed with a voltage.
    Brushed(Brushed),
}

impl MotorKind {
    /// The torque follows its command at once.
    pub const AT_ONCE: Self = Self::IdealTorque { lag_s: 0.0 };

    /// Time constant from torque command to torque in s; 0 where currents make the torque.
    #[must_use]
    pub fn torque_lag_s(&self) -> f64 {
        match self {
            Self::IdealTorque { lag_s } => *lag_s,
            Self::Pmsm(_) | Self::Brushed(_) => 0.0,
        }
    }

    /// Voltage of the bus in V that feeds a winding; none where a torque command makes the torque.
    #[must_use]
    pub fn bus_v(&self) -> Option<f64> {
        match self {
            Self::IdealTorque { .. } => None,
            Self::Pmsm(pmsm) => Some(pmsm.bus_v),
            Self::Brushed(brushed) => Some(brushed.bus_v),
        }
    }
}

/// Permanent-magnet synchronous machine in the rotor's frame; the electrical angle is `pole_pairs` times the motor's
/// angle plus `rotor_offset_rad`.
#[derive(Clone, Debug, PartialEq)]
pub struct Pmsm {
    /// Pairs of poles.
    pub pole_pairs: u32,
    /// Resistance of a phase in Ω.
    pub resistance_ohm: f64,
    /// Inductance in the magnet's axis in H.
    pub inductance_d_h: f64,
    /// Inductance across it in H.
    pub inductance_q_h: f64,
    /// Flux linkage of the magnet in Vs.
    pub flux_linkage_vs: f64,
    /// Angle of the magnet's axis at the motor's angle 0, in electrical rad.
    pub rotor_offset_rad: f64,
    /// Whether phases b and c are changed over at the terminals, for voltage and current alike.
    pub phases_swapped: bool,
    /// Voltage of the bus in V: no voltage vector longer than this over √3 acts.
    pub bus_v: f64,
}

/// Brushed direct-current machine.
#[derive(Clone, Debug, PartialEq)]
pub struct Brushed {
    /// Resistance of the armature in Ω.
    pub resistance_ohm: f64,
    /// Inductance of the armature in H.
    pub inductance_h: f64,
    /// Torque per current in Nm/A, and voltage per speed in Vs/rad.
    pub torque_constant_nm_per_a: f64,
    /// Voltage of the bus in V: no higher voltage acts.
    pub bus_v: f64,
}
