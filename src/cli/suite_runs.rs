//! The runs of a suite: side by side where they may, one by one where they must, each compared as soon as it is over.
//!
//! What it does not: read files of the suite (`suite_plan.rs`), word results (`report`). Start reading at [`Runs::make`].

use std::num::NonZero;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use crate::cli::suite_plan::{Job, Plan};
use crate::cli::trial::{Finished, Order, perform};
use crate::cli::tuning::Carrier;
use crate::cli::{Outcome, Stop, output};
use crate::host::files::{HostError, refused, write_whole};
use crate::host::interrupt::Interrupt;
use crate::host::realtime::Wish;
use crate::report::frames_apart::{Apart, apart};
use crate::report::table;
use crate::trial::comparison::{Against, compare, unable};
use crate::trial::known_good::KnownRun;
use crate::trial::sent::{self, Sent};
use crate::trial::suite_result::{RunResult, State};

/// How the runs are made.
pub struct Runs<'a> {
    /// What is run.
    pub plan: &'a Plan,
    /// The folder for the records.
    pub records: PathBuf,
    /// Whether all records stay, or only those of runs that are not green.
    pub keep_all: bool,
    /// Where every run goes as CSV.
    pub csv: Option<&'a Path>,
    /// What carries the frames of the methods that the suite starts.
    pub carrier: Carrier,
    /// Where the token for a suite that listens stands.
    pub token_file: Option<&'a Path>,
    /// `--patience`.
    pub patience: Option<&'a str>,
    /// How many runs at once; all cores without.
    pub jobs: Option<u16>,
    /// Whether somebody asked to end.
    pub interrupt: &'a Interrupt,
}

/// A run that was made, or could not be.
pub struct Done {
    /// What became of it.
    pub result: RunResult,
    /// The exit status that says it.
    pub outcome: Outcome,
    /// The known-good result that it would become.
    pub known: Option<KnownRun>,
    /// Its frames beside the known-good ones, where both are at hand and differ.
    pub apart: Option<Apart>,
    /// The bytes of its record's frames.
    pub frames: Vec<u8>,
}

