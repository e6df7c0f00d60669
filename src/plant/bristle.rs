//! Bristles on a node: their state, and their series over one piece of a tick.
//!
//! With σ = σ0 sgn w, g the steady torque and u = 1/g, on the left coefficient k and ∗ the product of series:
//!
//! z_k = h z'_{k−1} / k, u_k = −u_0 Σ_{j=1..k} g_j u_{k−j}, p = 1 − σ (u ∗ z), z' = w ∗ p, F = σ0 z + σ1 z' + σ2 w.
//!
//! The direction of w is one over the piece: it ends where w reaches 0, which is no event. z follows w at the rate
//! σ0 |w| / g, which may be 1e8 per s; a piece holds while it turns by a few of these only. So where the rate is large and
//! z has come to what it follows, z is *slaved*: friction is then Coulomb's with Stribeck's curve, s g(w), and a correction
//! that `slaving.rs` finds. What it does not: say when z is slaved (`slaving.rs`). Start reading at [`BristleSeries`].

use crate::base::real;
use crate::plant::chain::{Exponent, Motion, Node};
use crate::plant::dry::{Dry, Law};
use crate::plant::friction::Bristle;
use crate::plant::lane::converged;
use crate::plant::series::{self, INVERSE, Series, TERMS};
use crate::plant::weakening::{Weakening, mirrored_product};

/// Constants and state of a node's bristles.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Bristles {
    pub(crate) bristle: Bristle,
    /// Ts − Tc.
    pub(crate) excess_nm: f64,
    /// z.
    pub(crate) bend_rad: f64,
}

impl Bristles {
    pub(crate) fn new(bristle: Bristle) -> Self {
        Self { bristle, excess_nm: bristle.static_nm - bristle.kinetic_nm, bend_rad: 0.0 }
    }

    /// g at the node's speed.
    pub(crate) fn steady_nm(&self, node: &Node) -> f64 {
        let relative = (node.speed_rad_per_s * node.per_stribeck_speed).abs();
        let power = if node.exponent == Exponent::One { relative } else { relative * relative };
        self.bristle.kinetic_nm + self.excess_nm * real::exp(-power)
    }

    /// 1 − σ0 z sgn w / g: what share of the motion still bends the bristles.
    pub(crate) fn bending_share(&self, node: &Node, steady_nm: f64) -> f64 {
        let spring_nm = self.bristle.stiffness_nm_per_rad * self.bend_rad;
        1.0 - 1.0_f64.copysign(node.speed_rad_per_s) * spring_nm / steady_nm
    }

    /// F without its viscous part now.
    pub(crate) fn torque_nm(&self, node: &Node) -> f64 {
        let spring_nm = self.bristle.stiffness_nm_per_rad * self.bend_rad;
        let speed = node.speed_rad_per_s;
        if speed == 0.0 {
            return spring_nm;
        }
        let share = self.bending_share(node, self.steady_nm(node));
        spring_nm + self.bristle.damping_nms_per_rad * speed * share
    }

    pub(crate) fn stored_j(&self) -> f64 {
        0.5 * self.bristle.stiffness_nm_per_rad * self.bend_rad * self.bend_rad
    }
}

/// How the bristles are taken over a piece.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Course {
    /// Their own equation is expanded.
    Free,
    /// z follows w.
    Slaved,
}

/// Series of a node's bristles.
#[derive(Clone, Debug)]
pub(crate) struct BristleSeries {
    pub(crate) course: Course,
    /// At speed 0 by force: z stays.
    rests: bool,
    /// Slaved: whether g changes over the piece.
    falls: bool,
    pub(crate) bend_rad: Series,
    /// z' in rad/s.
    pub(crate) bend_speed: Series,
    /// What a slaved z makes of friction beyond s g(w).
    pub(crate) correction: Series,
    /// g; u; p.
    pub(crate) steady_nm: Series,
    inverse: Series,
    share: Series,
    /// σ.
    signed_nm_per_rad: f64,
    /// Sizes of the last four powers, and the largest.
    latest: [f64; 4],
    largest: f64,
}

impl BristleSeries {
    pub(crate) fn blank() -> Self {
        let blank = [0.0; TERMS];
        Self {
            course: Course::Free,
            rests: false,
            falls: false,
            bend_rad: blank,
            bend_speed: blank,
            correction: blank,
            steady_nm: blank,
            inverse: blank,
            share: blank,
            signed_nm_per_rad: 0.0,
            latest: [0.0; 4],
            largest: 0.0,
        }
    }

