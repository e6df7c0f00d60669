//! What an axis is made of, seen from the motor: inertia, friction, weight.
//!
//! What it does not: find these numbers (`identify.rs`). Start reading at [`Mechanics`].

use crate::base::real;
use crate::base::units::RPM_RAD_PER_S;

/// Below this speed the direction of a motion is not certain, and with it that of friction.
const UNCERTAIN_RAD_PER_S: f64 = 5.0 * RPM_RAD_PER_S;

/// Inertia, friction and weight of a whole axis, at the motor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mechanics {
    /// Inertia of motor and load together.
    pub inertia_kgm2: f64,
    /// Friction that does not depend on speed.
    pub kinetic_nm: f64,
    /// Friction that grows with speed.
    pub viscous_nms_per_rad: f64,
    /// Weight: a torque that does not change with angle.
    pub constant_nm: f64,
    /// Weight: the part with the sine of the load angle.
    pub sine_nm: f64,
    /// Weight: the part with the cosine of the load angle.
    pub cosine_nm: f64,
}

impl Mechanics {
    /// Torque that the motor must give against weight at a load angle in rad.
    #[must_use]
    pub fn weight_nm(&self, load_rad: f64) -> f64 {
        self.constant_nm + self.sine_nm * real::sin(load_rad) + self.cosine_nm * real::cos(load_rad)
    }

    /// Torque that a motion needs: friction and acceleration. At rest there is none of either.
    #[must_use]
    pub fn motion_nm(&self, speed_rad_per_s: f64, slope_rad_per_s2: f64) -> f64 {
        let direction = (speed_rad_per_s / UNCERTAIN_RAD_PER_S).clamp(-1.0, 1.0);
        self.kinetic_nm * direction + self.viscous_nms_per_rad * speed_rad_per_s + self.inertia_kgm2 * slope_rad_per_s2
    }
}
