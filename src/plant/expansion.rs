//! The motion over one piece of a tick as power series, and the advance along them.
//!
//! Between events the chain's equations have constant patterns, and all that is not linear in them is exp(−|w/ws|^s)
//! and the sine of an arm's angle. The coefficients of such motions follow from one another (Taylor's method; Jorba and
//! Zou, Experimental Mathematics 14 (2005)), at a cost linear in the number of nodes. With x the twist, v = w_i / r −
//! w_{i+1}:
//!
//! x_{k+1} = h v_k / (k+1), torque T_k = K x_k + d v_k, w_{k+1} = h (net torque − friction)_k / (J (k+1)),
//! lag M_{k+1} = −(h/lag) M_k / (k+1), sine and cosine k S_k = h Σ w_j C_{k−1−j}, k C_k = −h Σ w_j S_{k−1−j},
//! Stribeck's exponential as in [`crate::plant::weakening`].
//!
//! The first coefficient is summed as the torques at an instant are; for the others the factors of each node's own
//! speed, its neighbours' speeds and the twists beside it are made once per piece ([`crate::plant::lane`]). Terms are
//! added until they no longer matter; where even the highest power matters, the piece is shortened, which only scales
//! coefficients. The polynomials are the dense output too: events are their roots ([`crate::plant::search`]). What it
//! does not: look for events. Start reading at [`Expansion::expand`].

use crate::base::real;
use crate::plant::chain::{Chain, Exponent, Node};
use crate::plant::dry::{Bend, Dry, Law, UNFELT, unfelt};
use crate::plant::event::Cause;
use crate::plant::flux::Flux;
use crate::plant::joint::{Contact, Joint};
use crate::plant::lane::{self, Behind, Lane, Powers, Sums, add_powers};
use crate::plant::series::{self, Series, TERMS};

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

/// A piece is halved at most this often before the machine counts as too stiff.
const HALVINGS_MAX: u32 = 200;

/// Share by which a node must be faster than `spent_rad_per_s` at a piece's start for its Stribeck part to be left out;
/// if it slows down below that within the piece, the piece is computed again with it.
pub(crate) const MARGIN: f64 = 0.05;

/// Share of a power's radius of convergence that a piece may take: its terms then fall by 4 each, to 4e-15 in all.
const WITHIN_RADIUS: f64 = 0.25;

/// The series of one piece.
#[derive(Clone, Debug)]
pub(crate) struct Expansion {
    /// Length of the piece in s.
    pub(crate) length_s: f64,
    /// Coefficients in use.
    pub(crate) terms: usize,
    pub(crate) motor_nm: Series,
    pub(crate) flux: Flux,
    pub(crate) speeds: Vec<Series>,
    pub(crate) sums: Vec<Sums>,
    /// For chains too long to have them at hand.
    lanes: Vec<Lane>,
    pub(crate) bends: Vec<Bend>,
    /// Whether any node has a Stribeck exponent other than 1 and 2.
    unusual: bool,
    /// Whether any node has bristles.
    bristled: bool,
}

impl Expansion {
    /// Room for the series of a chain.
    pub(crate) fn new(chain: &Chain) -> Self {
        let count = chain.nodes.len();
        Self {
            length_s: 0.0,
            terms: 0,
            motor_nm: [0.0; TERMS],
            flux: Flux::new(chain.winding.as_ref()),
            speeds: vec![[0.0; TERMS]; count],
            sums: vec![Sums::default(); count],
            lanes: vec![Lane::default(); count],
            bends: chain.nodes.iter().map(Bend::blank).collect(),
            unusual: chain.nodes.iter().any(|node| matches!(node.exponent, Exponent::Other(_))),
            bristled: chain.nodes.iter().any(|node| node.bristles.is_some()),
        }
    }

