//! Friction of one node: Coulomb, static, Stribeck and viscous.
//!
//! What it does not: decide whether a node sticks (see [`crate::plant::stepper`]). Start reading at [`Friction`].

use crate::base::real;

/// Friction between a node and the frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Friction {
    /// None at all.
    None,
    /// Dry friction with Stribeck's fall from the static to the kinetic value, and viscous friction.
    Coulomb(Coulomb),
}

/// Friction while slipping at speed w: F = (Tc + (Ts − Tc) exp(−|w/ws|^s)) sgn w + B w. At w = 0 the node sticks while
/// the net torque of everything else stays within ±Ts; with Ts = 0 it never sticks.
///
/// Source: Armstrong-Hélouvry, Dupont and Canudas de Wit, Automatica 30 (1994).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Coulomb {
    /// Tc in Nm, at least 0.
    pub kinetic_nm: f64,
    /// Ts in Nm, at least Tc.
    pub static_nm: f64,
    /// ws in rad/s, above 0.
    pub stribeck_rad_per_s: f64,
    /// s, above 0; 2 is usual.
    pub stribeck_exponent: f64,
    /// B in Nm·s/rad, at least 0.
    pub viscous_nms_per_rad: f64,
}

impl Friction {
    /// Friction torque in Nm against a motion at this speed in rad/s; 0 at speed 0, where a node sticks or not.
    #[must_use]
    pub fn slipping_torque_nm(&self, speed_rad_per_s: f64) -> f64 {
        match self {
            Self::None => 0.0,
            Self::Coulomb(_) if speed_rad_per_s == 0.0 => 0.0,
            Self::Coulomb(coulomb) => coulomb.slipping_torque_nm(speed_rad_per_s),
        }
    }
}

impl Coulomb {
    fn slipping_torque_nm(&self, speed_rad_per_s: f64) -> f64 {
        let relative = (speed_rad_per_s / self.stribeck_rad_per_s).abs();
        let weakening = real::exp(-real::pow(relative, self.stribeck_exponent));
        let dry_nm = self.kinetic_nm + (self.static_nm - self.kinetic_nm) * weakening;
        dry_nm.copysign(speed_rad_per_s) + self.viscous_nms_per_rad * speed_rad_per_s
    }
}
