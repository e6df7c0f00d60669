//! Moves a machine through one control tick at a time.
//!
//! Inside a tick: expand the motion as power series (`expansion.rs`), find the first event on it (`search.rs`), move
//! there, change the pattern (`pattern.rs`), go on. How many pieces that takes depends on the machine and its state
//! alone. What it does not: control anything. Start reading at
//! [`Plant::step`].

use std::fmt;

use crate::base::time::TickRate;
use crate::plant::chain::Chain;
use crate::plant::edge::{Edge, EdgeWatch};
pub use crate::plant::effort::Effort;
use crate::plant::effort::{Budget, CHANGES_MAX};
use crate::plant::energy::{Audit, Energy};
use crate::plant::event::{Cause, EventLog, Fault};
use crate::plant::expansion::Expansion;
pub use crate::plant::expansion::Stepping;
use crate::plant::heat::ROOM_K;
use crate::plant::joint::Contact;
use crate::plant::load_noise::NodeTorque;
use crate::plant::pattern::Notes;
use crate::plant::search::first_crossing;
use crate::plant::sensor::SensorParameters;
use crate::plant::series::TERMS;
use crate::plant::train::{Initial, Parameters};
use crate::plant::winding::Winding;

/// What acts from outside during one tick.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TickInput {
    /// What the drive applies to the motor, held over the tick.
    pub drive: Applied,
    /// Holds node 0 exactly at speed 0.
    pub clamp_motor: bool,
    /// Whether the holding brake is closed; where there is none it means nothing.
    pub brake_closed: bool,
    /// The programme's load torque on the last node in Nm, against positive motion, added to its loads.
    pub load_torque_nm: Ramp,
    /// The programme's resisting torque on the last node in Nm, added to its friction; below 0 counts as 0.
    pub resisting_torque_nm: Ramp,
}

impl TickInput {
    /// Whether nothing changes during the tick.
    fn is_steady(&self) -> bool {
        self.load_torque_nm.start == self.load_torque_nm.end
            && self.resisting_torque_nm.start == self.resisting_torque_nm.end
    }
}

/// What a drive applies to the motor during one tick.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Applied {
    /// Nothing: no torque acts, a lag is emptied, no current flows.
    #[default]
    Off,
    /// Torque command in Nm, into a motor of the kind [`crate::plant::motor::MotorKind::IdealTorque`].
    Torque(f64),
    /// Voltage vector in the stator's frame in V; a brushed motor takes `alpha_v`.
    Voltage {
        /// In the axis of phase a.
        alpha_v: f64,
        /// A quarter of an electrical turn ahead of it.
        beta_v: f64,
    },
}

impl Applied {
    fn is_finite(self) -> bool {
        match self {
            Self::Off => true,
            Self::Torque(torque_nm) => torque_nm.is_finite(),
            Self::Voltage { alpha_v, beta_v } => (alpha_v + beta_v).is_finite(),
        }
    }

    /// A torque command, or off.
    #[must_use]
    pub fn torque(torque_nm: Option<f64>) -> Self {
        torque_nm.map_or(Self::Off, Self::Torque)
    }
}

/// A value that changes linearly over a tick.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Ramp {
    /// At the tick's start.
    pub start: f64,
    /// At the tick's end.
    pub end: f64,
}

/// Fastest a node may turn for people to couple and uncouple, about a turn a minute: what is slower is at rest to the
/// eye, and without dry friction nothing ever comes to rest exactly.
const REST_RAD_PER_S: f64 = 0.1;

/// A machine in motion. A clone goes on to the same bits.
#[derive(Clone, Debug)]
pub struct Plant {
    rate: TickRate,
    tick: u64,
    stepping: Stepping,
    /// Length of a tick's pieces before events cut them, in s.
    piece_s: f64,
    /// Of the last tick: what has not changed needs not be looked at again.
    input: Option<TickInput>,
    chain: Chain,
    expansion: Expansion,
    /// Whether any bearing warms.
    warms: bool,
    effort: Effort,
    audit: Option<Audit>,
    edges: Option<EdgeWatch>,
    nothing: Energy,
}

impl Plant {
    /// A machine at tick 0. With `audit` its energy is kept account of, at some cost.
    ///
    /// # Panics
    /// When the parameters are no machine: lengths that do not match, an inertia or stiffness not above 0, and the
    /// like.
    #[must_use]
    pub fn new(parameters: &Parameters, initial: &Initial, rate: TickRate, audit: bool) -> Self {
        Self::with_stepping(parameters, initial, rate, audit, Stepping::ADAPTED)
    }

