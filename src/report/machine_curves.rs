//! What a machine is like, as curves: friction, torque over speed, noise over a low-pass; and the numbers beside them.
//!
//! What it does not: draw (`machine_pictures.rs`), word (`describe.rs`). Start reading at [`curves`].

use super::describe::{NoiseFacts, ReachFacts, ShapeFacts, TimeFacts};
use crate::base::real;
use crate::base::signal::COMMAND_DELAY_TICKS;
use crate::base::units::RPM_RAD_PER_S;
use crate::drive::setting::{Setting, Settings};
use crate::linear::facts::{Facts, ratios_to_motor};
use crate::linear::reach::VoltageLimit;
use crate::linear::sensing::SpeedNoise;
use crate::linear::shapes;
use crate::plant::friction::Friction;
use crate::plant::motor::MotorKind;
use crate::scenario::Scenario;
use crate::score::limit::Bound;
use crate::score::measure::Measure;

/// Points of a curve: one for every few pixels of a wide page.
const POINTS: u32 = 240;

/// Torque noise in percent of the rated torque that is taken where no limit of the scenario asks: what the shipped ones
/// allow at most. Our own choice.
const USUAL_NOISE_PERCENT: f64 = 2.0;

/// A curve with its name.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Curve {
    /// What it shows.
    pub name: String,
    /// Points, rising across.
    pub points: Vec<(f64, f64)>,
}

/// The curves of a scenario's nominal machine.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MachineCurves {
    /// Friction of each node at a steady speed, referred to the motor: rpm of the motor, Nm.
    pub friction: Vec<Curve>,
    /// The most torque that drives, by motor speed: rpm, Nm; empty without data of the winding.
    pub torque: Vec<(f64, f64)>,
    /// Rated and peak torque of the motor in Nm, rated speed in rpm, highest speed of the axis in rpm.
    pub plate: [f64; 4],
    /// Noise of the measured speed behind a low-pass: Hz, rpm rms.
    pub speed_noise: Vec<(f64, f64)>,
    /// The speed gain that noise allows behind a torque low-pass: Hz, Nms/rad.
    pub gain: Vec<(f64, f64)>,
    /// Corner of the torque low-pass in Hz (0: none) and speed gain of the settings shown.
    pub setting: (f64, f64),
}

/// The curves.
#[must_use]
pub fn curves(scenario: &Scenario, settings: Option<&Settings>) -> MachineCurves {
    let settings = settings.unwrap_or(&scenario.settings);
    let (plate, axis) = (&scenario.nameplate, &scenario.axis);
    let noise = speed_noise(scenario);
    let torque_nm = allowed_noise_nm(scenario).0;
    let corners = || spread(10.0, 0.4 * f64::from(scenario.timing.rate.hz));
    MachineCurves {
        friction: friction(scenario),
        torque: voltage_limit(scenario).map_or_else(Vec::new, |limit| torque(scenario, &limit)),
        plate: [
            plate.rated_torque_nm,
            plate.peak_torque_nm,
            plate.rated_speed_rad_per_s / RPM_RAD_PER_S,
            axis.max_speed_rad_per_s / RPM_RAD_PER_S,
        ],
        speed_noise: corners().map(|hz| (hz, noise.speed_rms_rad_per_s(hz) / RPM_RAD_PER_S)).collect(),
        gain: corners().map(|hz| (hz, noise.gain_nms_per_rad(torque_nm, hz))).collect(),
        setting: (settings.get(Setting::TorqueLowpass), settings.get(Setting::SpeedGain)),
    }
}

/// Numbers between two ends at even ratios, both ends among them.
fn spread(low: f64, high: f64) -> impl Iterator<Item = f64> {
    (0..=POINTS).map(move |step| low * real::pow(high / low, f64::from(step) / f64::from(POINTS)))
}

/// From a tenth of the slowest Stribeck speed to the highest speed of the axis.
fn friction(scenario: &Scenario) -> Vec<Curve> {
    let plant = &scenario.machine.plant;
    let ratios = ratios_to_motor(plant);
    let highest = scenario.axis.max_speed_rad_per_s;
    let slowest = (plant.nodes.iter().zip(&ratios))
        .filter_map(|(node, ratio)| Some(node.friction.stribeck_rad_per_s()? * ratio.abs()))
        .fold(highest, f64::min);
    let at = |node: usize, speed: f64| {
        plant.nodes[node].friction.slipping_torque_nm(speed / ratios[node].abs()) / ratios[node].abs()
    };
    let curve = |name: String, torque_nm: &dyn Fn(f64) -> f64| Curve {
        name,
        points: spread(0.1 * slowest, highest).map(|speed| (speed / RPM_RAD_PER_S, torque_nm(speed))).collect(),
    };
    let of_node = |node: usize| {
        let name = if node == 0 { "motor".to_owned() } else { format!("node {node}") };
        curve(name, &|speed| at(node, speed))
    };
    let all = curve("whole train".to_owned(), &|speed| (0..plant.nodes.len()).map(|node| at(node, speed)).sum());
    let rubs = |node: &usize| plant.nodes[*node].friction != Friction::None;
    let mut found: Vec<Curve> = (0..plant.nodes.len()).filter(rubs).map(of_node).collect();
    if found.len() != 1 {
        found.insert(0, all);
    }
    found
}

