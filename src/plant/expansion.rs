//! The motion over one piece of a tick as power series, and the advance along them.
//!
//! Between events the chain's equations have constant patterns, and all that is not linear in them is exp(−|w/ws|^s) and
//! the sine of an arm's angle. The coefficients of such motions follow from one another (Taylor's method; Jorba and Zou,
//! Experimental Mathematics 14 (2005)), at a cost linear in the number of nodes:
//!
//! twist x_{k+1} = h v_k / (k+1) with v = w_i / r − w_{i+1}; torque T_k = K x_k + d v_k;
//! speed w_{k+1} = h (net torque)_k / (J (k+1)); lag M_{k+1} = (h/lag) (u − M)_k / (k+1);
//! E = exp(−y): k E_k = −Σ j y_j E_{k−j}; y = w²/ws² by the product rule, y = u^s by k u_0 y_k = Σ (s j − k + j) u_j y_{k−j};
//! sine and cosine: k S_k = h Σ w_j C_{k−1−j}, k C_k = −h Σ w_j S_{k−1−j}.
//!
//! Terms are added until they no longer matter; where even the highest power matters, the piece is shortened, which
//! only scales coefficients. The polynomials are the dense output too: events are their roots ([`crate::plant::search`]).
//! What it does not: look for events. Start reading at [`Expansion::expand`].

use crate::base::real;
use crate::plant::chain::{Chain, Contact, Exponent, Motion, Node, Reach};
use crate::plant::event::Cause;
use crate::plant::series::{self, INVERSE, ORDER_MAX, Series, TERMS};

/// How finely a tick is computed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stepping {
    /// Highest power of time in the speeds; `None`: as many as the motion needs. A fixed order is for measuring the
    /// order of the method.
    pub order: Option<usize>,
    /// Pieces a tick is cut into before events cut it further, at least 1.
    pub pieces: usize,
}

impl Stepping {
    /// As the motion needs it.
    pub const ADAPTED: Self = Self { order: None, pieces: 1 };
}

/// Terms below this share of the largest one are left out.
const TOLERANCE: f64 = 1e-13;
/// The term before the last may be this much larger: a motion without damping has every other term only.
const TOLERANCE_BEFORE: f64 = 30.0 * TOLERANCE;
/// Fewest powers: a ramp shows in a speed's second power only, and behind a known zero in its third.
const ORDER_MIN: usize = 3;
/// A piece is halved at most this often before the machine counts as too stiff.
const HALVINGS_MAX: u32 = 200;

/// The series of one piece.
#[derive(Clone, Debug)]
pub(crate) struct Expansion {
    /// Length of the piece in s.
    pub(crate) length_s: f64,
    /// Coefficients in use.
    pub(crate) terms: usize,
    pub(crate) motor_nm: Series,
    pub(crate) nodes: Vec<NodeSeries>,
    pub(crate) joints: Vec<JointSeries>,
}

/// The series of a node.
#[derive(Clone, Debug)]
pub(crate) struct NodeSeries {
    pub(crate) speed: Series,
    /// Net torque of everything but friction, of a node at rest.
    pub(crate) net_nm: Series,
    /// E = exp(−|w/ws|^s), of a node whose `law` is not `Level`.
    pub(crate) weakening: Series,
    /// k times the k-th coefficient of |w/ws|^s.
    slopes: Series,
    power: Series,
    pub(crate) sine: Series,
    pub(crate) cosine: Series,
    pub(crate) dry: Dry,
}

/// The series of a coupling.
#[derive(Clone, Debug)]
pub(crate) struct JointSeries {
    /// x in the open gap, x − b in contact.
    pub(crate) stretch: Series,
    pub(crate) torque_nm: Series,
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

/// How a node's friction goes with its speed during a piece.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Law {
    /// At rest: no motion.
    Rest,
    /// Dry friction does not depend on speed here.
    Level,
    /// It does, by exp(−|w/ws|^s).
    Falling(Exponent),
}

/// |w/ws|^s below this is lost in rounding beside 1; only asked where the power's own series does not exist at 0.
const UNFELT: f64 = 1e-13;

