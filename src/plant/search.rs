//! The first event within a piece: roots of the polynomials that the motion is.
//!
//! Every pattern has functions that are at or above 0 while it holds: a contact's torque, the distance to a gap's side,
//! the speed of a sliding node in its direction, what a held node's friction has to spare. The first one to fall below
//! 0 ends the pattern. Most are excluded by the sizes of their coefficients alone. What it does not: change patterns
//! (see [`crate::plant::pattern`]). Start reading at [`first_crossing`].

use crate::plant::chain::{Chain, Motion, Reach, Stop};
use crate::plant::expansion::{Expansion, relaxed};
use crate::plant::joint::{Contact, Joint};
use crate::plant::series::{self, INVERSE, ORDER_MAX, Series, TERMS};

/// Which pattern ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Ending {
    /// A contact's torque reaches 0.
    Contact(usize),
    /// The open gap's side is reached; +1: the motor ahead.
    Gap(usize, f64),
    /// The stop on this side is reached.
    Travel(f64),
    /// A stop's torque reaches 0.
    Pressing(f64),
    /// A lagging stop's torque comes up again.
    Lagging(f64),
    /// The node leaves the stop in which it was.
    Penetration(f64),
    /// A contact's torque reaches the limiter's; +1: the motor drives.
    Limit(usize, f64),
    /// The speed of a limiter's slip returns to 0.
    Slip(usize),
    /// A sliding node reaches speed 0.
    Slide(usize),
    /// The net torque on a held node reaches what friction holds, in this direction.
    Hold(usize, f64),
}

/// An event ahead.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Crossing {
    pub(crate) tau: f64,
    pub(crate) ending: Ending,
}

/// The largest (k/d) h for which exp(−(k/d) h τ) is expanded: 24 terms give it to 5e-13, of a strain that is itself
/// small beside the gap.
const RELAXATION_MAX: f64 = 3.0;

/// The first event in a piece, contacts before nodes where two fall on one instant. May shorten the piece: where the
/// shaft in an open gap relaxes so fast that its exponential cannot be expanded over all of it.
pub(crate) fn first_crossing(chain: &Chain, expansion: &mut Expansion) -> Option<Crossing> {
    for joint in 0..chain.joints.len() {
        shorten_for_gap(chain, joint, expansion);
    }
    let mut search = Search { tau: 1.0, found: None };
    for joint in 0..chain.joints.len() {
        match chain.joints[joint].contact {
            Contact::Always | Contact::Apart => {}
            Contact::Side(side) if contact_is_firm(chain, joint, side, expansion) => {}
            Contact::Side(side) => search.contact(chain, joint, side, expansion),
            Contact::Open if gap_is_far(chain, joint, expansion) => {}
            Contact::Open => search.gap(chain, joint, expansion),
            Contact::Slips(side) => search.slip(chain, joint, side, expansion),
        }
        if chain.joints[joint].has_limiter() {
            search.limit(chain, joint, expansion);
        }
    }
    if let Some(stop) = &chain.stop {
        search.stop(stop, chain, expansion);
    }
    for node in 0..chain.nodes.len() {
        match chain.nodes[node].motion {
            Motion::Free | Motion::Clamped => {}
            Motion::Slides(direction) if slide_is_fast(chain, node, direction, expansion) => {}
            Motion::Slides(direction) => search.slide(chain, node, direction, expansion),
            Motion::Held if hold_is_safe(chain, node, expansion) => {}
            Motion::Held => search.hold(chain, node, expansion),
        }
    }
    search.found
}

/// How far a coupling's twist and torque can get from their values at the piece's start.
struct Swing {
    twist_rad: f64,
    torque_nm: f64,
}

impl Swing {
    fn of(chain: &Chain, joint: usize, expansion: &Expansion) -> Self {
        let this = &chain.joints[joint];
        let speed = this.per_ratio.abs() * expansion.sums[joint].reach + expansion.sums[joint + 1].reach;
        let twist_rad = expansion.length_s * (chain.twist_speed_rad_per_s(joint).abs() + 0.5 * speed);
        Self { twist_rad, torque_nm: this.stiffness_nm_per_rad * twist_rad + this.damping_nms_per_rad * speed }
    }

