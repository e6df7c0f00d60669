//! What may be typed: commands, options, their help.
//!
//! What it does not: act on any of it. Start reading at [`Command`].

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

use crate::base::impairment::Impairment;

/// A hardware-in-the-loop servo plant simulator that scores tuning methods from outside.
///
/// plantstand is a simulator: a pass here is no proof that a machine is safe or that settings suit it. Never connect
/// its link to a drive that can move real machinery.
#[derive(Debug, Parser)]
#[command(name = "plantstand", version, max_term_width = 100)]
pub struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Read scenarios; print every complaint at once, with line and allowed range
    Check {
        /// Scenario files
        #[arg(required = true, value_name = "FILE")]
        files: Vec<PathBuf>,
    },
    /// The machine in numbers and pictures: inertias, resonances, limits, Bode plot; with settings: loop margins
    Describe(DescribeArguments),
    /// One trial: a method tunes the machine over the link, then its stored settings are examined and judged
    #[command(
        after_help = "Exit status: 0 pass, 1 fail, 2 usage or scenario error, 3 void, 4 the bench itself could not, \
                            130 interrupted (the record is kept)."
    )]
    Score(ScoreArguments),
    /// A carried method, run as a client: what `score --by` starts
    Method {
        /// careful, hasty or pi; echo answers probes and nothing else
        name: String,
    },
    /// The bare plant under a given torque: no drive, no sensor, no noise; the truth, one row a tick
    Simulate(SimulateArguments),
    /// The same run again from its record, to the same bits
    Replay {
        /// The folder that a trial left
        record: PathBuf,
    },
    /// What a link can carry: round trips, lateness, loss; which tick and stride fit
    #[command(after_help = "Exit status: 0 measured, 2 usage error, 4 the link could not be measured.")]
    Probe(ProbeArguments),
    /// Trials that must keep giving their known-good results
    #[command(
        after_help = "Exit status, the worst of all runs in this order: 2 usage, suite or scenario error, 4 the bench itself \
                            could not, 3 void, 1 red, 0 green; 130 interrupted."
    )]
    Suite(SuiteArguments),
    /// Print a JSON Schema: scenario, suite, result or suite-result
    Schema {
        /// scenario, suite, result or suite-result
        name: String,
    },
}

/// Arguments of `describe`.
#[derive(Args, Debug)]
pub struct DescribeArguments {
    /// Scenario file
    pub file: PathBuf,
    /// Settings file, or a record that holds one: adds the loop's margins on every machine
    #[arg(long, value_name = "FILE|RECORD")]
    pub settings: Option<PathBuf>,
    /// Also write a page with the machine's numbers and its Bode plot
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
}

/// Arguments of `score`.
#[derive(Args, Debug)]
pub struct ScoreArguments {
    /// Scenario file
    pub file: PathBuf,
    /// A method that the program carries: careful, hasty, pi where the outside commands torque, current_pi where it commands voltage [default: careful, pi,
    /// current_pi]
    #[arg(long, value_name = "NAME", group = "who")]
    pub by: Option<String>,
    /// Wait for whoever connects to udp:HOST:PORT (port 0 prints the port taken) or serial:PATH:BAUD; over UDP beyond
    /// this machine every frame is sealed, with a token from --token-file or PLANTSTAND_TOKEN
    #[arg(long, value_name = "LINK", group = "who")]
    pub listen: Option<String>,
    /// Start an outside program; split into words as a shell would, but no shell runs
    #[arg(long, value_name = "COMMAND", group = "who")]
    pub method: Option<String>,
    /// The same, already split: everything after --
    #[arg(last = true, value_name = "COMMAND", group = "who")]
    pub words: Vec<String>,
    /// What carries the frames of a method that is started: udp, or pty for a pseudo-terminal [default: udp]
    #[arg(long, value_name = "udp|pty", value_parser = ["udp", "pty"], conflicts_with = "listen")]
    pub link: Option<String>,
    /// Take the seed from here instead of from the scenario
    #[arg(long, value_name = "N")]
    pub seed: Option<u64>,
    /// Examine the nominal machine and this corner only
    #[arg(long, value_name = "NAME")]
    pub corner: Option<String>,
    /// lockstep waits for every answer, real-time goes on by the clock [default: the scenario's]
    #[arg(long, value_name = "PACE", value_parser = ["lockstep", "real-time"])]
    pub pace: Option<String>,
    /// In real time, spin for at most 30 µs before each tick instead of sleeping to the end: nearer to the mark, for more
    /// of a processor
    #[arg(long)]
    pub spin: bool,
    /// Harm the link on purpose, from the seed: loss, repeat, corrupt, reorder in percent, delay, jitter in ticks, such as
    /// loss=1,delay=2; none leaves it alone whatever the scenario says
    #[arg(long, value_name = "SPEC")]
    pub impair: Option<Impairment>,
    /// Take the token from a file that only you may read (mode 0600); without one PLANTSTAND_TOKEN counts for --listen
    #[arg(long, value_name = "FILE")]
    pub token_file: Option<PathBuf>,
    /// Seal every frame over UDP on this machine too, as it is done beyond it: to rehearse that; the link is then called
    /// sealed-udp:HOST:PORT
    #[arg(long)]
    pub seal: bool,
    /// Where the record goes; an existing folder is refused [default: records/SCENARIO-TIME-SEED]
    #[arg(long, value_name = "DIR", conflicts_with = "no_record")]
    pub record: Option<PathBuf>,
    /// Keep no record
    #[arg(long)]
    pub no_record: bool,
    /// Also write the result here; - is standard output
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
    /// Also write the report page here; - is standard output
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// How long a silent method is waited for, 0.1 to 86400 s; off waits for ever and lifts the limit of time on the wall
    /// too, for a debugger [default: the scenario's]
    #[arg(long, value_name = "SECONDS|off")]
    pub patience: Option<String>,
}

