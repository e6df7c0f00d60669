//! One examination: the stored settings drive one machine through the scenario's programme.
//!
//! What it does not: judge (`judgement.rs`), or know who tuned. Start reading at [`examine`].

use std::sync::Arc;

use crate::base::nameplate::Nameplate;
use crate::base::random::Stream;
use crate::base::recording::{Recording, Row, Signal};
use crate::base::safeguard::Safeguards;
use crate::base::signal::Request;
use crate::base::time::TickRate;
use crate::bench::session::{End, Session};
use crate::bench::tick::{Bench, Demand, Loads, Script, Setup};
use crate::drive::protection::Trip;
use crate::drive::setting::Settings;
use crate::drive::state::control::ENABLE_OPERATION_WORD;
use crate::plant::event::Fault;
use crate::plant::load_noise::LoadNoise;
use crate::plant::sensor::SensorStreams;
use crate::scenario::programme::Programme;
use crate::scenario::{Machine, Scenario};
use crate::score::conduct::{Rules, Stops, Watch};

/// The name of the machine as the scenario describes it.
pub const NOMINAL: &str = "nominal";

/// The source of the sensor's noise in examinations; while tuning its name goes on.
pub const SENSOR: &str = "sensor";

/// What an examination found.
#[derive(Clone, Debug)]
pub struct Examination {
    /// `nominal`, or the corner's name.
    pub machine: String,
    /// The run, from tick 0 to the end, both included, or to the fault.
    pub recording: Recording,
    /// How the machine was treated.
    pub watch: Watch,
    /// Trips with their second.
    pub trips: Vec<(Trip, f64)>,
    /// Strikes of a stop, in seconds.
    pub strikes_s: Vec<f64>,
    /// Why the plant could not go on; none when it did.
    pub fault: Option<Fault>,
}

/// A machine of the scenario with its name: number 0 is the nominal one, then the corners in file order.
#[must_use]
pub fn machine(scenario: &Scenario, number: usize) -> Option<(&str, &Machine)> {
    match number.checked_sub(1) {
        None => Some((NOMINAL, &scenario.machine)),
        Some(corner) => scenario.corners.get(corner).map(|corner| (corner.name.as_str(), &corner.machine)),
    }
}

/// What a bench for one machine of the scenario is made of. `source` names the noise: tuning has one of its own, all
/// examinations share the nominal one.
#[must_use]
pub fn setup(scenario: &Scenario, machine: &Machine, settings: &Settings, seed: u64, source: &str) -> Setup {
    Setup {
        rate: scenario.timing.rate,
        plant: machine.plant.clone(),
        initial: machine.initial.clone(),
        sensor: machine.sensor.clone(),
        nameplate: scenario.nameplate,
        settings: *settings,
        clamped_when_off: scenario.axis.clamped_when_off,
        safeguards: Safeguards { brake: machine.brake_times, ..scenario.axis.safeguards },
        rules: rules(scenario, machine),
        noise: SensorStreams::new(seed, source),
        load_sensor: machine.load_sensor.clone(),
        load_sensor_noise: SensorStreams::new(seed, &format!("load {source}")),
        current_sensor: machine.current_sensor,
        current_noise: Stream::new(seed, &format!("current {source}")),
        load_noise: load_noise(machine, scenario.timing.rate, seed, source),
        audit: false,
    }
}

/// The random loads of a machine. Their streams bear the loads' names, behind them what `source` has after `sensor`.
#[must_use]
pub fn load_noise(machine: &Machine, rate: TickRate, seed: u64, source: &str) -> LoadNoise {
    let phase = source.strip_prefix(SENSOR).unwrap_or(source);
    LoadNoise::new(&machine.plant.loads, rate, |name| Stream::new(seed, &format!("{name}{phase}")))
}

fn rules(scenario: &Scenario, machine: &Machine) -> Rules {
    let axis = &scenario.axis;
    let Nameplate { rated_torque_nm, .. } = scenario.nameplate;
    Rules {
        rate: scenario.timing.rate,
        origin_rad: if axis.travel_rad.is_none() { axis.start_rad } else { 0.0 },
        window_low_rad: scenario.tuning.window_rad[0],
        window_high_rad: scenario.tuning.window_rad[1],
        max_speed_rad_per_s: axis.max_speed_rad_per_s,
        total_ratio: machine.plant.total_ratio(),
        rated_torque_nm,
        stops: machine.plant.stops.as_ref().map(|stops| Stops {
            low_rad: stops.low_rad,
            high_rad: stops.high_rad,
            stiffness_nm_per_rad: stops.stiffness_nm_per_rad,
            damping_nms_per_rad: stops.damping_nms_per_rad,
        }),
    }
}