/// Of the machine itself; where its torque is ideal, of what its plate says.
fn voltage_limit(scenario: &Scenario) -> Option<VoltageLimit> {
    if let MotorKind::Pmsm(motor) = &scenario.machine.plant.motor {
        return Some(VoltageLimit {
            pole_pairs: f64::from(motor.pole_pairs),
            resistance_ohm: motor.resistance_ohm,
            inductance_q_h: motor.inductance_q_h,
            flux_linkage_vs: motor.flux_linkage_vs,
            bus_v: motor.bus_v,
        });
    }
    scenario.nameplate.winding.map(|plate| VoltageLimit {
        pole_pairs: f64::from(plate.pole_pairs),
        resistance_ohm: plate.resistance_ohm,
        inductance_q_h: plate.inductance_h,
        flux_linkage_vs: plate.flux_linkage_vs,
        bus_v: plate.bus_v,
    })
}

/// From rest to a little beyond the speed without torque, never above the peak torque.
fn torque(scenario: &Scenario, limit: &VoltageLimit) -> Vec<(f64, f64)> {
    let highest = 1.02 * limit.idle_speed_rad_per_s();
    let point = |step: u32| {
        let speed = highest * f64::from(step) / f64::from(POINTS);
        let torque_nm = limit.torque_nm(speed)?;
        Some((speed / RPM_RAD_PER_S, torque_nm.min(scenario.nameplate.peak_torque_nm)))
    };
    (0..=POINTS).map_while(point).take_while(|point| 0.0 <= point.1).collect()
}

fn speed_noise(scenario: &Scenario) -> SpeedNoise {
    SpeedNoise::new(&scenario.machine.sensor, scenario.timing.rate)
}

/// Torque noise in Nm rms that is allowed, its percentage, and whether a limit asks for it.
fn allowed_noise_nm(scenario: &Scenario) -> (f64, f64, bool) {
    let asked = scenario.limits.iter().find_map(|limit| match (limit.measure, limit.bound) {
        (Measure::TorqueNoise, Bound { max: Some(max), .. }) => Some(max),
        _ => None,
    });
    let percent = asked.unwrap_or(USUAL_NOISE_PERCENT);
    (0.01 * percent * scenario.nameplate.rated_torque_nm, percent, asked.is_some())
}

/// What the noise allows, in numbers.
pub(super) fn noise_facts(scenario: &Scenario) -> NoiseFacts {
    let noise = speed_noise(scenario);
    let (torque_nm, torque_percent, asked_by_limit) = allowed_noise_nm(scenario);
    let corners = [0.0, 1000.0, 500.0, 250.0].into_iter();
    let nyquist_hz = 0.5 * f64::from(scenario.timing.rate.hz);
    NoiseFacts {
        speed_rms_rpm: noise.speed_rms_rad_per_s(0.0) / RPM_RAD_PER_S,
        torque_percent,
        asked_by_limit,
        gains: corners.filter(|hz| *hz < nyquist_hz).map(|hz| (hz, noise.gain_nms_per_rad(torque_nm, hz))).collect(),
    }
}

/// What the bus leaves, in numbers.
pub(super) fn reach_facts(scenario: &Scenario) -> Option<ReachFacts> {
    let limit = voltage_limit(scenario)?;
    let points = torque(scenario, &limit);
    let peak_nm = scenario.nameplate.peak_torque_nm;
    let until = points.iter().take_while(|(_, torque_nm)| peak_nm <= *torque_nm).last();
    Some(ReachFacts {
        bus_v: limit.bus_v,
        peak_until_rpm: until.map_or(0.0, |point| point.0),
        idle_rpm: limit.idle_speed_rad_per_s() / RPM_RAD_PER_S,
    })
}

/// The shapes in plain numbers.
pub(super) fn shape_facts(scenario: &Scenario) -> Vec<ShapeFacts> {
    let plain = |shape: shapes::Shape| ShapeFacts { hz: shape.hz, swing: shape.swing };
    shapes::shapes(&scenario.machine.plant).into_iter().map(plain).collect()
}

/// The times that matter, the shortest first; what is 0 is left out.
pub(super) fn time_facts(scenario: &Scenario, settings: Option<&Settings>) -> Vec<TimeFacts> {
    let settings = settings.unwrap_or(&scenario.settings);
    let facts = Facts::of(&scenario.machine.plant);
    let tick_s = scenario.timing.rate.period_s();
    let mut times = vec![
        ("one tick", tick_s),
        ("from sample to command, and half of its hold", tick_s * (COMMAND_DELAY_TICKS as f64 + 0.5)),
        ("latency of the sensor", tick_s * f64::from(scenario.machine.sensor.latency_ticks)),
        ("lag of the torque path", facts.torque_lag_s),
        ("reset time of the speed loop", settings.get(Setting::SpeedResetTime)),
        ("inertia over viscous friction, the axis running out", facts.mechanical_time_constant_s.unwrap_or(0.0)),
    ];
    if let Some(hz) = facts.resonances_hz.first() {
        times.push(("one swing of the lowest resonance", 1.0 / hz));
    }
    if let Some(limit) = voltage_limit(scenario) {
        times.push(("winding, inductance over resistance", limit.time_constant_s()));
        times.push(("electromechanical, of the bare motor", limit.electromechanical_s(facts.motor_inertia_kgm2)));
    }
    times.retain(|(_, time_s)| 0.0 < *time_s);
    times.sort_by(|a, b| a.1.total_cmp(&b.1));
    times.into_iter().map(|(name, time_s)| TimeFacts { name: name.to_owned(), time_s }).collect()
}
