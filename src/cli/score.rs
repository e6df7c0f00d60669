//! `plantstand score`: one trial, from the scenario file to the score sheet.
//!
//! What it does not: the tuning phase itself (`tuning.rs`), how results look (`report`). Start reading at [`run`].

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use crate::base::recording::Recording;
use crate::bench::session::End;
use crate::cli::arguments::ScoreArguments;
use crate::cli::check::{as_text, counted};
use crate::cli::output;
use crate::cli::progress::Progress;
use crate::cli::record::Record;
use crate::cli::tuning::{self, Caller, Entrance, Run, Tuning};
use crate::cli::{Outcome, Stop};
use crate::host::files::{refused, time_stamp, try_output, write_whole};
use crate::host::interrupt::Interrupt;
use crate::method::Carried;
use crate::report::{gather, html, json, terminal};
use crate::scenario::{self, Scenario};
use crate::trial::bits::sha256_hex;
use crate::trial::examination::examine;
use crate::trial::judgement::judge;
use crate::trial::mistake::caught;
use crate::trial::phases::{self, Examined, Identity, Tuned};
use crate::trial::result::{MethodFacts, Program, ScenarioFacts, TrialResult, Verdict};
use crate::wire::message::PhaseKind;

/// Reads a scenario; every complaint stops with one line each.
///
/// # Errors
/// Complaints, or a file that cannot be read.
pub fn read_scenario(path: &Path) -> Result<(Scenario, String), Stop> {
    let name = path.display().to_string();
    let bytes = std::fs::read(path).map_err(|error| match error.kind() {
        ErrorKind::NotFound => Stop::Usage(format!("{name}: there is no such file")),
        ErrorKind::IsADirectory => Stop::Usage(format!("{name}: this is a folder; name a file in it")),
        _ => refused("read", path, &error).into(),
    })?;
    let nothing_was_run = |mut lines: Vec<String>| {
        let count = counted(lines.len(), "complaint", "complaints");
        lines.push(format!("{name}: {count}, nothing was run"));
        Stop::Usage(lines.join("\n"))
    };
    let text = as_text(&name, &bytes).map_err(|complaint| nothing_was_run(vec![complaint]))?;
    match scenario::read(&name, text) {
        Ok(scenario) => Ok((scenario, text.to_owned())),
        Err(complaints) => Err(nothing_was_run(complaints.iter().map(ToString::to_string).collect())),
    }
}

/// Runs the command.
///
/// # Errors
/// What was typed wrongly, or what the machine refused.
pub fn run(arguments: &ScoreArguments) -> Result<Outcome, Stop> {
    let (scenario, text) = read_scenario(&arguments.file)?;
    if arguments.pace == "real-time" {
        return Err(Stop::Usage("--pace real-time is not built yet; allowed: lockstep".to_owned()));
    }
    let machines = phases::machines(&scenario, arguments.corner.as_deref()).ok_or_else(|| no_such_corner(&scenario))?;
    let caller = caller(arguments)?;
    let seed = arguments.seed.unwrap_or(scenario.seed);
    let patience = output::patience(arguments.patience.as_deref(), &scenario)?;
    if [&arguments.json, &arguments.html].iter().all(|path| path.as_deref() == Some(Path::new("-"))) {
        return Err(Stop::Usage("--json - and --html - both want standard output; name a file for one".to_owned()));
    }
    for path in [&arguments.json, &arguments.html].into_iter().flatten() {
        try_output(path)?;
    }
    let interrupt = Interrupt::listen();
    let run =
        Run { scenario: &scenario, seed, patience, token_file: arguments.token_file.as_deref(), interrupt: &interrupt };
    let entrance = Entrance::open(&run, &caller)?;
    let folder = record_folder(arguments, seed);
    let mut record = folder.as_deref().map(|folder| Record::open(folder, &text, seed)).transpose()?;
    let mut tuning = tuning::run(&run, &caller, entrance, record.as_mut())?;
    let examined = if tuning.tuned.end == End::Done { examine_all(&run, &machines, &mut tuning) } else { None };
    tuning.tuned.link.second_opens_refused = tuning.refused_as_second();
    let identity = Identity {
        program: program(),
        scenario: scenario_facts(&arguments.file, &text, &scenario, seed),
        method: method_facts(&caller, tuning.said_name.take()),
    };
    let result = judge(&scenario, &identity, &tuning.tuned, examined.as_ref());
    tuning.tell(&result);
    let (tuned, recording) = tuning.close();
    let finished = Finished {
        scenario: &scenario,
        tuned: &tuned,
        examined: examined.as_ref(),
        tuning: recording.as_ref(),
        result: &result,
    };
    finished.keep(record.as_mut(), &machines)?;
    finished.show(arguments, folder.as_deref())?;
    Ok(outcome(&result, &tuned))
}