/// Arguments of `probe`.
#[derive(Args, Debug)]
pub struct ProbeArguments {
    /// Where to wait for a client: udp:HOST:PORT (port 0 prints the port taken) or serial:PATH:BAUD [default: start an own
    /// client on this machine]
    pub link: Option<String>,
    /// What the client is told that it commands: speed, torque or voltage; a client may know one of them only
    #[arg(long, value_name = "WHAT", default_value = "speed", value_parser = ["speed", "torque", "voltage"])]
    pub commands: String,
    /// How long each measurement lasts, 0.05 to 3600 s
    #[arg(long, value_name = "SECONDS", default_value_t = 1.0)]
    pub seconds: f64,
    /// Wait for a tick by sleep and then a spin of at most 30 µs, not by sleep alone
    #[arg(long)]
    pub spin: bool,
    /// Priority among the real-time threads, 1 to 99
    #[arg(long, value_name = "N", default_value_t = 80)]
    pub priority: u8,
    /// Take the token from a file that only you may read (mode 0600); without one PLANTSTAND_TOKEN counts
    #[arg(long, value_name = "FILE")]
    pub token_file: Option<PathBuf>,
    /// Also write what was found here; - is standard output
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
}

/// Arguments of `suite`.
#[derive(Args, Debug)]
pub struct SuiteArguments {
    /// Suite file; its known-good results lie beside it in NAME.known-good.toml
    #[arg(required_unless_present = "show_frames")]
    pub file: Option<PathBuf>,
    /// Show what moved, then write the results of these runs as known good
    #[arg(long)]
    pub accept: bool,
    /// Where the records go; all are kept [default: records/suite-NAME-TIME, only those of runs that are not green]
    #[arg(long, value_name = "DIR")]
    pub records: Option<PathBuf>,
    /// Trials that run at once; those in real time and those that listen always run one by one [default: all cores]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    pub jobs: Option<u16>,
    /// Also write JUnit XML here; - is standard output
    #[arg(long, value_name = "FILE")]
    pub junit: Option<PathBuf>,
    /// Also write the result here; - is standard output
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
    /// Also write a page with trends over past runs here
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// Also write every run as CSV into this folder, a row a tick
    #[arg(long, value_name = "DIR")]
    pub csv: Option<PathBuf>,
    /// Where past runs are kept, a line of JSON each [default with --html: NAME.history.jsonl beside the suite]
    #[arg(long, value_name = "FILE")]
    pub history: Option<PathBuf>,
    /// What carries the frames of the methods that the suite starts, lockstep over a pseudo-terminal being slower
    #[arg(long, value_name = "LINK", default_value = "udp", value_parser = ["udp", "pty"])]
    pub link: String,
    /// Take the token for a suite that listens from a file that only you may read (mode 0600)
    #[arg(long, value_name = "FILE")]
    pub token_file: Option<PathBuf>,
    /// How long a silent method is waited for, 0.1 to 86400 s, or off [default: each scenario's]
    #[arg(long, value_name = "SECONDS|off")]
    pub patience: Option<String>,
    /// Run nothing: show the frames of two records side by side round the first that differs
    #[arg(long, num_args = 2, value_names = ["RECORD", "KNOWN_GOOD"], conflicts_with_all = ["file", "accept"])]
    pub show_frames: Vec<PathBuf>,
}

/// Arguments of `simulate`.
#[derive(Args, Debug)]
pub struct SimulateArguments {
    /// Scenario file
    pub file: PathBuf,
    /// Torque at the motor shaft: time_s,torque_nm, each row holds until the next
    #[arg(long, value_name = "CSV")]
    pub torque: PathBuf,
    /// Where the states go, one row a tick; - is standard output
    #[arg(long, value_name = "CSV")]
    pub out: PathBuf,
    /// Where the events go
    #[arg(long, value_name = "CSV")]
    pub events: Option<PathBuf>,
    /// Where the account of energy goes, one row a tick: what came in, is stored, was lost, and what is unaccounted for
    #[arg(long, value_name = "CSV")]
    pub energy: Option<PathBuf>,
    /// How long, in seconds [default: to the scenario's end_s]
    #[arg(long = "for", value_name = "SECONDS")]
    pub seconds: Option<f64>,
}
