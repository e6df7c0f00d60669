//! The result of a trial as other programs read it: `result.json`, and what every rendering shows.
//!
//! An edge type: its serialised shape is a promise (`schema_version`). What it does not: compute measures. Start reading at
//! [`TrialResult`].

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::base::impairment::Impairment;
use crate::bench::timing::Timing;

/// The shape of this file; grows when a key changes its meaning or goes.
pub const SCHEMA_VERSION: u32 = 1;

/// Everything a trial found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrialResult {
    /// [`SCHEMA_VERSION`] of the program that wrote it.
    pub schema_version: u32,
    /// What computed the result.
    pub program: Program,
    /// What was examined.
    pub scenario: ScenarioFacts,
    /// Who tuned.
    pub method: MethodFacts,
    /// `lockstep` or `real-time`.
    pub pace: String,
    /// What was done to the link on purpose; none where it was left as it was.
    pub impairment: Option<ImpairmentFacts>,
    /// Pass, fail or void.
    pub verdict: Verdict,
    /// Why, one line each, the gravest first; empty on a pass.
    pub reasons: Vec<Reason>,
    /// Weighted mean of the limits' grades in percent; 0 when a limit is missed; none on a void.
    pub grade_percent: Option<f64>,
    /// The drive's settings as stored when the examination began.
    pub settings: Vec<SettingFact>,
    /// How tuning ended.
    pub tuning_ended: TuningEnd,
    /// The machines that were examined, in order: `nominal`, then corners; empty when tuning ended before done.
    pub machines: Vec<String>,
    /// Every limit, on every machine it was asked for.
    pub limits: Vec<LimitResult>,
    /// Every other measure that was computed, for information.
    pub measures: Vec<MeasureResult>,
    /// How the method treated the machine while tuning.
    pub conduct: Conduct,
    /// Frames refused, and other counts of the link.
    pub link: LinkFacts,
    /// How well the clock was kept; none in lockstep. A replay has no clock and does not compare it.
    pub timing: Option<TimingFacts>,
    /// SHA-256 over every recorded state and every measure in time (layout of the golden hash), in hex.
    pub bits_sha256: String,
}

/// The program that made a result.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Program {
    /// Its name.
    pub name: String,
    /// Its version.
    pub version: String,
    /// SHA-256 of the program's own file in hex, where it could be read.
    pub sha256: Option<String>,
}

/// The scenario of a trial.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ScenarioFacts {
    /// Its title.
    pub title: String,
    /// Its `about` text.
    pub about: String,
    /// The file as it was named.
    pub file: String,
    /// SHA-256 of the file's bytes in hex.
    pub sha256: String,
    /// The seed the trial ran with.
    pub seed: u64,
    /// Ticks per second.
    pub tick_hz: u32,
    /// Ticks per exchange.
    pub stride: u32,
}

/// The method of a trial.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MethodFacts {
    /// A name for people: what the method called itself, or the first word of its command.
    pub name: String,
    /// The command that started it; none when it connected by itself.
    pub command: Option<String>,
    /// What it called itself on the link; none when it never opened.
    pub said_name: Option<String>,
}

/// What was done to the link on purpose: what was asked for, and what became of the frames.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ImpairmentFacts {
    /// Probability that a frame was lost, each direction for itself.
    pub loss_frac: f64,
    /// Probability that a frame arrived twice.
    pub repeat_frac: f64,
    /// Probability that a copy arrived with one bit turned over.
    pub corrupt_frac: f64,
    /// Probability that an answer came after the one that followed it.
    pub reorder_frac: f64,
    /// Ticks by which every answer acted later.
    pub delay_ticks: u32,
    /// At most so many ticks more.
    pub jitter_ticks: u32,
    /// Frames that were lost, both directions together. Depends on how often either side repeated one, as the other two.
    pub frames_lost: u64,
    /// Frames that were sent on twice.
    pub frames_repeated: u64,
    /// Copies of which one bit was turned over.
    pub copies_corrupted: u64,
}

impl ImpairmentFacts {
    /// What was asked for, before any frame crossed.
    #[must_use]
    pub fn of(asked: &Impairment) -> Self {
        Self {
            loss_frac: asked.loss_frac,
            repeat_frac: asked.repeat_frac,
            corrupt_frac: asked.corrupt_frac,
            reorder_frac: asked.reorder_frac,
            delay_ticks: asked.delay_ticks,
            jitter_ticks: asked.jitter_ticks,
            frames_lost: 0,
            frames_repeated: 0,
            copies_corrupted: 0,
        }
    }

    /// What was asked for: a replay asks for the same.
    #[must_use]
    pub fn asked(&self) -> Impairment {
        Impairment {
            loss_frac: self.loss_frac,
            repeat_frac: self.repeat_frac,
            corrupt_frac: self.corrupt_frac,
            reorder_frac: self.reorder_frac,
            delay_ticks: self.delay_ticks,
            jitter_ticks: self.jitter_ticks,
        }
    }
}

