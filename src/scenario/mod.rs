//! A scenario: one machine and one examination, as read from a TOML file.
//!
//! Files speak the trade's units (rpm, degrees, arcmin); from here on everything is SI. A scenario that was read holds
//! no impossible value, so nobody behind it checks again. What it does not: run anything, open files. Start reading at
//! [`Scenario`] for what comes out, at `keys/mod.rs` for what a file may say, at `check/mod.rs` for how one becomes the
//! other.

mod check;
pub mod complaint;
mod corner;
mod file;
mod keys;
mod mend;
mod objection;
mod path;
pub mod programme;
mod reader;
mod scatter;
mod schema;
pub mod settings_file;
mod shape;
pub mod suite;
mod view;

use crate::base::impairment::Impairment;
use crate::base::nameplate::Nameplate;
use crate::base::safeguard::{BrakeTimes, Safeguards};
use crate::base::time::TickRate;
use crate::drive::setting::Settings;
use crate::plant::current_sensor::CurrentSensorParameters;
use crate::plant::sensor::SensorParameters;
use crate::plant::train::{Initial, Parameters};
use crate::scenario::complaint::Complaint;
use crate::scenario::file::Document;
use crate::scenario::programme::Programme;
use crate::scenario::reader::Complaints;
use crate::score::limit::Bound;
use crate::score::measure::Measure;
use crate::score::window::{Options, Side, Torques};

pub use crate::scenario::schema::{schema, suite_schema};

/// Reads a scenario. `name` is how complaints call the file.
///
/// # Errors
/// Every complaint at once, in file order.
pub fn read(name: &str, text: &str) -> Result<Scenario, Vec<Complaint>> {
    if MAX_BYTES < text.len() {
        return Err(vec![Complaint::too_long(name, text.len(), MAX_BYTES)]);
    }
    let document = Document::parse(text, &keys::ROOT);
    let mut complaints = Complaints::default();
    let scenario = check::scenario(&document.root, &mut complaints);
    let complaints = complaints.placed(name, &document);
    match scenario {
        Some(scenario) if complaints.is_empty() => Ok(scenario),
        _ => Err(complaints),
    }
}

/// Longest examination, in s; a simulation of the bare machine is not longer either.
pub const END_S_MAX: f64 = 600.0;

/// A longer file is no scenario: a hundred entries and corners fit ten times over.
pub const MAX_BYTES: usize = 131_072;

/// One machine and one examination.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// What it is called on the score sheet.
    pub title: String,
    /// A few lines for people: what machine, what is hard about it. Empty when the file says nothing.
    pub about: String,
    /// Seed of every random stream of the nominal run.
    pub seed: u64,
    /// What the outside gives.
    pub commands: Commands,
    /// Pace, tick, exchange, silence, end.
    pub timing: Timing,
    /// What is done to the link on purpose; none when the file says nothing.
    pub impairment: Option<Impairment>,
    /// The nominal machine: the truth.
    pub machine: Machine,
    /// What is printed on the motor; the corners share it, since print does not change with the machine.
    pub nameplate: Nameplate,
    /// The axis: travel, start, clamp, highest speed.
    pub axis: Axis,
    /// The drive's settings at the start, defaults filled in; stored and volatile alike.
    pub settings: Settings,
    /// What the method may use while tuning.
    pub tuning: Tuning,
    /// What happens during the examination.
    pub programme: Programme,
    /// What is judged, in file order.
    pub limits: Vec<Limit>,
    /// Variations of the machine that the settings must also hold for, in file order.
    pub corners: Vec<Corner>,
    /// Random variations round the nominal machine, read and checked; nothing draws from them yet.
    pub scatter: Option<Scatter>,
}

impl Scenario {
    /// Whether the drive closes the speed loop itself: only then do its settings say what the loop is.
    #[must_use]
    pub fn drive_closes_the_loop(&self) -> bool {
        self.commands == Commands::Speed
    }
}

/// What the outside gives: which loops it closes itself.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Commands {
    /// Speed setpoints; the bench's own drive closes the loops.
    #[default]
    Speed,
    /// Torque: the outside closes the speed loop.
    Torque,
    /// Voltage: the outside closes the current loop too.
    Voltage,
}

/// Whether the bench waits for the outside.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Pace {
    /// It waits for every answer.
    #[default]
    Lockstep,
    /// It goes on by the clock.
    RealTime,
}

