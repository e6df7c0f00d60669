//! The chain while it moves: state and discrete pattern of every node, coupling and stop, and the torques between them
//! at one instant.
//!
//! What it does not: move (see [`crate::plant::expansion`]) or change patterns (see [`crate::plant::pattern`]). Start
//! reading at [`Chain`].

use crate::base::real;
use crate::plant::brake::Brake;
use crate::plant::bristle::Bristles;
use crate::plant::friction::{PerTurn, Side};
use crate::plant::joint::{Contact, Joint};
use crate::plant::load::{Harmonic, LoadKind};
use crate::plant::rubbing::{Rubbing, Warmed};
use crate::plant::stepper::Applied;
use crate::plant::stops::Stops;
use crate::plant::train::{Initial, Parameters};
use crate::plant::winding::{Coils, Winding};

/// Everything that moves. What acts from outside stands in `motor` and in the last node's `load_nm` and `resisting_nm`.
#[derive(Clone, Debug)]
pub(crate) struct Chain {
    pub(crate) motor: Motor,
    /// Of a motor that a voltage drives.
    pub(crate) winding: Option<Winding>,
    pub(crate) nodes: Vec<Node>,
    pub(crate) joints: Vec<Joint>,
    pub(crate) stop: Option<Stop>,
    pub(crate) brake: Option<Brake>,
}

/// The torque path.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Motor {
    /// 1 / lag in 1/s; 0: the torque follows at once.
    pub(crate) rate_per_s: f64,
    pub(crate) command_nm: f64,
    pub(crate) torque_nm: f64,
}

/// What a node does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Motion {
    /// There is no dry friction here.
    Free,
    /// At speed 0, held by friction.
    Held,
    /// At speed 0, held by the clamp.
    Clamped,
    /// Against dry friction; +1 or −1, the direction of motion.
    Slides(f64),
}

/// How dry friction falls from its static to its kinetic value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Exponent {
    One,
    Two,
    Other(f64),
}

/// One inertia: constants, what acts on it, and its state.
#[derive(Clone, Debug)]
pub(crate) struct Node {
    pub(crate) inertia_kgm2: f64,
    pub(crate) per_inertia: f64,
    /// √J, which makes speeds of unlike nodes comparable: half its square times w² is energy.
    pub(crate) weight: f64,
    pub(crate) kinetic_nm: f64,
    /// Ts − Tc.
    pub(crate) excess_nm: f64,
    pub(crate) viscous_nms_per_rad: f64,
    pub(crate) per_stribeck_speed: f64,
    pub(crate) exponent: Exponent,
    /// Above this speed exp(−|w/ws|^s) is below 1e-19: the kinetic value alone is left.
    pub(crate) spent_rad_per_s: f64,
    /// Friction by direction, positive first; that of the motion's direction acts and stands above.
    pub(crate) sides: [Side; 2],
    pub(crate) per_turn: Option<PerTurn>,
    pub(crate) warmed: Option<Warmed>,
    pub(crate) bristles: Option<Bristles>,
    /// Constant part of the load in Nm.
    pub(crate) constant_load_nm: f64,
    /// Constant part of the resisting torque in Nm.
    pub(crate) constant_resisting_nm: f64,
    /// Σ peak cos θ0 and Σ peak sin θ0 of the unbalanced arms: their torque is `arm.0` sin θ − `arm.1` cos θ.
    pub(crate) arm_nm: Option<(f64, f64)>,
    /// Harmonics of its angle.
    pub(crate) harmonics: Vec<Harmonic>,
    /// c of c w |w|; 0: no fan.
    pub(crate) fan_nms2_per_rad2: f64,
    /// Load torque at the instant, and its change per s.
    pub(crate) load_nm: (f64, f64),
    /// Resisting torque at the instant, and its change per s.
    pub(crate) resisting_nm: (f64, f64),
    pub(crate) angle_rad: f64,
    pub(crate) speed_rad_per_s: f64,
    pub(crate) motion: Motion,
    /// How many leading coefficients of the speed are known to be 0, since an event has just put it there.
    pub(crate) known_zeros: usize,
}

/// Where the last node is with respect to the stops.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Reach {
    /// Between them.
    Between,
    /// In one, which pushes back; +1 the upper.
    Pressing(f64),
    /// In one that has not yet come back as fast as the node leaves it, and does not push.
    Lagging(f64),
}

