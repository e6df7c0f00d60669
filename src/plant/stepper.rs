//! Moves a machine through one control tick at a time.
//!
//! What it does not: control anything. Start reading at [`TickInput`].

/// What acts from outside during one tick.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TickInput {
    /// Torque command into the motor's torque path in Nm, held over the tick. `None`: off, no torque acts and the lag is
    /// emptied.
    pub torque_nm: Option<f64>,
    /// Holds node 0 exactly at speed 0.
    pub clamp_motor: bool,
    /// The programme's load torque on the last node in Nm, against positive motion, added to its loads.
    pub load_torque_nm: Ramp,
    /// The programme's resisting torque on the last node in Nm, at least 0, added to its friction.
    pub resisting_torque_nm: Ramp,
}

/// A value that changes linearly over a tick.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Ramp {
    /// At the tick's start.
    pub start: f64,
    /// At the tick's end.
    pub end: f64,
}
