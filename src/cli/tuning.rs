//! The part of a trial that the method has a hand in: it is started or waited for, let in, run with, and told the result.
//!
//! That is the tuning phase, and where the method commands torque every phase after it. What it does not: judge. Start
//! reading at [`run`].

use std::time::{Duration, Instant};

use crate::base::recording::Recording;
use crate::bench::impairment::{Harm, ImpairedLink};
use crate::bench::pacing;
use crate::bench::port::Link;
use crate::bench::session::{End, Session, close_reason};
use crate::cli::Stop;
use crate::cli::entrance::Entrance;
use crate::cli::keeper::Keeper;
use crate::cli::paced::{self, Kept};
use crate::cli::record::Record;
use crate::host::child::Child;
use crate::host::clock::WallClock;
use crate::host::door::Door;
use crate::host::files::{HostError, token_to_hex};
use crate::host::interrupt::Interrupt;
use crate::host::realtime::Wish;
use crate::host::strike::Strike;
use crate::method::Carried;
use crate::scenario::{Pace, Scenario};
use crate::trial::examination::{self, Examination};
use crate::trial::mistake::caught;
use crate::trial::phases::{self, Examined, POWER_CYCLE, Tuned, link_facts, power_cycle};
use crate::trial::result::{TimingFacts, TrialResult, Verdict};
use crate::wire::codec::decode;
use crate::wire::layout::MAX_FRAME_BYTES;
use crate::wire::message::{self, Close, Message, Phase, PhaseKind, ResultFrame, Text};

/// Who tunes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Caller {
    /// A carried method, as a child process.
    Carried {
        /// Which one.
        method: Carried,
    },
    /// An outside program, as a child process.
    Program {
        /// Its command, split; never empty.
        words: Vec<String>,
    },
    /// Whoever connects.
    Outside {
        /// Where to listen.
        link: String,
    },
}

/// What carries the frames of a method that the program starts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Carrier {
    /// Datagrams on loopback.
    #[default]
    Udp,
    /// A pseudo-terminal, as if there were a serial line.
    Pty,
}

/// What every phase with the method needs.
pub struct Run<'a> {
    /// The scenario.
    pub scenario: &'a Scenario,
    /// The seed of the trial.
    pub seed: u64,
    /// How ticks are waited for, in real time.
    pub wish: Wish,
    /// How long a silent method is waited for; `None` for ever.
    pub patience: Option<Duration>,
    /// Whether somebody asked the run to end.
    pub interrupt: &'a Interrupt,
}

/// A trial after its tuning phase, its method still there for what follows and to be told the result.
pub struct Tuning {
    /// What it left behind.
    pub tuned: Tuned,
    /// What the method called itself; none when it never opened.
    pub said_name: Option<String>,
    /// Its run, for the report's picture; none when it would not fit into memory easily.
    pub recording: Option<Recording>,
    session: Session,
    link: Option<ImpairedLink>,
    child: Option<Child>,
    door: Box<dyn Door>,
    strike: Strike,
    kept: Kept,
    told: Vec<u8>,
}

/// Runs the tuning phase to its end, whatever that is.
///
/// # Errors
/// A method that cannot be started, or what the machine refused while it ran.
pub fn run(
    run: &Run<'_>,
    caller: &Caller,
    entrance: Entrance,
    mut record: Option<&mut Record>,
) -> Result<Tuning, Stop> {
    let Entrance { door, accept, token, shown } = entrance;
    let strike = Strike::of(&token);
    let address = door.address();
    if let Caller::Outside { .. } = caller {
        // A token that somebody chose is known to them, and does not belong into a log.
        let shown = if shown { format!(" PLANTSTAND_TOKEN={}", token_to_hex(&token)) } else { String::new() };
        eprintln!("waiting for a method: PLANTSTAND_LINK={address}{shown}");
    }
    let child = start(caller, &address, &token, record.as_deref_mut())?;
    let mut session = phases::session(run.scenario, run.seed, accept);
    let mut keeper = Keeper::of_tuning(run, child.as_ref(), record.as_deref_mut(), &strike);
    let (mut link, mut said_name, mut kept) = (None, None, Kept::default());
    let end = match keeper.wait_at(door.as_ref(), caller) {
        Ok(opened) => {
            said_name = Some(strike.from_text(&opened.name));
            let impairment = run.scenario.impairment.unwrap_or_default();
            let link = link.insert(ImpairedLink::new(opened.link, impairment, run.seed));
            phase(run, &mut session, link, &mut keeper, &mut kept)
        }
        Err(end) => give_up(&mut session, end),
    };
    keeper.take(&mut session);
    let Keeper { bits, failure, recording, .. } = keeper;
    if let Some(error) = failure {
        return Err(error.into());
    }
    let mut tuned = power_cycle(run.scenario, &mut session, end, bits, address);
    tuned.what_the_method_did = child.as_ref().and_then(Child::ended).filter(|_| tuned.end != End::Done);
    tuned.last_words = tuned.last_words.map(|words| strike.from_text(&words));
    keep_log(record, &session, &strike)?;
    Ok(Tuning { tuned, said_name, recording, session, link, child, door, strike, kept, told: Vec::new() })
}