impl Runs<'_> {
    /// Makes every run, and gives the results in the order of the jobs.
    #[must_use]
    pub fn make(&self, jobs: &[Job]) -> Vec<Done> {
        let done: Vec<Mutex<Option<Done>>> = jobs.iter().map(|_| Mutex::new(None)).collect();
        let count = AtomicUsize::new(0);
        let (beside, alone): (Vec<usize>, Vec<usize>) =
            (0..jobs.len()).partition(|place| self.plan.side_by_side(jobs[*place]));
        let work = |places: &[usize], next: &AtomicUsize| {
            while let Some(place) = places.get(next.fetch_add(1, Ordering::Relaxed)) {
                let made = self.one(jobs[*place]);
                let number = count.fetch_add(1, Ordering::Relaxed) + 1;
                let RunResult { trial, seed, state, .. } = &made.result;
                eprintln!("{number}/{}: {trial}, seed {seed}: {}", jobs.len(), state.word());
                if let Ok(mut slot) = done[*place].lock() {
                    *slot = Some(made);
                }
            }
        };
        let next = AtomicUsize::new(0);
        std::thread::scope(|scope| {
            for _ in 0..self.workers().min(beside.len()) {
                scope.spawn(|| work(&beside, &next));
            }
        });
        work(&alone, &AtomicUsize::new(0));
        let made = done.into_iter().zip(jobs).map(|(slot, job)| {
            let found = slot.into_inner().ok().flatten();
            found.unwrap_or_else(|| {
                self.failed(*job, Stop::Unable("the run ended in a mistake of the bench".to_owned()))
            })
        });
        made.collect()
    }

    fn workers(&self) -> usize {
        let cores = || std::thread::available_parallelism().map_or(1, NonZero::get);
        self.jobs.map_or_else(cores, usize::from)
    }

    fn one(&self, job: Job) -> Done {
        if self.interrupt.asked() {
            return Done { outcome: Outcome::Interrupted, ..self.failed(job, Stop::Unable("interrupted".to_owned())) };
        }
        match self.tried(job) {
            Ok(done) => done,
            Err(stop) => self.failed(job, stop),
        }
    }

    fn failed(&self, job: Job, stop: Stop) -> Done {
        let (why, outcome) = match stop {
            Stop::Usage(why) => (why, Outcome::Usage),
            Stop::Unable(why) => (why, Outcome::Unable),
        };
        let result = unable(&self.plan.suite.trials[job.trial], job.seed, why);
        Done { result, outcome, known: None, apart: None, frames: Vec::new() }
    }

    fn tried(&self, job: Job) -> Result<Done, Stop> {
        let read = &self.plan.scenarios[job.trial];
        let folder = self.records.join(self.plan.slug(job));
        let order = Order {
            scenario: &read.scenario,
            text: &read.text,
            file: &read.file,
            caller: self.plan.caller(job),
            seed: job.seed,
            machines: read.machines.clone(),
            patience: output::patience(self.patience, &read.scenario)?,
            wish: Wish::default(),
            carrier: self.carrier,
            seal: false,
            token_file: self.token_file,
            folder: Some(folder.clone()),
        };
        let finished = perform(&order, self.interrupt)?;
        if let Some(csv) = self.csv {
            write_csv(&csv.join(self.plan.slug(job)), &finished)?;
        }
        let mut done = self.compared(job, &finished, &folder)?;
        if done.result.state.is_green() && !self.keep_all {
            std::fs::remove_dir_all(&folder).map_err(|error| refused("remove", &folder, &error))?;
        } else {
            done.result.record = Some(folder.display().to_string());
        }
        Ok(done)
    }

    fn compared(&self, job: Job, finished: &Finished, folder: &Path) -> Result<Done, Stop> {
        let trial = &self.plan.suite.trials[job.trial];
        let path = folder.join("frames.bin");
        let frames = std::fs::read(&path).map_err(|error| refused("read", &path, &error))?;
        let sent = sent::read(&frames).unwrap_or_default();
        let known_frames = read_frames(&self.plan.frames_file(job));
        let known = self.plan.known.run(&trial.name, job.seed);
        let against = Against { known, frames: known_frames.as_deref(), tolerances: &self.plan.tolerances };
        let result = compare(trial, &finished.result, &sent, &against);
        let exact = result.frames.first.as_ref().is_some_and(|first| first.known.is_some());
        let outcome = match result.state {
            _ if finished.outcome() == Outcome::Interrupted => Outcome::Interrupted,
            State::Same | State::Within => Outcome::Pass,
            State::Red | State::New => Outcome::Fail,
            State::Void | State::Unable => Outcome::Void,
        };
        Ok(Done {
            known: KnownRun::of(&trial.name, &finished.result, &sent),
            apart: known_frames.filter(|_| exact).map(|before| apart(&before, &sent)),
            result,
            outcome,
            frames,
        })
    }
}

/// The frames of a file, or of a record's folder; `None` where there are none.
#[must_use]
pub fn read_frames(path: &Path) -> Option<Vec<Sent>> {
    let path = if path.is_dir() { path.join("frames.bin") } else { path.to_owned() };
    std::fs::read(path).ok().and_then(|bytes| sent::read(&bytes))
}

/// One file for the tuning and one for each machine.
fn write_csv(stem: &Path, finished: &Finished) -> Result<(), HostError> {
    let named = |run: &str| {
        let mut name = stem.as_os_str().to_owned();
        name.push(format!("-{run}.csv"));
        PathBuf::from(name)
    };
    if let Some(recording) = &finished.recording {
        write_whole(&named("tuning"), table::csv(recording).as_bytes())?;
    }
    for (number, run) in finished.examined.iter().flat_map(|examined| &examined.runs).enumerate() {
        let machine = if number == 0 { "nominal".to_owned() } else { format!("corner-{number}") };
        write_whole(&named(&machine), table::csv(&run.recording).as_bytes())?;
    }
    Ok(())
}
