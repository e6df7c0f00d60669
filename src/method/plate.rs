//! What a method reads from the drive before it moves anything: nameplate, gear, limits.
//!
//! What it does not: believe that they are right (`identify.rs` checks the direction, `two_mass.rs` the inertia).
//! Start reading at [`Plate`].

use std::f64::consts::PI;

use crate::base::units::{DEG_RAD, RPM_RAD_PER_S};
use crate::method::axis::{Axis, Stop};

/// Nameplate data and limits as the drive shows them, in SI units.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plate {
    /// Inertia of the motor alone.
    pub motor_inertia_kgm2: f64,
    /// Torque that the motor can give for good.
    pub rated_torque_nm: f64,
    /// Speed at rated torque.
    pub rated_speed_rad_per_s: f64,
    /// Sensor counts in a turn of the motor.
    pub counts_per_turn: f64,
    /// Turns of the motor in a turn of the load, negative when the load turns the other way.
    pub gear_ratio: f64,
    /// Counts at load angle 0.
    pub angle_zero_counts: f64,
    /// The torque limit as it was found; a method gives it back.
    pub torque_limit_nm: f64,
}

impl Plate {
    /// Reads the plate; stops where a number cannot be meant.
    pub fn read(axis: &mut impl Axis) -> Result<Self, Stop> {
        let plate = Self {
            motor_inertia_kgm2: axis.read("motor_inertia_kgm2")?,
            rated_torque_nm: axis.read("rated_torque_nm")?,
            rated_speed_rad_per_s: axis.read("rated_speed_rpm")? * RPM_RAD_PER_S,
            counts_per_turn: axis.read("counts_per_turn")?,
            gear_ratio: axis.read("gear_ratio")?,
            angle_zero_counts: axis.read("angle_zero_counts")?,
            torque_limit_nm: axis.read("torque_limit_nm")?,
        };
        let positive = [
            ("motor_inertia_kgm2", plate.motor_inertia_kgm2),
            ("rated_torque_nm", plate.rated_torque_nm),
            ("rated_speed_rpm", plate.rated_speed_rad_per_s),
            ("counts_per_turn", plate.counts_per_turn),
            ("gear_ratio", plate.gear_ratio.abs()),
            ("torque_limit_nm", plate.torque_limit_nm),
        ];
        match positive.iter().find(|(_, value)| *value <= 0.0) {
            Some((name, value)) => {
                Err(Stop::because(format!("the drive shows {name} = {value}; nothing can be reckoned from that")))
            }
            None => Ok(plate),
        }
    }

    /// Motor angle in rad, 0 where the load is at 0.
    #[must_use]
    pub fn motor_angle_rad(&self, counts: i64) -> f64 {
        (counts as f64 - self.angle_zero_counts) * self.rad_per_count()
    }

    /// One count in rad of the motor.
    #[must_use]
    pub fn rad_per_count(&self) -> f64 {
        2.0 * PI / self.counts_per_turn
    }

    /// Load angle in degrees of a motor angle in rad.
    #[must_use]
    pub fn load_deg(&self, motor_rad: f64) -> f64 {
        motor_rad / self.gear_ratio / DEG_RAD
    }

    /// Motor angle in rad of a load angle in degrees.
    #[must_use]
    pub fn motor_rad(&self, load_deg: f64) -> f64 {
        load_deg * DEG_RAD * self.gear_ratio
    }
}
