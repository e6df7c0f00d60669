//! Outside programs that tune a machine: the client of the link, and the methods that the program carries.
//!
//! A method reads only what a drive shows. What it does not: sockets, clocks, the plant, the scenario and its limits.
//! Start reading at [`Carried`], then at `careful.rs`.

pub mod axis;
pub mod careful;
pub mod client;
pub mod controller;
pub mod filter_design;
pub mod hasty;
pub mod identify;
pub mod mechanics;
pub mod moves;
pub mod plate;
pub mod sealed;
pub mod steps;
pub mod sweep;
pub mod two_mass;

use crate::method::axis::{Axis, Stop, Summary};

/// A method that the program carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Carried {
    /// Measures first and backs off; the default.
    Careful,
    /// Reckons with the bare motor only.
    Hasty,
}

impl Carried {
    /// Every carried method, the default first.
    pub const ALL: [Self; 2] = [Self::Careful, Self::Hasty];

    /// Its name on the command line.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Careful => "careful",
            Self::Hasty => "hasty",
        }
    }

    /// What it does, one line for help texts.
    #[must_use]
    pub fn what(self) -> &'static str {
        match self {
            Self::Careful => "measures inertia, friction, resonance and noise, then chooses, tries and backs off",
            Self::Hasty => "reckons with the bare motor only",
        }
    }

    /// The method of this name; `None` when there is none.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|method| method.name() == name)
    }

    /// Tunes an axis from its first feedback to its last stored setting; saying done is the caller's.
    ///
    /// # Errors
    /// The method's own reason to give up, or that of the link.
    pub fn run(self, axis: &mut impl Axis) -> Result<Summary, Stop> {
        match self {
            Self::Careful => careful::run(axis),
            Self::Hasty => hasty::run(axis),
        }
    }
}