    /// The same with the inner stepping given: for measuring the method's order.
    ///
    /// # Panics
    /// As [`Plant::new`], and without at least one piece in a tick.
    #[must_use]
    pub fn with_stepping(
        parameters: &Parameters,
        initial: &Initial,
        rate: TickRate,
        audit: bool,
        stepping: Stepping,
    ) -> Self {
        assert!(0 < stepping.pieces, "a tick has at least one piece");
        let chain = Chain::new(parameters, initial);
        let expansion = Expansion::new(&chain);
        let warms = chain.nodes.iter().any(|node| node.warmed.is_some());
        let audit = audit.then(|| Audit::new(&chain));
        Self {
            rate,
            tick: 0,
            stepping,
            piece_s: rate.period_s() / stepping.pieces as f64,
            input: None,
            chain,
            expansion,
            warms,
            effort: Effort::default(),
            audit,
            edges: None,
            nothing: Energy::default(),
        }
    }

    /// From now on looks, in every tick, for when the last edge of a sensor on the motor came.
    pub fn watch_edges(&mut self, sensor: &SensorParameters) {
        self.edges = Some(EdgeWatch::new(sensor.clone(), self.chain.nodes[0].angle_rad));
    }

    /// Shifts the edges by so many counts during the tick that comes.
    pub fn shift_edges(&mut self, noise_counts: f64) {
        let angle_rad = self.chain.nodes[0].angle_rad;
        self.edges.iter_mut().for_each(|edges| edges.begin(noise_counts, angle_rad));
    }

    /// The last edge of the tick that was stepped; none where none came or none is looked for.
    #[must_use]
    pub fn last_edge(&self) -> Option<Edge> {
        self.edges.as_ref().and_then(EdgeWatch::last)
    }

    /// One control tick with these inputs. Events are added to the log in the order of their time.
    ///
    /// # Errors
    /// A [`Fault`] when the state cannot be computed; the plant is not to be used after that.
    pub fn step(&mut self, input: &TickInput, events: &mut EventLog) -> Result<(), Fault> {
        self.step_under(input, &[], events)
    }

    /// The same with random load torques ([`crate::plant::load_noise`]) added to the nodes' loads.
    ///
    /// # Errors
    /// As [`Plant::step`].
    pub fn step_under(&mut self, input: &TickInput, noise: &[NodeTorque], events: &mut EventLog) -> Result<(), Fault> {
        let start_s = self.rate.seconds(self.tick);
        if noise.is_empty() && self.goes_on(input) {
            self.take_drive(input.drive);
            self.input = Some(*input);
        } else {
            self.check_input(input, noise, start_s)?;
            self.take_input(input, noise, start_s, events);
            self.input = noise.is_empty().then_some(*input);
        }
        if self.warms {
            for node in &mut self.chain.nodes {
                node.warm(self.rate.period_s());
            }
        }
        let piece_s = self.piece_s;
        let mut budget = Budget::of_a_tick();
        for piece in 0..self.stepping.pieces {
            let at_s = start_s + piece_s * piece as f64;
            self.run(at_s, piece_s, &mut budget, events)?;
        }
        self.chain.warm(self.rate.period_s());
        self.tick += 1;
        self.check_state()?;
        if let Some(audit) = &mut self.audit {
            audit.energy.stored_j = Audit::stored_j(&self.chain);
        }
        Ok(())
    }

    /// Whether nothing that this tick's inputs change can end a pattern: they are the last tick's, but for a voltage, which
    /// changes no torque at once.
    fn goes_on(&self, input: &TickInput) -> bool {
        let Some(last) = &self.input else { return false };
        let drive_goes_on = match (input.drive, last.drive) {
            (Applied::Voltage { alpha_v, beta_v }, Applied::Voltage { .. }) => (alpha_v + beta_v).is_finite(),
            (now, last) => now == last,
        };
        drive_goes_on && TickInput { drive: last.drive, ..*input } == *last && input.is_steady()
    }

    /// Moves over a length of time, changing patterns on the way.
    fn run(&mut self, start_s: f64, length_s: f64, budget: &mut Budget, events: &mut EventLog) -> Result<(), Fault> {
        let mut elapsed_s = 0.0;
        let mut remaining_s = length_s;
        while 0.0 < remaining_s {
            budget.take_piece().map_err(|cause| self.fault(cause, start_s + elapsed_s))?;
            self.expansion
                .expand(&self.chain, remaining_s, self.stepping)
                .map_err(|cause| self.fault(cause, start_s + elapsed_s))?;
            self.effort.pieces += 1;
            self.effort.powers += self.expansion.terms as u64 - 1;
            let crossing = first_crossing(&self.chain, &mut self.expansion);
            let tau = crossing.map_or(1.0, |crossing| crossing.tau);
            self.advance(tau);
            let moved_s = tau * self.expansion.length_s;
            (elapsed_s, remaining_s) = (elapsed_s + moved_s, remaining_s - moved_s);
            if let Some(crossing) = crossing {
                budget.take_change().map_err(|cause| self.fault(cause, start_s + elapsed_s))?;
                let mut notes = Notes { time_s: start_s + elapsed_s, log: events, stops_j: 0.0 };
                self.chain.change(crossing.ending, &mut notes);
                if let Some(audit) = &mut self.audit {
                    audit.energy.stops_j += notes.stops_j;
                }
            }
        }
        Ok(())
    }