    /// Expands the motion of a chain from now on, over at most a length in s; `length_s` is then how far it holds.
    pub(crate) fn expand(&mut self, chain: &Chain, at_most_s: f64, stepping: Stepping) -> Result<(), Cause> {
        if self.bristled {
            self.expand_bristles(chain, at_most_s, stepping.order)?;
            return if self.unusual { self.stay_unfelt(chain) } else { Ok(()) };
        }
        self.grow(chain, at_most_s, stepping.order, MARGIN)?;
        if self.weakening_returns(chain) {
            self.grow(chain, at_most_s, stepping.order, f64::INFINITY)?;
        }
        self.see_weakening_come(chain)?;
        if self.unusual { self.stay_unfelt(chain) } else { Ok(()) }
    }

    /// All coefficients. Chains of up to three nodes have the loop over powers compiled for their number, with all that
    /// is under way in registers: half the time of the loop for any number. `margin`: see [`MARGIN`].
    pub(crate) fn grow(
        &mut self,
        chain: &Chain,
        length_s: f64,
        order: Option<usize>,
        margin: f64,
    ) -> Result<(), Cause> {
        self.length_s = if self.unusual { length_s.min(length_within_radius_s(chain, margin)) } else { length_s };
        match (chain.is_live(), self.bristled) {
            (true, false) => self.grow_as::<true, false>(chain, order, margin),
            (false, false) => self.grow_as::<false, false>(chain, order, margin),
            (true, true) => self.grow_as::<true, true>(chain, order, margin),
            (false, true) => self.grow_as::<false, true>(chain, order, margin),
        }
    }

    #[inline(always)]
    fn grow_as<const LIVE: bool, const BRISTLED: bool>(
        &mut self,
        chain: &Chain,
        order: Option<usize>,
        margin: f64,
    ) -> Result<(), Cause> {
        match chain.nodes.len() {
            1 => self.grow_in::<LIVE, BRISTLED>(&mut [Lane::default(); 1], chain, order, margin),
            2 => self.grow_in::<LIVE, BRISTLED>(&mut [Lane::default(); 2], chain, order, margin),
            3 => self.grow_in::<LIVE, BRISTLED>(&mut [Lane::default(); 3], chain, order, margin),
            _ => {
                let mut lanes = std::mem::take(&mut self.lanes);
                let grown = self.grow_in::<LIVE, BRISTLED>(&mut lanes, chain, order, margin);
                self.lanes = lanes;
                grown
            }
        }
    }

    #[inline(always)]
    fn grow_in<const LIVE: bool, const BRISTLED: bool>(
        &mut self,
        lanes: &mut [Lane],
        chain: &Chain,
        order: Option<usize>,
        margin: f64,
    ) -> Result<(), Cause> {
        self.start(lanes, chain, margin);
        if LIVE {
            self.start_winding(chain);
        }
        let mut powers = Powers {
            chain,
            length_s: self.length_s,
            order,
            motor_nm: &mut self.motor_nm,
            flux: &mut self.flux,
            coils: chain.coils(),
            speeds: &mut self.speeds,
            bends: &mut self.bends,
        };
        let (highest, enough) = add_powers::<LIVE, BRISTLED>(lanes, &mut powers);
        self.terms = highest + 1;
        for (i, lane) in lanes.iter().enumerate() {
            self.sums[i] = lane.sums;
        }
        if BRISTLED {
            for series in self.bends.iter_mut().filter_map(|bend| bend.bristles.as_mut()) {
                series.finish(self.length_s, self.terms);
            }
        }
        if enough { Ok(()) } else { self.shorten_until_converged(chain) }
    }

