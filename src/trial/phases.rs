//! The phases of a trial: tuning, power cycle, examination of every machine, judgement.
//!
//! What it does not: wait for a method (`bench/pacing.rs` does, on a session made here), start one, or keep anything.
//! Start reading at [`tuning`].

use crate::base::units::DEG_RAD;
use crate::bench::session::{End, Session, Terms};
use crate::drive::protection::Trip;
use crate::drive::setting::{Setting, Settings};
use crate::scenario::{self, Scenario};
use crate::score::conduct::Watch;
use crate::score::window::Torques;
use crate::trial::bits::Bits;
use crate::trial::examination::{Examination, examine, setup};
use crate::trial::loops::LoopFindings;
use crate::trial::result::{LinkFacts, MethodFacts, Program, ScenarioFacts, SettingFact, TimingFacts};
use crate::wire::layout::VERSIONS;
use crate::wire::message::{Accept, Commands, Pace, Text};

/// What the tuning phase is called where a machine is named.
pub const TUNING: &str = "tuning";

/// What the power cycle is called there.
pub const POWER_CYCLE: &str = "power cycle";

/// What the trial as a whole is called there, where something belongs to no single phase.
pub const TRIAL: &str = "trial";

/// Who and what a trial is about.
#[derive(Clone, Debug, PartialEq)]
pub struct Identity {
    /// The program that judges.
    pub program: Program,
    /// The scenario.
    pub scenario: ScenarioFacts,
    /// The method.
    pub method: MethodFacts,
}

/// What tuning left behind.
#[derive(Clone, Debug)]
pub struct Tuned {
    /// How it ended; where the outside commands torque, also how a later phase did that could not be finished.
    pub end: End,
    /// The phase or machine in which it ended.
    pub ended_in: String,
    /// When, in simulated seconds.
    pub ended_at_s: f64,
    /// How the outside program ended, as a clause, where that explains the end.
    pub what_the_method_did: Option<String>,
    /// The last line that the method wrote into the record: where it gave up, why.
    pub last_words: Option<String>,
    /// How the machine was treated.
    pub watch: Watch,
    /// Trips with their second.
    pub trips: Vec<(Trip, f64)>,
    /// Strikes of a stop, in seconds.
    pub strikes_s: Vec<f64>,
    /// Settings before the method came.
    pub initial: Settings,
    /// Settings as they acted when it was done.
    pub tuned: Settings,
    /// Settings as a power cycle brings them back: what is examined.
    pub stored: Settings,
    /// What the link did.
    pub link: LinkFacts,
    /// How well the clock was kept in all phases; none in lockstep.
    pub timing: Option<TimingFacts>,
    /// The hash over the rows of tuning.
    pub bits: Bits,
}

/// What the examinations found.
#[derive(Clone, Debug)]
pub struct Examined {
    /// The runs: nominal first, then the corners that were asked for.
    pub runs: Vec<Examination>,
    /// The loop of each run's machine.
    pub loops: Vec<LoopFindings>,
    /// What percentages of torque refer to.
    pub torques: Torques,
}

/// The session of a trial, before the first tick of its tuning phase; `accept` is what its method was told.
#[must_use]
pub fn session(scenario: &Scenario, seed: u64, accept: Accept) -> Session {
    let setup = setup(scenario, &scenario.machine, &scenario.settings, seed, "sensor while tuning");
    let terms = Terms {
        accept,
        time_ticks: scenario.timing.rate.nearest_tick(scenario.tuning.time_s),
        initial: scenario.settings,
        silent_ticks_before_quick_stop: scenario.timing.silent_ticks_before_quick_stop,
        may_reset: scenario.timing.may_reset,
        impairment: scenario.impairment.unwrap_or_default(),
        seed,
    };
    Session::new(&setup, terms)
}

/// The same for a method that was told what the scenario says, in a process of its own or none.
#[must_use]
pub fn tuning(scenario: &Scenario, seed: u64) -> Session {
    session(scenario, seed, accept(scenario, 0))
}

/// What a method is told when it is let in; the port is filled in by the carrier.
#[must_use]
pub fn accept(scenario: &Scenario, nonce: u64) -> Accept {
    let degrees = |angle_rad: [f64; 2]| angle_rad.map(|angle_rad| angle_rad / DEG_RAD);
    Accept {
        port: 0,
        version_min: VERSIONS[0],
        version_max: VERSIONS[1],
        commands: match scenario.commands {
            scenario::Commands::Speed => Commands::Speed,
            scenario::Commands::Torque => Commands::Torque,
            scenario::Commands::Voltage => Commands::Voltage,
        },
        pace: match scenario.timing.pace {
            scenario::Pace::Lockstep => Pace::Lockstep,
            scenario::Pace::RealTime => Pace::RealTime,
        },
        tick_hz: scenario.timing.rate.hz,
        stride_ticks: scenario.timing.stride as u16,
        endless: scenario.axis.travel_rad.is_none(),
        travel_deg: scenario.axis.travel_rad.map_or([0.0; 2], degrees),
        window_deg: degrees(scenario.tuning.window_rad),
        path_deg: scenario.tuning.path_rad / DEG_RAD,
        max_speed_rad_per_s: scenario.axis.max_speed_rad_per_s,
        time_s: scenario.tuning.time_s,
        nonce,
        title: Text::new(&scenario.title),
    }
}

