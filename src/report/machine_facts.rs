//! A scenario's machine in plain numbers, and its frequency responses, for `describe`.
//!
//! What it does not: word or draw them (`describe.rs`, `dots.rs`). Start reading at [`facts`].

use std::f64::consts::TAU;

use num_complex::Complex64;

use super::describe::{CouplingFacts, DescribeFacts, LoopFacts, MachineFacts, NodeFacts};
use super::machine_page::PlantCurve;
use super::{BodePoint, gather, machine_curves};
use crate::base::real;
use crate::base::signal::COMMAND_DELAY_TICKS;
use crate::base::units::{ARCMIN_RAD, DEG_RAD, RPM_RAD_PER_S};
use crate::drive::setting::{Setting, Settings};
use crate::linear::chain::Gaps;
use crate::linear::facts::Facts;
use crate::linear::model::LoopModel;
use crate::plant::motor::MotorKind;
use crate::plant::train::Parameters;
use crate::scenario::{Machine, Scenario};
use crate::trial::examination::NOMINAL;

/// Frequencies of a terminal plot: more than it has columns.
const POINTS: u32 = 600;

/// The numbers of a scenario's machine, and of its loops where settings are given.
#[must_use]
pub fn facts(scenario: &Scenario, settings: Option<&Settings>) -> DescribeFacts {
    let plant = &scenario.machine.plant;
    let rate = scenario.timing.rate;
    let counts_per_turn = scenario.machine.sensor.counts_per_shaft_turn();
    DescribeFacts {
        title: scenario.title.clone(),
        about: scenario.about.clone(),
        nodes: nodes(plant),
        couplings: couplings(plant),
        nominal: machine_facts(NOMINAL, &scenario.machine, &scenario.machine),
        corners: scenario
            .corners
            .iter()
            .map(|corner| machine_facts(&corner.name, &corner.machine, &scenario.machine))
            .collect(),
        counts_per_turn,
        speed_resolution_rpm: 60.0 * f64::from(rate.hz) / counts_per_turn,
        timer_hz: scenario.machine.sensor.timer_hz,
        tick_hz: rate.hz,
        stride: scenario.timing.stride,
        delays: delays(scenario),
        rated_torque_nm: scenario.nameplate.rated_torque_nm,
        torque_limit_nm: settings.unwrap_or(&scenario.settings).get(Setting::TorqueLimit),
        travel_deg: scenario.axis.travel_rad.map(|travel| travel.map(|angle_rad| angle_rad / DEG_RAD)),
        stops_deg: plant.stops.as_ref().map(|stops| [stops.low_rad / DEG_RAD, stops.high_rad / DEG_RAD]),
        max_speed_rpm: scenario.axis.max_speed_rad_per_s / RPM_RAD_PER_S,
        loops: settings.map_or_else(Vec::new, |settings| loop_facts(scenario, settings)),
        shapes: machine_curves::shape_facts(scenario),
        times: machine_curves::time_facts(scenario, settings),
        reach: machine_curves::reach_facts(scenario),
        noise: machine_curves::noise_facts(scenario),
    }
}

fn nodes(plant: &Parameters) -> Vec<NodeFacts> {
    let mut ratio = 1.0;
    let mut facts = Vec::new();
    for (number, node) in plant.nodes.iter().enumerate() {
        if let Some(coupling) = number.checked_sub(1).and_then(|before| plant.couplings.get(before)) {
            ratio *= coupling.ratio;
        }
        let friction = &node.friction;
        facts.push(NodeFacts {
            name: if number == 0 { "motor".to_owned() } else { format!("node {number}") },
            inertia_kgm2: node.inertia_kgm2,
            inertia_at_motor_kgm2: node.inertia_kgm2 / (ratio * ratio),
            kinetic_nm: friction.kinetic_nm(),
            static_nm: friction.static_nm(),
            viscous_nms_per_rad: friction.viscous_nms_per_rad(),
        });
    }
    facts
}

fn couplings(plant: &Parameters) -> Vec<CouplingFacts> {
    let facts = |(number, coupling): (usize, &crate::plant::coupling::Coupling)| CouplingFacts {
        name: format!("coupling {number}"),
        ratio: coupling.ratio,
        stiffness_nm_per_rad: coupling.stiffness_nm_per_rad,
        damping_nms_per_rad: coupling.damping_nms_per_rad,
        backlash_arcmin: 2.0 * coupling.half_gap_rad / ARCMIN_RAD,
    };
    plant.couplings.iter().enumerate().map(facts).collect()
}

fn machine_facts(name: &str, machine: &Machine, nominal: &Machine) -> MachineFacts {
    let facts = Facts::of(&machine.plant);
    MachineFacts {
        name: name.to_owned(),
        changes: changes(&machine.plant, &nominal.plant).join(", "),
        antiresonances_hz: facts.antiresonances_hz,
        resonances_hz: facts.resonances_hz,
        inertia_ratio: facts.inertia_ratio,
        total_friction_nm: facts.kinetic_friction_nm,
    }
}

