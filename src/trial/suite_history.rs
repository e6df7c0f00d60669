//! Past runs of a suite: one line of JSON a run, so that version control and `tail` show them well.
//!
//! What it does not: know the time, open files. Start reading at [`Past`].

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::trial::suite_result::{State, SuiteResult};

/// One run of the whole suite.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Past {
    /// When, as RFC 3339 in UTC.
    pub at: String,
    /// Version of the program.
    pub program_version: String,
    /// Each trial with each seed.
    pub runs: Vec<PastRun>,
}

/// One trial with one seed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PastRun {
    /// The trial's name.
    pub trial: String,
    /// The seed.
    pub seed: u64,
    /// What became of it.
    pub state: State,
    /// The grade.
    pub grade_percent: Option<f64>,
    /// The limits' measures that had a number.
    pub limits: BTreeMap<String, f64>,
}

impl Past {
    /// What is kept of a result.
    #[must_use]
    pub fn of(result: &SuiteResult, at: String) -> Self {
        let runs = result.runs.iter().map(|run| PastRun {
            trial: run.trial.clone(),
            seed: run.seed,
            state: run.state,
            grade_percent: run.grade_percent,
            limits: run.limits.iter().filter_map(|limit| Some((limit.what.clone(), limit.value?))).collect(),
        });
        Self { at, program_version: result.program_version.clone(), runs: runs.collect() }
    }

    /// The line with its newline. Every number in it is finite, since results are.
    ///
    /// # Errors
    /// What the JSON writer says.
    pub fn line(&self) -> Result<String, serde_json::Error> {
        Ok(serde_json::to_string(self)? + "\n")
    }
}

/// The runs in such a file, oldest first, and how many lines could not be read.
#[must_use]
pub fn read(text: &str) -> (Vec<Past>, usize) {
    let lines: Vec<Option<Past>> =
        text.lines().filter(|line| !line.trim().is_empty()).map(|line| serde_json::from_str(line).ok()).collect();
    let broken = lines.iter().filter(|line| line.is_none()).count();
    (lines.into_iter().flatten().collect(), broken)
}
