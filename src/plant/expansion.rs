//! The motion over one piece of a tick as power series, and the advance along them.
//!
//! Between events the chain's equations have constant patterns, and all that is not linear in them is exp(−|w/ws|^s) and
//! the sine of an arm's angle. The coefficients of such motions follow from one another (Taylor's method; Jorba and Zou,
//! Experimental Mathematics 14 (2005)), at a cost linear in the number of nodes. With x the twist, v = w_i / r − w_{i+1}:
//!
//! x_{k+1} = h v_k / (k+1), torque T_k = K x_k + d v_k, w_{k+1} = h (net torque − friction)_k / (J (k+1)),
//! lag M_{k+1} = −(h/lag) M_k / (k+1), sine and cosine k S_k = h Σ w_j C_{k−1−j}, k C_k = −h Σ w_j S_{k−1−j},
//! Stribeck's exponential in [`crate::plant::weakening`].
//!
//! The first coefficient is summed as the torques at an instant are; for the others the factors of each node's own speed,
//! its neighbours' speeds and the twists beside it are made once per piece ([`Row`]). Terms are added until they no
//! longer matter; where even the highest power matters, the piece is shortened, which only scales coefficients. The
//! polynomials are the dense output too: events are their roots ([`crate::plant::search`]). What it does not: look for
//! events. Start reading at [`Expansion::expand`].

use crate::base::real;
use crate::plant::chain::{Chain, Contact, Exponent, Joint, Motion, Node, Reach, Stop};
use crate::plant::event::Cause;
use crate::plant::series::{self, INVERSE, ORDER_MAX, Series, TERMS};
use crate::plant::weakening::{Weakening, mirrored_product};

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

/// What may be left out, as a share of the largest term.
const TOLERANCE: f64 = 1e-13;
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
    rows: Vec<Row>,
}

/// The series of a node.
#[derive(Clone, Debug)]
pub(crate) struct NodeSeries {
    pub(crate) speed: Series,
    /// Of a node whose law is `Falling`.
    pub(crate) weakening: Weakening,
    /// Of the angle of an unbalanced arm.
    pub(crate) sine: Series,
    pub(crate) cosine: Series,
    pub(crate) dry: Dry,
    /// Net torque of everything but friction at the piece's start.
    pub(crate) net_nm: f64,
    /// Sum of the sizes of the speed's coefficients but the first: how far the speed can get from its start.
    pub(crate) reach: f64,
    /// Sum of the speed's coefficients but the first.
    growth: f64,
    /// ∫ of the speed over the piece less its start value, for h = 1.
    travel: f64,
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
    Falling,
}

/// A node's line in the chain's equations, every factor times h/J, and the coefficients k of its speed and of the twist
/// of the coupling behind it.
#[derive(Clone, Copy, Debug, Default)]
struct Row {
    speed: f64,
    stretch: f64,
    /// Factor of its own speed: dampers beside it, viscous friction, the slope of Stribeck's part.
    own: f64,
    /// Factor of the speed before and after it.
    before: f64,
    after: f64,
    /// Factor of the twist before and after it.
    spring_before: f64,
    spring_after: f64,
    /// Factors of its own and the next speed in that twist's growth.
    turn: f64,
    turn_after: f64,
    /// Torque to speed, h/J; 0 for a node at rest.
    share: f64,
    weight: f64,
    /// Whether there is more to add than the linear part: Stribeck, an arm, a stop.
    bent: bool,
}

/// |w/ws|^s below this is lost in rounding beside 1; only asked where the power's own series does not exist at 0.
const UNFELT: f64 = 1e-13;

impl Expansion {
    /// Room for the series of a chain.
    pub(crate) fn new(chain: &Chain) -> Self {
        let blank = [0.0; TERMS];
        let node = NodeSeries {
            speed: blank,
            weakening: Weakening::blank(),
            sine: blank,
            cosine: blank,
            dry: Dry { law: Law::Rest, direction: 0.0, level_nm: 0.0, excess_nm: 0.0 },
            net_nm: 0.0,
            reach: 0.0,
            growth: 0.0,
            travel: 0.0,
        };
        Self {
            length_s: 0.0,
            terms: 0,
            motor_nm: blank,
            nodes: vec![node; chain.nodes.len()],
            rows: vec![Row::default(); chain.nodes.len()],
        }
    }

