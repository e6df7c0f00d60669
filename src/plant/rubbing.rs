//! Friction on a node of the chain as it acts now: the direction's values, at this place in the turn, as warm as it is.
//!
//! What it does not: series (`dry.rs`, `bristle.rs`), sticking (`pattern.rs`). Start reading at [`Node::slide`].

use crate::base::real;
use crate::plant::bristle::Bristles;
use crate::plant::chain::{Exponent, Motion, Node};
use crate::plant::friction::{Bristle, Coulomb, Friction, PerTurn, Side, Varying, Warming};

/// A node's friction, sorted by what it does to the node.
pub(crate) struct Rubbing {
    /// For its Stribeck curve.
    pub(crate) curve: Coulomb,
    pub(crate) sides: [Side; 2],
    pub(crate) per_turn: Option<PerTurn>,
    pub(crate) warmed: Option<Warmed>,
    pub(crate) bristles: Option<Bristles>,
}

/// A bearing that warms.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Warmed {
    warming: Warming,
    /// Friction by direction while it is cold.
    cold: [Side; 2],
    /// u.
    warmth: f64,
}

/// No friction, as numbers.
const NONE: Coulomb = Coulomb {
    kinetic_nm: 0.0,
    static_nm: 0.0,
    stribeck_rad_per_s: 1.0,
    stribeck_exponent: 2.0,
    viscous_nms_per_rad: 0.0,
};

impl Rubbing {
    pub(crate) fn of(friction: &Friction) -> Self {
        let plain = |curve: Coulomb| {
            let side = side_of(&curve);
            Self { curve, sides: [side, side], per_turn: None, warmed: None, bristles: None }
        };
        let this = match *friction {
            Friction::None => plain(NONE),
            Friction::Coulomb(coulomb) => plain(coulomb),
            Friction::Varying(Varying { coulomb, negative, per_turn, warming }) => {
                let sides = [side_of(&coulomb), negative];
                let warmed = warming.map(|warming| Warmed { warming, cold: sides, warmth: 0.0 });
                Self { curve: coulomb, sides, per_turn, warmed, bristles: None }
            }
            Friction::Bristle(bristle) => {
                assert_bristle(&bristle);
                let Bristle { stribeck_rad_per_s, stribeck_exponent, viscous_nms_per_rad, .. } = bristle;
                let curve = Coulomb { stribeck_rad_per_s, stribeck_exponent, viscous_nms_per_rad, ..NONE };
                Self { bristles: Some(Bristles::new(bristle)), ..plain(curve) }
            }
        };
        this.assert_sound();
        this
    }

    fn assert_sound(&self) {
        let curve = &self.curve;
        assert!(0.0 < curve.stribeck_rad_per_s && 0.0 < curve.stribeck_exponent, "Stribeck values must be above 0");
        for side in &self.sides {
            assert!(0.0 <= side.kinetic_nm && side.kinetic_nm <= side.static_nm, "static below kinetic friction");
            assert!(0.0 <= side.viscous_nms_per_rad, "viscous friction must not be negative");
        }
        assert!(self.per_turn.is_none_or(|wave| wave.amplitude.abs() < 1.0), "friction below 0 at some place");
        if let Some(Warmed { warming, .. }) = &self.warmed {
            assert!((0.0..1.0).contains(&warming.fall), "friction falls by less than all of it");
            assert!(0.0 < warming.power_w && 0.0 < warming.time_constant_s, "power and time must be above 0");
        }
    }
}

fn side_of(coulomb: &Coulomb) -> Side {
    let Coulomb { kinetic_nm, static_nm, viscous_nms_per_rad, .. } = *coulomb;
    Side { kinetic_nm, static_nm, viscous_nms_per_rad }
}

fn assert_bristle(bristle: &Bristle) {
    assert!(0.0 < bristle.kinetic_nm && bristle.kinetic_nm <= bristle.static_nm, "static below kinetic friction");
    assert!(0.0 < bristle.stiffness_nm_per_rad && 0.0 <= bristle.damping_nms_per_rad, "a bristle is a spring");
    assert!([1.0, 2.0].contains(&bristle.stribeck_exponent), "bristles have the Stribeck exponent 1 or 2");
}