impl Expansion {
    /// Room for the series of a chain.
    pub(crate) fn new(chain: &Chain) -> Self {
        let blank = [0.0; TERMS];
        let rest = Dry { law: Law::Rest, direction: 0.0, level_nm: 0.0, excess_nm: 0.0 };
        let node = NodeSeries {
            speed: blank,
            net_nm: blank,
            weakening: blank,
            slopes: blank,
            power: blank,
            sine: blank,
            cosine: blank,
            dry: rest,
        };
        Self {
            length_s: 0.0,
            terms: 0,
            motor_nm: blank,
            nodes: vec![node; chain.nodes.len()],
            joints: vec![JointSeries { stretch: blank, torque_nm: blank }; chain.joints.len()],
        }
    }

    /// Expands the motion of a chain from now on, over at most a length in s; `length_s` is then how far it holds.
    pub(crate) fn expand(&mut self, chain: &Chain, at_most_s: f64, stepping: Stepping) -> Result<(), Cause> {
        self.length_s = at_most_s;
        self.start(chain);
        self.grow(chain, stepping.order)?;
        if self.weakening_returns(chain) {
            for (series, node) in self.nodes.iter_mut().zip(&chain.nodes) {
                series.dry = Dry::new(node, f64::INFINITY);
            }
            self.length_s = at_most_s;
            self.grow(chain, stepping.order)?;
        }
        self.stay_unfelt(chain)
    }

    /// Coefficients of τ⁰.
    fn start(&mut self, chain: &Chain) {
        for (series, node) in self.nodes.iter_mut().zip(&chain.nodes) {
            series.speed[0] = node.speed_rad_per_s;
            series.dry = Dry::new(node, MARGIN);
            if node.arm_nm.is_some() {
                series.sine[0] = real::sin(node.angle_rad);
                series.cosine[0] = real::cos(node.angle_rad);
            }
        }
        for (series, joint) in self.joints.iter_mut().zip(&chain.joints) {
            let at_rad = if joint.contact == Contact::Open { 0.0 } else { joint.gap_position_rad };
            series.stretch[0] = joint.twist_rad - at_rad;
        }
        self.motor_nm[0] = chain.motor.torque_nm;
    }

    /// Adds powers until they no longer matter, or to a given order.
    fn grow(&mut self, chain: &Chain, order: Option<usize>) -> Result<(), Cause> {
        let mut sizes = [0.0; TERMS];
        sizes[0] = self.nodes.iter().zip(&chain.nodes).map(|(series, node)| node.weight * series.speed[0].abs()).sum();
        let motor_weight = self.length_s * chain.nodes[0].per_inertia * chain.nodes[0].weight;
        sizes[0] += motor_weight * (self.motor_nm[0].abs() + chain.motor.command_nm.abs());
        let mut largest: f64 = sizes[0];
        let last = order.unwrap_or(ORDER_MAX).min(ORDER_MAX);
        for k in 0..last {
            sizes[k + 1] = self.add_power(chain, k) + motor_weight * self.motor_nm[k + 1].abs();
            largest = largest.max(sizes[k + 1]);
            let enough = sizes[k + 1] <= TOLERANCE * largest && sizes[k] <= TOLERANCE_BEFORE * largest;
            if order.is_none() && ORDER_MIN <= k + 1 && enough {
                self.terms = k + 2;
                return Ok(());
            }
        }
        self.terms = last + 1;
        if order.is_some() { Ok(()) } else { self.shorten_until_converged(&mut sizes) }
    }

