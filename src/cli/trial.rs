//! One trial from order to judgement: entrance, tuning, examination, verdict, record.
//!
//! What it does not: read a command line or print (`score.rs`), the tuning phase itself (`tuning.rs`). Start reading at
//! [`perform`].

use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::base::recording::Recording;
use crate::bench::session::End;
use crate::cli::entrance::{Entrance, Ways};
use crate::cli::progress::Progress;
use crate::cli::record::Record;
use crate::cli::tuning::{self, Caller, Carrier, Run, Tuning};
use crate::cli::{Outcome, Stop, output};
use crate::host::idle::Awake;
use crate::host::interrupt::Interrupt;
use crate::host::processor::OneProcessor;
use crate::host::realtime::Wish;
use crate::report::{gather, html, json};
use crate::scenario::{Commands, Pace, Scenario};
use crate::trial::bits::sha256_hex;
use crate::trial::examination::examine;
use crate::trial::judgement::judge;
use crate::trial::mistake::caught;
use crate::trial::phases::{self, Examined, Identity, Tuned};
use crate::trial::result::{MethodFacts, Program, ScenarioFacts, TrialResult, Verdict};
use crate::wire::message::PhaseKind;

/// A trial that somebody wants.
pub struct Order<'a> {
    /// The scenario.
    pub scenario: &'a Scenario,
    /// The scenario as it was read.
    pub text: &'a str,
    /// Where it was read.
    pub file: &'a Path,
    /// Who tunes.
    pub caller: Caller,
    /// The seed.
    pub seed: u64,
    /// The machines to examine: 0 nominal, then the corners.
    pub machines: Vec<usize>,
    /// How ticks are waited for, in real time.
    pub wish: Wish,
    /// How long a silent method is waited for; `None` for ever.
    pub patience: Option<Duration>,
    /// What carries the frames of a method that the program starts.
    pub carrier: Carrier,
    /// Where the token for a listening bench stands.
    pub token_file: Option<&'a Path>,
    /// Whether frames are sealed on this machine too.
    pub seal: bool,
    /// Where the record goes; none is kept without.
    pub folder: Option<PathBuf>,
}

impl Order<'_> {
    /// Whether bench and method only ever wait for each other, so that one processor is faster than two. Over a pty it is
    /// not, as measured; and whoever connects by themselves runs where they like.
    fn shares_a_processor(&self) -> bool {
        let started = !matches!(self.caller, Caller::Outside { .. });
        started && self.carrier == Carrier::Udp && self.scenario.timing.pace == Pace::Lockstep
    }
}

/// A trial that is judged and kept.
pub struct Finished {
    /// What tuning left behind.
    pub tuned: Tuned,
    /// What the examinations found, when they took place.
    pub examined: Option<Examined>,
    /// The run of tuning, where it fits into memory easily.
    pub recording: Option<Recording>,
    /// The judgement.
    pub result: TrialResult,
}

/// Does the trial, judges it and completes its record.
///
/// # Errors
/// What was typed wrongly, or what the machine refused.
pub fn perform(order: &Order<'_>, interrupt: &Interrupt) -> Result<Finished, Stop> {
    let Order { scenario, seed, machines, .. } = order;
    let Order { wish, patience, carrier, token_file, seal, .. } = *order;
    let run = Run { scenario, seed: *seed, wish, patience, interrupt };
    let may_open_again = scenario.timing.may_reset;
    let ways = Ways { caller: &order.caller, carrier, token_file, seal, may_open_again, needs_the_pace: true };
    let entrance = Entrance::open(&ways, phases::accept(scenario, 0))?;
    let mut record = order.folder.as_deref().map(|folder| Record::open(folder, order.text, *seed)).transpose()?;
    // In lockstep each side waits for the other; where the system refuses, it is slower and no more.
    let _awake = Awake::hold();
    let _shared = order.shares_a_processor().then(OneProcessor::keep_to);
    let mut tuning = tuning::run(&run, &order.caller, entrance, record.as_mut())?;
    let examined = match (&tuning.tuned.end, scenario.commands) {
        (End::Done, Commands::Speed) => examine_all(&run, machines, &mut tuning),
        (End::Done, Commands::Torque | Commands::Voltage) => tuning.examine(&run, machines, record.as_mut())?,
        _ => None,
    };
    if examined.is_some() {
        tuning.announce(PhaseKind::Over, 0);
    }
    tuning.tuned.link.second_opens_refused = tuning.refused_as_second();
    tuning.tuned.timing = tuning.timing(&run);
    tuning.add_refused();
    let identity = Identity {
        program: program(),
        scenario: scenario_facts(order.file, order.text, scenario, *seed),
        method: method_facts(&order.caller, tuning.said_name.take()),
    };
    let mut result = judge(scenario, &identity, &tuning.tuned, examined.as_ref());
    for harm in tuning.harm() {
        let Some(facts) = &mut result.impairment else { break };
        facts.frames_lost += harm.lost;
        facts.frames_repeated += harm.repeated;
        facts.copies_corrupted += harm.corrupted;
    }
    tuning.tell(&result);
    let (tuned, recording) = tuning.close();
    let finished = Finished { tuned, examined, recording, result };
    finished.keep(order, record.as_mut())?;
    Ok(finished)
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
    match caught(|| phases::put_together(run.scenario, machines, &settings, runs)) {
        Ok(examined) => Some(examined),
        Err(words) => {
            tuning.tuned.end = End::Broken(words);
            None
        }
    }
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

impl Finished {
    /// The exit status that says it.
    #[must_use]
    pub fn outcome(&self) -> Outcome {
        match self.result.verdict {
            _ if self.tuned.end == End::Interrupted => Outcome::Interrupted,
            Verdict::Pass => Outcome::Pass,
            Verdict::Fail => Outcome::Fail,
            Verdict::VoidMethod | Verdict::VoidBench => Outcome::Void,
        }
    }

    /// The result as JSON.
    ///
    /// # Errors
    /// A number that JSON cannot hold: a mistake of ours.
    pub fn json(&self) -> Result<String, Stop> {
        json::result_json(&self.result).map_err(|error| Stop::Unable(error.to_string()))
    }

    /// The report page.
    #[must_use]
    pub fn page(&self, order: &Order<'_>) -> String {
        let replay = order.folder.as_deref().map(|folder| format!("plantstand replay {}", folder.display()));
        let pictures =
            gather::pictures(order.scenario, &self.tuned, self.examined.as_ref(), self.recording.as_ref(), replay);
        html::page(&self.result, &pictures)
    }

    fn keep(&self, order: &Order<'_>, record: Option<&mut Record>) -> Result<(), Stop> {
        let Some(record) = record else { return Ok(()) };
        let rate = order.scenario.timing.rate;
        record.close_tuning(rate)?;
        for (number, run) in order.machines.iter().zip(self.examined.iter().flat_map(|examined| &examined.runs)) {
            record.keep_examination(*number, run, rate)?;
        }
        record.write("result.json", self.json()?.as_bytes())?;
        record.write("settings.toml", output::settings_file(&self.result).as_bytes())?;
        record.write("report.html", self.page(order).as_bytes())?;
        Ok(())
    }
}
