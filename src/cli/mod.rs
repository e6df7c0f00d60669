//! Words in, exit status out: one file a command.
//!
//! What it does not: compute anything. Start reading at [`run`].

pub mod arguments;
pub mod check;
pub mod describe;
pub mod entrance;
pub mod keeper;
pub mod method;
pub mod output;
pub mod paced;
pub mod probe;
pub mod progress;
pub mod record;
pub mod replay;
pub mod schema;
pub mod score;
pub mod simulate;
pub mod token;
pub mod trial;
pub mod tuning;

use std::process::ExitCode;

use clap::Parser;

use crate::cli::arguments::{Arguments, Command};
use crate::host::files::HostError;

/// How a command ends: the exit statuses that people script against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Passed, or done.
    Pass,
    /// Failed: a limit missed, bits that differ.
    Fail,
    /// The command line or a scenario is wrong.
    Usage,
    /// The run cannot be trusted.
    Void,
    /// The bench itself could not: port taken, disk full, no permission.
    Unable,
    /// Interrupted; the record is kept.
    Interrupted,
}

impl Outcome {
    /// The process's exit status.
    #[must_use]
    pub fn status(self) -> u8 {
        match self {
            Self::Pass => 0,
            Self::Fail => 1,
            Self::Usage => 2,
            Self::Void => 3,
            Self::Unable => 4,
            Self::Interrupted => 130,
        }
    }
}

/// Why a command could not go on, already worded for people.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Stop {
    /// Complaints about what was typed or about a file, one a line; exit status 2.
    Usage(String),
    /// What the machine refused; exit status 4.
    Unable(String),
}

impl From<HostError> for Stop {
    fn from(error: HostError) -> Self {
        Self::Unable(error.to_string())
    }
}

/// Runs the command line of this process and returns its exit status.
#[must_use]
pub fn run() -> ExitCode {
    let status = match dispatch(Arguments::parse().command) {
        Ok(status) => status,
        Err(Stop::Usage(text)) => {
            eprintln!("{text}");
            Outcome::Usage.status()
        }
        Err(Stop::Unable(text)) => {
            eprintln!("plantstand: {text}");
            Outcome::Unable.status()
        }
    };
    ExitCode::from(status)
}

fn dispatch(command: Command) -> Result<u8, Stop> {
    let outcome = match command {
        Command::Check { files } => return Ok(check::run(&files)),
        Command::Schema { name } => return Ok(schema::run(&name)),
        Command::Describe(arguments) => describe::run(&arguments),
        Command::Score(arguments) => score::run(&arguments),
        Command::Method { name } => method::run(&name),
        Command::Simulate(arguments) => simulate::run(&arguments),
        Command::Replay { record } => replay::run(&record),
        Command::Probe(arguments) => probe::run(&arguments),
    };
    outcome.map(Outcome::status)
}