/// The three verdicts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Every limit held, nominal and in every corner.
    Pass,
    /// Some limit was missed, or a rule of conduct broken.
    Fail,
    /// The run cannot be trusted because of the method: crashed, silent, out of time before done.
    VoidMethod,
    /// The run cannot be trusted because of the bench: numbers not finite, a device gone.
    VoidBench,
}

/// One reason of a verdict.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Reason {
    /// One sentence for people, facts first.
    pub text: String,
    /// The machine it concerns: `nominal`, a corner's name, or the part of the trial: `tuning`, `power cycle`, `trial` for all.
    pub machine: String,
    /// When, in seconds of that run, where it has a time.
    pub at_s: Option<f64>,
}

/// One setting of the drive as stored.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SettingFact {
    /// Name with unit, `speed_gain_nms_per_rad`.
    pub name: String,
    /// Unit for people; empty for a plain number.
    pub unit: String,
    /// Value stored.
    pub value: f64,
    /// Value before the method came.
    pub initial: f64,
}

/// How tuning ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum TuningEnd {
    /// The method said done.
    Done,
    /// The method left before.
    Left,
    /// The method fell silent.
    Silent,
    /// Simulated time was used up.
    OutOfTime,
    /// Time on the wall was used up.
    OutOfWallTime,
    /// The bench could not go on: numbers not finite, or a mistake of its own.
    Fault,
    /// A person ended the run.
    Interrupted,
}

/// Why a measure has no number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum NoNumber {
    /// The question makes no sense here.
    NotDefined,
    /// It never settled.
    NotSettled,
    /// The run ended or tripped before.
    NotReached,
    /// There is nothing to measure, which holds a limit.
    None,
    /// The closed loop is unstable.
    Unstable,
}

impl NoNumber {
    /// The words for people, the same in every sentence and rendering.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::NotDefined => "not defined",
            Self::NotSettled => "not settled",
            Self::NotReached => "not reached",
            Self::None => "none",
            Self::Unstable => "unstable",
        }
    }
}

/// A measure on one machine over one window.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MeasureResult {
    /// The measure's name with unit, `settling_time_s`.
    pub measure: String,
    /// Unit for people: `s`, `%`, `rpm`, `°`, `dB`, empty for a plain number.
    pub unit: String,
    /// Machine: `nominal` or the corner's name.
    pub machine: String,
    /// Programme entry whose window it was taken over; none for measures of the loop or of conduct.
    pub during: Option<String>,
    /// Start and end of that window in seconds.
    pub window_s: Option<[f64; 2]>,
    /// The number; none when there is none.
    pub value: Option<f64>,
    /// Why there is no number.
    pub no_number: Option<NoNumber>,
    /// Where in time the number comes from: of the peak, of the last entry into the band.
    pub at_s: Option<f64>,
    /// A remark that belongs to the number.
    pub note: Option<String>,
}

/// One limit on one machine.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LimitResult {
    /// The limit's place in the scenario file, from 0: the same limit on several machines shares it.
    pub limit: usize,
    /// What was measured.
    #[serde(flatten)]
    pub found: MeasureResult,
    /// Highest value allowed.
    pub max: Option<f64>,
    /// Lowest value allowed.
    pub min: Option<f64>,
    /// Full marks from here on.
    pub target: Option<f64>,
    /// Band of a settling or recovery time, in percent of the step (or of the setpoint).
    pub band_percent: Option<f64>,
    /// Band in rpm, where the scenario gives it so.
    pub band_rpm: Option<f64>,
    /// Weight in the trial's grade.
    pub weight: f64,
    /// Whether the limit held.
    pub held: bool,
    /// 1 at the target or better, 0 at the limit, linear between.
    pub grade: f64,
}

impl LimitResult {
    /// How much room the limit has left, as a share of it (of 1 for a limit of 0): negative when missed; `-inf` for a
    /// missing number that misses, `inf` for `none`, which holds.
    #[must_use]
    pub fn reserve_frac(&self) -> f64 {
        let Some(value) = self.found.value.filter(|value| value.is_finite()) else {
            return if self.held { f64::INFINITY } else { f64::NEG_INFINITY };
        };
        let share = |room: f64, bound: f64| if bound == 0.0 { room } else { room / bound.abs() };
        let above = self.max.map_or(f64::INFINITY, |max| share(max - value, max));
        let below = self.min.map_or(f64::INFINITY, |min| share(value - min, min));
        above.min(below)
    }
}