    /// Coefficients k + 1 of all states from those up to k; returns the size of the speeds' new ones.
    fn add_power(&mut self, chain: &Chain, k: usize) -> f64 {
        let step = self.length_s * INVERSE[k + 1];
        let command_nm = if k == 0 { chain.motor.command_nm } else { 0.0 };
        self.motor_nm[k + 1] = step * chain.motor.rate_per_s * (command_nm - self.motor_nm[k]);
        let mut torque_nm = self.motor_nm[k];
        let mut size = 0.0;
        for (i, joint) in chain.joints.iter().enumerate() {
            let twist_speed = self.nodes[i].speed[k] * joint.per_ratio - self.nodes[i + 1].speed[k];
            let series = &mut self.joints[i];
            series.stretch[k + 1] = step * twist_speed;
            let passed_nm = if joint.contact == Contact::Open {
                0.0
            } else {
                joint.stiffness_nm_per_rad * series.stretch[k] + joint.damping_nms_per_rad * twist_speed
            };
            series.torque_nm[k] = passed_nm;
            let net_nm = torque_nm - passed_nm * joint.per_ratio;
            size += self.nodes[i].add_power(&chain.nodes[i], net_nm, self.length_s, k);
            torque_nm = passed_nm;
        }
        let last = self.nodes.len() - 1;
        let net_nm = torque_nm - self.stop_torque_nm(chain, k);
        size + self.nodes[last].add_power(&chain.nodes[last], net_nm, self.length_s, k)
    }

    /// Coefficient k of the torque with which a stop pushes the last node back.
    fn stop_torque_nm(&self, chain: &Chain, k: usize) -> f64 {
        let Some(stop) = &chain.stop else { return 0.0 };
        let Reach::Pressing(side) = stop.reach else { return 0.0 };
        if k == 0 {
            return side * chain.stop_torque_nm(side);
        }
        let speed = &self.nodes[self.nodes.len() - 1].speed;
        stop.stops.stiffness_nm_per_rad * self.length_s * INVERSE[k] * speed[k - 1]
            + stop.stops.damping_nms_per_rad * speed[k]
    }

    /// Halves the piece until the highest powers no longer matter.
    fn shorten_until_converged(&mut self, sizes: &mut Series) -> Result<(), Cause> {
        let mut scale = 1.0;
        for _ in 0..HALVINGS_MAX {
            let largest = sizes.iter().fold(0.0, |largest: f64, size| largest.max(*size));
            let [.., before, last] = *sizes;
            if !(largest + last + before).is_finite() {
                return Err(Cause::StateNotFinite);
            }
            if last <= TOLERANCE * largest && before <= TOLERANCE_BEFORE * largest {
                self.rescale(scale);
                return Ok(());
            }
            scale *= 0.5;
            series::rescale(sizes, 0.5);
        }
        Err(Cause::TooStiff)
    }

    /// Shortens the piece by a factor: every coefficient k times scaleᵏ.
    pub(crate) fn rescale(&mut self, scale: f64) {
        if scale == 1.0 {
            return;
        }
        self.length_s *= scale;
        series::rescale(&mut self.motor_nm, scale);
        for node in &mut self.nodes {
            for one in [&mut node.speed, &mut node.net_nm, &mut node.weakening, &mut node.sine, &mut node.cosine] {
                series::rescale(one, scale);
            }
        }
        for joint in &mut self.joints {
            series::rescale(&mut joint.stretch, scale);
            series::rescale(&mut joint.torque_nm, scale);
        }
    }

    /// Whether a node whose Stribeck part was taken as spent gets slow enough in this piece to feel it.
    fn weakening_returns(&self, chain: &Chain) -> bool {
        self.nodes.iter().zip(&chain.nodes).any(|(series, node)| {
            series.dry.law == Law::Level
                && series.dry.direction != 0.0
                && 0.0 < node.excess_nm
                && !unfelt(node)
                && series.speed[0].abs() - series::reach(&series.speed[..self.terms]) < node.spent_rad_per_s
        })
    }

    /// Where friction was taken as static because |w/ws|^s has no series at 0, the piece ends before that is felt.
    fn stay_unfelt(&mut self, chain: &Chain) -> Result<(), Cause> {
        for i in 0..self.nodes.len() {
            let node = &chain.nodes[i];
            if !(self.nodes[i].dry.direction != 0.0 && 0.0 < node.excess_nm && unfelt(node)) {
                continue;
            }
            let Exponent::Other(exponent) = node.exponent else { continue };
            let highest = 2.0 * real::pow(UNFELT, 1.0 / exponent);
            let mut halvings = 0;
            while highest < series::reach(&self.nodes[i].speed[..self.terms]) * node.per_stribeck_speed {
                self.rescale(0.5);
                halvings += 1;
                if HALVINGS_MAX < halvings {
                    return Err(Cause::TooStiff);
                }
            }
        }
        Ok(())
    }

