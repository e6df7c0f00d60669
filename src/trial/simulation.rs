//! The bare plant under a given torque: what `simulate` computes.
//!
//! The torque acts at the motor shaft, with the lag of a motor that has one; a winding and its current loop are left out.
//! Loads that depend on angle, speed or time act, the programme does not. What it does not: read or write files. Start
//! reading at [`simulate`].

use std::fmt::Write as _;

use crate::base::time::TickRate;
use crate::plant::energy::Energy;
use crate::plant::event::{Event, EventLog, Fault};
use crate::plant::load_noise::LoadNoise;
use crate::plant::motor::MotorKind;
use crate::plant::stepper::{Applied, Plant, Ramp, TickInput};
use crate::plant::train::{Initial, Parameters};

/// A torque from a tick on, held until the next piece.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TorquePiece {
    /// The tick from whose start it acts.
    pub from_tick: u64,
    /// Torque at the motor shaft in Nm.
    pub torque_nm: f64,
}

/// Reads `time_s,torque_nm` rows; times are whole ticks to 1e-6 of a tick and ascend.
///
/// # Errors
/// Every row that is wrong, one line each: `FILE:LINE: what is wrong`.
pub fn read_torque(name: &str, text: &str, rate: TickRate) -> Result<Vec<TorquePiece>, Vec<String>> {
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(true).from_reader(text.as_bytes());
    let heading: Vec<String> = reader.headers().map(|row| row.iter().map(str::to_owned).collect()).unwrap_or_default();
    if heading != ["time_s", "torque_nm"] {
        return Err(vec![format!("{name}:1: found the heading '{}'; allowed: time_s,torque_nm", heading.join(","))]);
    }
    let mut pieces: Vec<TorquePiece> = Vec::new();
    let mut complaints = Vec::new();
    for row in reader.records() {
        match row.map_err(|error| error.to_string()).and_then(|row| read_row(&row, rate, pieces.last())) {
            Ok(piece) => pieces.push(piece),
            Err(complaint) => complaints.push(format!("{name}:{complaint}")),
        }
    }
    if complaints.is_empty() { Ok(pieces) } else { Err(complaints) }
}

fn read_row(row: &csv::StringRecord, rate: TickRate, last: Option<&TorquePiece>) -> Result<TorquePiece, String> {
    let line = row.position().map_or(0, csv::Position::line);
    let number = |place: usize, key: &str| {
        let found = row.get(place).unwrap_or("");
        let value = found.parse::<f64>().ok().filter(|value| value.is_finite());
        value.ok_or_else(|| format!("{line}: {key} = '{found}'; allowed: a finite number"))
    };
    if row.len() != 2 {
        return Err(format!("{line}: found {} columns; allowed: time_s,torque_nm", row.len()));
    }
    let (time_s, torque_nm) = (number(0, "time_s")?, number(1, "torque_nm")?);
    let from_tick = rate
        .whole_tick(time_s)
        .ok_or_else(|| format!("{line}: time_s = {time_s}; allowed: whole ticks of 1/{} s from 0 on", rate.hz))?;
    match last {
        Some(last) if from_tick <= last.from_tick => {
            Err(format!("{line}: time_s = {time_s}; allowed: later than the row before"))
        }
        _ => Ok(TorquePiece { from_tick, torque_nm }),
    }
}

/// What a simulation found, as CSV texts.
#[derive(Clone, Debug, PartialEq)]
pub struct Simulated {
    /// One row a tick, both ends included.
    pub states_csv: String,
    /// One row an event.
    pub events_csv: String,
    /// One row a tick of the account of energy; empty unless it was asked for.
    pub energy_csv: String,
    /// Why it ended early; none when it did not.
    pub fault: Option<Fault>,
}

