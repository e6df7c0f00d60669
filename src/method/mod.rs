//! Outside programs that tune a machine: the client of the link, and the methods that the program carries.
//!
//! A method reads only what a drive shows. What it does not: sockets, clocks, the plant, the scenario and its limits.
//! Start reading at [`Carried`], then at `careful.rs`.

pub mod axis;
pub mod careful;
pub mod client;
pub mod controller;
pub mod current_pi;
pub mod filter_design;
pub mod hasty;
pub mod identify;
pub mod mechanics;
pub mod moves;
pub mod outside;
pub mod outside_pi;
pub mod plate;
pub mod sealed;
pub mod steps;
pub mod sweep;
pub mod two_mass;

use crate::method::axis::{Axis, Stop, Summary};
use crate::method::client::Transport;
use crate::method::current_pi::CurrentPi;
use crate::method::outside_pi::OutsidePi;
use crate::wire::message::{Commands, ResultFrame};

/// A method that the program carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Carried {
    /// Measures first and backs off; the default.
    Careful,
    /// Reckons with the bare motor only.
    Hasty,
    /// Tunes nothing: closes the speed loop outside, where the outside commands torque.
    Pi,
    /// Tunes nothing: closes speed and current loops outside, where the outside commands voltage.
    CurrentPi,
}

impl Carried {
    /// Every carried method, the default first.
    pub const ALL: [Self; 4] = [Self::Careful, Self::Hasty, Self::Pi, Self::CurrentPi];

    /// Its name on the command line.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Careful => "careful",
            Self::Hasty => "hasty",
            Self::Pi => "pi",
            Self::CurrentPi => "current_pi",
        }
    }

    /// What it does, one line for help texts.
    #[must_use]
    pub fn what(self) -> &'static str {
        match self {
            Self::Careful => "measures inertia, friction, resonance and noise, then chooses, tries and backs off",
            Self::Hasty => "reckons with the bare motor only",
            Self::Pi => "closes the speed loop outside, with the gains that stand in the drive's settings",
            Self::CurrentPi => {
                "closes speed and current loops outside, with the gains that stand in the drive's settings"
            }
        }
    }

    /// The method of this name; `None` when there is none.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|method| method.name() == name)
    }

    /// What it commands.
    #[must_use]
    pub fn commands(self) -> Commands {
        match self {
            Self::Careful | Self::Hasty => Commands::Speed,
            Self::Pi => Commands::Torque,
            Self::CurrentPi => Commands::Voltage,
        }
    }

    /// Serves a whole trial where it closes loops outside; the transport comes back where it tunes.
    pub fn serve<T: Transport>(self, transport: T, token: [u8; 16]) -> Result<Result<ResultFrame, Stop>, T> {
        match self {
            Self::Careful | Self::Hasty => Err(transport),
            Self::Pi => Ok(outside::serve(transport, token, self.name(), &mut OutsidePi::default())),
            Self::CurrentPi => Ok(outside::serve_voltage(transport, token, self.name(), &mut CurrentPi::default())),
        }
    }

    /// Tunes an axis from its first feedback to its last stored setting; saying done is the caller's.
    ///
    /// # Errors
    /// The method's own reason to give up, or that of the link.
    pub fn run(self, axis: &mut impl Axis) -> Result<Summary, Stop> {
        match self {
            Self::Careful => careful::run(axis),
            Self::Hasty => hasty::run(axis),
            Self::Pi | Self::CurrentPi => Err(Stop::because("it closes loops outside and tunes nothing")),
        }
    }
}