/// Closes the tuning phase: power cycle, then only what was stored is left. `bits` has the rows of tuning in it.
#[must_use]
pub fn power_cycle(scenario: &Scenario, session: &mut Session, end: End, bits: Bits, link: String) -> Tuned {
    let rate = scenario.timing.rate;
    let ended_at_s = rate.seconds(session.tick());
    let link = link_facts(session, link);
    let last_words = session.log.last().map(|(_, line)| line.clone());
    let bench = session.bench_mut();
    let tuned = Setting::ALL.into_iter().fold(scenario.settings, |mut settings, setting| {
        settings.set(setting, bench.drive.read(setting));
        settings
    });
    bench.drive.power_cycle();
    let stored = *bench.drive.stored();
    if end == End::Done {
        bench.watch.power_cycled(stored == tuned);
    }
    Tuned {
        ended_at_s,
        end,
        ended_in: TUNING.to_owned(),
        what_the_method_did: None,
        last_words,
        trips: bench.trips.iter().map(|(trip, tick)| (*trip, rate.seconds(*tick))).collect(),
        strikes_s: bench.strikes_s.clone(),
        watch: bench.watch.clone(),
        initial: scenario.settings,
        tuned,
        stored,
        link,
        timing: None,
        bits,
    }
}

/// What the link did so far.
#[must_use]
pub fn link_facts(session: &Session, link: String) -> LinkFacts {
    let counts = &session.counts;
    LinkFacts {
        link,
        exchanges: counts.exchanges,
        resent: counts.resent,
        refused: counts.refused.iter().map(|(reason, count)| ((*reason).to_owned(), *count)).collect(),
        second_opens_refused: 0,
        opened_again: counts.opened_again,
        compute_max_us: counts.compute_max_us,
    }
}

/// Which machines are examined: all of them, or the nominal one and one corner. `None`: no corner has that name.
#[must_use]
pub fn machines(scenario: &Scenario, corner: Option<&str>) -> Option<Vec<usize>> {
    match corner {
        None => Some((0..=scenario.corners.len()).collect()),
        Some(name) => {
            let place = scenario.corners.iter().position(|corner| corner.name == name)?;
            Some(vec![0, place + 1])
        }
    }
}

/// Examines machines of a scenario, each from its own start: no run depends on another, so they may as well be done side
/// by side and put together in order.
#[must_use]
pub fn examination(scenario: &Scenario, machines: &[usize], settings: &Settings, seed: u64) -> Examined {
    let runs = machines.iter().filter_map(|machine| examine(scenario, *machine, settings, seed)).collect();
    put_together(scenario, machines, settings, runs)
}

/// Joins runs that were done by [`examine`] in the order of `machines`.
#[must_use]
pub fn put_together(scenario: &Scenario, machines: &[usize], settings: &Settings, runs: Vec<Examination>) -> Examined {
    let loops = machines.iter().filter_map(|machine| LoopFindings::of(scenario, *machine, settings)).collect();
    let limit_nm = settings.get(Setting::TorqueLimit);
    Examined { runs, loops, torques: Torques { rated_nm: scenario.nameplate.rated_torque_nm, limit_nm } }
}

impl Tuned {
    /// Takes how a later phase ended, in which and when: `None` when the trial cannot go on, and then it ended so. A
    /// plant that could not go on is the examination's own finding.
    pub fn ended_by(&mut self, end: End, place: &str, at_s: f64) -> Option<()> {
        if matches!(end, End::Finished | End::Fault(_)) {
            return Some(());
        }
        (self.end, self.ended_in, self.ended_at_s) = (end, place.to_owned(), at_s);
        None
    }

    /// The settings as stored, each beside its value before the method came.
    #[must_use]
    pub fn setting_facts(&self) -> Vec<SettingFact> {
        let fact = |setting: Setting| SettingFact {
            name: setting.name().to_owned(),
            unit: setting.unit().to_owned(),
            value: self.stored.get(setting),
            initial: self.initial.get(setting),
        };
        Setting::ALL.into_iter().map(fact).collect()
    }
}
