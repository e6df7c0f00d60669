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
pub mod outside_pi;
pub mod plate;
pub mod sealed;
pub mod steps;
pub mod sweep;
pub mod torque;
pub mod two_mass;

use crate::method::axis::{Axis, Stop, Summary};
use crate::method::outside_pi::OutsidePi;

/// A method that the program carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Carried {
    /// Measures first and backs off; the default.
    Careful,
    /// Reckons with the bare motor only.
    Hasty,
    /// Tunes nothing: closes the speed loop outside, where the outside commands torque.
    Pi,
}

impl Carried {
    /// Every carried method, the default first.
    pub const ALL: [Self; 3] = [Self::Careful, Self::Hasty, Self::Pi];

    /// Its name on the command line.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Careful => "careful",
            Self::Hasty => "hasty",
            Self::Pi => "pi",
        }
    }

    /// What it does, one line for help texts.
    #[must_use]
    pub fn what(self) -> &'static str {
        match self {
            Self::Careful => "measures inertia, friction, resonance and noise, then chooses, tries and backs off",
            Self::Hasty => "reckons with the bare motor only",
            Self::Pi => "closes the speed loop outside, with the gains that stand in the drive's settings",
        }
    }

    /// The method of this name; `None` when there is none.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|method| method.name() == name)
    }

    /// The controller that it is, where it closes the speed loop outside; none where it tunes.
    #[must_use]
    pub fn controller(self) -> Option<OutsidePi> {
        (self == Self::Pi).then(OutsidePi::default)
    }

    /// Tunes an axis from its first feedback to its last stored setting; saying done is the caller's.
    ///
    /// # Errors
    /// The method's own reason to give up, or that of the link.
    pub fn run(self, axis: &mut impl Axis) -> Result<Summary, Stop> {
        match self {
            Self::Careful => careful::run(axis),
            Self::Hasty => hasty::run(axis),
            Self::Pi => Err(Stop::because("it closes the speed loop outside and tunes nothing")),
        }
    }
}
