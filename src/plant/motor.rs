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
    /// What a real machine has beside this; nothing unless asked for.
    pub effects: Effects,
}

/// What a real synchronous machine and its inverter have beside the textbook's.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Effects {
    /// Inductances that fall with current.
    pub saturation: Option<Saturation>,
    /// Harmonics of the magnet's flux, which stand in back-EMF and torque alike.
    pub flux_ripple: Vec<FluxHarmonic>,
    /// Voltage that the inverter's dead time takes.
    pub dead_time: Option<DeadTime>,
    /// Resistance and flux that follow the winding's temperature.
    pub temperature: Option<WindingTemperature>,
}

/// How much linkage is left at a current, by which the curve is known ([`crate::plant::effects`] has its form).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Saturation {
    /// The current at which the shares hold, peak, in A.
    pub current_a: f64,
    /// Share of L_d i_d that the current's linkage in d still is when it flows in d alone; 1: none is lost.
    pub share_d: f64,
    /// The same in q.
    pub share_q: f64,
    /// Share of L_d that is left for small i_d while the current flows in q.
    pub share_cross: f64,
}

/// One harmonic of the magnet's flux.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FluxHarmonic {
    /// Periods in one electrical turn, at least 2.
    pub per_electrical_turn: u32,
    /// Amplitude of the ripple in back-EMF and torque, as a share of them.
    pub share: f64,
    /// Phase at electrical angle 0 in rad.
    pub phase_rad: f64,
}

/// The inverter's dead time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DeadTime {
    /// Voltage that a phase loses at large current: dead time times switching frequency times bus voltage.
    pub error_v: f64,
    /// Current below which it loses less, in A.
    pub knee_a: f64,
}

/// A winding that warms by its loss, as one body: τ T' = T_a + R_th P − T.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WindingTemperature {
    /// Temperature of what cools it, in K.
    pub ambient_k: f64,
    /// Temperature at the start in K.
    pub start_k: f64,
    /// R_th in K/W.
    pub thermal_resistance_k_per_w: f64,
    /// τ in s.
    pub time_constant_s: f64,
    /// Relative change of the resistance per K, against its value at 20 °C.
    pub resistance_per_k: f64,
    /// Relative change of the magnet's flux per K, against its value at 20 °C; below 0 for all usual magnets.
    pub flux_per_k: f64,
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
    /// Resistance and torque constant that follow the armature's temperature.
    pub temperature: Option<WindingTemperature>,
}