    /// Takes a node at the piece's start. Returns the bristles' torque where they are free or rest; where they are slaved
    /// their friction is made dry friction.
    pub(crate) fn start(
        &mut self,
        bristles: &Bristles,
        node: &Node,
        dry: &mut Dry,
        weakening: &mut Weakening,
        margin: f64,
    ) -> f64 {
        let Bristle { kinetic_nm, stiffness_nm_per_rad, .. } = bristles.bristle;
        self.bend_rad[0] = bristles.bend_rad;
        self.rests = dry.law == Law::Rest;
        let Motion::Slides(direction) = node.motion else {
            self.bend_rad[1..].fill(0.0);
            self.bend_speed.fill(0.0);
            self.rests = true;
            return stiffness_nm_per_rad * bristles.bend_rad;
        };
        self.signed_nm_per_rad = direction * stiffness_nm_per_rad;
        let spent = node.spent_rad_per_s * (1.0 + margin) < node.speed_rad_per_s.abs();
        self.latest = [0.0; 4];
        if self.course == Course::Slaved {
            dry.level_nm += direction * kinetic_nm;
            dry.excess_nm = direction * bristles.excess_nm;
            dry.law = if spent || bristles.excess_nm == 0.0 { Law::Level } else { Law::Falling };
            self.falls = dry.law == Law::Falling;
            self.largest = kinetic_nm;
            return 0.0;
        }
        weakening.start(node, direction);
        let speed = node.speed_rad_per_s;
        self.steady_nm[0] = kinetic_nm + bristles.excess_nm * weakening.weakening[0];
        self.inverse[0] = 1.0 / self.steady_nm[0];
        self.share[0] = 1.0 - self.signed_nm_per_rad * self.inverse[0] * self.bend_rad[0];
        self.bend_speed[0] = speed * self.share[0];
        self.largest = self.steady_nm[0];
        self.latest[3] = stiffness_nm_per_rad * self.bend_rad[0].abs();
        bristles.torque_nm(node)
    }

    /// Whether [`BristleSeries::power`] has anything to add.
    pub(crate) fn bends(&self) -> bool {
        !self.rests && (self.course == Course::Free || self.correction != [0.0; TERMS])
    }

    /// Whether z is slaved and g changes.
    pub(crate) fn is_corrected(&self) -> bool {
        self.course == Course::Slaved && self.falls && !self.rests
    }

    /// What a slaved z makes of friction at the piece's start.
    pub(crate) fn correction_nm(&self) -> f64 {
        if self.course == Course::Slaved && !self.rests { self.correction[0] } else { 0.0 }
    }

    /// Coefficient k, at least 1, of the torque beyond viscous friction; slaved, of its correction.
    pub(crate) fn power(
        &mut self,
        weakening: &mut Weakening,
        speed: &Series,
        node: &Node,
        length_s: f64,
        k: usize,
    ) -> f64 {
        let (false, Some(bristles)) = (self.rests, &node.bristles) else { return 0.0 };
        let Bristle { stiffness_nm_per_rad, damping_nms_per_rad, .. } = bristles.bristle;
        if self.course == Course::Slaved {
            if self.falls {
                self.note(bristles.excess_nm * weakening.weakening[k].abs());
            }
            return self.correction[k];
        }
        self.bend_rad[k] = length_s * INVERSE[k] * self.bend_speed[k - 1];
        weakening.next(speed, node, k);
        self.steady_nm[k] = bristles.excess_nm * weakening.weakening[k];
        self.inverse[k] = -self.inverse[0] * mirrored_product(&self.steady_nm[1..=k], &self.inverse[..k]);
        self.share[k] = -self.signed_nm_per_rad * mirrored_product(&self.inverse[..=k], &self.bend_rad[..=k]);
        self.bend_speed[k] = mirrored_product(&speed[..=k], &self.share[..=k]);
        self.note(stiffness_nm_per_rad * self.bend_rad[k].abs());
        stiffness_nm_per_rad * self.bend_rad[k] + damping_nms_per_rad * self.bend_speed[k]
    }

    fn note(&mut self, size: f64) {
        self.latest = [self.latest[1], self.latest[2], self.latest[3], size];
        self.largest = if self.largest < size { size } else { self.largest };
    }

    /// Whether what follows the last power may be left out.
    pub(crate) fn converged(&self) -> bool {
        self.rests || converged(self.latest, self.largest)
    }

    /// Sizes of all powers but the last, which is known only when the piece is.
    pub(crate) fn sizes(&self, bristles: &Bristles, weakening: &Weakening) -> Series {
        if self.rests {
            return [0.0; TERMS];
        }
        let mut sizes = match self.course {
            Course::Free => self.bend_rad.map(|bend_rad| (self.signed_nm_per_rad * bend_rad).abs()),
            Course::Slaved if self.falls => weakening.weakening.map(|part| (bristles.excess_nm * part).abs()),
            Course::Slaved => [0.0; TERMS],
        };
        sizes[0] = self.largest;
        sizes
    }

    /// The last coefficient of z; z' has one fewer.
    pub(crate) fn finish(&mut self, length_s: f64, terms: usize) {
        if self.course == Course::Free && !self.rests {
            self.bend_rad[terms - 1] = length_s * INVERSE[terms - 1] * self.bend_speed[terms - 2];
            self.bend_speed[terms - 1] = 0.0;
        }
    }

    /// Shortens the piece by a factor.
    pub(crate) fn rescale(&mut self, scale: f64) {
        for one in [&mut self.bend_rad, &mut self.bend_speed, &mut self.correction] {
            series::rescale(one, scale);
        }
    }
}