/// Runs one phase of the session at the scenario's pace.
fn phase(
    run: &Run<'_>,
    session: &mut Session,
    link: &mut (dyn Link + Send),
    keeper: &mut Keeper<'_>,
    kept: &mut Kept,
) -> End {
    let limits = keeper.limits();
    let end = match run.scenario.timing.pace {
        Pace::Lockstep => {
            let mut clock = WallClock::start();
            caught(|| pacing::lockstep(session, link, &mut clock, limits, keeper))
        }
        Pace::RealTime => paced::run(session, link, run.wish, keeper, kept),
    };
    let end = end.unwrap_or_else(End::Broken);
    keeper.take(session);
    end
}

/// Ends a session that never began.
fn give_up(session: &mut Session, end: End) -> End {
    match &end {
        End::Left(why) => session.leave(why.clone()),
        End::Silent => session.fall_silent(),
        _ => {}
    }
    session.end().cloned().unwrap_or(end)
}

fn start(caller: &Caller, address: &str, token: &[u8; 16], record: Option<&mut Record>) -> Result<Option<Child>, Stop> {
    let words = match caller {
        Caller::Outside { .. } => return Ok(None),
        Caller::Program { words } => words.clone(),
        Caller::Carried { method } => {
            let own = std::env::current_exe()
                .map_err(|error| Stop::Unable(format!("cannot find the program's own file: {error}")))?;
            vec![own.to_string_lossy().into_owned(), "method".to_owned(), method.name().to_owned()]
        }
    };
    let output = record.as_ref().map(|record| record.folder().join("method"));
    Child::start(&words, address, token, output).map(Some).map_err(|error| {
        if let Some(record) = record {
            record.discard();
        }
        Stop::Usage(error.to_string())
    })
}

/// What the method wrote into the record, a line each with its second.
fn keep_log(record: Option<&mut Record>, session: &Session, strike: &Strike) -> Result<(), HostError> {
    let Some(record) = record else { return Ok(()) };
    let lines: String = session.log.iter().map(|(at_s, line)| format!("{at_s:10.4} s  {line}\n")).collect();
    record.write("method.log", strike.from_text(&lines).as_bytes())
}

impl Tuning {
    /// How many wanted in while somebody was in command, so far.
    #[must_use]
    pub fn refused_as_second(&self) -> u64 {
        self.door.refused_as_second()
    }

    /// Adds what was refused before the session saw it: at the door, and on the line. Once, when nothing more will come.
    pub fn add_refused(&mut self) {
        let on_the_line = self.link.iter().flat_map(Link::thrown_away);
        for (reason, count) in self.door.refused().into_iter().chain(on_the_line) {
            *self.tuned.link.refused.entry(reason.to_owned()).or_insert(0) += count;
        }
    }

    /// What was done on purpose to the frames of both directions, so far.
    #[must_use]
    pub fn harm(&self) -> [Harm; 2] {
        self.link.as_ref().map_or_else(Default::default, |link| [link.to_method, link.from_method])
    }

    /// Tells the method that a part of the trial begins; `corner` is the machine's number during an examination, else 0.
    pub fn announce(&mut self, phase: PhaseKind, corner: u16) {
        let Some(link) = &mut self.link else { return };
        // A method that has left already needs no word.
        self.session.tell(Message::Phase(Phase { phase, corner }), &mut |frame| drop(link.send(frame)));
    }

    /// The power cycle and the examination of every machine through a controller outside. `None`: the trial could not go
    /// on, and tuning's end says why.
    ///
    /// # Errors
    /// What the machine refused while it ran.
    pub fn examine(
        &mut self,
        run: &Run<'_>,
        machines: &[usize],
        mut record: Option<&mut Record>,
    ) -> Result<Option<Examined>, Stop> {
        self.session.prepare_power_cycle();
        let (end, _) = self.go_through(run, record.as_deref_mut())?;
        let mut runs: Option<Vec<Examination>> = self.tuned.ended_by(end, POWER_CYCLE, 0.0).map(|()| Vec::new());
        for number in machines {
            let Some(done) = &mut runs else { break };
            match self.examine_one(run, *number, record.as_deref_mut())? {
                Some(found) => done.push(found),
                None => runs = None,
            }
        }
        self.tuned.link = link_facts(&self.session, std::mem::take(&mut self.tuned.link.link));
        self.tuned.what_the_method_did =
            self.child.as_ref().and_then(Child::ended).filter(|_| self.tuned.end != End::Done);
        self.tuned.last_words = self.session.log.last().map(|(_, words)| self.strike.from_text(words));
        keep_log(record, &self.session, &self.strike)?;
        let settings = self.tuned.stored;
        Ok(runs.map(|runs| phases::put_together(run.scenario, machines, &settings, runs)))
    }