    /// Expands the motion of a chain from now on, over at most a length in s; `length_s` is then how far it holds.
    pub(crate) fn expand(&mut self, chain: &Chain, at_most_s: f64, stepping: Stepping) -> Result<(), Cause> {
        self.length_s = at_most_s;
        self.start(chain, MARGIN);
        self.grow(chain, stepping.order)?;
        if self.weakening_returns(chain) {
            self.length_s = at_most_s;
            self.start(chain, f64::INFINITY);
            self.grow(chain, stepping.order)?;
        }
        self.stay_unfelt(chain)
    }

    /// Coefficients of τ⁰, and the speeds' of τ¹; `margin`: see [`MARGIN`].
    fn start(&mut self, chain: &Chain, margin: f64) {
        self.motor_nm[0] = chain.motor.torque_nm;
        self.motor_nm[1] = self.length_s * chain.motor.rate_per_s * (chain.motor.command_nm - chain.motor.torque_nm);
        let mut before = Beside::default();
        let mut torque_nm = chain.motor.torque_nm;
        for (i, node) in chain.nodes.iter().enumerate() {
            let behind = Beside::behind(chain, i);
            let series = &mut self.nodes[i];
            let net_nm = series.start(node, torque_nm, &behind, margin);
            self.rows[i] = Row::new(node, series, [&before, &behind], self.length_s);
            series.speed[1] = if 1 < node.known_zeros { 0.0 } else { net_nm * self.rows[i].share };
            self.rows[i].stretch = self.length_s * behind.twist_speed;
            (before, torque_nm) = (behind, behind.torque_nm);
        }
    }

    /// Adds powers until they no longer matter, or to a given order.
    fn grow(&mut self, chain: &Chain, order: Option<usize>) -> Result<(), Cause> {
        let mut sizes = [0.0; TERMS];
        let motor_weight = self.length_s * chain.nodes[0].per_inertia * chain.nodes[0].weight;
        sizes[0] = motor_weight * (chain.motor.torque_nm.abs() + chain.motor.command_nm.abs());
        for (series, row) in self.nodes.iter_mut().zip(&mut self.rows) {
            let first = series.speed[1];
            sizes[0] += row.weight * series.speed[0].abs();
            sizes[1] += row.weight * first.abs();
            row.speed = first;
            (series.growth, series.reach, series.travel) = (first, first.abs(), 0.5 * first);
        }
        let mut largest = f64::max(sizes[0], sizes[1]);
        let last = order.unwrap_or(ORDER_MAX).clamp(1, ORDER_MAX);
        for k in 1..last {
            let size = self.add_power(chain, k) + motor_weight * self.motor_nm[k + 1].abs();
            sizes[k + 1] = size;
            largest = if largest < size { size } else { largest };
            if ORDER_MIN <= k + 1 && order.is_none() && converged(&sizes[k - 2..=k + 1], largest) {
                self.terms = k + 2;
                return Ok(());
            }
        }
        self.terms = last + 1;
        if order.is_some() { Ok(()) } else { self.shorten_until_converged(&mut sizes) }
    }