    /// Coefficients of τ⁰ and τ¹.
    #[inline(always)]
    fn start(&mut self, lanes: &mut [Lane], chain: &Chain, margin: f64) {
        let motor = &chain.motor;
        self.motor_nm[0] = motor.torque_nm;
        self.motor_nm[1] = self.length_s * motor.rate_per_s * (motor.command_nm - motor.torque_nm);
        let (mut before, mut driven_nm) = (Behind::default(), motor.torque_nm);
        let count = lanes.len();
        for (i, lane) in lanes.iter_mut().enumerate() {
            let (node, bend) = (&chain.nodes[i], &mut self.bends[i]);
            let is_last = i + 1 == count;
            let behind = if is_last { Behind::default() } else { Behind::of(chain, i) };
            let mut chain_nm = driven_nm - behind.torque_nm * behind.per_ratio;
            let pressing = if is_last { chain.pressing_stop() } else { None };
            if let Some((_, torque_nm)) = pressing {
                chain_nm -= torque_nm;
            }
            let net_nm = bend.start(node, chain_nm, margin);
            if let Some((stops, _)) = pressing {
                bend.press(stops);
            }
            *lane = Lane::new(node, bend, [&before, &behind], net_nm, self.length_s);
            let speed = &mut self.speeds[i];
            (speed[0], speed[1]) = (node.speed_rad_per_s, lane.first());
            driven_nm = behind.torque_nm;
            before = behind;
        }
    }

    /// The winding's coefficients of τ⁰ and τ¹, and the torque's of τ¹.
    #[inline(always)]
    fn start_winding(&mut self, chain: &Chain) {
        if let Some(winding) = &chain.winding {
            self.flux.start(winding, &self.speeds[0], &mut self.motor_nm, self.length_s);
        }
    }

    /// Halves the piece until the highest powers no longer matter.
    fn shorten_until_converged(&mut self, chain: &Chain) -> Result<(), Cause> {
        let mut sizes = lane::sizes(chain, self.length_s, &self.motor_nm, &self.speeds);
        let mut linkages = if chain.is_live() { self.flux.sizes(chain.coils()) } else { [0.0; TERMS] };
        let mut bristles = if self.bristled { self.bristle_sizes(chain) } else { [0.0; TERMS] };
        let mut scale = 1.0;
        for _ in 0..HALVINGS_MAX {
            let all = sizes.iter().chain(&linkages).chain(&bristles);
            if !all.sum::<f64>().is_finite() {
                return Err(Cause::StateNotFinite);
            }
            if [&sizes, &linkages, &bristles].into_iter().all(lane::all_converged) {
                self.rescale(scale);
                return Ok(());
            }
            scale *= 0.5;
            series::rescale(&mut sizes, 0.5);
            series::rescale(&mut linkages, 0.5);
            series::rescale(&mut bristles, 0.5);
        }
        Err(Cause::TooStiff)
    }

    /// Sizes of all bristles' powers, each as a share of the largest torque.
    fn bristle_sizes(&self, chain: &Chain) -> Series {
        let mut sizes = [0.0; TERMS];
        for (bend, node) in self.bends.iter().zip(&chain.nodes) {
            let (Some(series), Some(bristles)) = (&bend.bristles, &node.bristles) else { continue };
            for (sum, size) in sizes.iter_mut().zip(series.sizes(bristles, &bend.weakening)) {
                *sum += size / bristles.bristle.static_nm;
            }
        }
        sizes
    }

    /// Shortens the piece by a factor: every coefficient k times scaleᵏ.
    pub(crate) fn rescale(&mut self, scale: f64) {
        if scale == 1.0 {
            return;
        }
        self.length_s *= scale;
        series::rescale(&mut self.motor_nm, scale);
        self.flux.rescale(scale, self.terms);
        for bend in &mut self.bends {
            for one in [&mut bend.weakening.weakening, &mut bend.sine, &mut bend.cosine] {
                series::rescale(one, scale);
            }
            for wave in bend.waves.iter_mut().chain(bend.unevenness.as_deref_mut()) {
                wave.rescale(scale);
            }
            if let Some(series) = &mut bend.bristles {
                series.rescale(scale);
            }
        }
        for (speed, sums) in self.speeds.iter_mut().zip(&mut self.sums) {
            series::rescale(speed, scale);
            let speed = &speed[..self.terms];
            *sums = Sums {
                reach: series::reach(speed),
                growth: series::growth(speed, 1.0),
                travel: series::integral(speed, 1.0) - speed[0],
            };
        }
    }