/// Examines every machine, the method told of each. `None`: somebody interrupted or the bench made a mistake, and
/// tuning's end says so.
fn examine_all(run: &Run<'_>, machines: &[usize], tuning: &mut Tuning) -> Option<Examined> {
    tuning.announce(PhaseKind::PowerCycle, 0);
    let settings = tuning.tuned.stored;
    let mut runs = Vec::with_capacity(machines.len());
    let mut progress = Progress::start("examination", machines.len() as u64);
    for (done, machine) in machines.iter().enumerate() {
        progress.at(done as u64, || format!("machine {} of {}", done + 1, machines.len()));
        tuning.announce(PhaseKind::Examination, *machine as u16);
        match caught(|| examine(run.scenario, *machine, &settings, run.seed)) {
            Ok(found) => runs.extend(found),
            Err(words) => {
                tuning.tuned.end = End::Broken(words);
                return None;
            }
        }
        if run.interrupt.asked() {
            tuning.tuned.end = End::Interrupted;
            return None;
        }
    }
    tuning.announce(PhaseKind::Over, 0);
    match caught(|| phases::put_together(run.scenario, machines, &settings, runs)) {
        Ok(examined) => Some(examined),
        Err(words) => {
            tuning.tuned.end = End::Broken(words);
            None
        }
    }
}

fn outcome(result: &TrialResult, tuned: &Tuned) -> Outcome {
    match result.verdict {
        _ if tuned.end == End::Interrupted => Outcome::Interrupted,
        Verdict::Pass => Outcome::Pass,
        Verdict::Fail => Outcome::Fail,
        Verdict::VoidMethod | Verdict::VoidBench => Outcome::Void,
    }
}

fn no_such_corner(scenario: &Scenario) -> Stop {
    let names: Vec<&str> = scenario.corners.iter().map(|corner| corner.name.as_str()).collect();
    Stop::Usage(format!("--corner names none of this scenario; allowed: {}", names.join(", ")))
}

/// Who tunes, from the options: at most one of them is given.
fn caller(arguments: &ScoreArguments) -> Result<Caller, Stop> {
    if let Some(link) = &arguments.listen {
        return Ok(Caller::Outside { link: link.clone() });
    }
    if let Some(command) = &arguments.method {
        let words = shlex::split(command).filter(|words| !words.is_empty());
        let words = words.ok_or_else(|| Stop::Usage(format!("--method '{command}' is no command: a quote is open")))?;
        return Ok(Caller::Program { words });
    }
    if !arguments.words.is_empty() {
        return Ok(Caller::Program { words: arguments.words.clone() });
    }
    let name = arguments.by.as_deref().unwrap_or(Carried::ALL[0].name());
    match Carried::from_name(name) {
        Some(method) => Ok(Caller::Carried { method }),
        None => {
            let names = Carried::ALL.map(Carried::name).join(", ");
            Err(Stop::Usage(format!("--by {name}: no such method is carried; allowed: {names}")))
        }
    }
}

