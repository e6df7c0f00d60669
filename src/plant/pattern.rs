//! How patterns end and begin: contact, gap, stick, slide, stop.
//!
//! Each change happens at one instant, at which the chain's state has just been computed. What it does not: find that
//! instant (see [`crate::plant::search`]). Start reading at [`Chain::change`].

use crate::plant::chain::{Chain, Motion, Reach};
use crate::plant::energy::{spring_j, strain_rad};
use crate::plant::event::{Event, EventKind, EventLog, Place, Strike};
use crate::plant::joint::Contact;
use crate::plant::search::Ending;

/// Where changes are written down.
pub(crate) struct Notes<'a> {
    pub(crate) time_s: f64,
    pub(crate) log: &'a mut EventLog,
    /// Energy that a stop's spring loses (or finds) because its torque is cut off at 0, in J.
    pub(crate) stops_j: f64,
}

impl Notes<'_> {
    pub(crate) fn add(&mut self, kind: EventKind, place: Place, direction: f64) {
        let direction = if direction < 0.0 { -1 } else { 1 };
        self.log.push(Event { time_s: self.time_s, kind, place, direction, strike: None });
    }
}

impl Chain {
    /// Ends a pattern and begins the next, then frees every held node that the change tears off at the same instant.
    pub(crate) fn change(&mut self, ending: Ending, notes: &mut Notes) {
        match ending {
            Ending::Contact(joint) => self.open_gap(joint, notes),
            Ending::Gap(joint, side) => self.close_gap(joint, side, notes),
            Ending::Travel(side) => self.strike_stop(side, notes),
            Ending::Pressing(side) => self.stop_lets_go(side, notes),
            Ending::Lagging(side) => self.stop_catches_up(side, notes),
            Ending::Penetration(side) => self.leave_stop(side, notes),
            Ending::Limit(joint, side) => self.limiter_slips(joint, side, notes),
            Ending::Slip(joint) => self.limiter_holds(joint, notes),
            Ending::Slide(node) => self.come_to_rest(node, notes),
            Ending::Hold(node, direction) => {
                // The net torque equals the friction to the bit here, so the speed's slope is 0 as well as the speed.
                self.break_away(node, direction, 2, notes);
            }
        }
        self.settle_limiters(notes);
        self.free_overcome_nodes(notes);
    }

    /// Contact ends where its torque is 0: with damping the shaft is still strained, and the gap's position leaves its
    /// side with speed 0 too.
    fn open_gap(&mut self, joint: usize, notes: &mut Notes) {
        let Contact::Side(side) = self.joints[joint].contact else { return };
        let this = &mut self.joints[joint];
        let damped = 0.0 < this.damping_nms_per_rad;
        this.contact = Contact::Open;
        this.left_side = side;
        this.known_zeros = if damped { 2 } else { 1 };
        if !damped {
            this.twist_rad = this.gap_position_rad;
        }
        notes.add(EventKind::GapOpens, Place::Coupling(joint), side);
    }

    fn close_gap(&mut self, joint: usize, side: f64, notes: &mut Notes) {
        let this = &mut self.joints[joint];
        this.contact = Contact::Side(side);
        this.gap_position_rad = side * this.half_gap_rad;
        this.known_zeros = 0;
        this.limit_zeros = 0;
        if this.damping_nms_per_rad == 0.0 {
            this.twist_rad = this.gap_position_rad;
            this.known_zeros = 1;
        }
        notes.add(EventKind::GapCloses, Place::Coupling(joint), side);
    }

    fn strike_stop(&mut self, side: f64, notes: &mut Notes) {
        self.put_at_stop(side);
        let (inertia_kgm2, speed) = (self.last().inertia_kgm2, self.last().speed_rad_per_s);
        let node = self.nodes.len() - 1;
        let Some(stop) = &mut self.stop else { return };
        stop.reach = Reach::Pressing(side);
        stop.known_zeros = if stop.stops.damping_nms_per_rad == 0.0 { 1 } else { 0 };
        notes.log.push(Event {
            time_s: notes.time_s,
            kind: EventKind::StopStruck,
            place: Place::Node(node),
            direction: if side < 0.0 { -1 } else { 1 },
            strike: Some(Strike { speed_rad_per_s: speed.abs(), energy_j: 0.5 * inertia_kgm2 * speed * speed }),
        });
    }