/// Both end stops: constants and pattern.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stop {
    pub(crate) stops: Stops,
    pub(crate) reach: Reach,
    /// Between: those of the distance to `left_side`; pressing or lagging: those of the torque.
    pub(crate) known_zeros: usize,
    pub(crate) left_side: f64,
}

/// exp(−y) is below 1e-19 beyond this y: what is left of the excess of static friction is lost in rounding.
const SPENT: f64 = 44.0;

/// A lag this close to its command, as a share of it, has arrived.
const SNAP: f64 = 1e-15;

impl Chain {
    /// The chain at its start, with no torque acting yet.
    pub(crate) fn new(parameters: &Parameters, initial: &Initial) -> Self {
        assert_sizes(parameters, initial);
        let lag_s = parameters.motor.torque_lag_s();
        let rate_per_s = if 0.0 < lag_s { 1.0 / lag_s } else { 0.0 };
        let mut chain = Self {
            motor: Motor { rate_per_s, command_nm: 0.0, torque_nm: 0.0 },
            winding: Winding::of(&parameters.motor, initial.angle_rad[0]),
            nodes: (0..parameters.nodes.len()).map(|node| Node::new(parameters, initial, node)).collect(),
            joints: (0..parameters.couplings.len()).map(|joint| Joint::new(parameters, initial, joint)).collect(),
            stop: None,
            brake: parameters.brake,
        };
        chain.stop = parameters.stops.map(|stops| Stop::new(stops, chain.last().angle_rad));
        chain.settle_contacts_at_start();
        chain
    }

    pub(crate) fn last(&self) -> &Node {
        &self.nodes[self.nodes.len() - 1]
    }

    /// Whether what a drive applies goes with the kind of motor.
    pub(crate) fn takes(&self, drive: Applied) -> bool {
        match drive {
            Applied::Off => true,
            Applied::Torque(_) => self.winding.is_none(),
            Applied::Voltage { .. } => self.winding.is_some(),
        }
    }

    /// Puts what the drive applies in place. A torque follows its command with its lag, or at once; it snaps where they
    /// differ by rounding only, so that the lag leaves no motion behind. Off: the lag is emptied, and so are the
    /// inductances, whose energy is returned in J.
    pub(crate) fn take_drive(&mut self, drive: Applied) -> f64 {
        match (&mut self.winding, drive) {
            (None, Applied::Torque(torque_nm)) => self.take_torque(Some(torque_nm)),
            (Some(winding), Applied::Voltage { alpha_v, beta_v }) => {
                winding.apply(alpha_v, beta_v, self.nodes[0].angle_rad);
            }
            (Some(winding), _) => {
                self.motor.torque_nm = 0.0;
                return winding.block();
            }
            (None, _) => self.take_torque(None),
        }
        0.0
    }

    fn take_torque(&mut self, command_nm: Option<f64>) {
        let motor = &mut self.motor;
        motor.command_nm = command_nm.unwrap_or(0.0);
        let apart_nm = (motor.command_nm - motor.torque_nm).abs();
        if command_nm.is_none() || motor.rate_per_s == 0.0 || apart_nm <= SNAP * motor.command_nm.abs() {
            motor.torque_nm = motor.command_nm;
        }
    }

    /// Whether currents make the motor's torque now.
    pub(crate) fn is_live(&self) -> bool {
        self.winding.as_ref().is_some_and(|winding| winding.live)
    }

    /// Every node under its constant loads and the brake alone: what a tick's own torques are added to.
    pub(crate) fn reset_loads(&mut self, brake_closed: bool) {
        for node in &mut self.nodes {
            node.load_nm = (node.constant_load_nm, 0.0);
            node.resisting_nm = (node.constant_resisting_nm, 0.0);
        }
        if let Some(brake) = self.brake {
            self.nodes[brake.node].resisting_nm.0 += brake.resisting_nm(brake_closed);
        }
    }

    /// A tick has passed for what follows temperature: resistance, magnet and so the torque of a current.
    pub(crate) fn warm(&mut self, length_s: f64) {
        if let Some(winding) = &mut self.winding
            && winding.heat.is_some()
        {
            winding.warm(length_s);
            self.motor.torque_nm = winding.torque_nm();
        }
    }

    /// Constants of the winding; of no use without one.
    pub(crate) fn coils(&self) -> &Coils {
        self.winding.as_ref().map_or(&Coils::NONE, |winding| &winding.coils)
    }

