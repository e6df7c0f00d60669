//! The renderings of a result: score sheet, HTML report, JSON, the terminal's Bode plot.
//!
//! Core: a rendering takes values and gives text back; the caller writes it, and knows whether there is a terminal.
//! What it does not: files, clocks, printing, any measuring (numbers come from the result, curves from the caller).
//! Start reading at [`terminal::score_sheet`] and [`html::page`]; `finding.rs` has the words that both speak.

use crate::base::recording::Recording;

pub mod axis;
mod bars;
mod chapters;
pub mod describe;
pub mod dots;
pub mod figure;
pub mod finding;
mod finite;
pub mod frames_apart;
pub mod gather;
pub mod html;
pub mod json;
pub mod junit;
mod loop_plot;
pub mod machine_curves;
pub mod machine_facts;
pub mod machine_page;
pub mod machine_pictures;
pub mod measure_words;
pub mod plot;
pub mod probe_sheet;
mod sheet;
pub mod suite_page;
pub mod suite_sheet;
pub mod table;
mod tables;
pub mod terminal;
mod timing;
pub mod trace;
mod window_plot;

/// What a report can show beside a result's numbers. Anything may be empty: the report then says what is not there.
#[derive(Clone, Debug, Default)]
pub struct Pictures<'a> {
    /// The examination's runs, nominal first, then the corners.
    pub runs: Vec<Run<'a>>,
    /// The opened loops, at most one per machine and state of the gaps; the nominal machine first.
    pub loops: Vec<LoopPicture>,
    /// The run in which the method tuned.
    pub tuning: Option<TuningRun<'a>>,
    /// The one command that replays the trial.
    pub replay_command: Option<String>,
}

/// One run of the examination.
#[derive(Clone, Debug)]
pub struct Run<'a> {
    /// Machine: `nominal` or the corner's name, as in the result.
    pub machine: String,
    /// The recorded signals; shorter than the programme after a trip or fault.
    pub recording: &'a Recording,
    /// Motor turns per load turn: load speed times this compares with the setpoint.
    pub total_ratio: f64,
    /// The programme's entries in order.
    pub entries: Vec<EntryMark>,
    /// Trips and strikes of this run.
    pub marks: Vec<Mark>,
    /// Rated torque in Nm, greater than 0.
    pub rated_torque_nm: f64,
    /// The drive's torque limit in Nm as stored.
    pub torque_limit_nm: f64,
}

/// A programme entry and its window.
#[derive(Clone, Debug, PartialEq)]
pub struct EntryMark {
    /// The entry's name.
    pub name: String,
    /// When it begins, in seconds of the run.
    pub at_s: f64,
    /// When the next one begins or the run ends, in seconds.
    pub end_s: f64,
}

/// Something that happened at one moment of a run.
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// When, in seconds of the run.
    pub at_s: f64,
    /// What, in a few words: `trip: overspeed`, `strike at the upper stop`.
    pub text: String,
}

/// The run in which the method tuned.
#[derive(Clone, Debug)]
pub struct TuningRun<'a> {
    /// The recorded signals.
    pub recording: &'a Recording,
    /// Motor turns per load turn.
    pub total_ratio: f64,
    /// Load angle in rad from which travel counts: 0, or the start on an endless axis.
    pub angle_zero_rad: f64,
    /// Trips and strikes.
    pub marks: Vec<Mark>,
}

/// The opened loop of one machine with the stored settings.
#[derive(Clone, Debug)]
pub struct LoopPicture {
    /// Machine: `nominal` or the corner's name, as in the result.
    pub machine: String,
    /// Whether the gaps of the train are taken open.
    pub gaps_open: bool,
    /// Whether the closed loop is stable; margins of an unstable one are not drawn.
    pub stable: bool,
    /// L(f), rising in frequency, fine round resonances.
    pub points: Vec<BodePoint>,
    /// Every frequency in Hz where |L| is 1, rising.
    pub crossovers_hz: Vec<f64>,
    /// The phase margin and the crossover it is found at; none without a crossover.
    pub phase_margin: Option<PhaseMargin>,
    /// The gain margin and where it is found; none without a crossing of −180°.
    pub gain_margin: Option<GainMargin>,
    /// |S(f)| = |1/(1 + L)|, rising in frequency.
    pub sensitivity: Vec<SensitivityPoint>,
    /// Ms and where it is found; none when unstable.
    pub sensitivity_peak: Option<SensitivityPeak>,
}

/// One point of a frequency response.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BodePoint {
    /// Frequency in Hz, greater than 0.
    pub hz: f64,
    /// Magnitude in dB.
    pub magnitude_db: f64,
    /// Phase in degrees, wrapped or not; drawn without jumps.
    pub phase_deg: f64,
}

/// One point of the sensitivity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensitivityPoint {
    /// Frequency in Hz, greater than 0.
    pub hz: f64,
    /// |S| in dB.
    pub magnitude_db: f64,
}

/// A phase margin and its place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PhaseMargin {
    /// The crossover in Hz.
    pub hz: f64,
    /// The margin in degrees.
    pub deg: f64,
}

/// A gain margin and its place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GainMargin {
    /// Where the phase crosses −180°, in Hz.
    pub hz: f64,
    /// The margin in dB, not negative.
    pub db: f64,
}

/// The peak of the sensitivity and its place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensitivityPeak {
    /// Where, in Hz.
    pub hz: f64,
    /// Ms, a plain ratio.
    pub ratio: f64,
}

/// How a text may look where it is shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Style {
    /// Columns of the terminal; none where the text goes to a file or a pipe: plain rows, nothing is wrapped.
    pub width: Option<usize>,
    /// Whether colour may be used. No meaning hangs on it alone.
    pub colour: bool,
    /// Whether characters outside ASCII may be used for drawing.
    pub unicode: bool,
}

impl Style {
    /// For a file or a pipe: plain rows without colour.
    pub const PLAIN: Self = Self { width: None, colour: false, unicode: true };
}