    /// Without damping the torque ends where the penetration does; with damping before, and the stop lags behind.
    fn stop_lets_go(&mut self, side: f64, notes: &mut Notes) {
        let stored_j = self.stop_spring_j(side);
        let Some(stop) = &mut self.stop else { return };
        if stop.stops.damping_nms_per_rad == 0.0 {
            self.leave_stop(side, notes);
            return;
        }
        stop.reach = Reach::Lagging(side);
        stop.known_zeros = 1;
        notes.stops_j += stored_j;
    }

    fn stop_catches_up(&mut self, side: f64, notes: &mut Notes) {
        notes.stops_j -= self.stop_spring_j(side);
        let Some(stop) = &mut self.stop else { return };
        stop.reach = Reach::Pressing(side);
        stop.known_zeros = 1;
    }

    fn leave_stop(&mut self, side: f64, notes: &mut Notes) {
        self.put_at_stop(side);
        let node = self.nodes.len() - 1;
        let Some(stop) = &mut self.stop else { return };
        stop.reach = Reach::Between;
        stop.left_side = side;
        stop.known_zeros = 1;
        notes.add(EventKind::StopLeft, Place::Node(node), side);
    }

    /// Energy in a stop's spring at the present penetration.
    pub(crate) fn stop_spring_j(&self, side: f64) -> f64 {
        let Some(stop) = &self.stop else { return 0.0 };
        let depth_rad = stop.penetration_rad(side, self.last().angle_rad);
        0.5 * stop.stops.stiffness_nm_per_rad * depth_rad * depth_rad
    }

    /// The last node is at the stop to within rounding; put it there exactly.
    fn put_at_stop(&mut self, side: f64) {
        let last = self.nodes.len() - 1;
        if let Some(stop) = &self.stop {
            self.nodes[last].angle_rad = stop.at_rad(side);
        }
    }

    /// A sliding node at speed 0: it sticks where friction holds it, else it goes on in the direction of the net
    /// torque; that is no event.
    fn come_to_rest(&mut self, node: usize, notes: &mut Notes) {
        let Motion::Slides(direction) = self.nodes[node].motion else { return };
        self.nodes[node].speed_rad_per_s = 0.0;
        let net_nm = self.net_torque_nm(node);
        let this = &mut self.nodes[node];
        let holding_nm = this.holding_torque_nm(net_nm);
        if 0.0 < holding_nm && net_nm.abs() <= holding_nm {
            this.motion = Motion::Held;
            this.known_zeros = 0;
            notes.add(EventKind::Sticks, Place::Node(node), direction);
        } else {
            this.slide(if net_nm == 0.0 { -direction } else { 1.0_f64.copysign(net_nm) });
            this.known_zeros = 1;
        }
    }

    fn break_away(&mut self, node: usize, direction: f64, known_zeros: usize, notes: &mut Notes) {
        self.nodes[node].slide(direction);
        self.nodes[node].known_zeros = known_zeros;
        notes.add(EventKind::BreaksAway, Place::Node(node), direction);
    }

    /// Held nodes whose net torque has jumped beyond what friction holds.
    pub(crate) fn free_overcome_nodes(&mut self, notes: &mut Notes) {
        for node in 0..self.nodes.len() {
            if self.nodes[node].motion == Motion::Held {
                let net_nm = self.net_torque_nm(node);
                if self.nodes[node].holding_torque_nm(net_nm) < net_nm.abs() {
                    self.break_away(node, 1.0_f64.copysign(net_nm), 1, notes);
                }
            }
        }
    }