/// In what a corner's train differs from the nominal one.
fn changes(corner: &Parameters, nominal: &Parameters) -> Vec<String> {
    let mut found = Vec::new();
    let mut note = |what: String, now: f64, then: f64| {
        if now.to_bits() != then.to_bits() {
            let how = if then == 0.0 { String::from("added") } else { format!("times {:.3}", now / then) };
            found.push(format!("{what} {how}"));
        }
    };
    for (number, (now, then)) in corner.nodes.iter().zip(&nominal.nodes).enumerate() {
        note(format!("inertia of node {number}"), now.inertia_kgm2, then.inertia_kgm2);
        note(format!("kinetic friction of node {number}"), now.friction.kinetic_nm(), then.friction.kinetic_nm());
    }
    for (number, (now, then)) in corner.couplings.iter().zip(&nominal.couplings).enumerate() {
        note(format!("stiffness of coupling {number}"), now.stiffness_nm_per_rad, then.stiffness_nm_per_rad);
        note(format!("backlash of coupling {number}"), now.half_gap_rad, then.half_gap_rad);
    }
    found
}

fn delays(scenario: &Scenario) -> Vec<String> {
    let sensor_ticks = scenario.machine.sensor.latency_ticks;
    let speed = match scenario.machine.sensor.timer_hz {
        None => "the speed is its difference over 1 tick",
        Some(_) => "the speed is its mean between last edges (M/T method), taken as its difference over 1 tick",
    };
    let settings = &scenario.settings;
    let torque_path = match &scenario.machine.plant.motor {
        MotorKind::IdealTorque { lag_s } => format!("torque path: first-order lag of {:.0} us", 1e6 * lag_s),
        MotorKind::Pmsm(pmsm) => format!(
            "current loop: {:.2} V/A, reset time {:.2} ms, on a winding with a time constant of {:.2} ms",
            settings.get(Setting::CurrentGain),
            1e3 * settings.get(Setting::CurrentResetTime),
            1e3 * pmsm.inductance_q_h / pmsm.resistance_ohm
        ),
        MotorKind::Brushed(brushed) => {
            format!("winding: time constant of {:.2} ms", 1e3 * brushed.inductance_h / brushed.resistance_ohm)
        }
    };
    vec![
        format!("sensor: latency of the angle in ticks: {sensor_ticks}; {speed}"),
        format!("drive: its command acts {COMMAND_DELAY_TICKS} tick after the sample and is held for 1 tick"),
        torque_path,
    ]
}

fn loop_facts(scenario: &Scenario, settings: &Settings) -> Vec<LoopFacts> {
    let corners = scenario.corners.iter().map(|corner| corner.name.as_str());
    let pictures = std::iter::once(NOMINAL).chain(corners).flat_map(|name| gather::loops(scenario, name, settings));
    let facts = |picture: super::LoopPicture| LoopFacts {
        machine: picture.machine,
        gaps_open: picture.gaps_open,
        stable: picture.stable,
        crossover_hz: picture.crossovers_hz.first().copied(),
        phase_margin_deg: picture.phase_margin.map(|margin| margin.deg),
        gain_margin_db: picture.gain_margin.map(|margin| margin.db),
        sensitivity_peak: picture.sensitivity_peak.map(|peak| peak.ratio),
    };
    pictures.map(facts).collect()
}

/// Torque command to motor speed: hertz, dB of (rad/s)/Nm, degrees.
#[must_use]
pub fn plant_bode(scenario: &Scenario) -> Vec<(f64, f64, f64)> {
    let model = model(scenario, &scenario.settings);
    bode(scenario, |w| model.plant(w))
}

/// The same of the nominal machine and, where there are corners, of the first one, for a page.
#[must_use]
pub fn plant_curves(scenario: &Scenario) -> Vec<PlantCurve> {
    let rate = scenario.timing.rate;
    let curve = |name: &str, machine: &Machine| {
        let model = LoopModel::new(&machine.plant, &machine.sensor, &scenario.settings, rate, Gaps::Closed);
        let point = |(hz, magnitude_db, phase_deg)| BodePoint { hz, magnitude_db, phase_deg };
        let points = bode(scenario, |w| model.plant(w)).into_iter().map(point).collect();
        PlantCurve { machine: name.to_owned(), points }
    };
    let corners = scenario.corners.iter().take(1).map(|corner| curve(&corner.name, &corner.machine));
    std::iter::once(curve(NOMINAL, &scenario.machine)).chain(corners).collect()
}

/// The loop opened at the torque command: hertz, dB, degrees.
#[must_use]
pub fn loop_bode(scenario: &Scenario, settings: &Settings) -> Vec<(f64, f64, f64)> {
    let model = model(scenario, settings);
    bode(scenario, |w| model.open(w))
}

fn model(scenario: &Scenario, settings: &Settings) -> LoopModel {
    let machine = &scenario.machine;
    LoopModel::new(&machine.plant, &machine.sensor, settings, scenario.timing.rate, Gaps::Closed)
}

fn bode(scenario: &Scenario, response: impl Fn(f64) -> Complex64) -> Vec<(f64, f64, f64)> {
    let (low_hz, high_hz) = (1.0, 0.499 * f64::from(scenario.timing.rate.hz));
    let point = |step: u32| {
        let hz = low_hz * real::pow(high_hz / low_hz, f64::from(step) / f64::from(POINTS));
        let value = response(TAU * hz);
        let magnitude_db = 20.0 * real::log10(real::hypot(value.re, value.im));
        (hz, magnitude_db, real::atan2(value.im, value.re) / DEG_RAD)
    };
    (0..=POINTS).map(point).collect()
}