    /// Of the torque that a coupling passes on: none in the open gap or while it slips, none where there is no coupling.
    fn passed_nm(chain: &Chain, joint: Option<usize>, expansion: &Expansion) -> f64 {
        match joint.and_then(|joint| Some((joint, chain.joints.get(joint)?))) {
            Some((joint, this)) if this.passes_motion() => Self::of(chain, joint, expansion).torque_nm,
            _ => 0.0,
        }
    }
}

/// Whether the sizes of its changes alone exclude that a contact's torque reaches 0.
fn contact_is_firm(chain: &Chain, joint: usize, side: f64, expansion: &Expansion) -> bool {
    let torque_nm = side * chain.joint_torque_nm(joint);
    chain.joints[joint].known_zeros == 0 && Swing::of(chain, joint, expansion).torque_nm < torque_nm
}

/// The same for a sliding node's speed.
fn slide_is_fast(chain: &Chain, node: usize, direction: f64, expansion: &Expansion) -> bool {
    expansion.sums[node].reach < direction * chain.nodes[node].speed_rad_per_s
}

/// The same for what holds a node.
fn hold_is_safe(chain: &Chain, node: usize, expansion: &Expansion) -> bool {
    let this = &chain.nodes[node];
    let motor_nm = if node == 0 { series::reach(&expansion.motor_nm[..expansion.terms]) } else { 0.0 };
    let behind = chain.joints.get(node).map_or(0.0, |joint| joint.per_ratio.abs());
    let swing_nm = motor_nm
        + expansion.length_s * (this.load_nm.1.abs() + this.resisting_nm.1.abs())
        + Swing::passed_nm(chain, node.checked_sub(1), expansion)
        + Swing::passed_nm(chain, Some(node), expansion) * behind;
    let holding_nm = this.holding_torque_nm(1.0).min(this.holding_torque_nm(-1.0));
    swing_nm + expansion.bends[node].net_nm.abs() < holding_nm
}

/// Whether the sizes of twist and strain alone exclude that an open gap's side is reached.
fn gap_is_far(chain: &Chain, joint: usize, expansion: &Expansion) -> bool {
    let this = &chain.joints[joint];
    let strain_rad = this.twist_rad - this.gap_position_rad;
    this.twist_rad.abs() + Swing::of(chain, joint, expansion).twist_rad + strain_rad.abs() < this.half_gap_rad
}

fn shorten_for_gap(chain: &Chain, joint: usize, expansion: &mut Expansion) {
    let this = &chain.joints[joint];
    let turns = this.relaxation_per_s * expansion.length_s;
    let relaxes = match this.contact {
        Contact::Open => {
            let strain_rad = this.twist_rad - this.gap_position_rad;
            RELAXATION_MAX < turns
                && relaxed(strain_rad, this.relaxation_per_s, 0.0, this.half_gap_rad) != 0.0
                && !gap_is_far(chain, joint, expansion)
        }
        Contact::Slips(_) => RELAXATION_MAX < turns && slip_excess_rad(this) != 0.0,
        Contact::Always | Contact::Side(_) | Contact::Apart => false,
    };
    if relaxes {
        expansion.rescale(RELAXATION_MAX / turns);
    }
}

/// The nearest event so far.
struct Search {
    tau: f64,
    found: Option<Crossing>,
}

impl Search {
    /// Takes a function that is at or above 0 while a pattern holds.
    fn consider(&mut self, function: &[f64], ending: Ending) {
        if let Some(tau) = series::first_fall(function, self.tau)
            && (self.found.is_none() || tau < self.tau)
        {
            self.tau = tau;
            self.found = Some(Crossing { tau, ending });
        }
    }

    #[inline(never)]
    fn contact(&mut self, chain: &Chain, joint: usize, side: f64, expansion: &Expansion) {
        let known_zeros = chain.joints[joint].known_zeros;
        let mut pressed = torque_series(chain, joint, expansion).map(|coefficient| side * coefficient);
        pressed[..known_zeros].fill(0.0);
        self.consider(&pressed[..expansion.terms], Ending::Contact(joint));
    }

