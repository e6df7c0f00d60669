//! The result of a suite as other programs read it: `plantstand suite --json`, and what every rendering shows.
//!
//! An edge type: its serialised shape is a promise (`schema_version`). What it does not: compute. Start reading at
//! [`SuiteResult`].

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::trial::known_good::Known;
use crate::trial::result::Verdict;

/// The shape of this file; grows when a key changes its meaning or goes.
pub const SCHEMA_VERSION: u32 = 1;

/// What a suite found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SuiteResult {
    /// [`SCHEMA_VERSION`] of the program that wrote it.
    pub schema_version: u32,
    /// The suite's title.
    pub title: String,
    /// The suite's file as it was named.
    pub file: String,
    /// Version of the program.
    pub program_version: String,
    /// Every trial with every seed, in the suite's order.
    pub runs: Vec<RunResult>,
}

/// What became of one trial with one seed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// To the bit as it was.
    Same,
    /// Within every tolerance.
    Within,
    /// Something is outside its tolerance, or another verdict, or frames that should be the same differ.
    Red,
    /// There is no known-good result.
    New,
    /// The run cannot be trusted.
    Void,
    /// The run could not be made.
    Unable,
}

/// One trial with one seed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RunResult {
    /// The trial's name.
    pub trial: String,
    /// The seed.
    pub seed: u64,
    /// What became of it.
    pub state: State,
    /// Why it is not green, one line each, the gravest first.
    pub reasons: Vec<String>,
    /// The verdict; none where the run could not be made.
    pub verdict: Option<Verdict>,
    /// The known-good verdict.
    pub known_verdict: Option<Verdict>,
    /// The grade.
    pub grade_percent: Option<f64>,
    /// The known-good grade.
    pub known_grade_percent: Option<f64>,
    /// Whether the scenario's file is another than the one that was accepted.
    pub scenario_changed: bool,
    /// Measures that were compared.
    pub compared: usize,
    /// Every measure that moved, what is outside its tolerance first.
    pub moves: Vec<Move>,
    /// What the method sent.
    pub frames: FramesResult,
    /// The limits' measures, for trends.
    pub limits: Vec<LimitNow>,
    /// Where the record is, when it was kept.
    pub record: Option<String>,
}

/// A limit's measure on one machine.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LimitNow {
    /// Machine, entry and measure in words.
    pub what: String,
    /// Its unit.
    pub unit: String,
    /// The number; none when there is none.
    pub value: Option<f64>,
}

/// How a measure moved.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// Outside its tolerance, and worse.
    Worse,
    /// Outside its tolerance: it came or went.
    Other,
    /// Outside its tolerance, and better.
    Better,
    /// Within its tolerance.
    Within,
}

impl Change {
    /// The word for people.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Worse => "worse",
            Self::Other => "other",
            Self::Better => "better: accept?",
            Self::Within => "within",
        }
    }
}

/// One measure that is not what it was.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Move {
    /// How.
    pub change: Change,
    /// Machine.
    pub machine: String,
    /// Programme entry; `-` for a measure without a window.
    pub during: String,
    /// The measure's name with unit; a number behind it tells limits on the same measure apart.
    pub measure: String,
    /// The unit for people.
    pub unit: String,
    /// What it was; none where it is new.
    pub known: Option<Known>,
    /// What it is; none where it is gone.
    pub now: Option<Known>,
    /// What it may move by, in its unit.
    pub allowed: f64,
}

/// What the method sent, against the known-good record.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FramesResult {
    /// Whether they differ; none where there is nothing to compare with.
    pub differ: Option<bool>,
    /// Where they differ first.
    pub first: Option<FirstDifference>,
}

/// Where frames differ first.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FirstDifference {
    /// The part of the trial.
    pub part: String,
    /// The tick, or the first and the last tick of the block where the known-good frames themselves are not at hand.
    pub ticks: [u64; 2],
    /// The same in seconds.
    pub at_s: [f64; 2],
    /// The fields that differ there.
    pub fields: Vec<String>,
    /// What the field held in the known-good run, where its frames are at hand.
    pub known: Option<String>,
    /// What it holds now, where the known-good frames are at hand.
    pub now: Option<String>,
}

impl State {
    /// Whether nothing is to be done.
    #[must_use]
    pub fn is_green(self) -> bool {
        matches!(self, Self::Same | Self::Within)
    }

    /// The word for people.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Same => "same",
            Self::Within => "within",
            Self::Red => "RED",
            Self::New => "NEW",
            Self::Void => "VOID",
            Self::Unable => "UNABLE",
        }
    }
}
