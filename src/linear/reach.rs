//! How much torque a motor can give at a speed: what its bus voltage leaves.
//!
//! What it does not: how long it may (see the drive's protections). Start reading at [`VoltageLimit::torque_nm`].

/// A synchronous motor on its bus, run without a current in its d axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct VoltageLimit {
    /// Pole pairs.
    pub pole_pairs: f64,
    /// Phase resistance in ohm.
    pub resistance_ohm: f64,
    /// Inductance of the q axis in H.
    pub inductance_q_h: f64,
    /// Flux linkage in Vs.
    pub flux_linkage_vs: f64,
    /// Voltage of the bus in V.
    pub bus_v: f64,
}

impl VoltageLimit {
    /// 1.5 p ψ: torque per ampere, peak of phase, in Nm/A.
    #[must_use]
    pub fn torque_per_ampere_nm(&self) -> f64 {
        1.5 * self.pole_pairs * self.flux_linkage_vs
    }

    /// L/R of the q axis in s.
    #[must_use]
    pub fn time_constant_s(&self) -> f64 {
        self.inductance_q_h / self.resistance_ohm
    }

    /// J R / (1.5 p² ψ²), the time in which the bare motor would come to 63 % of its speed at a fixed voltage, in s.
    #[must_use]
    pub fn electromechanical_s(&self, inertia_kgm2: f64) -> f64 {
        let back_emf = self.pole_pairs * self.flux_linkage_vs;
        inertia_kgm2 * self.resistance_ohm / (1.5 * back_emf * back_emf)
    }

    /// The most torque that drives at a motor speed in rad/s, in Nm; below 0 where the motor is only slowed down.
    ///
    /// At rest electrically v_d = −w_e L_q i, v_q = R i + w_e ψ and v_d² + v_q² = (bus/√3)²; of the two currents that solve
    /// it the larger one. `None` where no current does: the back-EMF alone is beyond what the impedance can bring back.
    #[must_use]
    pub fn torque_nm(&self, speed_rad_per_s: f64) -> Option<f64> {
        let electrical = self.pole_pairs * speed_rad_per_s;
        let (reactance, back_emf_v) = (electrical * self.inductance_q_h, electrical * self.flux_linkage_vs);
        let square = self.resistance_ohm * self.resistance_ohm + reactance * reactance;
        let half = self.resistance_ohm * back_emf_v;
        let rest = back_emf_v * back_emf_v - self.bus_v * self.bus_v / 3.0;
        let inside = half * half - square * rest;
        (0.0 <= inside).then(|| self.torque_per_ampere_nm() * (inside.sqrt() - half) / square)
    }

    /// The speed at which no torque is left, in rad/s: where the back-EMF is all that the bus can give.
    #[must_use]
    pub fn idle_speed_rad_per_s(&self) -> f64 {
        self.bus_v / 3.0_f64.sqrt() / (self.pole_pairs * self.flux_linkage_vs)
    }
}