    /// Whether a node whose Stribeck part was taken as spent gets slow enough in this piece to feel it.
    pub(crate) fn weakening_returns(&self, chain: &Chain) -> bool {
        chain.nodes.iter().zip(&self.sums).zip(&self.bends).any(|((node, sums), bend)| {
            bend.dry.law == Law::Level
                && bend.dry.excess_nm != 0.0
                && node.speed_rad_per_s.abs() - sums.reach < node.spent_rad_per_s
                && !unfelt(node)
        })
    }

    /// A node that gets slower than its Stribeck speed within the piece: the first powers of exp(−y) are lost beside the
    /// motion's while y is large, however large the later ones are. The piece ends before y has fallen by more than
    /// [`FALL_MAX`] where that matters.
    fn see_weakening_come(&mut self, chain: &Chain) -> Result<(), Cause> {
        for (i, node) in chain.nodes.iter().enumerate() {
            if self.bends[i].dry.law != Law::Falling {
                continue;
            }
            let mut halvings = 0;
            while falls_unseen(node, self.sums[i].reach) {
                self.rescale(0.5);
                halvings += 1;
                if HALVINGS_MAX < halvings {
                    return Err(Cause::TooStiff);
                }
            }
        }
        Ok(())
    }

    /// Where friction was taken as static because |w/ws|^s has no series at 0, the piece ends before that is felt.
    fn stay_unfelt(&mut self, chain: &Chain) -> Result<(), Cause> {
        for (i, node) in chain.nodes.iter().enumerate() {
            let Exponent::Other(exponent) = node.exponent else { continue };
            if self.bends[i].dry.excess_nm == 0.0 || !unfelt(node) {
                continue;
            }
            let highest = 2.0 * real::pow(UNFELT, 1.0 / exponent);
            let mut halvings = 0;
            while highest < self.sums[i].reach * node.per_stribeck_speed {
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
        for (node, sums) in self.sums.iter().enumerate() {
            let size = chain.nodes[node].weight * (sums.reach + self.speeds[node][0].abs());
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
        for (i, bend) in self.bends.iter().enumerate() {
            let node = &mut chain.nodes[i];
            let mut turn_rad = 0.0;
            if bend.dry.law != Law::Rest {
                let (travel, growth) = self.moved(i, tau);
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
        if self.bristled {
            self.bend_bristles(chain, tau);
        }
        if let Some(stop) = &mut chain.stop {
            stop.known_zeros = 0;
        }
        if let Some(winding) = chain.winding.as_mut().filter(|winding| winding.live) {
            let [x_vs, y_vs] = self.flux.growth_vs(self.terms, tau);
            winding.linkage_vs = [winding.linkage_vs[0] + x_vs, winding.linkage_vs[1] + y_vs];
            winding.turn_to(chain.nodes[0].angle_rad);
            chain.motor.torque_nm = winding.torque_nm();
        }
        if chain.motor.rate_per_s != 0.0 {
            chain.motor.torque_nm += series::growth(&self.motor_nm[..self.terms], tau);
        }
    }

    /// By how much a node turns up to τ, in rad: to the bit what [`Expansion::advance`] adds.
    pub(crate) fn turn_rad(&self, node: usize, tau: f64) -> f64 {
        self.length_s * self.moved(node, tau).0
    }

    #[inline(never)]
    fn bend_bristles(&self, chain: &mut Chain, tau: f64) {
        for (bend, node) in self.bends.iter().zip(&mut chain.nodes) {
            if let (Some(series), Some(bristles)) = (&bend.bristles, &mut node.bristles) {
                bristles.bend_rad = series::value(&series.bend_rad[..self.terms], tau);
            }
        }
    }

    /// ∫ of a speed up to τ for h = 1, and what the speed gains.
    fn moved(&self, node: usize, tau: f64) -> (f64, f64) {
        let speed = &self.speeds[node][..self.terms];
        if tau == 1.0 {
            return (speed[0] + self.sums[node].travel, self.sums[node].growth);
        }
        (series::integral(speed, tau), series::growth(speed, tau))
    }
}

/// How far y = |w/ws|^s may fall in a piece: 6ᵏ/k! is at most 65, so that no power of exp(−y) is much above the first.
const FALL_MAX: f64 = 6.0;
/// exp(−y) is below 1e-12 beyond this y, and matters to no state.
const UNSEEN: f64 = 28.0;

/// Whether y of a node may fall by more than [`FALL_MAX`], to where it matters, while its speed changes by this much.
fn falls_unseen(node: &Node, change_rad_per_s: f64) -> bool {
    let relative = node.speed_rad_per_s.abs() * node.per_stribeck_speed;
    let lowest = (relative - change_rad_per_s * node.per_stribeck_speed).max(0.0);
    let power = |relative: f64| match node.exponent {
        Exponent::One => relative,
        Exponent::Two => relative * relative,
        Exponent::Other(exponent) => real::pow(relative, exponent),
    };
    let lowest = power(lowest);
    lowest < UNSEEN && FALL_MAX < power(relative) - lowest
}

/// How far the series of (|w|/ws)^s may reach: its radius is the time in which the node would come to speed 0. No
/// bound with the usual exponents, 1 and 2, whose series have none.
fn length_within_radius_s(chain: &Chain, margin: f64) -> f64 {
    let mut length_s = f64::INFINITY;
    for (i, node) in chain.nodes.iter().enumerate() {
        if let Exponent::Other(_) = node.exponent
            && Dry::of(node, margin).law == Law::Falling
        {
            let friction_nm = node.slipping_torque_nm();
            let change_per_s = ((chain.net_torque_nm(i) - friction_nm) * node.per_inertia).abs();
            length_s = length_s.min(WITHIN_RADIUS * node.speed_rad_per_s.abs() / change_per_s);
        }
    }
    length_s
}

impl Joint {
    /// Follows what the nodes beside it have turned.
    fn advance(&mut self, turn_before_rad: f64, turn_after_rad: f64, elapsed_s: f64) {
        let strain_rad = self.twist_rad - self.gap_position_rad;
        let turned_rad = turn_before_rad * self.per_ratio - turn_after_rad;
        self.known_zeros = 0;
        self.limit_zeros = 0;
        match self.contact {
            Contact::Apart => return,
            Contact::Slips(side) => {
                let scale_rad = self.strain_at_limit_rad(1.0);
                let excess_rad = relaxed(self.slip_excess_rad, self.relaxation_per_s, elapsed_s, scale_rad);
                self.slip(side, excess_rad, turned_rad);
                return;
            }
            Contact::Always | Contact::Side(_) | Contact::Open => {}
        }
        self.twist_rad += turned_rad;
        if self.contact == Contact::Open {
            let left_rad = relaxed(strain_rad, self.relaxation_per_s, elapsed_s, self.half_gap_rad);
            self.gap_position_rad = (self.twist_rad - left_rad).clamp(-self.half_gap_rad, self.half_gap_rad);
        }
    }
}

/// A strain below this share of the half gap (slipping: of the strain at the limit) is lost in rounding.
const RELAXED: f64 = 1e-17;

/// The shaft's strain x − b in the open gap (slipping: what it is beyond that at the limit) after a time: it decays by
/// exp(−(k/d) t) whatever the nodes do.
pub(crate) fn relaxed(strain_rad: f64, relaxation_per_s: f64, elapsed_s: f64, scale_rad: f64) -> f64 {
    if strain_rad.abs() <= RELAXED * scale_rad { 0.0 } else { strain_rad * real::exp(-relaxation_per_s * elapsed_s) }
}