    /// What a contact's torque has to spare below the limiter's, on the sides where it may come up to it.
    #[inline(never)]
    fn limit(&mut self, chain: &Chain, joint: usize, expansion: &Expansion) {
        let this = &chain.joints[joint];
        if !this.passes_motion() {
            return;
        }
        let torque_nm = chain.joint_torque_nm(joint);
        let swing_nm = Swing::of(chain, joint, expansion).torque_nm;
        if this.limit_zeros == 0 && torque_nm.abs() + swing_nm < this.limit_nm {
            return;
        }
        let torque = torque_series(chain, joint, expansion);
        for side in [1.0, -1.0] {
            let mut spare = torque.map(|coefficient| -side * coefficient);
            spare[0] += this.limit_nm;
            // After a slip the torque is at the limit on the side where it slipped.
            if 0.0 < side * torque_nm {
                spare[..this.limit_zeros].fill(0.0);
            }
            self.consider(&spare[..expansion.terms], Ending::Limit(joint, side));
        }
    }

    /// The speed of a limiter's slip: x' less the speed of the relaxing strain.
    #[inline(never)]
    fn slip(&mut self, chain: &Chain, joint: usize, side: f64, expansion: &Expansion) {
        let this = &chain.joints[joint];
        let mut ahead = [0.0; TERMS];
        for (k, ahead) in ahead.iter_mut().enumerate().take(expansion.terms) {
            *ahead = side * twist_speed_coefficient(chain, joint, expansion, k);
        }
        let mut terms = expansion.terms;
        let mut strain_speed = side * this.relaxation_per_s * slip_excess_rad(this);
        if slip_excess_rad(this) != 0.0 {
            terms = TERMS;
            ahead[0] += strain_speed;
            for k in 1..=ORDER_MAX {
                strain_speed *= -this.relaxation_per_s * expansion.length_s * INVERSE[k];
                ahead[k] += strain_speed;
            }
        }
        ahead[..this.limit_zeros].fill(0.0);
        self.consider(&ahead[..terms], Ending::Slip(joint));
    }

    #[inline(never)]
    fn gap(&mut self, chain: &Chain, joint: usize, expansion: &Expansion) {
        let this = &chain.joints[joint];
        let (position, terms) = gap_position_series(chain, joint, expansion);
        let position = &position[..terms];
        let reach = series::reach(position);
        for side in [1.0, -1.0] {
            let left = this.known_zeros != 0 && side == this.left_side;
            let distance = this.half_gap_rad - side * this.gap_position_rad;
            if !left && reach < distance {
                continue;
            }
            let mut ahead = [0.0; TERMS];
            for (ahead, coefficient) in ahead.iter_mut().zip(position) {
                *ahead = -side * coefficient;
            }
            ahead[0] = distance;
            if left {
                ahead[..this.known_zeros].fill(0.0);
            }
            self.consider(&ahead[..terms], Ending::Gap(joint, side));
        }
    }

    #[inline(never)]
    fn slide(&mut self, chain: &Chain, node: usize, direction: f64, expansion: &Expansion) {
        let mut ahead = expansion.speeds[node].map(|coefficient| direction * coefficient);
        ahead[..chain.nodes[node].known_zeros].fill(0.0);
        self.consider(&ahead[..expansion.terms], Ending::Slide(node));
    }

    #[inline(never)]
    fn hold(&mut self, chain: &Chain, node: usize, expansion: &Expansion) {
        let this = &chain.nodes[node];
        let net_nm = held_net_series(chain, node, expansion);
        for direction in [1.0, -1.0] {
            let mut spare = net_nm.map(|coefficient| -direction * coefficient);
            spare[0] += this.holding_torque_nm(direction);
            spare[1] += this.resisting_nm.1 * expansion.length_s;
            self.consider(&spare[..expansion.terms], Ending::Hold(node, direction));
        }
    }

    #[inline(never)]
    fn stop(&mut self, stop: &Stop, chain: &Chain, expansion: &Expansion) {
        let speed = &expansion.speeds[expansion.speeds.len() - 1][..expansion.terms];
        let angle = angle_series(chain.last().angle_rad, speed, expansion.length_s);
        match stop.reach {
            Reach::Between => {
                for side in [1.0, -1.0] {
                    let mut ahead = angle.map(|coefficient| -side * coefficient);
                    ahead[0] = -stop.penetration_rad(side, angle[0]);
                    if side == stop.left_side {
                        ahead[..stop.known_zeros].fill(0.0);
                    }
                    if ahead[0] <= series::reach(&ahead) {
                        self.consider(&ahead, Ending::Travel(side));
                    }
                }
            }
            Reach::Pressing(side) => {
                let torque = stop_torque(stop, side, &angle, speed);
                self.consider(&torque, Ending::Pressing(side));
            }
            Reach::Lagging(side) => {
                let torque = stop_torque(stop, side, &angle, speed);
                self.consider(&torque.map(|coefficient| -coefficient), Ending::Lagging(side));
                let mut depth = angle.map(|coefficient| side * coefficient);
                depth[0] = stop.penetration_rad(side, angle[0]);
                self.consider(&depth, Ending::Penetration(side));
            }
        }
    }
}

