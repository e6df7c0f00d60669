//! What is fitted to an axis beside motor and drive: emergency stop, guard, travel switches, the holding brake's times;
//! and what a drive sees of it.
//!
//! Models of safety functions and nothing more: a simulator protects nobody. What it does not: act (the drive does,
//! `drive/transitions.rs`), or hold what a person has done to it (`bench/site.rs`). Start reading at [`Safeguards`].

/// What pressing the emergency stop does, named as IEC 61800-5-2 has it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum EmergencyStop {
    /// Safe torque off: no torque from this instant on; stop category 0 of IEC 60204-1. A hanging load falls until its
    /// brake has closed.
    Sto,
    /// Safe stop 1: the drive brakes along `quick_stop_rpm_per_s` and closes its brake, then safe torque off; stop
    /// category 1. After its time the torque is off whether the axis stands or not.
    Ss1 {
        /// From pressing to safe torque off at the latest, in s.
        time_s: f64,
    },
}

/// How long a holding brake takes, as it really does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BrakeTimes {
    /// From its command until it is open, in s.
    pub opens_after_s: f64,
    /// From its command until it is closed, in s.
    pub closes_after_s: f64,
}

/// What is fitted to an axis; what is not there cannot be pressed, opened or struck.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Safeguards {
    /// The emergency stop.
    pub emergency_stop: Option<EmergencyStop>,
    /// Whether there is a guard; open it means safe torque off.
    pub guard: bool,
    /// Load angles in rad at and beyond which the travel switches are struck, lower first, as they are really mounted.
    pub switches_rad: Option<[f64; 2]>,
    /// The holding brake, whose torque the plant has.
    pub brake: Option<BrakeTimes>,
}

/// What a drive's inputs show of them at the start of a tick.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Inputs {
    /// The emergency stop is pressed, and asks for this.
    pub emergency_stop: Option<EmergencyStop>,
    /// The guard is open.
    pub guard_open: bool,
    /// The travel switch at the lower end is struck.
    pub low_switch: bool,
    /// The travel switch at the upper end is struck.
    pub high_switch: bool,
}