fn record_folder(arguments: &ScoreArguments, seed: u64) -> Option<PathBuf> {
    if arguments.no_record {
        return None;
    }
    let stem = arguments.file.file_stem().map_or_else(|| "scenario".into(), std::ffi::OsStr::to_string_lossy);
    let usual = || Path::new("records").join(format!("{stem}-{}-{seed}", time_stamp()));
    Some(arguments.record.clone().unwrap_or_else(usual))
}

/// What this program is.
#[must_use]
pub fn program() -> Program {
    let own = std::env::current_exe().ok().and_then(|path| std::fs::read(path).ok());
    Program {
        name: env!("CARGO_PKG_NAME").to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        sha256: own.map(|bytes| sha256_hex(&bytes)),
    }
}

fn scenario_facts(file: &Path, text: &str, scenario: &Scenario, seed: u64) -> ScenarioFacts {
    ScenarioFacts {
        title: scenario.title.clone(),
        about: scenario.about.clone(),
        file: file.display().to_string(),
        sha256: sha256_hex(text.as_bytes()),
        seed,
        tick_hz: scenario.timing.rate.hz,
        stride: scenario.timing.stride,
    }
}

fn method_facts(caller: &Caller, said_name: Option<String>) -> MethodFacts {
    let said_name = said_name.filter(|name| !name.trim().is_empty());
    let (name, command) = match caller {
        Caller::Carried { method } => (method.name().to_owned(), Some(format!("plantstand method {}", method.name()))),
        // What it calls itself says more than the interpreter that runs it.
        Caller::Program { words } => (said_name.clone().unwrap_or_else(|| words[0].clone()), Some(words.join(" "))),
        Caller::Outside { .. } => (said_name.clone().unwrap_or_else(|| "nobody".to_owned()), None),
    };
    MethodFacts { name, command, said_name }
}

/// A trial that is judged, ready to be kept and shown.
struct Finished<'a> {
    scenario: &'a Scenario,
    tuned: &'a Tuned,
    examined: Option<&'a Examined>,
    tuning: Option<&'a Recording>,
    result: &'a TrialResult,
}

impl Finished<'_> {
    fn keep(&self, record: Option<&mut Record>, machines: &[usize]) -> Result<(), Stop> {
        let Some(record) = record else { return Ok(()) };
        record.close_tuning(self.scenario.timing.rate)?;
        for (number, run) in machines.iter().zip(self.examined.iter().flat_map(|examined| &examined.runs)) {
            record.keep_examination(*number, run, self.scenario.timing.rate)?;
        }
        record.write("result.json", self.json()?.as_bytes())?;
        record.write("settings.toml", output::settings_file(self.result).as_bytes())?;
        record.write("report.html", self.page(Some(record.folder())).as_bytes())?;
        Ok(())
    }

    fn json(&self) -> Result<String, Stop> {
        json::result_json(self.result).map_err(|error| Stop::Unable(error.to_string()))
    }

    fn page(&self, folder: Option<&Path>) -> String {
        let replay = folder.map(|folder| format!("plantstand replay {}", folder.display()));
        html::page(self.result, &gather::pictures(self.scenario, self.tuned, self.examined, self.tuning, replay))
    }

    /// The sheet goes to standard output, unless the JSON does.
    fn show(&self, arguments: &ScoreArguments, folder: Option<&Path>) -> Result<(), Stop> {
        if let Some(path) = &arguments.html {
            write_whole(path, self.page(folder).as_bytes())?;
        }
        let mut sheet = terminal::score_sheet(self.result, output::style());
        if let Some(folder) = folder {
            sheet.push_str(&format!("\nThe report with pictures: {}\n", folder.join("report.html").display()));
            sheet.push_str(&format!("The same run again:       plantstand replay {}\n", folder.display()));
        }
        if let Some(path) = &arguments.json {
            write_whole(path, self.json()?.as_bytes())?;
        }
        let taken = [&arguments.json, &arguments.html].iter().any(|path| path.as_deref() == Some(Path::new("-")));
        if !taken {
            output::print(&sheet)?;
        }
        Ok(())
    }
}