/// Runs one machine of the scenario (0 nominal, then the corners) with these settings. `None`: there is no such machine.
#[must_use]
pub fn examine(scenario: &Scenario, number: usize, settings: &Settings, seed: u64) -> Option<Examination> {
    let (name, machine) = machine(scenario, number)?;
    let mut bench = Bench::new(&setup(scenario, machine, settings, seed, SENSOR));
    bench.start_enabled();
    let rate = scenario.timing.rate;
    let rows = scenario.timing.end_tick as usize + 1;
    let mut recording = Recording::with_capacity(rate, rows);
    let mut fault = None;
    for tick in 0..=scenario.timing.end_tick {
        match one_tick(scenario, &mut bench, tick) {
            Ok(row) => recording.push(&row),
            Err(found) => {
                fault = Some(found);
                break;
            }
        }
    }
    let trips = bench.trips.iter().map(|(trip, tick)| (*trip, rate.seconds(*tick))).collect();
    let Bench { watch, strikes_s, .. } = bench;
    Some(Examination { machine: name.to_owned(), recording, watch, trips, strikes_s, fault })
}

/// The scenario's programme, as the bench asks it.
#[derive(Debug)]
struct Programmed(Programme);

impl Script for Programmed {
    fn at(&self, tick: u64) -> Demand {
        let asked = self.0.at(tick);
        Demand {
            setpoint_rad_per_s: asked.setpoint_rad_per_s,
            loads: Loads { load_torque_nm: asked.load_torque_nm, resisting_torque_nm: asked.resisting_torque_nm },
            faults: self.0.faults_at(tick),
        }
    }

    fn end_tick(&self) -> u64 {
        self.0.end_tick()
    }
}

/// Prepares a session for the examination of one machine through a controller outside. `None`: there is no such machine.
#[must_use]
pub fn prepare(
    session: &mut Session,
    scenario: &Scenario,
    number: usize,
    settings: &Settings,
    seed: u64,
) -> Option<()> {
    let (_, machine) = machine(scenario, number)?;
    let script = Arc::new(Programmed(scenario.programme.clone()));
    session.prepare_examination(&setup(scenario, machine, settings, seed, SENSOR), number as u16, script);
    Some(())
}

/// What the examination found that a session has just run; `recording` has its rows.
#[must_use]
pub fn found(scenario: &Scenario, number: usize, session: &Session, recording: Recording) -> Option<Examination> {
    let (name, _) = machine(scenario, number)?;
    let fault = match session.end() {
        Some(End::Fault(fault)) => Some(*fault),
        _ => None,
    };
    let bench = session.bench();
    let rate = scenario.timing.rate;
    Some(Examination {
        machine: name.to_owned(),
        recording,
        watch: bench.watch.clone(),
        trips: bench.trips.iter().map(|(trip, tick)| (*trip, rate.seconds(*tick))).collect(),
        strikes_s: bench.strikes_s.clone(),
        fault,
    })
}

fn one_tick(scenario: &Scenario, bench: &mut Bench, tick: u64) -> Result<Row, Fault> {
    let demand = scenario.programme.at(tick);
    let request = Request {
        controlword: ENABLE_OPERATION_WORD,
        speed_rad_per_s: demand.setpoint_rad_per_s,
        ..Request::default()
    };
    bench.disturb(&scenario.programme.faults_at(tick));
    let loads = Loads { load_torque_nm: demand.load_torque_nm, resisting_torque_nm: demand.resisting_torque_nm };
    bench.tick(&request, &loads, demand.setpoint_rad_per_s).map(|(_, row)| row)
}

impl Examination {
    /// The rows in order, as the golden hash takes them.
    pub fn rows(&self) -> impl Iterator<Item = Row> + '_ {
        (0..self.recording.rows()).map(|row| Signal::ALL.map(|signal| self.recording.column(signal)[row]))
    }

    /// The tick from which nothing counts any more: that of the first trip; none without one.
    #[must_use]
    pub fn over_from_tick(&self) -> Option<u64> {
        self.trips.first().map(|(_, at_s)| self.recording.rate.nearest_tick(*at_s))
    }
}
