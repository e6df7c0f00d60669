//! What is not linear in a node's equation during one piece: dry friction, Stribeck's part of it and what goes with the
//! place in a turn, bristles, an unbalanced arm, harmonics of the angle, a fan.
//!
//! What it does not: decide when a node sticks (see [`crate::plant::pattern`]). Start reading at [`Bend`].

use crate::base::real;
use crate::plant::bristle::BristleSeries;
use crate::plant::chain::{Exponent, Motion, Node};
use crate::plant::series::{self, INVERSE, Series, TERMS};
use crate::plant::stops::Stops;
use crate::plant::weakening::{Weakening, mirrored_product};

/// How a node's friction goes with its speed during a piece.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Law {
    /// At rest: no motion.
    Rest,
    /// Dry friction does not depend on speed here.
    Level,
    /// It does, by exp(−|w/ws|^s).
    Falling,
}

/// Dry friction on a node during a piece.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Dry {
    pub(crate) law: Law,
    /// Direction of motion, 0 where there is none or no dry friction.
    pub(crate) direction: f64,
    /// Constant part, with its sign.
    pub(crate) level_nm: f64,
    /// What E multiplies, with its sign.
    pub(crate) excess_nm: f64,
}

/// |w/ws|^s below this is lost in rounding beside 1; only asked where the power's own series does not exist at 0.
pub(crate) const UNFELT: f64 = 1e-13;

/// Whether friction is still the static one within rounding, though its series at speed 0 does not exist.
pub(crate) fn unfelt(node: &Node) -> bool {
    let Exponent::Other(exponent) = node.exponent else { return false };
    let relative = node.speed_rad_per_s.abs() * node.per_stribeck_speed;
    relative == 0.0 || real::pow(relative, exponent) < UNFELT
}

impl Dry {
    /// Of a node now. Its Stribeck part is left out where it is faster than `spent_rad_per_s` by the share `margin`.
    pub(crate) fn of(node: &Node, margin: f64) -> Self {
        match node.motion {
            Motion::Held | Motion::Clamped => Self { law: Law::Rest, direction: 0.0, level_nm: 0.0, excess_nm: 0.0 },
            Motion::Free => Self { law: Law::Level, direction: 0.0, level_nm: 0.0, excess_nm: 0.0 },
            Motion::Slides(direction) => {
                let spent = node.spent_rad_per_s * (1.0 + margin) < node.speed_rad_per_s.abs();
                let unfelt = unfelt(node);
                let law = if spent || unfelt || node.excess_nm == 0.0 { Law::Level } else { Law::Falling };
                let felt_nm = if unfelt { node.excess_nm } else { 0.0 };
                Self {
                    law,
                    direction,
                    level_nm: direction * (felt_nm + node.kinetic_nm),
                    excess_nm: direction * node.excess_nm,
                }
            }
        }
    }
}

/// The series that a node's equation needs beside its speed's.
#[derive(Clone, Debug)]
pub(crate) struct Bend {
    pub(crate) dry: Dry,
    /// Net torque of everything but friction at the piece's start.
    pub(crate) net_nm: f64,
    /// How friction changes with speed at the piece's start, a stop's damper in it.
    pub(crate) slope_nms_per_rad: f64,
    /// Stiffness of a stop that pushes.
    stop_nm_per_rad: f64,
    /// Whether [`Bend::power`] has anything to add.
    pub(crate) acts: bool,
    /// Of a node whose law is `Falling`.
    pub(crate) weakening: Weakening,
    /// Of the angle of an unbalanced arm.
    pub(crate) sine: Series,
    pub(crate) cosine: Series,
    /// Of the node's harmonics, in their order.
    pub(crate) waves: Vec<Wave>,
    /// Whether friction is more than Coulomb's: one of the next two is there.
    varied: bool,
    /// Of a node whose friction goes with the place in a turn.
    pub(crate) unevenness: Option<Box<Wave>>,
    /// Of a node with bristles.
    pub(crate) bristles: Option<Box<BristleSeries>>,
    /// c of a fan with the sign of the motion; 0 without one, and at rest.
    pub(crate) fan_nms2_per_rad2: f64,
}

/// Sine and cosine of n θ + phase over a piece.
#[derive(Clone, Debug)]
pub(crate) struct Wave {
    pub(crate) sine: Series,
    cosine: Series,
}

impl Wave {
    fn blank() -> Self {
        Self { sine: [0.0; TERMS], cosine: [0.0; TERMS] }
    }