    /// x' of a coupling.
    pub(crate) fn twist_speed_rad_per_s(&self, joint: usize) -> f64 {
        self.nodes[joint].speed_rad_per_s * self.joints[joint].per_ratio - self.nodes[joint + 1].speed_rad_per_s
    }

    /// T of a coupling; exactly 0 in the open gap.
    pub(crate) fn joint_torque_nm(&self, joint: usize) -> f64 {
        self.joints[joint].torque_nm(self.twist_speed_rad_per_s(joint))
    }

    /// Torque with which a stop would push the last node away, were it pressing on this side; may be below 0.
    pub(crate) fn stop_torque_nm(&self, side: f64) -> f64 {
        let Some(stop) = &self.stop else { return 0.0 };
        stop.stops.stiffness_nm_per_rad * stop.penetration_rad(side, self.last().angle_rad)
            + stop.stops.damping_nms_per_rad * side * self.last().speed_rad_per_s
    }

    /// The stops where one of them pushes, and its torque on the last node, against positive motion.
    pub(crate) fn pressing_stop(&self) -> Option<(&Stops, f64)> {
        match &self.stop {
            Some(Stop { stops, reach: Reach::Pressing(side), .. }) => Some((stops, side * self.stop_torque_nm(*side))),
            _ => None,
        }
    }

    /// Net torque on a node of everything but its own dry and viscous friction.
    pub(crate) fn net_torque_nm(&self, node: usize) -> f64 {
        let mut net_nm = if node == 0 { self.motor.torque_nm } else { self.joint_torque_nm(node - 1) };
        if let Some(joint) = self.joints.get(node) {
            net_nm -= self.joint_torque_nm(node) * joint.per_ratio;
        } else if let Some((_, torque_nm)) = self.pressing_stop() {
            net_nm -= torque_nm;
        }
        let this = &self.nodes[node];
        if let Some((sine_nm, cosine_nm)) = this.arm_nm {
            net_nm -= sine_nm * real::sin(this.angle_rad) - cosine_nm * real::cos(this.angle_rad);
        }
        for harmonic in &this.harmonics {
            net_nm -= harmonic.torque_nm(this.angle_rad);
        }
        net_nm -= this.load_nm.0;
        if let Some(bristles) = &this.bristles {
            net_nm -= bristles.torque_nm(this);
        }
        net_nm
    }

    /// On which side of its gap a coupling starts: in contact where the gap's side is reached and pressed on; slipping
    /// where it is pressed harder than its limiter holds.
    fn settle_contacts_at_start(&mut self) {
        for joint in 0..self.joints.len() {
            let this = &self.joints[joint];
            if this.contact == Contact::Open && this.half_gap_rad <= this.gap_position_rad.abs() {
                let side = 1.0_f64.copysign(this.gap_position_rad);
                self.joints[joint].contact = Contact::Side(side);
                if side * self.joint_torque_nm(joint) < 0.0 {
                    self.joints[joint].contact = Contact::Open;
                }
            }
            let torque_nm = self.joint_torque_nm(joint);
            if self.joints[joint].limit_nm < torque_nm.abs() {
                self.start_slip(joint, 1.0_f64.copysign(torque_nm), 0);
            }
        }
    }
}

impl Node {
    fn new(parameters: &Parameters, initial: &Initial, node: usize) -> Self {
        let inertia_kgm2 = parameters.nodes[node].inertia_kgm2;
        let Rubbing { curve, sides, per_turn, warmed, bristles } = Rubbing::of(&parameters.nodes[node].friction);
        let mut this = Self {
            inertia_kgm2,
            per_inertia: 1.0 / inertia_kgm2,
            weight: inertia_kgm2.sqrt(),
            kinetic_nm: sides[0].kinetic_nm,
            excess_nm: sides[0].static_nm - sides[0].kinetic_nm,
            viscous_nms_per_rad: sides[0].viscous_nms_per_rad,
            per_stribeck_speed: 1.0 / curve.stribeck_rad_per_s,
            exponent: Exponent::new(curve.stribeck_exponent),
            spent_rad_per_s: curve.stribeck_rad_per_s * real::pow(SPENT, 1.0 / curve.stribeck_exponent),
            sides,
            per_turn,
            warmed,
            bristles,
            constant_load_nm: 0.0,
            constant_resisting_nm: 0.0,
            arm_nm: None,
            harmonics: Vec::new(),
            fan_nms2_per_rad2: 0.0,
            load_nm: (0.0, 0.0),
            resisting_nm: (0.0, 0.0),
            angle_rad: initial.angle_rad[node],
            speed_rad_per_s: initial.speed_rad_per_s[node],
            motion: Motion::Free,
            known_zeros: 0,
        };
        for load in parameters.loads.iter().filter(|load| load.node == node) {
            this.carry(&load.kind);
        }
        this.load_nm.0 = this.constant_load_nm;
        this.resisting_nm.0 = this.constant_resisting_nm;
        this
    }