    /// One machine through the controller outside. `None`: the trial could not go on.
    fn examine_one(
        &mut self,
        run: &Run<'_>,
        number: usize,
        mut record: Option<&mut Record>,
    ) -> Result<Option<Examination>, Stop> {
        let settings = self.tuned.stored;
        let Some(()) = examination::prepare(&mut self.session, run.scenario, number, &settings, run.seed) else {
            return Ok(None);
        };
        if let Some(record) = &mut record {
            record.follow_examination(number)?;
        }
        let (end, recording) = self.go_through(run, record)?;
        let found = recording.and_then(|rows| examination::found(run.scenario, number, &self.session, rows));
        let at_s = run.scenario.timing.rate.seconds(self.session.tick());
        Ok(found.filter(|found| self.tuned.ended_by(end, &found.machine, at_s).is_some()))
    }

    /// Runs the phase that is prepared; its rows come back.
    fn go_through(&mut self, run: &Run<'_>, record: Option<&mut Record>) -> Result<(End, Option<Recording>), Stop> {
        let Some(link) = &mut self.link else { return Ok((End::Silent, None)) };
        let mut keeper = Keeper::of_examination(run, self.child.as_ref(), record, &self.strike);
        let end = phase(run, &mut self.session, link, &mut keeper, &mut self.kept);
        match keeper.failure.take() {
            Some(error) => Err(error.into()),
            None => Ok((end, keeper.recording.take())),
        }
    }

    /// How well the clock was kept; none in lockstep.
    #[must_use]
    pub fn timing(&self, run: &Run<'_>) -> Option<TimingFacts> {
        let timing = &run.scenario.timing;
        let facts = || {
            let allowed = timing.allowed_missed_per_million;
            TimingFacts::of(&self.kept.timing, run.wish.waiting.name(), allowed, self.kept.refused.clone())
        };
        (timing.pace == Pace::RealTime).then(facts)
    }

    /// Tells the method the verdict, or why the run is over.
    pub fn tell(&mut self, result: &TrialResult) {
        let Some(link) = &mut self.link else { return };
        let message = match result.verdict {
            Verdict::VoidMethod | Verdict::VoidBench => Message::Close(Close { reason: close_reason(&self.tuned.end) }),
            Verdict::Pass => verdict(message::Verdict::Pass, result),
            Verdict::Fail => verdict(message::Verdict::Fail, result),
        };
        let told = &mut self.told;
        self.session.tell(message, &mut |frame| told.extend_from_slice(frame));
        drop(link.send(&self.told));
    }

    /// Waits a moment for the method to leave by itself, saying the result again when it asks; then ends it. What tuning
    /// left behind is handed on.
    #[must_use]
    pub fn close(mut self) -> (Tuned, Option<Recording>) {
        let started = Instant::now();
        let mut buffer = [0; MAX_FRAME_BYTES + 1];
        while let Some(link) = &mut self.link
            && self.child.as_ref().is_none_or(|child| child.ended().is_none())
            && started.elapsed() < LEAVE_WITHIN
        {
            let Ok(came) = link.receive(&mut buffer) else { break };
            let Some(length) = came else { continue };
            match decode(&buffer[..length]).map(|frame| frame.message) {
                Ok(Message::Done) => drop(link.send(&self.told)),
                Ok(Message::Close(_)) => break,
                _ => drop(self.session.receive(&buffer[..length], &mut |frame| drop(link.send(frame)))),
            }
        }
        if let Some(child) = self.child.take() {
            // It may still be writing down what it learnt.
            while child.ended().is_none() && started.elapsed() < LEAVE_WITHIN {
                std::thread::sleep(Duration::from_millis(2));
            }
            child.end();
        }
        (self.tuned, self.recording)
    }
}

/// How long a method has to leave once it knows the result.
const LEAVE_WITHIN: Duration = Duration::from_secs(2);

fn verdict(verdict: message::Verdict, result: &TrialResult) -> Message {
    let text = result.reasons.first().map_or("every limit held on every machine", |reason| reason.text.as_str());
    let grade_percent = result.grade_percent.unwrap_or(0.0);
    Message::Result(ResultFrame { verdict, grade_percent, text: Text::new(text) })
}
