//! What happens inside a tick, and what can go wrong there.
//!
//! What it does not: find events (see [`crate::plant::stepper`]). Start reading at [`Event`] and [`Fault`].

use std::fmt;

/// Something that happened at an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Event {
    /// When, in s since tick 0.
    pub time_s: f64,
    /// What.
    pub kind: EventKind,
    /// Where.
    pub place: Place,
    /// Gaps: the side in contact, +1 where the motor is ahead. A node breaking away: its motion's direction; sticking:
    /// that of the motion before. Stops: +1 the upper, −1 the lower. Limiters: the torque's, +1 where the motor drives.
    pub direction: i8,
    /// How hard, for strikes.
    pub strike: Option<Strike>,
}

/// Kinds of events. A reversal that passes through speed 0 without sticking is none, nor is rest from the start.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum EventKind {
    /// A gap's side is reached.
    GapCloses,
    /// The torque of a contact reached 0.
    GapOpens,
    /// A moving node came to rest and is held by its friction.
    Sticks,
    /// A node at rest was torn off.
    BreaksAway,
    /// The last node reached an end stop.
    StopStruck,
    /// The last node came back out of an end stop.
    StopLeft,
    /// A coupling's torque reached its limiter's.
    LimiterSlips,
    /// The slip of a limiter came to rest.
    LimiterHolds,
}

impl EventKind {
    /// The name in files.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::GapCloses => "gap_closes",
            Self::GapOpens => "gap_opens",
            Self::Sticks => "sticks",
            Self::BreaksAway => "breaks_away",
            Self::StopStruck => "stop_struck",
            Self::StopLeft => "stop_left",
            Self::LimiterSlips => "limiter_slips",
            Self::LimiterHolds => "limiter_holds",
        }
    }
}

/// A place in the chain, from 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Place {
    /// A node; 0 is the motor.
    Node(usize),
    /// A coupling; i joins node i to node i + 1.
    Coupling(usize),
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Node(node) => write!(f, "node_{node}"),
            Self::Coupling(coupling) => write!(f, "coupling_{coupling}"),
        }
    }
}

/// How hard a stop was struck.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Strike {
    /// Speed of the node at contact in rad/s, not negative.
    pub speed_rad_per_s: f64,
    /// Kinetic energy of the node at contact in J.
    pub energy_j: f64,
}

/// Events in the order of their time, in memory taken once; when it is full, further ones are dropped and counted.
#[derive(Clone, Debug)]
pub struct EventLog {
    events: Vec<Event>,
    room: usize,
    dropped: u64,
}

impl EventLog {
    /// An empty log with room for a number of events.
    #[must_use]
    pub fn new(room: usize) -> Self {
        Self { events: Vec::with_capacity(room), room, dropped: 0 }
    }

    /// Adds an event, or counts it as dropped. Never allocates.
    pub fn push(&mut self, event: Event) {
        if self.events.len() < self.room {
            self.events.push(event);
        } else {
            self.dropped += 1;
        }
    }

    /// The events kept, in order.
    pub fn iter(&self) -> std::slice::Iter<'_, Event> {
        self.events.iter()
    }

    /// Forgets events and the count of dropped ones; the memory stays.
    pub fn clear(&mut self) {
        self.events.clear();
        self.dropped = 0;
    }

    /// How many events found no room since the last [`EventLog::clear`].
    #[must_use]
    pub fn dropped(&self) -> u64 {
        self.dropped
    }
}

/// Why the plant cannot go on. The state is then as it was when the fault showed, and not to be trusted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fault {
    /// The node concerned.
    pub node: usize,
    /// When, in s since tick 0.
    pub time_s: f64,
    /// Why.
    pub cause: Cause,
}

/// Causes of a [`Fault`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cause {
    /// An input of the tick is not a finite number.
    InputNotFinite,
    /// A torque command for a motor that takes a voltage, or a voltage for one that takes a torque command.
    InputOfOtherKind,
    /// A state is not a finite number.
    StateNotFinite,
    /// The machine is too stiff for the tick: its motion needs more pieces than a tick may have.
    TooStiff,
    /// More events than a tick may have.
    TooManyEvents,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let cause = match self.cause {
            Cause::InputNotFinite => "an input torque is not a finite number",
            Cause::InputOfOtherKind => "what the drive applies does not go with the kind of motor",
            Cause::StateNotFinite => "the state is not a finite number",
            Cause::TooStiff => "the machine is too stiff for the tick",
            Cause::TooManyEvents => "too many events in one tick",
        };
        write!(f, "plant at node {} and {:.6} s: {cause}", self.node, self.time_s)
    }
}

impl std::error::Error for Fault {}
