//! The first event within a piece: roots of the polynomials that the motion is.
//!
//! Every pattern has functions that are at or above 0 while it holds: a contact's torque, the distance to a gap's side,
//! the speed of a sliding node in its direction, what a held node's friction has to spare. The first one to fall below 0
//! ends the pattern. Most are excluded by the sizes of their coefficients alone. What it does not: change patterns (see
//! [`crate::plant::pattern`]). Start reading at [`first_crossing`].

use crate::plant::chain::{Chain, Contact, Joint, Motion, Reach, Stop};
use crate::plant::expansion::{Expansion, relaxed};
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
    for (joint, this) in chain.joints.iter().enumerate() {
        shorten_for_gap(this, joint, expansion);
    }
    let mut search = Search { tau: 1.0, found: None };
    for (joint, this) in chain.joints.iter().enumerate() {
        match this.contact {
            Contact::Always => {}
            Contact::Side(side) => search.contact(this, joint, side, expansion),
            Contact::Open => search.gap(this, joint, expansion),
        }
    }
    if let Some(stop) = &chain.stop {
        search.stop(stop, chain, expansion);
    }
    for node in 0..chain.nodes.len() {
        match chain.nodes[node].motion {
            Motion::Free | Motion::Clamped => {}
            Motion::Slides(direction) => search.slide(chain, node, direction, expansion),
            Motion::Held => search.hold(chain, node, expansion),
        }
    }
    search.found
}

/// Whether the sizes of twist and strain alone exclude that an open gap's side is reached.
fn gap_is_far(this: &Joint, stretch: &[f64]) -> bool {
    let strain_rad = this.twist_rad - this.gap_position_rad;
    stretch[0].abs() + series::reach(stretch) + strain_rad.abs() < this.half_gap_rad
}

fn shorten_for_gap(this: &Joint, joint: usize, expansion: &mut Expansion) {
    if this.contact != Contact::Open || gap_is_far(this, &expansion.joints[joint].stretch[..expansion.terms]) {
        return;
    }
    let turns = this.relaxation_per_s * expansion.length_s;
    let strain_rad = this.twist_rad - this.gap_position_rad;
    if RELAXATION_MAX < turns && relaxed(strain_rad, this.relaxation_per_s, 0.0, this.half_gap_rad) != 0.0 {
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

    fn contact(&mut self, this: &Joint, joint: usize, side: f64, expansion: &Expansion) {
        let torque = &expansion.joints[joint].torque_nm[..expansion.terms - 1];
        if this.known_zeros == 0 && series::reach(torque) < side * torque[0] {
            return;
        }
        let mut pressed = [0.0; TERMS];
        for (pressed, torque) in pressed.iter_mut().zip(torque) {
            *pressed = side * torque;
        }
        pressed[..this.known_zeros].fill(0.0);
        self.consider(&pressed, Ending::Contact(joint));
    }

    fn gap(&mut self, this: &Joint, joint: usize, expansion: &Expansion) {
        let stretch = &expansion.joints[joint].stretch[..expansion.terms];
        if gap_is_far(this, stretch) {
            return;
        }
        let position = gap_position(this, stretch, expansion.length_s);
        let reach = series::reach(&position);
        for side in [1.0, -1.0] {
            let left = this.known_zeros != 0 && side == this.left_side;
            let distance = this.half_gap_rad - side * this.gap_position_rad;
            if !left && reach < distance {
                continue;
            }
            let mut ahead = position.map(|coefficient| -side * coefficient);
            ahead[0] = distance;
            if left {
                ahead[..this.known_zeros].fill(0.0);
            }
            self.consider(&ahead, Ending::Gap(joint, side));
        }
    }

    fn slide(&mut self, chain: &Chain, node: usize, direction: f64, expansion: &Expansion) {
        let speed = &expansion.nodes[node].speed[..expansion.terms];
        if series::reach(speed) < direction * speed[0] {
            return;
        }
        let mut ahead = [0.0; TERMS];
        for (ahead, speed) in ahead.iter_mut().zip(speed) {
            *ahead = direction * speed;
        }
        ahead[..chain.nodes[node].known_zeros].fill(0.0);
        self.consider(&ahead, Ending::Slide(node));
    }

    fn hold(&mut self, chain: &Chain, node: usize, expansion: &Expansion) {
        let this = &chain.nodes[node];
        let net = &expansion.nodes[node].net_nm[..expansion.terms - 1];
        let growth_nm = this.resisting_nm.1 * expansion.length_s;
        if series::reach(net) + net[0].abs() + growth_nm.abs() < this.holding_torque_nm() {
            return;
        }
        for direction in [1.0, -1.0] {
            let mut spare = [0.0; TERMS];
            for (spare, net) in spare.iter_mut().zip(net) {
                *spare = -direction * net;
            }
            spare[0] += this.holding_torque_nm();
            spare[1] += growth_nm;
            self.consider(&spare, Ending::Hold(node, direction));
        }
    }

    fn stop(&mut self, stop: &Stop, chain: &Chain, expansion: &Expansion) {
        let speed = &expansion.nodes[expansion.nodes.len() - 1].speed[..expansion.terms];
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

/// b in the open gap: x less the relaxing strain.
fn gap_position(this: &Joint, stretch: &[f64], length_s: f64) -> Series {
    let mut position = [0.0; TERMS];
    position[..stretch.len()].copy_from_slice(stretch);
    let strain_rad = this.twist_rad - this.gap_position_rad;
    let mut strain_rad = relaxed(strain_rad, this.relaxation_per_s, 0.0, this.half_gap_rad);
    if strain_rad != 0.0 {
        for k in 1..=ORDER_MAX {
            strain_rad *= -this.relaxation_per_s * length_s * INVERSE[k];
            position[k] -= strain_rad;
        }
    }
    position[0] = this.gap_position_rad;
    position
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
