//! `plantstand suite FILE`: trials that must keep giving their known-good results.
//!
//! What it does not: read the suite (`suite_plan.rs`), run it (`suite_runs.rs`), compare (`trial/comparison.rs`). Start
//! reading at [`run`].

use std::io::Write;
use std::path::{Path, PathBuf};

use crate::cli::arguments::SuiteArguments;
use crate::cli::progress;
use crate::cli::score;
use crate::cli::suite_plan::{Job, Plan, beside};
use crate::cli::suite_runs::{Done, Runs, read_frames};
use crate::cli::{Outcome, Stop, output};
use crate::host::files::{read_text, refused, time_of_day, time_stamp, try_output, write_whole};
use crate::host::interrupt::Interrupt;
use crate::report::frames_apart::apart;
use crate::report::{json, junit, suite_page, suite_sheet};
use crate::trial::known_good::{KnownGood, KnownRun, SCHEMA_VERSION};
use crate::trial::suite_history::{self, Past};
use crate::trial::suite_result::{self, SuiteResult};

/// Runs the command.
///
/// # Errors
/// What was typed wrongly, a suite or scenario that is wrong, or what the machine refused.
pub fn run(arguments: &SuiteArguments) -> Result<Outcome, Stop> {
    if let [record, known_good] = &arguments.show_frames[..] {
        return show_frames(record, known_good);
    }
    let Some(file) = &arguments.file else { return Err(Stop::Usage("name a suite file".to_owned())) };
    let plan = Plan::read(file)?;
    try_outputs(arguments, &plan)?;
    progress::keep_quiet();
    let interrupt = Interrupt::listen();
    let runs = Runs {
        plan: &plan,
        records: arguments.records.clone().unwrap_or_else(|| fresh_folder(file)),
        keep_all: arguments.records.is_some(),
        csv: arguments.csv.as_deref(),
        carrier: score::carrier(Some(&arguments.link)),
        token_file: arguments.token_file.as_deref(),
        patience: arguments.patience.as_deref(),
        jobs: arguments.jobs,
        interrupt: &interrupt,
    };
    let jobs = plan.jobs();
    let done = runs.make(&jobs);
    // Of runs that are all green nothing is left in it.
    drop(std::fs::remove_dir(&runs.records));
    let result = SuiteResult {
        schema_version: suite_result::SCHEMA_VERSION,
        title: plan.suite.title.clone(),
        file: file.display().to_string(),
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        runs: done.iter().map(|done| done.result.clone()).collect(),
    };
    show(&result, &done, &plan, arguments)?;
    let outcome = worst(&done);
    if arguments.accept && outcome != Outcome::Interrupted {
        return accept(&plan, &jobs, &done);
    }
    Ok(outcome)
}

/// A folder for records that is not there yet: two runs may begin within a second.
fn fresh_folder(file: &Path) -> PathBuf {
    let name = format!("suite-{}-{}", stem(file), time_stamp());
    let numbered = (2_u32..).map(|number| format!("{name}-{number}"));
    let mut names = std::iter::once(name.clone()).chain(numbered).map(|name| Path::new("records").join(name));
    names.find(|folder| !folder.exists()).unwrap_or_else(|| Path::new("records").join(name.clone()))
}

fn stem(file: &Path) -> String {
    file.file_stem().map_or_else(|| "suite".to_owned(), |stem| stem.to_string_lossy().into_owned())
}

/// The worst outcome, in the order that people script against.
fn worst(done: &[Done]) -> Outcome {
    use Outcome::{Fail, Interrupted, Pass, Unable, Usage, Void};
    let order = [Interrupted, Usage, Unable, Void, Fail];
    order.into_iter().find(|outcome| done.iter().any(|done| done.outcome == *outcome)).unwrap_or(Pass)
}

/// Everything that will be written is tried before anything runs.
fn try_outputs(arguments: &SuiteArguments, plan: &Plan) -> Result<(), Stop> {
    let files = [&arguments.junit, &arguments.json, &arguments.html];
    if 1 < files.iter().filter(|path| path.as_deref() == Some(Path::new("-"))).count() {
        return Err(Stop::Usage("only one of --junit, --json and --html can be standard output".to_owned()));
    }
    for path in files.into_iter().flatten() {
        try_output(path)?;
    }
    if let Some(history) = history_file(arguments, plan) {
        try_output(&history)?;
    }
    if arguments.accept {
        try_output(&plan.known_file)?;
    }
    if let Some(records) = arguments.records.as_ref().filter(|records| records.exists()) {
        let why = "exists already; name another folder with --records";
        return Err(Stop::Unable(format!("the folder {} {why}", records.display())));
    }
    for folder in arguments.csv.iter() {
        std::fs::create_dir_all(folder).map_err(|error| refused("make", folder, &error))?;
    }
    Ok(())
}