    fn start(&mut self, argument_rad: f64) {
        (self.sine[0], self.cosine[0]) = (real::sin(argument_rad), real::cos(argument_rad));
    }

    /// Coefficient k, at least 1; `turn` is what the argument turns for a speed of 1 over the piece.
    fn next(&mut self, speed: &Series, turn: f64, k: usize) {
        let share = turn * INVERSE[k];
        self.sine[k] = share * mirrored_product(&speed[..k], &self.cosine[..k]);
        self.cosine[k] = -share * mirrored_product(&speed[..k], &self.sine[..k]);
    }

    /// Shortens the piece by a factor.
    pub(crate) fn rescale(&mut self, scale: f64) {
        series::rescale(&mut self.sine, scale);
        series::rescale(&mut self.cosine, scale);
    }
}

impl Bend {
    /// Room for a node's series.
    pub(crate) fn blank(node: &Node) -> Self {
        Self {
            dry: Dry { law: Law::Rest, direction: 0.0, level_nm: 0.0, excess_nm: 0.0 },
            net_nm: 0.0,
            slope_nms_per_rad: 0.0,
            stop_nm_per_rad: 0.0,
            acts: false,
            weakening: Weakening::blank(),
            sine: [0.0; TERMS],
            cosine: [0.0; TERMS],
            waves: vec![Wave::blank(); node.harmonics.len()],
            varied: node.per_turn.is_some() || node.bristles.is_some(),
            unevenness: node.per_turn.map(|_| Box::new(Wave::blank())),
            bristles: node.bristles.as_ref().map(|_| Box::new(BristleSeries::blank())),
            fan_nms2_per_rad2: 0.0,
        }
    }

    /// Takes a node at the piece's start, with the net torque from its neighbours; returns the net torque with all
    /// loads and friction. Summed as `Chain::net_torque_nm` and [`Node::holding_torque_nm`] are, so that a node which
    /// breaks away does not turn back by rounding. `margin`: see [`Dry::of`].
    pub(crate) fn start(&mut self, node: &Node, chain_nm: f64, margin: f64) -> f64 {
        self.net_nm = chain_nm;
        self.stop_nm_per_rad = 0.0;
        if let Some((sine_nm, cosine_nm)) = node.arm_nm {
            (self.sine[0], self.cosine[0]) = (real::sin(node.angle_rad), real::cos(node.angle_rad));
            self.net_nm -= sine_nm * self.sine[0] - cosine_nm * self.cosine[0];
        }
        for (wave, harmonic) in self.waves.iter_mut().zip(&node.harmonics) {
            wave.start(harmonic.argument_rad(node.angle_rad));
            self.net_nm -= harmonic.peak_nm * wave.sine[0];
        }
        self.net_nm -= node.load_nm.0;
        self.dry = Dry::of(node, margin);
        let varies = self.varied && self.start_varied(node, margin);
        self.slope_nms_per_rad = node.viscous_nms_per_rad;
        let ramps = node.load_nm.1 != 0.0 || node.resisting_nm.1 != 0.0;
        let turns = node.arm_nm.is_some() || !node.harmonics.is_empty();
        self.fan_nms2_per_rad2 = self.dry.direction * node.fan_nms2_per_rad2;
        let fans = self.fan_nms2_per_rad2 != 0.0;
        self.acts = self.dry.law != Law::Rest && (self.dry.law == Law::Falling || turns || ramps || fans || varies);
        let mut friction_nm = node.viscous_nms_per_rad * node.speed_rad_per_s;
        if self.dry.law == Law::Falling {
            self.weakening.start(node, self.dry.direction);
            friction_nm += self.dry.excess_nm * self.weakening.weakening[0];
            self.slope_nms_per_rad += self.dry.excess_nm * self.weakening.slope;
        }
        if fans {
            let by_speed = self.fan_nms2_per_rad2 * node.speed_rad_per_s;
            friction_nm += by_speed * node.speed_rad_per_s;
            self.slope_nms_per_rad += 2.0 * by_speed;
        }
        if self.varied {
            friction_nm = self.varied_nm(node);
        } else {
            friction_nm += self.dry.level_nm;
        }
        friction_nm += self.dry.direction * node.resisting_nm.0;
        self.net_nm - friction_nm
    }

