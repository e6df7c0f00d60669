//! Friction of one node: Coulomb, static, Stribeck and viscous; what differs with direction, place and warmth; bristles.
//!
//! What it does not: decide whether a node sticks (see [`crate::plant::pattern`]), or move bristles (see
//! [`crate::plant::bristle`]). Start reading at [`Friction`].

use crate::base::real;

/// Friction between a node and the frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Friction {
    /// None at all.
    None,
    /// Dry friction with Stribeck's fall from the static to the kinetic value, and viscous friction.
    Coulomb(Coulomb),
    /// The same, where it is not alike everywhere and always.
    Varying(Varying),
    /// Bristles that bend before they slip: no stick, but a spring.
    Bristle(Bristle),
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

/// Dry friction that differs with the direction, with the place in a turn, or falls as the bearing warms.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Varying {
    /// In positive direction, at its mean over a turn, cold.
    pub coulomb: Coulomb,
    /// In negative direction; the Stribeck curve is the same.
    pub negative: Side,
    /// How it goes with the place in a turn.
    pub per_turn: Option<PerTurn>,
    /// How it falls with warmth.
    pub warming: Option<Warming>,
}

/// Friction in one direction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Side {
    /// Tc in Nm, at least 0.
    pub kinetic_nm: f64,
    /// Ts in Nm, at least Tc.
    pub static_nm: f64,
    /// B in Nm·s/rad, at least 0.
    pub viscous_nms_per_rad: f64,
}

/// A factor 1 + A sin(m θ + φ) on Tc and Ts, not on B; sticking too.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PerTurn {
    /// m, whole.
    pub periods: u32,
    /// A, below 1 in size.
    pub amplitude: f64,
    /// φ.
    pub phase_rad: f64,
}

/// A bearing that warms: its friction, Tc, Ts and B alike, is what it is cold times 1 − D u / (1 + u), where its warmth u
/// follows the friction's power P with T u' = P/P0 − u and starts at 0. So at the power P0, kept up, half of the fall is
/// there, and all of it never.
///
/// The law is of our own making, after the first-order thermal model of the textbooks: grease gets thin by warmth, ever
/// less so. P is taken at a tick's start, and u holds over a tick: it changes in seconds and minutes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Warming {
    /// D, from 0 to below 1.
    pub fall: f64,
    /// P0 in W, above 0.
    pub power_w: f64,
    /// T in s, above 0.
    pub time_constant_s: f64,
}

impl Warming {
    /// The factor at a warmth.
    pub(crate) fn factor(&self, warmth: f64) -> f64 {
        1.0 - self.fall * warmth / (1.0 + warmth)
    }
}

/// Bristles after Canudas de Wit, Olsson, Åström and Lischinsky, IEEE Transactions on Automatic Control 40(3), 1995
/// (LuGre): z' = w − σ0 |w| z / g(w), F = σ0 z + σ1 z' + σ2 w, g(w) = Tc + (Ts − Tc) exp(−|w/ws|^s). A node never sticks:
/// at rest the bent bristles hold it. With a constant σ1 the model may give energy, which nothing here corrects.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bristle {
    /// Tc in Nm, above 0.
    pub kinetic_nm: f64,
    /// Ts in Nm, at least Tc.
    pub static_nm: f64,
    /// ws in rad/s, above 0.
    pub stribeck_rad_per_s: f64,
    /// s, 1 or 2: for others the curve has no power series at speed 0, where bristles live.
    pub stribeck_exponent: f64,
    /// σ2 in Nm·s/rad, at least 0.
    pub viscous_nms_per_rad: f64,
    /// σ0 in Nm/rad, above 0.
    pub stiffness_nm_per_rad: f64,
    /// σ1 in Nm·s/rad, at least 0.
    pub damping_nms_per_rad: f64,
}

impl Friction {
    /// Friction torque in Nm against a steady motion at this speed in rad/s; 0 at speed 0, where a node sticks or not.
    /// Cold, and at its mean over a turn.
    #[must_use]
    pub fn slipping_torque_nm(&self, speed_rad_per_s: f64) -> f64 {
        match self {
            _ if speed_rad_per_s == 0.0 => 0.0,
            Self::None => 0.0,
            Self::Coulomb(coulomb) => coulomb.slipping_torque_nm(speed_rad_per_s),
            Self::Varying(varying) => varying.in_direction(speed_rad_per_s).slipping_torque_nm(speed_rad_per_s),
            Self::Bristle(bristle) => bristle.settled().slipping_torque_nm(speed_rad_per_s),
        }
    }

    /// Tc in Nm, in the direction in which it is larger.
    #[must_use]
    pub fn kinetic_nm(&self) -> f64 {
        match self {
            Self::None => 0.0,
            Self::Coulomb(coulomb) => coulomb.kinetic_nm,
            Self::Varying(varying) => varying.coulomb.kinetic_nm.max(varying.negative.kinetic_nm),
            Self::Bristle(bristle) => bristle.kinetic_nm,
        }
    }

    /// Ts in Nm, in the direction in which it is larger.
    #[must_use]
    pub fn static_nm(&self) -> f64 {
        match self {
            Self::None => 0.0,
            Self::Coulomb(coulomb) => coulomb.static_nm,
            Self::Varying(varying) => varying.coulomb.static_nm.max(varying.negative.static_nm),
            Self::Bristle(bristle) => bristle.static_nm,
        }
    }

    /// B in Nm·s/rad, in the direction in which it is smaller: a loop is judged where it is damped least.
    #[must_use]
    pub fn viscous_nms_per_rad(&self) -> f64 {
        match self {
            Self::None => 0.0,
            Self::Coulomb(coulomb) => coulomb.viscous_nms_per_rad,
            Self::Varying(varying) => varying.coulomb.viscous_nms_per_rad.min(varying.negative.viscous_nms_per_rad),
            Self::Bristle(bristle) => bristle.viscous_nms_per_rad,
        }
    }

    /// ws in rad/s; `None` where there is no friction.
    #[must_use]
    pub fn stribeck_rad_per_s(&self) -> Option<f64> {
        match self {
            Self::None => None,
            Self::Coulomb(coulomb) => Some(coulomb.stribeck_rad_per_s),
            Self::Varying(varying) => Some(varying.coulomb.stribeck_rad_per_s),
            Self::Bristle(bristle) => Some(bristle.stribeck_rad_per_s),
        }
    }
}

impl Varying {
    /// Friction in the direction of a speed.
    fn in_direction(&self, speed_rad_per_s: f64) -> Coulomb {
        if speed_rad_per_s < 0.0 {
            let Side { kinetic_nm, static_nm, viscous_nms_per_rad } = self.negative;
            return Coulomb { kinetic_nm, static_nm, viscous_nms_per_rad, ..self.coulomb };
        }
        self.coulomb
    }
}

impl Bristle {
    /// What it is at a steady speed.
    fn settled(&self) -> Coulomb {
        Coulomb {
            kinetic_nm: self.kinetic_nm,
            static_nm: self.static_nm,
            stribeck_rad_per_s: self.stribeck_rad_per_s,
            stribeck_exponent: self.stribeck_exponent,
            viscous_nms_per_rad: self.viscous_nms_per_rad,
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
