//! A scenario: one machine and one examination, as read from a TOML file.
//!
//! Files speak the trade's units (rpm, degrees, arcmin); from here on everything is SI. A scenario that was read holds
//! no impossible value, so nobody behind it checks again. What it does not: run anything, open files. Start reading at
//! [`Scenario`] for what comes out, at `keys.rs` for what a file may say, at `check/mod.rs` for how one becomes the
//! other.

pub mod complaint;
pub mod programme;

use crate::base::nameplate::Nameplate;
use crate::base::time::TickRate;
use crate::drive::setting::Settings;
use crate::plant::sensor::SensorParameters;
use crate::plant::train::{Initial, Parameters};
use crate::scenario::programme::Programme;
use crate::score::limit::Bound;
use crate::score::measure::Measure;

/// One machine and one examination.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// What it is called on the score sheet.
    pub title: String,
    /// A few lines for people: what machine, what is hard about it. Empty when the file says nothing.
    pub about: String,
    /// Seed of every random stream of the nominal run.
    pub seed: u64,
    /// Tick, exchange, silence, end.
    pub timing: Timing,
    /// The nominal machine: the truth.
    pub machine: Machine,
    /// What is printed on the motor; the corners share it, since print does not change with the machine.
    pub nameplate: Nameplate,
    /// Electrical data of the motor, kept for when the electrical side is built; none when the file gives none.
    pub winding: Option<Winding>,
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

/// When things happen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Timing {
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
}

/// A machine: the truth that the plant computes with. Nominal, or one corner.
#[derive(Clone, Debug, PartialEq)]
pub struct Machine {
    /// The train, its stops and loads.
    pub plant: Parameters,
    /// The angle sensor on the motor.
    pub sensor: SensorParameters,
    /// Where the train stands at tick 0.
    pub initial: Initial,
}

/// Electrical nameplate data.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Winding {
    /// Pole pairs.
    pub pole_pairs: u32,
    /// Phase resistance in ohm.
    pub resistance_ohm: f64,
    /// Inductance of the d axis in H.
    pub inductance_d_h: f64,
    /// Inductance of the q axis in H.
    pub inductance_q_h: f64,
    /// Flux linkage in Vs; 1.5 pole pairs times it is the torque per peak ampere.
    pub flux_linkage_vs: f64,
    /// Bus voltage in V.
    pub bus_v: f64,
}

/// The axis, all angles at the load.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Axis {
    /// Lowest and highest load angle in rad; none on an endless axis.
    pub travel_rad: Option<[f64; 2]>,
    /// Load angle at the start in rad (0 on an endless axis).
    pub start_rad: f64,
    /// Whether a clamp holds the motor exactly whenever the drive gives no torque.
    pub clamped_when_off: bool,
    /// Highest motor speed in rad/s.
    pub max_speed_rad_per_s: f64,
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
    /// Band of a settling or recovery time; none: the measure's default of ±2 %.
    pub band: Option<Band>,
    /// How long the speed must have stayed in the band at the window's end, in s (settling, recovery; default 0.05).
    pub hold_s: Option<f64>,
    /// Narrows the window to its last seconds.
    pub last_s: Option<f64>,
    /// Corner of the high-pass of a noise measure, in Hz.
    pub highpass_hz: Option<f64>,
    /// Which side's true speed is judged.
    pub side: Side,
}

/// Half the width of the band in which a response counts as settled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Band {
    /// In percent of the step (of the setpoint for a recovery).
    Percent(f64),
    /// As a motor speed in rad/s.
    Speed(f64),
}

/// Whose true speed a measure reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// The load's, times the total ratio (the default).
    Load,
    /// The motor's.
    Motor,
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