    /// Moves the chain along the present piece. An event at its very start moves nothing, and leaves what is known of
    /// other events at this instant as it is.
    fn advance(&mut self, tau: f64) {
        if tau <= 0.0 {
            return;
        }
        if let Some(audit) = &mut self.audit {
            audit.piece(&self.chain, &self.expansion, tau);
        }
        self.edges.iter_mut().for_each(|edges| edges.piece(&self.chain, &self.expansion, tau));
        if let Some(winding) = &mut self.chain.winding {
            winding.take_loss(&self.expansion.flux, self.expansion.terms, tau);
        }
        self.expansion.advance(&mut self.chain, tau);
    }

    fn check_input(&self, input: &TickInput, noise: &[NodeTorque], time_s: f64) -> Result<(), Fault> {
        let (load, resisting) = (&input.load_torque_nm, &input.resisting_torque_nm);
        let last = self.chain.nodes.len() - 1;
        let fault = |node| Err(Fault { node, time_s, cause: Cause::InputNotFinite });
        if !self.chain.takes(input.drive) {
            Err(Fault { node: 0, time_s, cause: Cause::InputOfOtherKind })
        } else if !input.drive.is_finite() {
            fault(0)
        } else if !(load.start + load.end + resisting.start + resisting.end).is_finite() {
            fault(last)
        } else {
            let sound = |torque_nm: &Ramp| (torque_nm.start + torque_nm.end).is_finite();
            noise.iter().find(|one| !sound(&one.torque_nm)).map_or(Ok(()), |one| fault(one.node))
        }
    }

    fn take_drive(&mut self, drive: Applied) {
        if drive == Applied::Off && self.chain.is_live() {
            self.expansion.motor_nm = [0.0; TERMS]; // the torque that currents made is no longer computed
        }
        let returned_j = self.chain.take_drive(drive);
        if let Some(audit) = &mut self.audit {
            audit.energy.returned_j += returned_j;
        }
    }

    /// Puts the tick's inputs in place and changes the patterns that they change at once.
    fn take_input(&mut self, input: &TickInput, noise: &[NodeTorque], time_s: f64, events: &mut EventLog) {
        let per_tick = f64::from(self.rate.hz);
        self.take_drive(input.drive);
        let last = self.chain.nodes.len() - 1;
        self.chain.reset_loads(input.brake_closed);
        let node = &mut self.chain.nodes[last];
        let load = input.load_torque_nm;
        node.load_nm = (node.load_nm.0 + load.start, (load.end - load.start) * per_tick);
        let (start, end) = (input.resisting_torque_nm.start.max(0.0), input.resisting_torque_nm.end.max(0.0));
        node.resisting_nm = (node.resisting_nm.0 + start, (end - start) * per_tick);
        for NodeTorque { node, torque_nm } in noise {
            let load_nm = &mut self.chain.nodes[*node].load_nm;
            *load_nm = (load_nm.0 + torque_nm.start, load_nm.1 + (torque_nm.end - torque_nm.start) * per_tick);
        }
        let mut notes = Notes { time_s, log: events, stops_j: 0.0 };
        let lost_j = self.chain.clamp_motor(input.clamp_motor, self.chain.nodes[0].is_dry(), &mut notes);
        for node in 0..=last {
            let dry = self.chain.nodes[node].is_dry();
            self.chain.adopt_friction(node, dry, &mut notes);
        }
        self.chain.settle_limiters(&mut notes);
        self.chain.free_overcome_nodes(&mut notes);
        if let Some(audit) = &mut self.audit {
            audit.energy.clamp_j += lost_j;
            audit.energy.stops_j += notes.stops_j;
        }
    }

    fn check_state(&self) -> Result<(), Fault> {
        let finite = |node: &crate::plant::chain::Node| (node.angle_rad + node.speed_rad_per_s).is_finite();
        if self.chain.nodes.iter().all(finite) {
            return Ok(());
        }
        Err(self.fault(Cause::StateNotFinite, self.rate.seconds(self.tick)))
    }

    /// A fault at the first node whose state or motion is not finite, or the fastest one.
    fn fault(&self, cause: Cause, time_s: f64) -> Fault {
        Fault { node: self.expansion.worst_node(&self.chain), time_s, cause }
    }

