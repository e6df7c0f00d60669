//! What makes the drive trip, and how it reacts.
//!
//! What it does not: change states (`mod.rs` does). Start reading at [`Trip`].

/// A latched trip. It is cleared by a fault reset only, or by a power cycle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Trip {
    /// The motor turned faster than `speed_limit_rpm`.
    Overspeed,
    /// Setpoint and measured speed differed by more than `deviation_trip_rpm` for 50 ms.
    SpeedDeviation,
    /// The load went beyond `travel_min_deg` or `travel_max_deg`.
    TravelLimit,
    /// The commander was silent for longer than the scenario lets it.
    CommanderSilent,
}

impl Trip {
    /// Every trip, in the order of the numbers.
    pub const ALL: [Self; 4] = [Self::Overspeed, Self::SpeedDeviation, Self::TravelLimit, Self::CommanderSilent];

    /// The number that feedback carries, from 1; 0 there means none.
    #[must_use]
    pub fn number(self) -> u16 {
        self as u16 + 1
    }

    /// The trip of this number; `None` when there is none.
    #[must_use]
    pub fn from_number(number: u16) -> Option<Self> {
        Self::ALL.into_iter().find(|trip| trip.number() == number)
    }

    /// The name that people read and files hold.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Overspeed => "overspeed",
            Self::SpeedDeviation => "speed deviation",
            Self::TravelLimit => "travel limit",
            Self::CommanderSilent => "commander silent",
        }
    }
}
