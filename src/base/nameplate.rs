//! What is printed on the motor and typed in by a person, right or wrong.
//!
//! What it does not: the plant's truth, which a nameplate may contradict. Start reading at [`Nameplate`].

/// Nameplate data of motor, sensor and gear.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Nameplate {
    /// Rated torque in Nm.
    pub rated_torque_nm: f64,
    /// Peak torque in Nm.
    pub peak_torque_nm: f64,
    /// Rated speed in rad/s.
    pub rated_speed_rad_per_s: f64,
    /// Motor inertia in kgm².
    pub motor_inertia_kgm2: f64,
    /// Sensor counts per turn of the motor.
    pub counts_per_turn: f64,
    /// Motor turns per load turn, negative when the load turns the other way.
    pub gear_ratio: f64,
    /// Counts shown when the load stands at angle 0.
    pub angle_zero_counts: f64,
}
