//! The torque limiter in a coupling: it slips while its torque is at the limit.
//!
//! A slip s adds to the twist, T = k (x − b − s) + d (x' − b' − s'), and |T| = L while s moves. With e = x − b − s and
//! T = σ L the shaft relaxes whatever the nodes do: e' = (σ L − k e) / d, so e = σ L / k + δ with δ' = −(k/d) δ, just as
//! in an open gap, where L is 0; the gap's side holds b meanwhile, since T presses on it. The slip's speed is
//! s' = x' − e' = x' + (k/d) δ; when it returns to 0 the limiter holds, and T goes on continuously. Without damping δ
//! is 0 and s' = x'. Power: T x' = (k e²/2)' + d e'² + T s'; the last is what the limiter turns into heat.
//!
//! Throughout the plant a coupling's twist is x − s, and s is kept beside it. What it does not: find the instants (see
//! [`crate::plant::search`]). Start reading at [`Chain::start_slip`].

use crate::plant::chain::Chain;
use crate::plant::event::{EventKind, Place};
use crate::plant::joint::{Contact, Joint};
use crate::plant::pattern::Notes;

impl Joint {
    /// Whether it can slip at all.
    pub(crate) fn has_limiter(&self) -> bool {
        self.limit_nm.is_finite()
    }

    /// σ L / k: the strain to which the slipping coupling relaxes.
    pub(crate) fn strain_at_limit_rad(&self, side: f64) -> f64 {
        side * self.limit_nm / self.stiffness_nm_per_rad
    }

    /// s', given x'.
    pub(crate) fn slip_speed_rad_per_s(&self, twist_speed_rad_per_s: f64) -> f64 {
        if self.slip_excess_rad == 0.0 {
            return twist_speed_rad_per_s;
        }
        twist_speed_rad_per_s + self.relaxation_per_s * self.slip_excess_rad
    }

    /// Follows x over a time in which it slips: δ has come to `excess_rad`, x has changed by `turned_rad`.
    pub(crate) fn slip(&mut self, side: f64, excess_rad: f64, turned_rad: f64) {
        let before_rad = self.twist_rad;
        self.slip_excess_rad = excess_rad;
        self.twist_rad = self.gap_position_rad + self.strain_at_limit_rad(side) + excess_rad;
        self.slip_rad += turned_rad - (self.twist_rad - before_rad);
    }
}

impl Chain {
    /// T reaches the limit on a side, `known_zeros` as of the slip's speed.
    pub(crate) fn start_slip(&mut self, joint: usize, side: f64, known_zeros: usize) {
        let this = &mut self.joints[joint];
        let excess_rad = this.twist_rad - this.gap_position_rad - this.strain_at_limit_rad(side);
        let damped = 0.0 < this.damping_nms_per_rad;
        this.contact = Contact::Slips(side);
        this.limit_zeros = known_zeros;
        this.slip(side, if damped { excess_rad } else { 0.0 }, 0.0);
    }

    /// s' returns to 0. T is at the limit still, and without damping its slope is 0 too.
    fn end_slip(&mut self, joint: usize, side: f64, notes: &mut Notes) {
        let this = &mut self.joints[joint];
        this.contact = if this.half_gap_rad == 0.0 { Contact::Always } else { Contact::Side(side) };
        this.known_zeros = 0;
        this.limit_zeros = if 0.0 < this.damping_nms_per_rad { 1 } else { 2 };
        this.slip_excess_rad = 0.0;
        notes.add(EventKind::LimiterHolds, Place::Coupling(joint), side);
    }

    /// T has come up to the limit continuously. With damping the slip starts with speed 0.
    pub(crate) fn limiter_slips(&mut self, joint: usize, side: f64, notes: &mut Notes) {
        let damped = 0.0 < self.joints[joint].damping_nms_per_rad;
        self.start_slip(joint, side, usize::from(damped));
        notes.add(EventKind::LimiterSlips, Place::Coupling(joint), side);
    }

    pub(crate) fn limiter_holds(&mut self, joint: usize, notes: &mut Notes) {
        if let Contact::Slips(side) = self.joints[joint].contact {
            self.end_slip(joint, side, notes);
        }
    }

    /// Where a torque or the slip's speed has jumped past what its pattern allows: a gap that closes with damping, a
    /// motor that the clamp catches.
    pub(crate) fn settle_limiters(&mut self, notes: &mut Notes) {
        for joint in 0..self.joints.len() {
            if !self.joints[joint].has_limiter() || self.joints[joint].limit_zeros != 0 {
                continue;
            }
            let twist_speed = self.twist_speed_rad_per_s(joint);
            if let Contact::Slips(side) = self.joints[joint].contact
                && side * self.joints[joint].slip_speed_rad_per_s(twist_speed) < 0.0
            {
                self.end_slip(joint, side, notes);
                self.joints[joint].limit_zeros = 0;
                self.end_pulling_contact(joint, notes);
            }
            let this = &self.joints[joint];
            let torque_nm = this.torque_nm(twist_speed);
            if this.passes_motion() && this.limit_nm < torque_nm.abs() {
                self.start_slip(joint, 1.0_f64.copysign(torque_nm), 0);
                notes.add(EventKind::LimiterSlips, Place::Coupling(joint), torque_nm);
            }
        }
    }
}