    /// Coefficients k + 1 of all states from those up to k, which is at least 1; returns the size of the speeds' new ones.
    fn add_power(&mut self, chain: &Chain, k: usize) -> f64 {
        let inverse = INVERSE[k + 1];
        let further = INVERSE[k + 2];
        self.motor_nm[k + 1] = -self.length_s * chain.motor.rate_per_s * inverse * self.motor_nm[k];
        let mut size = 0.0;
        let (mut speed_before, mut stretch_before, mut push) = (0.0, 0.0, self.motor_nm[k]);
        for i in 0..self.rows.len() {
            let speed_after = self.rows.get(i + 1).map_or(0.0, |row| row.speed);
            let row = &mut self.rows[i];
            let mut sum = row.before * speed_before + row.after * speed_after + row.spring_before * stretch_before
                - row.spring_after * row.stretch
                - row.own * row.speed
                + row.share * push;
            let series = &mut self.nodes[i];
            if row.bent || k == 1 {
                sum -= row.share * series.bend(chain, i, self.length_s, k);
            }
            let next = sum * inverse;
            series.speed[k + 1] = next;
            series.growth += next;
            series.reach += next.abs();
            series.travel += next * further;
            size += row.weight * next.abs();
            (speed_before, stretch_before, push) = (row.speed, row.stretch, 0.0);
            row.stretch = inverse * (row.turn * row.speed - row.turn_after * speed_after);
            row.speed = next;
        }
        size
    }