impl PerTurn {
    pub(crate) fn argument_rad(&self, angle_rad: f64) -> f64 {
        f64::from(self.periods) * angle_rad + self.phase_rad
    }
}

impl Node {
    /// Slides in a direction from now on, against the friction of that direction.
    pub(crate) fn slide(&mut self, direction: f64) {
        self.motion = Motion::Slides(direction);
        self.take_side(direction);
    }

    fn take_side(&mut self, direction: f64) {
        let side = self.sides[usize::from(direction < 0.0)];
        self.kinetic_nm = side.kinetic_nm;
        self.excess_nm = side.static_nm - side.kinetic_nm;
        self.viscous_nms_per_rad = side.viscous_nms_per_rad;
    }

    /// A sin(m θ + φ): by what share of itself dry friction is above its mean here.
    fn unevenness(&self) -> f64 {
        self.per_turn.map_or(0.0, |wave| wave.amplitude * real::sin(wave.argument_rad(self.angle_rad)))
    }

    /// Dry friction now, were it moving.
    fn dry_torque_nm(&self) -> f64 {
        let relative = (self.speed_rad_per_s * self.per_stribeck_speed).abs();
        let exponent = match self.exponent {
            Exponent::One => 1.0,
            Exponent::Two => 2.0,
            Exponent::Other(exponent) => exponent,
        };
        let dry_nm = self.kinetic_nm + self.excess_nm * real::exp(-real::pow(relative, exponent));
        dry_nm + self.unevenness() * dry_nm
    }

    /// Dry and viscous friction and a fan's torque now, against a motion that is under way.
    pub(crate) fn slipping_torque_nm(&self) -> f64 {
        let speed = self.speed_rad_per_s;
        let fan_nm = self.fan_nms2_per_rad2 * speed.abs() * speed;
        (self.dry_torque_nm() + self.resisting_nm.0).copysign(speed) + self.viscous_nms_per_rad * speed + fan_nm
    }

    /// Whether dry friction acts on it in this tick.
    pub(crate) fn is_dry(&self) -> bool {
        self.sides.iter().any(|side| 0.0 < side.static_nm) || self.resisting_nm != (0.0, 0.0)
    }

    /// Whether what acts on it depends on the direction of its motion, though nothing rubs: the square of a fan, bristles
    /// and viscous friction that differs have another series on either side of speed 0.
    pub(crate) fn is_one_sided(&self) -> bool {
        let [ahead, back] = &self.sides;
        let fan = self.fan_nms2_per_rad2 != 0.0;
        fan || self.bristles.is_some() || ahead.viscous_nms_per_rad != back.viscous_nms_per_rad
    }

    /// Ts and resisting torque at the instant: what holds it at speed 0 against a torque in this direction. Summed as the
    /// slipping friction is summed, so that the two agree to the bit.
    pub(crate) fn holding_torque_nm(&self, direction: f64) -> f64 {
        let side = &self.sides[usize::from(direction < 0.0)];
        let mut dry_nm = (side.static_nm - side.kinetic_nm) + side.kinetic_nm;
        if self.per_turn.is_some() {
            dry_nm += self.unevenness() * dry_nm;
        }
        dry_nm + self.resisting_nm.0
    }

    /// Warms or cools a bearing over a tick that begins now, and takes its friction.
    pub(crate) fn warm(&mut self, length_s: f64) {
        let Some(mut warmed) = self.warmed else { return };
        let speed = self.speed_rad_per_s.abs();
        let power_w = (self.dry_torque_nm() + self.viscous_nms_per_rad * speed) * speed;
        let share = 1.0 - real::exp(-length_s / warmed.warming.time_constant_s);
        warmed.warmth += (power_w / warmed.warming.power_w - warmed.warmth) * share;
        let factor = warmed.warming.factor(warmed.warmth);
        for (side, cold) in self.sides.iter_mut().zip(&warmed.cold) {
            side.kinetic_nm = factor * cold.kinetic_nm;
            side.static_nm = factor * cold.static_nm;
            side.viscous_nms_per_rad = factor * cold.viscous_nms_per_rad;
        }
        self.warmed = Some(warmed);
        self.take_side(match self.motion {
            Motion::Slides(direction) => direction,
            _ => 1.0,
        });
    }
}
