//! A node's line in the chain's equations over one piece: its factors, made once per piece, and the loop that adds
//! powers.
//!
//! With g = h/J and coupling i − 1 before the node, i behind it, for k ≥ 1
//!
//! W_{k+1} = g d⁻/r⁻ W⁻_k + g d/r W⁺_k − g (B + d⁻ + d/r²) W_k + g K⁻ X⁻_k − g K/r X_k − g k! (bend)_k,
//! X_{k+1} = h (W_k / r − W⁺_k),
//!
//! where ⁻ and ⁺ mark what is before and behind, r turns of the node per turn of the next; W_k = k! w_k is the k-th
//! derivative times hᵏ. Derivatives are carried, since what a node waits on is then its neighbours' last ones and two
//! sums; the coefficients follow aside. What it does not: the first coefficient, which is summed as the torques at an
//! instant are. Start reading at [`add_powers`].

use crate::plant::chain::{Chain, Node};
use crate::plant::dry::{Bend, Law};
use crate::plant::flux::Flux;
use crate::plant::joint::Contact;
use crate::plant::series::{FACTORIAL, INVERSE, INVERSE_FACTORIAL, ORDER_MAX, Series};
use crate::plant::winding::Coils;

/// One line: coefficients under way, factors, sums.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Lane {
    /// Derivatives k, times hᵏ, of the speed and of the twist behind it.
    speed: f64,
    stretch: f64,
    own: f64,
    before: f64,
    after: f64,
    spring_before: f64,
    spring_after: f64,
    turn: f64,
    turn_after: f64,
    /// h/J; 0 for a node at rest.
    share: f64,
    /// √J: makes the speeds of unlike nodes comparable.
    weight: f64,
    bent: bool,
    pub(crate) sums: Sums,
}

/// Sums over a speed's coefficients.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Sums {
    /// Of the sizes of all but the first: how far the speed can get from its start.
    pub(crate) reach: f64,
    /// Of all but the first: what the speed gains over the piece.
    pub(crate) growth: f64,
    /// ∫ of the speed over the piece less its start value, for h = 1.
    pub(crate) travel: f64,
}

/// What [`add_powers`] reads and fills beside the lanes.
pub(crate) struct Powers<'a> {
    pub(crate) chain: &'a Chain,
    pub(crate) length_s: f64,
    /// Highest power, where it is given.
    pub(crate) order: Option<usize>,
    pub(crate) motor_nm: &'a mut Series,
    pub(crate) flux: &'a mut Flux,
    pub(crate) coils: &'a Coils,
    pub(crate) speeds: &'a mut [Series],
    pub(crate) bends: &'a mut [Bend],
}

/// What may be left out, as a share of the largest term.
const TOLERANCE: f64 = 1e-12;
/// How large the last two terms may be for it: a series that has not yet fallen this far may do something new.
const TOLERANCE_LATER: f64 = 1e-9;
/// Fewest powers: a ramp shows in a speed's second power only, and behind a known zero in its third.
const ORDER_MIN: usize = 3;

/// Whether what follows the last of four sizes may be left out. Motions without damping have every other term only, so
/// two and two are compared: they fall from `earlier` to `later`, and from there at least as fast.
pub(crate) fn converged([first, second, third, fourth]: [f64; 4], largest: f64) -> bool {
    let (earlier, later) = (first + second, third + fourth);
    later <= TOLERANCE_LATER * largest && later * later <= TOLERANCE * largest * earlier
}

/// The same for the sizes of a whole series.
pub(crate) fn all_converged(sizes: &Series) -> bool {
    let largest = sizes.iter().fold(0.0, |largest: f64, size| largest.max(*size));
    let [.., first, second, third, fourth] = *sizes;
    converged([first, second, third, fourth], largest)
}

/// Adds powers from τ² on until they no longer matter, or to a given order; returns the highest, and whether it
/// sufficed. `LIVE`: currents make the torque, and no command does; `BRISTLED`: a node has bristles. Compiled for each, since the loop is short.
#[inline(always)]
pub(crate) fn add_powers<const LIVE: bool, const BRISTLED: bool>(
    lanes: &mut [Lane],
    powers: &mut Powers,
) -> (usize, bool) {
    let motor = &powers.chain.motor;
    let lag = powers.length_s * motor.rate_per_s;
    let motor_weight = motor_weight(powers.chain, powers.length_s);
    let mut latest = [0.0, 0.0, motor_weight * (motor.torque_nm.abs() + motor.command_nm.abs()), 0.0];
    if LIVE {
        latest[2] = 0.0;
    }
    for (i, lane) in lanes.iter().enumerate() {
        latest[2] += lane.weight * powers.speeds[i][0].abs();
        latest[3] += lane.weight * lane.speed.abs();
    }
    let mut largest = if latest[2] < latest[3] { latest[3] } else { latest[2] };
    let last = powers.order.unwrap_or(ORDER_MAX).clamp(1, ORDER_MAX);
    for k in 1..last {
        let mut size = add_power::<LIVE>(lanes, powers, lag, k);
        if LIVE {
            powers.flux.next(powers.coils, &powers.speeds[0], powers.motor_nm, k);
        } else if lag != 0.0 {
            powers.motor_nm[k + 1] = -lag * INVERSE[k + 1] * powers.motor_nm[k];
            size += motor_weight * powers.motor_nm[k + 1].abs();
        }
        largest = if largest < size { size } else { largest };
        latest = [latest[1], latest[2], latest[3], size];
        if ORDER_MIN <= k + 1
            && powers.order.is_none()
            && converged(latest, largest)
            && (!LIVE || powers.flux.converged(powers.coils, k + 1))
            && (!BRISTLED || bristles_converged(powers.bends))
        {
            return (k + 1, true);
        }
    }
    (last, powers.order.is_some())
}

