//! What a suite is to run, and what with: the suite's file, its scenarios, tolerances and known-good results.
//!
//! Everything is read and checked before anything runs. What it does not: run. Start reading at [`Plan::read`].

use std::path::{Path, PathBuf};

use crate::cli::Stop;
use crate::cli::score::{no_such_corner, read_scenario};
use crate::cli::tuning::Caller;
use crate::host::files::read_text;
use crate::scenario::complaint::Complaint;
use crate::scenario::suite::{self, Suite, Tolerances, Trial, Who};
use crate::scenario::{Pace, Scenario};
use crate::trial::bits::sha256_hex;
use crate::trial::known_good::{KnownGood, SCHEMA_VERSION};
use crate::trial::phases;

/// A suite with all that it needs.
pub struct Plan {
    /// The suite.
    pub suite: Suite,
    /// Where it was read.
    pub file: PathBuf,
    /// Tolerances that hold where a trial gives none.
    pub tolerances: Tolerances,
    /// The scenario of each trial.
    pub scenarios: Vec<ReadScenario>,
    /// The known-good results; empty when there are none yet.
    pub known: KnownGood,
    /// Where they lie, or will.
    pub known_file: PathBuf,
    /// Where the known-good frames lie, when they are kept.
    pub frames_folder: PathBuf,
}

/// A scenario as it was read.
pub struct ReadScenario {
    /// Where.
    pub file: PathBuf,
    /// Its text.
    pub text: String,
    /// The scenario.
    pub scenario: Scenario,
    /// The machines to examine.
    pub machines: Vec<usize>,
}

/// One trial with one seed.
#[derive(Clone, Copy, Debug)]
pub struct Job {
    /// Place of the trial in the suite.
    pub trial: usize,
    /// The seed.
    pub seed: u64,
}

impl Plan {
    /// Reads everything; every complaint about every file at once.
    ///
    /// # Errors
    /// Complaints, or a file that the system does not let us read.
    pub fn read(file: &Path) -> Result<Self, Stop> {
        let suite = by_lines(file, suite::read)?;
        let mut complaints: Vec<String> = Vec::new();
        let mut keep = |stop: Stop| match stop {
            Stop::Usage(lines) => {
                if !complaints.contains(&lines) {
                    complaints.push(lines);
                }
                Ok(())
            }
            unable @ Stop::Unable(_) => Err(unable),
        };
        let tolerances =
            match suite.tolerances_file.as_ref().map(|name| by_lines(&found(file, name), suite::read_tolerances)) {
                Some(Ok(tolerances)) => tolerances,
                Some(Err(stop)) => keep(stop).map(|()| Tolerances::new())?,
                None => Tolerances::new(),
            };
        let mut scenarios = Vec::with_capacity(suite.trials.len());
        for trial in &suite.trials {
            match scenario_of(file, trial) {
                Ok(scenario) => scenarios.push(scenario),
                Err(stop) => keep(stop)?,
            }
        }
        let known_file = beside(file, "known-good.toml");
        let known = match known_good(&known_file) {
            Ok(known) => known,
            Err(stop) => keep(stop).map(|()| KnownGood::default())?,
        };
        if !complaints.is_empty() {
            return Err(Stop::Usage(complaints.join("\n")));
        }
        let frames_folder = beside(file, "known-good");
        Ok(Self { suite, file: file.to_owned(), tolerances, scenarios, known, known_file, frames_folder })
    }

    /// Every trial with every seed, in order.
    #[must_use]
    pub fn jobs(&self) -> Vec<Job> {
        let of =
            |(trial, found): (usize, &Trial)| found.seeds.iter().map(move |seed| Job { trial, seed: *seed }).collect();
        self.suite.trials.iter().enumerate().flat_map(|one| -> Vec<Job> { of(one) }).collect()
    }

    /// The name of a job in file names, different from every other's.
    #[must_use]
    pub fn slug(&self, job: Job) -> String {
        let name = &self.suite.trials[job.trial].name;
        let safe = |letter: char| if letter.is_ascii_alphanumeric() || "._-".contains(letter) { letter } else { '-' };
        let plain: String = name.chars().map(safe).take(80).collect();
        let sound = plain == *name && !plain.starts_with('.');
        let tail = if sound { String::new() } else { format!("-{}", &sha256_hex(name.as_bytes())[..8]) };
        format!("{}{tail}-seed-{}", plain.trim_start_matches('.'), job.seed)
    }

    /// Where the known-good frames of a job lie.
    #[must_use]
    pub fn frames_file(&self, job: Job) -> PathBuf {
        self.frames_folder.join(format!("{}.frames.bin", self.slug(job)))
    }

    /// Whether a job may run beside others: one in real time has the machine, one that waits for somebody has its link to
    /// itself.
    #[must_use]
    pub fn side_by_side(&self, job: Job) -> bool {
        let lockstep = self.scenarios[job.trial].scenario.timing.pace == Pace::Lockstep;
        lockstep && !matches!(self.suite.trials[job.trial].who, Who::Listen(_))
    }

    /// Who is tried.
    #[must_use]
    pub fn caller(&self, job: Job) -> Caller {
        match self.suite.trials[job.trial].who.clone() {
            Who::Carried(method) => Caller::Carried { method },
            Who::Command(words) => Caller::Program { words },
            Who::Listen(link) => Caller::Outside { link },
        }
    }
}

/// `NAME.known-good.toml` beside `NAME.toml`.
#[must_use]
pub fn beside(file: &Path, ending: &str) -> PathBuf {
    let stem = file.file_stem().map_or_else(|| "suite".into(), std::ffi::OsStr::to_string_lossy);
    file.with_file_name(format!("{stem}.{ending}"))
}

/// A file that the suite names: beside the suite where there is one, else from the working directory.
fn found(suite: &Path, name: &str) -> PathBuf {
    let near = suite.parent().unwrap_or(Path::new("")).join(name);
    if near.exists() || !Path::new(name).exists() { near } else { PathBuf::from(name) }
}

fn scenario_of(suite: &Path, trial: &Trial) -> Result<ReadScenario, Stop> {
    let file = found(suite, &trial.scenario);
    let (scenario, text) = read_scenario(&file)?;
    let machines = phases::machines(&scenario, trial.corner.as_deref());
    let machines = machines.ok_or_else(|| match no_such_corner(&scenario) {
        Stop::Usage(text) => Stop::Usage(format!("{}: trial {:?}: {text}", suite.display(), trial.name)),
        other => other,
    })?;
    Ok(ReadScenario { file, text, scenario, machines })
}

fn known_good(file: &Path) -> Result<KnownGood, Stop> {
    if !file.exists() {
        return Ok(KnownGood { schema_version: SCHEMA_VERSION, run: Vec::new() });
    }
    KnownGood::read(&file.display().to_string(), &read_text(file)?).map_err(Stop::Usage)
}

/// A file read by one of the scenario floor's readers: every complaint, a line each.
fn by_lines<T>(file: &Path, read: impl FnOnce(&str, &str) -> Result<T, Vec<Complaint>>) -> Result<T, Stop> {
    let name = file.display().to_string();
    if !file.is_file() {
        let why = if file.is_dir() { "this is a folder; name a file in it" } else { "there is no such file" };
        return Err(Stop::Usage(format!("{name}: {why}")));
    }
    let lines = |complaints: Vec<Complaint>| complaints.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n");
    read(&name, &read_text(file)?).map_err(|complaints| Stop::Usage(lines(complaints)))
}