/// δ of a slipping coupling, 0 where it is lost in rounding.
fn slip_excess_rad(joint: &Joint) -> f64 {
    relaxed(joint.slip_excess_rad, joint.relaxation_per_s, 0.0, joint.strain_at_limit_rad(1.0))
}

/// v = x' of a coupling.
fn twist_speed_coefficient(chain: &Chain, joint: usize, expansion: &Expansion, k: usize) -> f64 {
    expansion.speeds[joint][k] * chain.joints[joint].per_ratio - expansion.speeds[joint + 1][k]
}

/// Torque of a coupling in contact.
fn torque_series(chain: &Chain, joint: usize, expansion: &Expansion) -> Series {
    let this = &chain.joints[joint];
    let mut torque = [0.0; TERMS];
    torque[0] = chain.joint_torque_nm(joint);
    let mut before = twist_speed_coefficient(chain, joint, expansion, 0);
    for k in 1..expansion.terms {
        let twist_speed = twist_speed_coefficient(chain, joint, expansion, k);
        torque[k] = this.stiffness_nm_per_rad * expansion.length_s * INVERSE[k] * before
            + this.damping_nms_per_rad * twist_speed;
        before = twist_speed;
    }
    torque
}

/// Net torque of everything but friction on a node that is held: an arm on it stands still, and so does a stop.
fn held_net_series(chain: &Chain, node: usize, expansion: &Expansion) -> Series {
    let mut net = if node == 0 { expansion.motor_nm } else { [0.0; TERMS] };
    if let Some(before) = node.checked_sub(1)
        && chain.joints[before].passes_motion()
    {
        net = torque_series(chain, before, expansion);
    }
    if let Some(joint) = chain.joints.get(node)
        && joint.passes_motion()
    {
        let torque = torque_series(chain, node, expansion);
        for (net, torque) in net.iter_mut().zip(torque) {
            *net -= torque * joint.per_ratio;
        }
    }
    net[0] = expansion.bends[node].net_nm;
    net[1] -= chain.nodes[node].load_nm.1 * expansion.length_s;
    net
}

/// b in the open gap: x less the relaxing strain; and how many coefficients it has.
fn gap_position_series(chain: &Chain, joint: usize, expansion: &Expansion) -> (Series, usize) {
    let this = &chain.joints[joint];
    let mut position = [0.0; TERMS];
    position[0] = this.gap_position_rad;
    for k in 1..expansion.terms {
        position[k] = expansion.length_s * INVERSE[k] * twist_speed_coefficient(chain, joint, expansion, k - 1);
    }
    let strain_rad = this.twist_rad - this.gap_position_rad;
    let mut strain_rad = relaxed(strain_rad, this.relaxation_per_s, 0.0, this.half_gap_rad);
    if strain_rad == 0.0 {
        return (position, expansion.terms);
    }
    for k in 1..=ORDER_MAX {
        strain_rad *= -this.relaxation_per_s * expansion.length_s * INVERSE[k];
        position[k] -= strain_rad;
    }
    (position, TERMS)
}

fn angle_series(angle_rad: f64, speed: &[f64], length_s: f64) -> Series {
    let mut angle = [0.0; TERMS];
    angle[0] = angle_rad;
    for k in 1..speed.len() {
        angle[k] = length_s * INVERSE[k] * speed[k - 1];
    }
    angle
}

/// Torque with which a stop would push back, as a series.
fn stop_torque(stop: &Stop, side: f64, angle: &Series, speed: &[f64]) -> Series {
    let stops = &stop.stops;
    let mut torque = angle.map(|coefficient| stops.stiffness_nm_per_rad * side * coefficient);
    torque[0] = stops.stiffness_nm_per_rad * stop.penetration_rad(side, angle[0]);
    for (torque, speed) in torque.iter_mut().zip(speed) {
        *torque += stops.damping_nms_per_rad * side * speed;
    }
    torque[..stop.known_zeros].fill(0.0);
    torque
}
