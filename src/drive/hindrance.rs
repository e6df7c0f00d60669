//! Why a drive will not enable, for people at a panel; clients read the same from the statusword.
//!
//! What it does not: keep it from enabling (`transitions.rs`). Start reading at [`Drive::hindrance`].

use crate::drive::Drive;
use crate::drive::protection::Trip;

/// Why a drive does not enable.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hindrance {
    /// A trip is latched.
    Trip(Trip),
    /// The emergency stop is pressed.
    EmergencyStop,
    /// The guard is open.
    GuardOpen,
}

impl Hindrance {
    /// In words for people.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Trip(trip) => trip.name(),
            Self::EmergencyStop => "emergency stop pressed",
            Self::GuardOpen => "guard open",
        }
    }
}

impl Drive {
    /// Why the drive does not enable, or will not stay enabled; none when only the controlword is missing.
    #[must_use]
    pub fn hindrance(&self) -> Option<Hindrance> {
        let inputs = &self.sensed.inputs;
        match self.trip {
            Some(trip) => Some(Hindrance::Trip(trip)),
            None if inputs.emergency_stop.is_some() => Some(Hindrance::EmergencyStop),
            None => inputs.guard_open.then_some(Hindrance::GuardOpen),
        }
    }
}
