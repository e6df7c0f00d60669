//! Known-good results: what each trial of a suite gave when a person accepted it, as text that version control shows well.
//!
//! One measure a line, sorted, each number in the fewest digits that read back to the same bits. What it does not:
//! compare (`comparison.rs`), open files. Start reading at [`KnownGood`].

use std::collections::BTreeMap;
use std::fmt::Write as _;

use serde::{Deserialize, Serialize};

use crate::trial::result::{MeasureResult, NoNumber, TrialResult, Verdict};
use crate::trial::sent::{BLOCK_TICKS, Blocks, Sent, blocks, sha256};

/// The shape of the file; grows when a key changes its meaning or goes.
pub const SCHEMA_VERSION: u32 = 1;

/// The known-good results of a suite.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KnownGood {
    /// [`SCHEMA_VERSION`] of the program that wrote it.
    pub schema_version: u32,
    /// One for each trial and seed, in the suite's order.
    #[serde(default)]
    pub run: Vec<KnownRun>,
}

/// The known-good result of a trial with one seed.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KnownRun {
    /// The trial's name.
    pub trial: String,
    /// The seed.
    pub seed: u64,
    /// The verdict; never void.
    pub verdict: Verdict,
    /// The grade.
    pub grade_percent: Option<f64>,
    /// SHA-256 of the scenario's file in hex.
    pub scenario_sha256: String,
    /// The golden hash.
    pub bits_sha256: String,
    /// SHA-256 of what the method sent, in hex.
    pub frames_sha256: String,
    /// The measures.
    #[serde(default)]
    pub measures: Measures,
    /// What the method sent, as hashes of blocks.
    pub frames: KnownFrames,
}

/// Hashes of what the method sent.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KnownFrames {
    /// Ticks of a block.
    pub block_ticks: u64,
    /// By part and field.
    #[serde(default)]
    pub parts: Blocks,
}

/// By machine, then by entry (`-` for what has no window), then by the measure's name; a measure that is taken twice over
/// the same window has ` 2` and so on behind its name.
pub type Measures = BTreeMap<String, BTreeMap<String, BTreeMap<String, Known>>>;

/// What a measure gave.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(untagged)]
pub enum Known {
    /// A number, in the measure's unit.
    Number(f64),
    /// Why there was none.
    Without(NoNumber),
}

/// The name of a measure without what tells it from another over the same window.
#[must_use]
pub fn measure_name(key: &str) -> &str {
    key.split(' ').next().unwrap_or(key)
}

/// Every measure of a result, limits first so that theirs is the plain name.
#[must_use]
pub fn measures(result: &TrialResult) -> Measures {
    let mut measures = Measures::new();
    for found in result.limits.iter().map(|limit| &limit.found).chain(&result.measures) {
        let during = found.during.clone().unwrap_or_else(|| "-".to_owned());
        let over_window = measures.entry(found.machine.clone()).or_default().entry(during).or_default();
        if let Some(known) = known(found) {
            let name = &found.measure;
            let mut key = name.clone();
            let mut times = 1;
            while over_window.contains_key(&key) {
                times += 1;
                key = format!("{name} {times}");
            }
            over_window.insert(key, known);
        }
    }
    measures
}

fn known(found: &MeasureResult) -> Option<Known> {
    found.value.map(Known::Number).or(found.no_number.map(Known::Without))
}

impl KnownRun {
    /// The known-good result that a run would become; `None` for a void one, which is good for nothing.
    #[must_use]
    pub fn of(trial: &str, result: &TrialResult, sent: &[Sent]) -> Option<Self> {
        if matches!(result.verdict, Verdict::VoidMethod | Verdict::VoidBench) {
            return None;
        }
        Some(Self {
            trial: trial.to_owned(),
            seed: result.scenario.seed,
            verdict: result.verdict,
            grade_percent: result.grade_percent,
            scenario_sha256: result.scenario.sha256.clone(),
            bits_sha256: result.bits_sha256.clone(),
            frames_sha256: sha256(sent),
            measures: measures(result),
            frames: KnownFrames { block_ticks: BLOCK_TICKS, parts: blocks(sent) },
        })
    }
}

