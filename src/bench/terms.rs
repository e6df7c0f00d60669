//! What a session is agreed on, what it counts and how it ends.
//!
//! What it does not: run (`session.rs`). Start reading at [`Terms`].

use std::collections::BTreeMap;

use crate::base::impairment::Impairment;
use crate::base::recording::Row;
use crate::drive::setting::Settings;
use crate::plant::event::Fault;
use crate::wire::message::{Accept, CloseReason};

/// What a session is made of.
#[derive(Clone, Debug)]
pub struct Terms {
    /// What the method was told when it was let in: what it commands, at which pace, in which stride.
    pub accept: Accept,
    /// Simulated time that tuning may take, in ticks.
    pub time_ticks: u64,
    /// Settings of the drive before the method came.
    pub initial: Settings,
    /// Ticks of silence after which the drive makes its quick stop, in real time.
    pub silent_ticks_before_quick_stop: u32,
    /// Whether a client that lost its state may open again.
    pub may_reset: bool,
    /// By how much answers are delayed on purpose.
    pub impairment: Impairment,
    /// What the delays are drawn from.
    pub seed: u64,
}

/// How a phase ended.
#[derive(Clone, Debug, PartialEq)]
pub enum End {
    /// The method said done.
    Done,
    /// A phase after tuning ran to its end.
    Finished,
    /// The method left before it was done; why, as a clause.
    Left(String),
    /// No answer came for as long as the bench waits.
    Silent,
    /// Tuning used up its simulated time.
    OutOfTime,
    /// The phase used up its time on the wall.
    OutOfWallTime,
    /// The plant could not go on.
    Fault(Fault),
    /// A person asked the run to end.
    Interrupted,
    /// The bench made a mistake of its own, or could not keep up; its words.
    Broken(String),
}

/// Counts of the link.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LinkCounts {
    /// Feedbacks that were answered.
    pub exchanges: u64,
    /// Feedbacks and phases sent again.
    pub resent: u64,
    /// Frames that moved nothing, by reason.
    pub refused: BTreeMap<&'static str, u64>,
    /// Ticks for which no command had come, in real time.
    pub silent_ticks: u64,
    /// How often the client opened again in mid-run.
    pub opened_again: u64,
    /// The longest time that a client said it computed for an answer, in microseconds.
    pub compute_max_us: u32,
}

/// What was recorded since somebody last took it. The caller empties it, so that memory stays flat.
#[derive(Clone, Debug, Default)]
pub struct Taken {
    /// A row a tick.
    pub rows: Vec<Row>,
    /// Frames that reached the session, as `frames.rs` keeps them.
    pub frames: Vec<u8>,
}

/// The reason of a close that the bench sends for an end.
#[must_use]
pub fn close_reason(end: &End) -> CloseReason {
    match end {
        End::Done | End::Finished | End::Interrupted => CloseReason::Over,
        End::Left(_) => CloseReason::Leaving,
        End::Silent => CloseReason::Silent,
        End::OutOfTime | End::OutOfWallTime => CloseReason::OutOfTime,
        End::Fault(_) | End::Broken(_) => CloseReason::Failed,
    }
}