    /// Takes a node's place and bristles at the piece's start; returns whether friction then has a series of its own.
    #[inline(never)]
    fn start_varied(&mut self, node: &Node, margin: f64) -> bool {
        if let (Some(wave), Some(per_turn)) = (&mut self.unevenness, node.per_turn) {
            wave.start(per_turn.argument_rad(node.angle_rad));
            return true;
        }
        let (Some(series), Some(bristles)) = (&mut self.bristles, &node.bristles) else { return false };
        self.net_nm -= series.start(bristles, node, &mut self.dry, &mut self.weakening, margin);
        series.bends()
    }

    /// Friction of a node at the piece's start, resisting torque not in it, where it is more than Coulomb's.
    #[inline(never)]
    fn varied_nm(&self, node: &Node) -> f64 {
        let falls = self.dry.law == Law::Falling;
        let fallen_nm = if falls { self.dry.excess_nm * self.weakening.weakening[0] } else { 0.0 };
        let mut dry_nm = fallen_nm + self.dry.level_nm;
        if let (Some(wave), Some(per_turn)) = (&self.unevenness, node.per_turn) {
            dry_nm += per_turn.amplitude * wave.sine[0] * dry_nm;
        }
        if let Some(bristles) = &self.bristles {
            dry_nm += bristles.correction_nm();
        }
        let speed = node.speed_rad_per_s;
        node.viscous_nms_per_rad * speed + dry_nm + self.fan_nms2_per_rad2 * speed * speed
    }

    /// Coefficient k of what friction has beyond Coulomb's, as a torque against the motion: by the place, by bristles.
    #[inline(never)]
    fn varied_power(&mut self, speed: &Series, node: &Node, length_s: f64, k: usize) -> f64 {
        if let Some(series) = &mut self.bristles {
            return series.power(&mut self.weakening, speed, node, length_s, k);
        }
        let (Some(wave), Some(per_turn)) = (&mut self.unevenness, node.per_turn) else { return 0.0 };
        wave.next(speed, length_s * f64::from(per_turn.periods), k);
        let mut product_nm = self.dry.level_nm * wave.sine[k];
        if self.dry.law == Law::Falling {
            product_nm += self.dry.excess_nm * mirrored_product(&self.weakening.weakening[..=k], &wave.sine[..=k]);
        }
        per_turn.amplitude * product_nm
    }

    /// Adds a stop that pushes on this node.
    pub(crate) fn press(&mut self, stops: &Stops) {
        self.stop_nm_per_rad = stops.stiffness_nm_per_rad;
        self.slope_nms_per_rad += stops.damping_nms_per_rad;
        self.acts = self.dry.law != Law::Rest;
    }

    /// Coefficient k, at least 1, of all that is not linear in speeds and twists, as a torque against the motion:
    /// Stribeck's part but for its slope, an arm, harmonics, a fan, a stop's spring; and of what changes with time. The
    /// speed is known up to k.
    ///
    /// Never inlined: few nodes need it in a piece, and the loop over the others is shorter without it.
    #[inline(never)]
    pub(crate) fn power(&mut self, speed: &Series, node: &Node, length_s: f64, k: usize) -> f64 {
        let mut bend_nm = 0.0;
        if self.dry.law == Law::Falling {
            bend_nm = self.dry.excess_nm * self.weakening.next(speed, node, k);
        }
        if self.varied {
            bend_nm += self.varied_power(speed, node, length_s, k);
        }
        if let Some((sine_nm, cosine_nm)) = node.arm_nm {
            let share = length_s * INVERSE[k];
            self.sine[k] = share * mirrored_product(&speed[..k], &self.cosine[..k]);
            self.cosine[k] = -share * mirrored_product(&speed[..k], &self.sine[..k]);
            bend_nm += sine_nm * self.sine[k] - cosine_nm * self.cosine[k];
        }
        for (wave, harmonic) in self.waves.iter_mut().zip(&node.harmonics) {
            wave.next(speed, length_s * f64::from(harmonic.per_turn), k);
            bend_nm += harmonic.peak_nm * wave.sine[k];
        }
        if self.fan_nms2_per_rad2 != 0.0 {
            // The products with the first coefficient are linear and stand in the slope.
            bend_nm += self.fan_nms2_per_rad2 * mirrored_product(&speed[1..k], &speed[1..k]);
        }
        if k == 1 {
            bend_nm += length_s * (node.load_nm.1 + self.dry.direction * node.resisting_nm.1);
        }
        if self.stop_nm_per_rad != 0.0 {
            bend_nm += self.stop_nm_per_rad * length_s * INVERSE[k] * speed[k - 1];
        }
        bend_nm
    }
}