fn history_file(arguments: &SuiteArguments, plan: &Plan) -> Option<PathBuf> {
    let usual = || arguments.html.as_ref().map(|_| beside(&plan.file, "history.jsonl"));
    arguments.history.clone().or_else(usual)
}

/// The sheet goes to standard output, unless something else does.
fn show(result: &SuiteResult, done: &[Done], plan: &Plan, arguments: &SuiteArguments) -> Result<(), Stop> {
    let mistake = |error: String| Stop::Unable(error);
    let past = match history_file(arguments, plan) {
        Some(file) => remember(&file, result)?,
        None => Vec::new(),
    };
    if let Some(path) = &arguments.html {
        let apart: Vec<_> = done.iter().map(|done| done.apart.clone()).collect();
        write_whole(path, suite_page::page(result, &apart, &past).as_bytes())?;
    }
    if let Some(path) = &arguments.junit {
        write_whole(path, junit::junit(result).map_err(|error| mistake(error.to_string()))?.as_bytes())?;
    }
    if let Some(path) = &arguments.json {
        write_whole(path, json::suite_json(result).map_err(|error| mistake(error.to_string()))?.as_bytes())?;
    }
    let outputs = [&arguments.junit, &arguments.json, &arguments.html];
    if !outputs.iter().any(|path| path.as_deref() == Some(Path::new("-"))) {
        output::print(&suite_sheet::suite_sheet(result, arguments.accept, output::style()))?;
    }
    Ok(())
}

/// Adds this run to the past ones and gives all of them back, oldest first.
fn remember(file: &Path, result: &SuiteResult) -> Result<Vec<Past>, Stop> {
    let (mut past, broken) = if file.exists() { suite_history::read(&read_text(file)?) } else { (Vec::new(), 0) };
    if 0 < broken {
        eprintln!("{}: {broken} lines are no past runs and are left out", file.display());
    }
    let now = Past::of(result, time_of_day());
    let line = now.line().map_err(|error| Stop::Unable(error.to_string()))?;
    let mut out = std::fs::File::options().create(true).append(true).open(file);
    let written = out.as_mut().map_err(|error| std::io::Error::new(error.kind(), error.to_string()));
    written.and_then(|out| out.write_all(line.as_bytes())).map_err(|error| refused("write", file, &error))?;
    past.push(now);
    Ok(past)
}

/// Writes the results as known good; what is void keeps its old one. What moved was shown before.
fn accept(plan: &Plan, jobs: &[Job], done: &[Done]) -> Result<Outcome, Stop> {
    let kept = |(job, done): (&Job, &Done)| -> Option<KnownRun> {
        let name = &plan.suite.trials[job.trial].name;
        done.known.clone().or_else(|| plan.known.run(name, job.seed).cloned())
    };
    let known = KnownGood { schema_version: SCHEMA_VERSION, run: jobs.iter().zip(done).filter_map(kept).collect() };
    write_whole(&plan.known_file, known.text(&plan.suite.title).as_bytes())?;
    std::fs::create_dir_all(&plan.frames_folder).map_err(|error| refused("make", &plan.frames_folder, &error))?;
    for (job, done) in jobs.iter().zip(done).filter(|(_, done)| done.known.is_some()) {
        write_whole(&plan.frames_file(*job), &done.frames)?;
    }
    let accepted = done.iter().filter(|done| done.known.is_some()).count();
    eprintln!(
        "{accepted} of {} results are known good now: {}; their frames, for this machine: {}",
        done.len(),
        plan.known_file.display(),
        plan.frames_folder.display()
    );
    let still_bad = done.iter().any(|done| done.known.is_none());
    Ok(if still_bad { worst(done) } else { Outcome::Pass })
}

/// The frames of two records side by side: 0 when they say the same, 1 when not.
fn show_frames(record: &Path, known_good: &Path) -> Result<Outcome, Stop> {
    let read = |path: &Path| {
        let why = "holds no frames; name a trial's record, its frames.bin, or a file of known-good frames";
        read_frames(path).ok_or_else(|| Stop::Usage(format!("{}: {why}", path.display())))
    };
    let apart = apart(&read(known_good)?, &read(record)?);
    output::print(&apart.sheet(output::style()))?;
    Ok(if apart.first.is_none() { Outcome::Pass } else { Outcome::Fail })
}