    fn carry(&mut self, load: &LoadKind) {
        match load {
            LoadKind::Constant { torque_nm } => self.constant_load_nm += torque_nm,
            LoadKind::Resisting { torque_nm } => self.constant_resisting_nm += torque_nm.max(0.0),
            LoadKind::UnbalancedArm { peak_nm, zero_rad } => {
                let (sine_nm, cosine_nm) = self.arm_nm.unwrap_or((0.0, 0.0));
                self.arm_nm =
                    Some((sine_nm + peak_nm * real::cos(*zero_rad), cosine_nm + peak_nm * real::sin(*zero_rad)));
            }
            LoadKind::Fan { torque_nms2_per_rad2 } => self.fan_nms2_per_rad2 += torque_nms2_per_rad2.max(0.0),
            LoadKind::Harmonics { terms } => self.harmonics.extend_from_slice(terms),
            LoadKind::Noise { .. } => {}
        }
    }
}

impl Exponent {
    fn new(exponent: f64) -> Self {
        if exponent == 1.0 {
            Self::One
        } else if exponent == 2.0 {
            Self::Two
        } else {
            Self::Other(exponent)
        }
    }
}

impl Stop {
    fn new(stops: Stops, angle_rad: f64) -> Self {
        let reach = if stops.high_rad < angle_rad {
            Reach::Pressing(1.0)
        } else if angle_rad < stops.low_rad {
            Reach::Pressing(-1.0)
        } else {
            Reach::Between
        };
        Self { stops, reach, known_zeros: 0, left_side: 0.0 }
    }

    /// Angle of one of the stops.
    pub(crate) fn at_rad(&self, side: f64) -> f64 {
        if 0.0 < side { self.stops.high_rad } else { self.stops.low_rad }
    }

    /// How deep an angle lies in a stop; below 0 before it.
    pub(crate) fn penetration_rad(&self, side: f64, angle_rad: f64) -> f64 {
        side * (angle_rad - self.at_rad(side))
    }
}

fn assert_sizes(parameters: &Parameters, initial: &Initial) {
    let count = parameters.nodes.len();
    assert!(0 < count, "a chain has at least one node");
    assert!(parameters.couplings.len() + 1 == count, "a chain has one coupling fewer than nodes");
    assert!(initial.angle_rad.len() == count && initial.speed_rad_per_s.len() == count, "one start value per node");
    assert!(initial.gap_position_rad.len() + 1 == count, "one gap position per coupling");
    assert!(0.0 <= parameters.motor.torque_lag_s(), "the torque lag must not be negative");
    for node in &parameters.nodes {
        assert!(0.0 < node.inertia_kgm2, "an inertia must be above 0");
    }
    for coupling in &parameters.couplings {
        assert!(coupling.ratio != 0.0, "a ratio must not be 0");
        assert!(0.0 < coupling.stiffness_nm_per_rad, "a coupling's stiffness must be above 0");
        assert!(0.0 <= coupling.damping_nms_per_rad && 0.0 <= coupling.half_gap_rad, "damping or gap below 0");
        assert!(0.0 < coupling.torque_limit_nm.unwrap_or(1.0), "a limiter's torque must be above 0");
    }
    if let Some(stops) = &parameters.stops {
        assert!(stops.low_rad < stops.high_rad && 0.0 < stops.stiffness_nm_per_rad, "stops out of order or soft");
        assert!(0.0 <= stops.damping_nms_per_rad, "a stop's damping must not be negative");
    }
    for load in &parameters.loads {
        assert!(load.node < count, "a load on a node that is not there");
    }
    if let Some(brake) = &parameters.brake {
        assert!(brake.node < count, "a brake on a node that is not there");
        assert!(0.0 < brake.torque_nm && 0.0 <= brake.drag_nm, "a brake without torque, or one that drives");
    }
}