    /// The tick that [`Plant::step`] will do next: ticks done so far.
    #[must_use]
    pub fn tick(&self) -> u64 {
        self.tick
    }

    /// How many nodes the chain has.
    #[must_use]
    pub fn nodes(&self) -> usize {
        self.chain.nodes.len()
    }

    /// Most events that one tick can log: one for each change, one for each node that sticks in a change and is torn off
    /// again, and at the tick's start one or two for each node and for what a clamp ends.
    #[must_use]
    pub fn events_of_a_tick_max(&self) -> usize {
        2 * CHANGES_MAX as usize + 2 * self.nodes() + 2
    }

    /// Whether every node turns so slowly that a person may take it in hand.
    #[must_use]
    pub fn is_at_rest(&self) -> bool {
        self.chain.nodes.iter().all(|node| node.speed_rad_per_s.abs() <= REST_RAD_PER_S)
    }

    /// Whether a coupling is coupled.
    #[must_use]
    pub fn is_coupled(&self, coupling: usize) -> bool {
        self.chain.joints[coupling].contact != Contact::Apart
    }

    /// Takes a coupling apart: it transmits nothing from the next tick on, and what lies behind it stays where its own
    /// friction and loads leave it; a load that hangs on nothing else falls. What the coupling's spring held is lost.
    ///
    /// # Errors
    /// [`NotAtRest`] when a node turns; nothing has changed then.
    pub fn uncouple(&mut self, coupling: usize) -> Result<(), NotAtRest> {
        self.take_hand(coupling, Chain::uncouple)
    }

    /// Couples again, clamped as the nodes stand: untwisted, in the middle of the backlash. The angle between the
    /// nodes that this leaves is nobody's mistake but that of whoever couples.
    ///
    /// # Errors
    /// [`NotAtRest`] when a node turns; nothing has changed then.
    pub fn couple(&mut self, coupling: usize) -> Result<(), NotAtRest> {
        self.take_hand(coupling, Chain::couple)
    }

    fn take_hand(&mut self, coupling: usize, act: fn(&mut Chain, usize) -> f64) -> Result<(), NotAtRest> {
        if !self.is_at_rest() {
            return Err(NotAtRest);
        }
        let lost_j = act(&mut self.chain, coupling);
        self.input = None;
        if let Some(audit) = &mut self.audit {
            audit.energy.damping_j += lost_j;
        }
        Ok(())
    }

    /// Angle of a node in rad.
    #[must_use]
    pub fn angle_rad(&self, node: usize) -> f64 {
        self.chain.nodes[node].angle_rad
    }

    /// Speed of a node in rad/s; exactly 0 while it sticks.
    #[must_use]
    pub fn speed_rad_per_s(&self, node: usize) -> f64 {
        self.chain.nodes[node].speed_rad_per_s
    }

    /// Torque in a coupling in Nm, on its load side; exactly 0 in the open gap.
    #[must_use]
    pub fn coupling_torque_nm(&self, coupling: usize) -> f64 {
        self.chain.joint_torque_nm(coupling)
    }

    /// Position in a coupling's gap in rad; 0 without backlash.
    #[must_use]
    pub fn gap_position_rad(&self, coupling: usize) -> f64 {
        self.chain.joints[coupling].gap_position_rad
    }

    /// Torque on the motor's shaft in Nm, after the lag.
    #[must_use]
    pub fn motor_torque_nm(&self) -> f64 {
        self.chain.motor.torque_nm
    }

    /// Currents in the rotor's axes d and q in A; 0 where a torque command makes the torque.
    #[must_use]
    pub fn current_dq_a(&self) -> [f64; 2] {
        self.chain.winding.as_ref().map_or([0.0; 2], Winding::current_a)
    }

    /// Currents into the phases a, b and c in A, as the drive's terminals see them.
    #[must_use]
    pub fn phase_current_a(&self) -> [f64; 3] {
        self.chain.winding.as_ref().map_or([0.0; 3], Winding::phase_current_a)
    }

    /// Temperature of the winding in K; 20 °C where it has no thermal model.
    #[must_use]
    pub fn winding_k(&self) -> f64 {
        let heat = self.chain.winding.as_ref().and_then(|winding| winding.heat.as_ref());
        heat.map_or(ROOM_K, |heat| heat.winding_k)
    }

    /// The account of energy; all 0 unless it was asked for.
    #[must_use]
    pub fn energy(&self) -> &Energy {
        self.audit.as_ref().map_or(&self.nothing, |audit| &audit.energy)
    }

    /// What the motion has cost so far.
    #[must_use]
    pub fn effort(&self) -> Effort {
        self.effort
    }
}

/// Why nobody may couple or uncouple: a node turns.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NotAtRest;

impl fmt::Display for NotAtRest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the axis is not at rest")
    }
}

impl std::error::Error for NotAtRest {}