    /// The first node whose series is not finite, else the one whose motion has the largest last term.
    pub(crate) fn worst_node(&self, chain: &Chain) -> usize {
        let mut worst = (0, 0.0);
        for (node, series) in self.nodes.iter().enumerate() {
            let size = chain.nodes[node].weight * (series::reach(&series.speed) + series.speed[0].abs());
            if !size.is_finite() {
                return node;
            }
            if worst.1 < size {
                worst = (node, size);
            }
        }
        worst.0
    }

    /// Moves the chain to τ; the caller handles what happens there.
    pub(crate) fn advance(&self, chain: &mut Chain, tau: f64) {
        let elapsed_s = self.length_s * tau;
        for (series, node) in self.nodes.iter().zip(&mut chain.nodes) {
            node.known_zeros = 0;
            node.load_nm.0 += node.load_nm.1 * elapsed_s;
            node.resisting_nm.0 += node.resisting_nm.1 * elapsed_s;
            if series.dry.law != Law::Rest {
                let speed = &series.speed[..self.terms];
                node.angle_rad += self.length_s * series::integral(speed, tau);
                node.speed_rad_per_s = series::value(speed, tau);
            }
        }
        for (series, joint) in self.joints.iter().zip(&mut chain.joints) {
            joint.known_zeros = 0;
            let relaxation = joint.relaxation_per_s;
            let strain_rad = joint.twist_rad - joint.gap_position_rad;
            joint.twist_rad += series::growth(&series.stretch[..self.terms], tau);
            if joint.contact == Contact::Open {
                let left_rad = relaxed(strain_rad, relaxation, elapsed_s, joint.half_gap_rad);
                joint.gap_position_rad = (joint.twist_rad - left_rad).clamp(-joint.half_gap_rad, joint.half_gap_rad);
            }
        }
        if let Some(stop) = &mut chain.stop {
            stop.known_zeros = 0;
        }
        if chain.motor.rate_per_s != 0.0 {
            chain.motor.torque_nm += series::growth(&self.motor_nm[..self.terms], tau);
        }
    }
}

/// A strain below this share of the half gap is lost in rounding.
const RELAXED: f64 = 1e-17;

/// The shaft's strain x − b in the open gap after a time: it decays by exp(−(k/d) t) whatever the nodes do.
pub(crate) fn relaxed(strain_rad: f64, relaxation_per_s: f64, elapsed_s: f64, half_gap_rad: f64) -> f64 {
    if strain_rad.abs() <= RELAXED * half_gap_rad { 0.0 } else { strain_rad * real::exp(-relaxation_per_s * elapsed_s) }
}

/// Share by which a node must be faster than `spent_rad_per_s` at a piece's start for its Stribeck part to be left out;
/// if it slows down below that within the piece, the piece is computed again with it.
const MARGIN: f64 = 0.05;

/// Whether friction is still the static one within rounding, though its series at speed 0 does not exist.
fn unfelt(node: &Node) -> bool {
    let Exponent::Other(exponent) = node.exponent else { return false };
    let relative = node.speed_rad_per_s.abs() * node.per_stribeck_speed;
    relative == 0.0 || real::pow(relative, exponent) < UNFELT
}

impl Dry {
    fn new(node: &Node, margin: f64) -> Self {
        let (direction, law) = match node.motion {
            Motion::Held | Motion::Clamped => (0.0, Law::Rest),
            Motion::Free => (0.0, Law::Level),
            Motion::Slides(direction) => {
                let spent = node.spent_rad_per_s * (1.0 + margin) < node.speed_rad_per_s.abs();
                let level = node.excess_nm == 0.0 || spent || unfelt(node);
                (direction, if level { Law::Level } else { Law::Falling(node.exponent) })
            }
        };
        let felt_nm = if direction != 0.0 && law == Law::Level && unfelt(node) { node.excess_nm } else { 0.0 };
        Self {
            law,
            direction,
            level_nm: direction * (felt_nm + node.kinetic_nm),
            excess_nm: direction * node.excess_nm,
        }
    }
}