    /// Takes a node without dry friction (from now on) out of its pattern, and one with dry friction into one. At the
    /// start of a tick, where the programme's resisting torque and the brake may come and go. A one-sided
    /// node slides though nothing rubs: its series hold in one direction.
    pub(crate) fn adopt_friction(&mut self, node: usize, dry: bool, notes: &mut Notes) {
        let this = &mut self.nodes[node];
        match (this.motion, dry) {
            (Motion::Free, true) if this.speed_rad_per_s == 0.0 => this.motion = Motion::Held,
            (Motion::Free, true) => this.slide(1.0_f64.copysign(this.speed_rad_per_s)),
            (Motion::Held, false) => {
                self.let_go(node);
                let net_nm = self.net_torque_nm(node);
                if net_nm != 0.0 {
                    notes.add(EventKind::BreaksAway, Place::Node(node), net_nm);
                }
            }
            (Motion::Slides(_) | Motion::Free, false) => self.let_go(node),
            _ => {}
        }
    }

    /// Nothing rubs on a node (from now on).
    fn let_go(&mut self, node: usize) {
        if !self.nodes[node].is_one_sided() {
            self.nodes[node].motion = Motion::Free;
            return;
        }
        let speed_rad_per_s = self.nodes[node].speed_rad_per_s;
        let ahead = if speed_rad_per_s == 0.0 { self.net_torque_nm(node) } else { speed_rad_per_s };
        self.nodes[node].slide(1.0_f64.copysign(ahead));
    }

    /// Takes a coupling apart; returns what its spring held, in J.
    pub(crate) fn uncouple(&mut self, joint: usize) -> f64 {
        let this = &mut self.joints[joint];
        let held_j = spring_j(this, strain_rad(this));
        this.contact = Contact::Apart;
        this.loosen();
        held_j
    }

    /// Couples again where the nodes stand, if it is not coupled; nothing is lost by that.
    pub(crate) fn couple(&mut self, joint: usize) -> f64 {
        let this = &mut self.joints[joint];
        if this.contact == Contact::Apart {
            this.loosen();
            this.contact = if this.half_gap_rad == 0.0 { Contact::Always } else { Contact::Open };
        }
        0.0
    }

    /// Holds node 0 or lets it go; returns the kinetic energy taken from it in J. Catching it changes the twist's speed
    /// at once, which may end a contact that a damper pressed.
    pub(crate) fn clamp_motor(&mut self, clamp: bool, dry: bool, notes: &mut Notes) -> f64 {
        let motor = &mut self.nodes[0];
        if !clamp {
            if motor.motion == Motion::Clamped {
                motor.motion = if dry { Motion::Held } else { Motion::Free };
            }
            return 0.0;
        }
        let lost_j = 0.5 * motor.inertia_kgm2 * motor.speed_rad_per_s * motor.speed_rad_per_s;
        motor.motion = Motion::Clamped;
        motor.speed_rad_per_s = 0.0;
        motor.known_zeros = 0;
        if lost_j != 0.0 {
            self.end_pulling_contacts(notes);
        }
        lost_j
    }

    /// A contact whose torque has jumped past 0.
    pub(crate) fn end_pulling_contact(&mut self, joint: usize, notes: &mut Notes) {
        if let Contact::Side(side) = self.joints[joint].contact
            && side * self.joint_torque_nm(joint) < 0.0
        {
            self.open_gap(joint, notes);
            self.joints[joint].known_zeros = 1;
        }
    }

    fn end_pulling_contacts(&mut self, notes: &mut Notes) {
        if !self.joints.is_empty() {
            self.end_pulling_contact(0, notes);
            self.joints[0].limit_zeros = 0;
        }
        match self.stop.map(|stop| stop.reach) {
            Some(Reach::Pressing(side)) if self.stop_torque_nm(side) < 0.0 => self.stop_lets_go(side, notes),
            Some(Reach::Lagging(side)) if 0.0 < self.stop_torque_nm(side) => self.stop_catches_up(side, notes),
            _ => {}
        }
        if let Some(stop) = &mut self.stop {
            stop.known_zeros = 0;
        }
    }
}