/// When things happen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Timing {
    /// Whether the bench waits for the outside.
    pub pace: Pace,
    /// Ticks per second.
    pub rate: TickRate,
    /// Ticks per exchange, 1 to 64.
    pub stride: u32,
    /// The examination ends at the start of this tick, a whole number of exchanges or not.
    pub end_tick: u64,
    /// Missed ticks allowed per million (real time only).
    pub allowed_missed_per_million: u32,
    /// Ticks of silence after which the drive makes its quick stop.
    pub silent_ticks_before_quick_stop: u32,
    /// Wall-clock seconds that the bench waits for an answer.
    pub patience_s: f64,
    /// Longest computing time that the outside may report, in µs, at least 1; none: any.
    pub compute_limit_us: Option<u32>,
    /// Whether the outside may open again in mid-run.
    pub may_reset: bool,
}

/// A machine: the truth that the plant computes with. Nominal, or one corner.
#[derive(Clone, Debug, PartialEq)]
pub struct Machine {
    /// The train, its stops and loads.
    pub plant: Parameters,
    /// How long its holding brake takes; none where it has no brake.
    pub brake_times: Option<BrakeTimes>,
    /// The angle sensor on the motor.
    pub sensor: SensorParameters,
    /// The one at the load; none: without.
    pub load_sensor: Option<SensorParameters>,
    /// The current sensors of the motor; clean, and read by nobody, where it has no winding.
    pub current_sensor: CurrentSensorParameters,
    /// Where the train stands at tick 0.
    pub initial: Initial,
}

/// The axis, all angles at the load.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Axis {
    /// Lowest and highest load angle in rad; none on an endless axis.
    pub travel_rad: Option<[f64; 2]>,
    /// Load angle at the start in rad (on an endless axis 0, unless `[initial]` says otherwise).
    pub start_rad: f64,
    /// Whether a clamp holds the motor exactly whenever the drive gives no torque.
    pub clamped_when_off: bool,
    /// Highest motor speed in rad/s.
    pub max_speed_rad_per_s: f64,
    /// Emergency stop, guard and travel switches; the brake belongs to the machine.
    pub safeguards: Safeguards,
}

/// What the method may use while tuning.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tuning {
    /// Simulated seconds.
    pub time_s: f64,
    /// Wall-clock seconds; 10 times `time_s` plus 60 unless the file says otherwise.
    pub wall_s: f64,
    /// Load angles allowed in rad, lowest and highest: absolute, on an endless axis counted from the start.
    pub window_rad: [f64; 2],
    /// How far the load may turn in all, in rad.
    pub path_rad: f64,
    /// Strikes of a stop that are allowed.
    pub stop_strikes: u32,
}

/// One limit of the examination.
#[derive(Clone, Debug, PartialEq)]
pub struct Limit {
    /// What is measured.
    pub measure: Measure,
    /// Index of the programme entry whose window it is taken over; none for measures of the loop.
    pub during: Option<usize>,
    /// What holds.
    pub bound: Bound,
    /// Whether it is asked of the nominal machine.
    pub nominal: bool,
    /// Whether it is asked of the corners.
    pub corners: bool,
    /// Weight in the trial's grade.
    pub weight: f64,
    /// Half width of a band in percent of the step (of the setpoint for a recovery).
    pub band_percent: Option<f64>,
    /// Half width of a band in rpm; goes before the percentage.
    pub band_rpm: Option<f64>,
    /// How long the response must have stayed in the band at the window's end, in s.
    pub hold_s: f64,
    /// Narrows the window to its last seconds.
    pub last_s: Option<f64>,
    /// Corner of the high-pass of a noise measure, in Hz.
    pub highpass_hz: Option<f64>,
    /// Which side's true speed is judged.
    pub side: Side,
}

impl Limit {
    /// What the limit says about how its measure is taken.
    #[must_use]
    pub fn options(&self, torques: Torques) -> Options {
        Options {
            side: self.side,
            band_percent: self.band_percent,
            band_rpm: self.band_rpm,
            hold_s: self.hold_s,
            last_s: self.last_s,
            highpass_hz: self.highpass_hz,
            torques,
        }
    }
}

/// A named variation of the machine.
#[derive(Clone, Debug, PartialEq)]
pub struct Corner {
    /// Its name.
    pub name: String,
    /// The varied machine, checked like the nominal one.
    pub machine: Machine,
}

/// Random variations round the nominal machine.
#[derive(Clone, Debug, PartialEq)]
pub struct Scatter {
    /// How many draws.
    pub draws: u32,
    /// What is varied, in file order.
    pub factors: Vec<Factor>,
}

/// One quantity of the machine that scatters.
#[derive(Clone, Debug, PartialEq)]
pub struct Factor {
    /// Path of the key, `train.0.inertia_kgm2`; a friction table's path scales kinetic, static and viscous together.
    pub path: String,
    /// How the factor is distributed.
    pub spread: Spread,
}

/// Distribution of a factor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Spread {
    /// Normal round 1 with this standard deviation, cut at three of them.
    Normal(f64),
    /// Uniform from low to high.
    Uniform(f64, f64),
}