    /// Halves the piece until the highest powers no longer matter.
    fn shorten_until_converged(&mut self, sizes: &mut Series) -> Result<(), Cause> {
        let mut scale = 1.0;
        for _ in 0..HALVINGS_MAX {
            let largest = sizes.iter().fold(0.0, |largest: f64, size| largest.max(*size));
            if !sizes.iter().sum::<f64>().is_finite() {
                return Err(Cause::StateNotFinite);
            }
            if converged(&sizes[TERMS - 4..], largest) {
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
            for one in [&mut node.speed, &mut node.weakening.weakening, &mut node.sine, &mut node.cosine] {
                series::rescale(one, scale);
            }
            let speed = &node.speed[..self.terms];
            node.reach = series::reach(speed);
            node.growth = series::growth(speed, 1.0);
            node.travel = series::integral(speed, 1.0) - speed[0];
        }
    }

    /// Whether a node whose Stribeck part was taken as spent gets slow enough in this piece to feel it.
    fn weakening_returns(&self, chain: &Chain) -> bool {
        self.nodes.iter().zip(&chain.nodes).any(|(series, node)| {
            series.dry.law == Law::Level
                && series.dry.direction != 0.0
                && 0.0 < node.excess_nm
                && series.speed[0].abs() - series.reach < node.spent_rad_per_s
                && !unfelt(node)
        })
    }

    /// Where friction was taken as static because |w/ws|^s has no series at 0, the piece ends before that is felt.
    fn stay_unfelt(&mut self, chain: &Chain) -> Result<(), Cause> {
        for (i, node) in chain.nodes.iter().enumerate() {
            let Exponent::Other(exponent) = node.exponent else { continue };
            if !(self.nodes[i].dry.direction != 0.0 && 0.0 < node.excess_nm && unfelt(node)) {
                continue;
            }
            let highest = 2.0 * real::pow(UNFELT, 1.0 / exponent);
            let mut halvings = 0;
            while highest < self.nodes[i].reach * node.per_stribeck_speed {
                self.rescale(0.5);
                halvings += 1;
                if HALVINGS_MAX < halvings {
                    return Err(Cause::TooStiff);
                }
            }
        }
        Ok(())
    }

    /// The first node whose series is not finite, else the one that moves most.
    pub(crate) fn worst_node(&self, chain: &Chain) -> usize {
        let mut worst = (0, 0.0);
        for (node, series) in self.nodes.iter().enumerate() {
            let size = chain.nodes[node].weight * (series.reach + series.speed[0].abs());
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
        let mut turn_before_rad = 0.0;
        for (i, series) in self.nodes.iter().enumerate() {
            let node = &mut chain.nodes[i];
            let mut turn_rad = 0.0;
            if series.dry.law != Law::Rest {
                let (travel, growth) = series.moved(self.terms, tau);
                turn_rad = self.length_s * travel;
                node.angle_rad += turn_rad;
                node.speed_rad_per_s += growth;
            }
            node.known_zeros = 0;
            node.load_nm.0 += node.load_nm.1 * elapsed_s;
            node.resisting_nm.0 += node.resisting_nm.1 * elapsed_s;
            if 0 < i {
                chain.joints[i - 1].advance(turn_before_rad, turn_rad, elapsed_s);
            }
            turn_before_rad = turn_rad;
        }
        if let Some(stop) = &mut chain.stop {
            stop.known_zeros = 0;
        }
        if chain.motor.rate_per_s != 0.0 {
            chain.motor.torque_nm += series::growth(&self.motor_nm[..self.terms], tau);
        }
    }
}

/// Whether what follows the last of four sizes may be left out. Motions without damping have every other term only, so
/// two and two are compared: they fall from `earlier` to `later`, and from there at least as fast.
fn converged(sizes: &[f64], largest: f64) -> bool {
    let &[first, second, third, fourth] = sizes else { return false };
    let (earlier, later) = (first + second, third + fourth);
    later <= 1e-11 * largest && later * later <= TOLERANCE * largest * earlier
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

/// What the coupling behind a node does at the piece's start. A stop that pushes is a coupling to the frame.
#[derive(Clone, Copy, Debug, Default)]
struct Beside {
    per_ratio: f64,
    /// 0 in the open gap, the damping too.
    stiffness_nm_per_rad: f64,
    damping_nms_per_rad: f64,
    torque_nm: f64,
    twist_speed: f64,
}

impl Beside {
    fn behind(chain: &Chain, node: usize) -> Self {
        let Some(joint) = chain.joints.get(node) else { return Self::stop(chain) };
        let twist_speed = chain.twist_speed_rad_per_s(node);
        let open = Self { per_ratio: joint.per_ratio, twist_speed, ..Self::default() };
        if joint.contact == Contact::Open {
            return open;
        }
        Self {
            stiffness_nm_per_rad: joint.stiffness_nm_per_rad,
            damping_nms_per_rad: joint.damping_nms_per_rad,
            torque_nm: chain.joint_torque_nm(node),
            ..open
        }
    }

    fn stop(chain: &Chain) -> Self {
        let Some(Stop { stops, reach: Reach::Pressing(side), .. }) = &chain.stop else { return Self::default() };
        Self {
            per_ratio: 1.0,
            stiffness_nm_per_rad: stops.stiffness_nm_per_rad,
            damping_nms_per_rad: stops.damping_nms_per_rad,
            torque_nm: side * chain.stop_torque_nm(*side),
            twist_speed: chain.last().speed_rad_per_s,
        }
    }
}

impl Row {
    fn new(node: &Node, series: &NodeSeries, [before, behind]: [&Beside; 2], length_s: f64) -> Self {
        let rest = series.dry.law == Law::Rest;
        let share = if rest { 0.0 } else { length_s * node.per_inertia };
        let mut own = node.viscous_nms_per_rad + before.damping_nms_per_rad;
        own += behind.damping_nms_per_rad * behind.per_ratio * behind.per_ratio;
        if series.dry.law == Law::Falling {
            own += series.dry.excess_nm * series.weakening.slope;
        }
        Self {
            speed: 0.0,
            stretch: 0.0,
            own: share * own,
            before: share * before.damping_nms_per_rad * before.per_ratio,
            after: share * behind.damping_nms_per_rad * behind.per_ratio,
            spring_before: share * before.stiffness_nm_per_rad,
            spring_after: share * behind.stiffness_nm_per_rad * behind.per_ratio,
            turn: length_s * behind.per_ratio,
            turn_after: length_s,
            share,
            weight: node.weight,
            bent: !rest && (series.dry.law == Law::Falling || node.arm_nm.is_some()),
        }
    }
}

impl NodeSeries {
    /// Coefficients of τ⁰; returns the net torque with friction. Summed as [`Chain::net_torque_nm`] and
    /// [`Node::holding_torque_nm`] are, so that a node which breaks away does not turn back by rounding.
    fn start(&mut self, node: &Node, torque_nm: f64, behind: &Beside, margin: f64) -> f64 {
        self.speed[0] = node.speed_rad_per_s;
        self.dry = Dry::new(node, margin);
        let mut net_nm = torque_nm - behind.torque_nm * behind.per_ratio;
        if let Some((sine_nm, cosine_nm)) = node.arm_nm {
            (self.sine[0], self.cosine[0]) = (real::sin(node.angle_rad), real::cos(node.angle_rad));
            net_nm -= sine_nm * self.sine[0] - cosine_nm * self.cosine[0];
        }
        net_nm -= node.load_nm.0;
        self.net_nm = net_nm;
        let mut friction_nm = node.viscous_nms_per_rad * node.speed_rad_per_s;
        if self.dry.law == Law::Falling {
            self.weakening.start(node, self.dry.direction);
            friction_nm += self.dry.excess_nm * self.weakening.weakening[0];
        }
        friction_nm += self.dry.level_nm;
        friction_nm += self.dry.direction * node.resisting_nm.0;
        net_nm - friction_nm
    }

    /// Coefficient k of what is not linear in the state, as a torque against the motion: Stribeck's part but for its
    /// slope, an arm; and of what changes with time.
    fn bend(&mut self, chain: &Chain, node: usize, length_s: f64, k: usize) -> f64 {
        let node = &chain.nodes[node];
        let mut bend_nm = 0.0;
        if self.dry.law == Law::Falling {
            let rest = self.weakening.rest(&self.speed, node, k);
            self.weakening.next(self.speed[k], rest, k);
            bend_nm += self.dry.excess_nm * rest;
        }
        if let Some((sine_nm, cosine_nm)) = node.arm_nm {
            let share = length_s * INVERSE[k];
            self.sine[k] = share * mirrored_product(&self.speed[..k], &self.cosine[..k]);
            self.cosine[k] = -share * mirrored_product(&self.speed[..k], &self.sine[..k]);
            bend_nm += sine_nm * self.sine[k] - cosine_nm * self.cosine[k];
        }
        if k == 1 {
            bend_nm += length_s * (node.load_nm.1 + self.dry.direction * node.resisting_nm.1);
        }
        bend_nm
    }

    /// ∫ of the speed up to τ for h = 1, and what the speed gains.
    fn moved(&self, terms: usize, tau: f64) -> (f64, f64) {
        if tau == 1.0 {
            return (self.speed[0] + self.travel, self.growth);
        }
        let speed = &self.speed[..terms];
        (series::integral(speed, tau), series::growth(speed, tau))
    }
}

impl Dry {
    fn new(node: &Node, margin: f64) -> Self {
        let (direction, law) = match node.motion {
            Motion::Held | Motion::Clamped => (0.0, Law::Rest),
            Motion::Free => (0.0, Law::Level),
            Motion::Slides(direction) => {
                let spent = node.spent_rad_per_s * (1.0 + margin) < node.speed_rad_per_s.abs();
                let level = node.excess_nm == 0.0 || spent || unfelt(node);
                (direction, if level { Law::Level } else { Law::Falling })
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

impl Joint {
    /// Follows what the nodes beside it have turned.
    fn advance(&mut self, turn_before_rad: f64, turn_after_rad: f64, elapsed_s: f64) {
        let strain_rad = self.twist_rad - self.gap_position_rad;
        self.twist_rad += turn_before_rad * self.per_ratio - turn_after_rad;
        self.known_zeros = 0;
        if self.contact == Contact::Open {
            let left_rad = relaxed(strain_rad, self.relaxation_per_s, elapsed_s, self.half_gap_rad);
            self.gap_position_rad = (self.twist_rad - left_rad).clamp(-self.half_gap_rad, self.half_gap_rad);
        }
    }
}

/// A strain below this share of the half gap is lost in rounding.
const RELAXED: f64 = 1e-17;

/// The shaft's strain x − b in the open gap after a time: it decays by exp(−(k/d) t) whatever the nodes do.
pub(crate) fn relaxed(strain_rad: f64, relaxation_per_s: f64, elapsed_s: f64, half_gap_rad: f64) -> f64 {
    if strain_rad.abs() <= RELAXED * half_gap_rad { 0.0 } else { strain_rad * real::exp(-relaxation_per_s * elapsed_s) }
}
