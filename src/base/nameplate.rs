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
    /// +1, or −1 where the sensor is known to count against the motor's positive direction.
    pub sensor_sign: f64,
    /// Electrical data; none for a motor that is taken as a torque and nothing else.
    pub winding: Option<WindingPlate>,
}

/// What is printed about a motor's winding and the bus that feeds it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WindingPlate {
    /// Pole pairs.
    pub pole_pairs: u32,
    /// Phase resistance in ohm.
    pub resistance_ohm: f64,
    /// Inductance in H: the mean of d and q axis.
    pub inductance_h: f64,
    /// Flux linkage in Vs; 1.5 pole pairs times it is the torque per peak ampere.
    pub flux_linkage_vs: f64,
    /// Rated current in A, rms of a phase.
    pub rated_current_a_rms: f64,
    /// Electrical angle of the magnet's axis when the sensor shows 0 counts, in rad.
    pub commutation_offset_rad: f64,
    /// Voltage of the bus in V.
    pub bus_v: f64,
}