/// Runs the plant from rest or from its initial state for so many ticks. Before the first piece the torque is 0. With
/// `audit` its energy is kept account of; no state changes by that.
#[must_use]
pub fn simulate(
    plant: &Parameters,
    initial: &Initial,
    rate: TickRate,
    mut noise: LoadNoise,
    torque: &[TorquePiece],
    ticks: u64,
    audit: bool,
) -> Simulated {
    let lag_s = plant.motor.torque_lag_s();
    let plant = &Parameters { motor: MotorKind::IdealTorque { lag_s }, ..plant.clone() };
    let mut state = Plant::new(plant, initial, rate, audit);
    let mut events = EventLog::new(state.events_of_a_tick_max());
    let couplings = plant.couplings.len();
    let mut out = Simulated {
        states_csv: heading(&state, couplings),
        events_csv: events_heading(),
        energy_csv: if audit { ENERGY_HEADING.to_owned() } else { String::new() },
        fault: None,
    };
    let mut pieces = torque.iter().peekable();
    let mut torque_nm = 0.0;
    for tick in 0..=ticks {
        write_row(&mut out.states_csv, &state, couplings, rate.seconds(tick));
        if audit {
            write_energy(&mut out.energy_csv, state.energy(), rate.seconds(tick));
        }
        if tick == ticks {
            break;
        }
        while let Some(piece) = pieces.next_if(|piece| piece.from_tick <= tick) {
            torque_nm = piece.torque_nm;
        }
        let stepped = state.step_under(&input(torque_nm), noise.tick(), &mut events);
        events.iter().for_each(|event| write_event(&mut out.events_csv, event));
        events.clear();
        if let Err(fault) = stepped {
            out.fault = Some(fault);
            break;
        }
    }
    out
}

fn input(torque_nm: f64) -> TickInput {
    let none = Ramp { start: 0.0, end: 0.0 };
    TickInput {
        drive: Applied::Torque(torque_nm),
        clamp_motor: false,
        brake_closed: false,
        load_torque_nm: none,
        resisting_torque_nm: none,
    }
}

fn heading(state: &Plant, couplings: usize) -> String {
    let mut text = "time_s".to_owned();
    for node in 0..state.nodes() {
        // Writing into a String cannot fail.
        let _ = write!(text, ",node_{node}_angle_rad,node_{node}_speed_rad_per_s");
    }
    for coupling in 0..couplings {
        let _ = write!(text, ",coupling_{coupling}_torque_nm,coupling_{coupling}_gap_position_rad");
    }
    text.push('\n');
    text
}

/// In the fewest digits that read back to the same double, as the language prints a float.
fn write_row(text: &mut String, state: &Plant, couplings: usize, time_s: f64) {
    let _ = write!(text, "{time_s}");
    for node in 0..state.nodes() {
        let _ = write!(text, ",{},{}", state.angle_rad(node), state.speed_rad_per_s(node));
    }
    for coupling in 0..couplings {
        let _ = write!(text, ",{},{}", state.coupling_torque_nm(coupling), state.gap_position_rad(coupling));
    }
    text.push('\n');
}

const ENERGY_HEADING: &str = "time_s,supplied_j,stored_j,friction_j,damping_j,limiters_j,stops_j,load_j,unaccounted_j,\
                              work_j\n";

/// Sums since the start; what is unaccounted for is to be seen beside the work done to and fro.
fn write_energy(text: &mut String, energy: &Energy, time_s: f64) {
    let Energy { supplied_j, stored_j, friction_j, damping_j, limiters_j, stops_j, load_j, .. } = energy;
    let _ = write!(text, "{time_s},{supplied_j},{stored_j},{friction_j},{damping_j},{limiters_j},{stops_j},{load_j}");
    let _ = writeln!(text, ",{},{}", energy.residual_j(), energy.work_j());
}

fn events_heading() -> String {
    "time_s,event,place,direction,speed_rad_per_s,energy_j\n".to_owned()
}

fn write_event(text: &mut String, event: &Event) {
    let _ = write!(text, "{},{},{},{:+}", event.time_s, event.kind.name(), event.place, event.direction);
    let _ = match event.strike {
        Some(strike) => writeln!(text, ",{},{}", strike.speed_rad_per_s, strike.energy_j),
        None => writeln!(text, ",,"),
    };
}