/// How the method treated the machine while tuning.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Conduct {
    /// Simulated seconds until done.
    pub tuning_time_s: f64,
    /// Seconds allowed.
    pub time_allowed_s: f64,
    /// Largest minus smallest load angle.
    pub travel_window_deg: f64,
    /// Smallest load angle reached (on an endless axis from the start).
    pub travel_min_deg: f64,
    /// Largest load angle reached.
    pub travel_max_deg: f64,
    /// Load angles allowed, lowest and highest.
    pub window_allowed_deg: [f64; 2],
    /// How far beyond the window.
    pub travel_overrun_deg: f64,
    /// Sum of the load's movement.
    pub travel_path_deg: f64,
    /// Path allowed.
    pub path_allowed_deg: f64,
    /// How often a stop was struck.
    pub stop_strikes: u32,
    /// How often that was allowed.
    pub stop_strikes_allowed: u32,
    /// Work on the stop up to greatest compression, largest strike.
    pub stop_energy_j: f64,
    /// How far above the axis' highest speed, in percent of it; 0 within.
    pub overspeed_percent: f64,
    /// Trips, named, in order, with their time in seconds.
    pub faults: Vec<Fault>,
    /// Starts from standstill.
    pub moves: u32,
    /// Rms of the torque command in percent of rated torque.
    pub torque_rms_percent: f64,
    /// Peak of the torque command in percent of rated torque.
    pub torque_peak_percent: f64,
    /// Share of ticks at or above 99.9 % of the torque limit.
    pub time_at_limit_percent: f64,
    /// Whether a power cycle brought the tuned settings back; none when it was not reached.
    pub settings_kept: Option<bool>,
}

/// How well a paced run kept the clock: all its phases together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TimingFacts {
    /// How the bench waited for a tick: `sleep` or `sleep-then-spin`.
    pub waiting: String,
    /// Ticks done.
    pub ticks: u64,
    /// Ticks whose output left after the next tick was due.
    pub missed_ticks: u64,
    /// Missed ticks that the scenario allows in a million.
    pub allowed_missed_per_million: u32,
    /// The longest unbroken row of missed ticks.
    pub longest_run_of_misses: u64,
    /// Ticks for which no command had come.
    pub silent_ticks: u64,
    /// Commands that came too late to act in the tick they were meant for, or that answered no open feedback.
    pub stale_commands: u64,
    /// Lateness, actual minus scheduled start, that half of the ticks did not exceed; none without a tick.
    pub late_p50_us: Option<f64>,
    /// The same for 99 % of the ticks.
    pub late_p99_us: Option<f64>,
    /// The same for 99.9 % of the ticks.
    pub late_p999_us: Option<f64>,
    /// The greatest lateness.
    pub late_max_us: Option<f64>,
    /// How many ticks were how late, in bars of even ratios from the first that holds one to the last.
    pub lateness: Vec<LatenessBar>,
    /// What the system refused of priority, memory and wakefulness: a sentence each, with the command that grants it.
    pub refused: Vec<String>,
}

/// A bar of the lateness.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LatenessBar {
    /// Its ticks were at most this late.
    pub up_to_us: f64,
    /// How many they are.
    pub ticks: u64,
}

impl TimingFacts {
    /// The facts of a timing.
    #[must_use]
    pub fn of(timing: &Timing, waiting: &str, allowed_missed_per_million: u32, refused: Vec<String>) -> Self {
        Self {
            waiting: waiting.to_owned(),
            ticks: timing.ticks(),
            missed_ticks: timing.missed_ticks,
            allowed_missed_per_million,
            longest_run_of_misses: timing.longest_run_of_misses,
            silent_ticks: timing.silent_ticks,
            stale_commands: timing.stale_commands,
            late_p50_us: timing.late_us(0.5),
            late_p99_us: timing.late_us(0.99),
            late_p999_us: timing.late_us(0.999),
            late_max_us: timing.late_us(1.0),
            lateness: timing
                .bars()
                .into_iter()
                .map(|bar| LatenessBar { up_to_us: bar.up_to_us, ticks: bar.ticks })
                .collect(),
            refused,
        }
    }

    /// Whether more ticks were missed than the scenario allows, so that the run cannot be trusted.
    #[must_use]
    pub fn missed_too_many(&self) -> bool {
        let allowed = u128::from(self.ticks) * u128::from(self.allowed_missed_per_million);
        allowed < u128::from(self.missed_ticks) * 1_000_000
    }
}

/// One trip.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Fault {
    /// The trip's name.
    pub name: String,
    /// When, in seconds.
    pub at_s: f64,
}

/// Counts of the link.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LinkFacts {
    /// `udp:127.0.0.1:40123`, or `memory`.
    pub link: String,
    /// Answered feedbacks.
    pub exchanges: u64,
    /// Feedbacks sent again because no answer came.
    pub resent: u64,
    /// Frames refused, by reason, in the order of the names.
    pub refused: std::collections::BTreeMap<String, u64>,
    /// Opens of others refused while somebody was in command.
    pub second_opens_refused: u64,
    /// How often the method opened again in mid-run.
    pub opened_again: u64,
    /// The longest time that the method said it computed for an answer, in microseconds; 0 when it never said.
    pub compute_max_us: u32,
}