impl NodeSeries {
    /// Speed's coefficient k + 1 from the net torque's coefficient k, loads not yet in it; returns its size.
    fn add_power(&mut self, node: &Node, torque_nm: f64, length_s: f64, k: usize) -> f64 {
        let mut net_nm = torque_nm;
        if let Some((sine_nm, cosine_nm)) = node.arm_nm {
            if 0 < k {
                self.add_arm_power(length_s, k);
            }
            net_nm -= sine_nm * self.sine[k] - cosine_nm * self.cosine[k];
        }
        net_nm -= linear(node.load_nm, length_s, k);
        if self.dry.law == Law::Rest {
            self.net_nm[k] = net_nm;
            self.speed[k + 1] = 0.0;
            return 0.0;
        }
        let mut friction_nm = node.viscous_nms_per_rad * self.speed[k];
        if let Law::Falling(exponent) = self.dry.law {
            self.add_weakening_power(node, exponent, k);
            friction_nm += self.dry.excess_nm * self.weakening[k];
        }
        if k == 0 {
            friction_nm += self.dry.level_nm;
        }
        friction_nm += self.dry.direction * linear(node.resisting_nm, length_s, k);
        let mut next = (net_nm - friction_nm) * (length_s * INVERSE[k + 1] * node.per_inertia);
        if k + 1 < node.known_zeros {
            next = 0.0;
        }
        self.speed[k + 1] = next;
        node.weight * next.abs()
    }

    fn add_arm_power(&mut self, length_s: f64, k: usize) {
        let share = length_s * INVERSE[k];
        self.sine[k] = share * mirrored_product(&self.speed[..k], &self.cosine[..k]);
        self.cosine[k] = -share * mirrored_product(&self.speed[..k], &self.sine[..k]);
    }

    fn add_weakening_power(&mut self, node: &Node, exponent: Exponent, k: usize) {
        let scale = node.per_stribeck_speed;
        let power = match exponent {
            Exponent::One => self.dry.direction * scale * self.speed[k],
            Exponent::Two => scale * scale * square_coefficient(&self.speed, k),
            Exponent::Other(exponent) => self.add_general_power(node, exponent, k),
        };
        if k == 0 {
            self.weakening[0] = real::exp(-power);
            return;
        }
        self.slopes[k] = k as f64 * power;
        self.weakening[k] = -INVERSE[k] * mirrored_product(&self.slopes[1..=k], &self.weakening[..k]);
    }

    /// Coefficient k of (|w|/ws)^s.
    fn add_general_power(&mut self, node: &Node, exponent: f64, k: usize) -> f64 {
        let scale = self.dry.direction * node.per_stribeck_speed;
        self.power[k] = if k == 0 {
            real::pow(scale * self.speed[0], exponent)
        } else {
            let factor = |j: usize| exponent * j as f64 - (k - j) as f64;
            let sum: f64 = (1..=k).map(|j| factor(j) * self.speed[j] * self.power[k - j]).sum();
            sum * INVERSE[k] / self.speed[0]
        };
        self.power[k]
    }
}

/// Coefficient k of a value that changes linearly: (now, change per s).
fn linear(value: (f64, f64), length_s: f64, k: usize) -> f64 {
    match k {
        0 => value.0,
        1 => value.1 * length_s,
        _ => 0.0,
    }
}

/// Σ a_j b_{n−1−j} of two series of the same length n.
fn mirrored_product(one: &[f64], other: &[f64]) -> f64 {
    one.iter().zip(other.iter().rev()).map(|(a, b)| a * b).sum()
}

/// Coefficient k of the square of a series, from half of the products.
fn square_coefficient(series: &Series, k: usize) -> f64 {
    let pairs: f64 = (0..k.div_ceil(2)).map(|j| series[j] * series[k - j]).sum();
    if k % 2 == 0 { 2.0 * pairs + series[k / 2] * series[k / 2] } else { 2.0 * pairs }
}