fn bristles_converged(bends: &[Bend]) -> bool {
    bends.iter().filter_map(|bend| bend.bristles.as_ref()).all(|series| series.converged())
}

/// What a torque on the motor is worth as a speed over the piece, in the weight of the motor's speed.
fn motor_weight(chain: &Chain, length_s: f64) -> f64 {
    length_s * chain.nodes[0].per_inertia * chain.nodes[0].weight
}

/// Size of every power over all nodes, as [`add_powers`] reckons it; where currents make the torque, the torque's too.
pub(crate) fn sizes(chain: &Chain, length_s: f64, motor_nm: &Series, speeds: &[Series]) -> Series {
    let motor_weight = motor_weight(chain, length_s);
    let mut sizes = motor_nm.map(|coefficient| motor_weight * coefficient.abs());
    for (node, speed) in chain.nodes.iter().zip(speeds) {
        for (size, coefficient) in sizes.iter_mut().zip(speed) {
            *size += node.weight * coefficient.abs();
        }
    }
    sizes
}

/// Derivatives k + 1 from the k-th and the speeds' coefficients up to k; returns the size of the speeds' new
/// coefficients.
#[inline(always)]
fn add_power<const LIVE: bool>(lanes: &mut [Lane], powers: &mut Powers, lag: f64, k: usize) -> f64 {
    let (inverse, further) = (INVERSE_FACTORIAL[k + 1], INVERSE[k + 2]);
    let (mut speed_before, mut stretch_before) = (0.0, 0.0);
    let mut size = 0.0;
    let count = lanes.len();
    for i in 0..count {
        let speed_after = if i + 1 < count { lanes[i + 1].speed } else { 0.0 };
        let lane = &mut lanes[i];
        let (speed, stretch) = (lane.speed, lane.stretch);
        let mut sum = -(lane.own * speed);
        if 0 < i {
            sum += lane.before * speed_before + lane.spring_before * stretch_before;
        } else if LIVE || lag != 0.0 {
            sum += lane.share * FACTORIAL[k] * powers.motor_nm[k];
        }
        if i + 1 < count {
            sum += lane.after * speed_after - lane.spring_after * stretch;
        }
        if lane.bent {
            let bend_nm = powers.bends[i].power(&powers.speeds[i], &powers.chain.nodes[i], powers.length_s, k);
            sum -= lane.share * FACTORIAL[k] * bend_nm;
        }
        lane.speed = sum;
        if i + 1 < count {
            lane.stretch = lane.turn * speed - lane.turn_after * speed_after;
        }
        let next = sum * inverse;
        powers.speeds[i][k + 1] = next;
        lane.sums.growth += next;
        lane.sums.reach += next.abs();
        lane.sums.travel += next * further;
        size += lane.weight * next.abs();
        (speed_before, stretch_before) = (speed, stretch);
    }
    size
}

/// What the coupling behind a node does at the piece's start; nothing in the open gap, and behind the last node.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Behind {
    pub(crate) per_ratio: f64,
    stiffness_nm_per_rad: f64,
    damping_nms_per_rad: f64,
    pub(crate) torque_nm: f64,
    twist_speed: f64,
}

impl Behind {
    pub(crate) fn of(chain: &Chain, node: usize) -> Self {
        let Some(joint) = chain.joints.get(node) else { return Self::default() };
        match joint.contact {
            Contact::Always | Contact::Side(_) => {}
            Contact::Open | Contact::Apart => return Self::default(),
            Contact::Slips(_) => {
                return Self { per_ratio: joint.per_ratio, torque_nm: joint.torque_nm(0.0), ..Self::default() };
            }
        }
        let twist_speed = chain.twist_speed_rad_per_s(node);
        Self {
            per_ratio: joint.per_ratio,
            stiffness_nm_per_rad: joint.stiffness_nm_per_rad,
            damping_nms_per_rad: joint.damping_nms_per_rad,
            torque_nm: joint.torque_nm(twist_speed),
            twist_speed,
        }
    }
}

impl Lane {
    /// Factors, and the coefficients of τ¹ from the net torque (friction in it) at the piece's start.
    #[inline(always)]
    pub(crate) fn new(node: &Node, bend: &Bend, [before, behind]: [&Behind; 2], net_nm: f64, length_s: f64) -> Self {
        let share = if bend.dry.law == Law::Rest { 0.0 } else { length_s * node.per_inertia };
        let passing = behind.damping_nms_per_rad * behind.per_ratio;
        let first = if 1 < node.known_zeros { 0.0 } else { net_nm * share };
        Self {
            speed: first,
            stretch: length_s * behind.twist_speed,
            own: share * (bend.slope_nms_per_rad + before.damping_nms_per_rad + passing * behind.per_ratio),
            before: share * before.damping_nms_per_rad * before.per_ratio,
            after: share * passing,
            spring_before: share * before.stiffness_nm_per_rad,
            spring_after: share * behind.stiffness_nm_per_rad * behind.per_ratio,
            turn: length_s * behind.per_ratio,
            turn_after: length_s,
            share,
            weight: node.weight,
            bent: bend.acts,
            sums: Sums { reach: first.abs(), growth: first, travel: 0.5 * first },
        }
    }

    /// The speed's coefficient of τ¹, before powers are added.
    pub(crate) fn first(&self) -> f64 {
        self.speed
    }
}