impl KnownGood {
    /// Reads such a file. `name` is how a complaint calls it.
    ///
    /// # Errors
    /// The first thing that is wrong with it, with its line: the file is written by the program.
    pub fn read(name: &str, text: &str) -> Result<Self, String> {
        let known: Self = toml::from_str(text).map_err(|error| {
            let line = error.span().map_or(1, |span| 1 + text[..span.start.min(text.len())].matches('\n').count());
            format!("{name}:{line}: {}; plantstand suite --accept writes it anew", error.message())
        })?;
        if known.schema_version != SCHEMA_VERSION {
            let found = known.schema_version;
            return Err(format!("{name}: schema_version = {found}; this program reads {SCHEMA_VERSION}"));
        }
        if let Some(run) = known.run.iter().find(|run| run.frames.block_ticks != BLOCK_TICKS) {
            let found = run.frames.block_ticks;
            return Err(format!("{name}: block_ticks = {found}; this program reads {BLOCK_TICKS}"));
        }
        Ok(known)
    }

    /// The result of a trial with a seed.
    #[must_use]
    pub fn run(&self, trial: &str, seed: u64) -> Option<&KnownRun> {
        self.run.iter().find(|run| run.trial == trial && run.seed == seed)
    }

    /// The file's text. Reading it gives back the same to the bit.
    #[must_use]
    pub fn text(&self, title: &str) -> String {
        let title = title.split_whitespace().collect::<Vec<_>>().join(" ");
        let mut text = format!(
            "# Known-good results of the suite '{title}'; plantstand suite --accept writes them.\n\
             schema_version = {}\n",
            self.schema_version
        );
        self.run.iter().for_each(|run| run.write(&mut text));
        text
    }
}

impl KnownRun {
    /// Writing into a `String` cannot fail.
    fn write(&self, text: &mut String) {
        let verdict = if self.verdict == Verdict::Pass { "pass" } else { "fail" };
        let _ =
            write!(text, "\n[[run]]\ntrial = {}\nseed = {}\nverdict = \"{verdict}\"\n", quoted(&self.trial), self.seed);
        if let Some(grade) = self.grade_percent {
            let _ = writeln!(text, "grade_percent = {grade:?}");
        }
        let _ = writeln!(text, "scenario_sha256 = {}", quoted(&self.scenario_sha256));
        let _ = writeln!(text, "bits_sha256 = {}", quoted(&self.bits_sha256));
        let _ = writeln!(text, "frames_sha256 = {}", quoted(&self.frames_sha256));
        for (machine, windows) in &self.measures {
            for (during, found) in windows {
                let _ = writeln!(text, "\n[run.measures.{}.{}]", quoted(machine), quoted(during));
                for (measure, known) in found {
                    let key = if measure.contains(' ') { quoted(measure) } else { measure.clone() };
                    let _ = writeln!(text, "{key} = {}", known.in_file());
                }
            }
        }
        let _ = writeln!(text, "\n[run.frames]\nblock_ticks = {}", self.frames.block_ticks);
        for (part, fields) in &self.frames.parts {
            let _ = writeln!(text, "\n[run.frames.parts.{}]", quoted(part));
            for (field, hashes) in fields {
                let _ = writeln!(text, "{field} = [");
                for line in hashes.chunks(HASHES_A_LINE) {
                    let hashes: Vec<String> = line.iter().map(|hash| quoted(hash)).collect();
                    let _ = writeln!(text, "  {},", hashes.join(", "));
                }
                text.push_str("]\n");
            }
        }
    }
}

/// Short lines: a change shows where it is.
const HASHES_A_LINE: usize = 8;

impl Known {
    fn in_file(self) -> String {
        match self {
            Self::Number(number) => format!("{number:?}"),
            Self::Without(reason) => quoted(&reason.words().replace(' ', "-")),
        }
    }
}

/// A TOML string. JSON's escapes are TOML's, but for the character that JSON leaves alone.
fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string().replace('\u{7f}', "\\u007F")
}
