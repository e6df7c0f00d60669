//! A reference trajectory read from its file, run through the plant, and compared.
//!
//! What it does not: say how right is right enough (see `main.rs`). Start reading at [`Comparison::of`].

use std::path::Path;

use plantstand::base::time::TickRate;
use plantstand::plant::brake::Brake;
use plantstand::plant::coupling::Coupling;
use plantstand::plant::event::{Event, EventLog, Place};
use plantstand::plant::friction::{Coulomb, Friction};
use plantstand::plant::load::{Harmonic, Load, LoadKind};
use plantstand::plant::motor::{DeadTime, Effects, FluxHarmonic, MotorKind, Pmsm, Saturation};
use plantstand::plant::stepper::{Applied, Effort, Plant, TickInput};
use plantstand::plant::train::{Initial, Node, Parameters};
use serde_json::Value;

use crate::cases::Found;

/// Files of the reference trajectories, without their ending.
pub const CASES: [&str; 11] = [
    "a_linear_two_mass_chirp",
    "b_two_mass_play_friction",
    "c_three_mass_gear_two_gaps",
    "d_stick_slip_ramp",
    "e_rigid_coast_and_breakaway",
    "f_stiff_rattle",
    "g_synchronous_smooth",
    "h_synchronous_play",
    "i_synchronous_effects",
    "k_limiter_play_friction",
    "l_fan_harmonics_brake",
];

/// Two events are the same when they are no farther apart than this.
const SAME_TIME_S: f64 = 1e-6;

/// How one case came out. Errors are the largest over all samples, as a share of the span of the state.
pub struct Comparison {
    pub ticks: u64,
    pub angle: f64,
    pub speed: f64,
    /// `None` without couplings.
    pub torque: Option<f64>,
    /// `None` without backlash.
    pub gap: Option<f64>,
    /// `None` without a winding.
    pub current: Option<f64>,
    pub events_found: usize,
    pub events_expected: usize,
    /// Events that are in both lists, within a microsecond.
    pub events_matched: usize,
    pub event_time_s: f64,
    /// Energy unaccounted for, as a share of the work done.
    pub energy: f64,
    pub effort: Effort,
}

struct Case {
    file: Value,
    parameters: Parameters,
    rate: TickRate,
}

impl Comparison {
    /// Runs a case and compares every state, the events and the energy.
    pub fn of(name: &str) -> Self {
        let case = Case::read(name);
        let initial = &case.file["initial_state"];
        let initial = Initial {
            angle_rad: numbers(&initial["angle_rad"]),
            speed_rad_per_s: numbers(&initial["speed_rad_per_s"]),
            gap_position_rad: numbers(&initial["gap_position_rad"]),
        };
        let mut plant = Plant::new(&case.parameters, &initial, case.rate, true);
        let mut events = EventLog::new(1000);
        let samples = case.run(&mut plant, &mut events);
        let nodes = case.parameters.nodes.len();
        let couplings = case.parameters.couplings.len();
        let expected = case.file["events"].as_array().expect("events");
        let found: Vec<Event> = events.iter().copied().collect();
        let (events_matched, event_time_s) = matched(&found, expected);
        let worst = |key: &str, first: usize, count: usize| case.worst(key, &samples[first..first + count]);
        Self {
            ticks: plant.tick(),
            angle: worst("angle_rad", 0, nodes).expect("angles"),
            speed: worst("speed_rad_per_s", nodes, nodes).expect("speeds"),
            torque: worst("coupling_torque_nm", 2 * nodes, couplings),
            gap: worst("gap_position_rad", 2 * nodes + couplings, couplings),
            current: worst("current_dq_a", 2 * (nodes + couplings), 2),
            events_found: found.len(),
            events_expected: expected.len(),
            events_matched,
            event_time_s,
            energy: plant.energy().residual_j().abs() / plant.energy().work_j(),
            effort: plant.effort(),
        }
    }
}

/// The same for the page of cases: the worst of all states.
pub fn found(name: &str) -> Found {
    let all = Comparison::of(name);
    let error =
        [Some(all.angle), Some(all.speed), all.torque, all.gap, all.current].into_iter().flatten().fold(0.0, f64::max);
    Found { error, ticks: all.ticks, effort: all.effort }
}

impl Case {
    fn read(name: &str) -> Self {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/trajectories");
        let text = std::fs::read_to_string(folder.join(format!("{name}.json"))).expect("reference trajectory");
        let file: Value = serde_json::from_str(&text).expect("JSON");
        let nodes = file["nodes"].as_array().expect("nodes").iter().map(node).collect();
        let couplings = file["couplings"].as_array().expect("couplings").iter().map(coupling).collect();
        let motor = motor(&file["motor"]);
        let (loads, brake) = (loads(&file), brake(&file["brake"]));
        let parameters = Parameters { motor, nodes, couplings, stops: None, loads, brake };
        let rate = TickRate { hz: number(&file["tick_hz"]) as u32 };
        Self { file, parameters, rate }
    }

    /// Steps to every sample; one list per state, in the order angles, speeds, torques, gap positions, currents.
    fn run(&self, plant: &mut Plant, events: &mut EventLog) -> Vec<Vec<f64>> {
        let profiles = ["torque_profile", "voltage_profile"].map(|key| self.file[key]["pieces"].as_array());
        let pieces = profiles.into_iter().flatten().flatten();
        let mut pieces = pieces.map(|piece| (self.rate.nearest_tick(number(&piece[0])), applied(piece)));
        let mut next = pieces.next();
        let mut input = TickInput::default();
        let (nodes, couplings) = (plant.nodes(), plant.nodes() - 1);
        let mut samples = vec![Vec::new(); 2 * (nodes + couplings) + 2];
        for at_s in numbers(&self.file["sample_s"]) {
            while plant.tick() < self.rate.nearest_tick(at_s) {
                while let Some((_, drive)) = next.filter(|(start, _)| *start <= plant.tick()) {
                    input.drive = drive;
                    next = pieces.next();
                }
                input.brake_closed = self.brake_is_closed(plant.tick());
                plant.step(&input, events).expect("no fault");
            }
            let angles = (0..nodes).map(|node| plant.angle_rad(node));
            let speeds = (0..nodes).map(|node| plant.speed_rad_per_s(node));
            let torques = (0..couplings).map(|coupling| plant.coupling_torque_nm(coupling));
            let gaps = (0..couplings).map(|coupling| plant.gap_position_rad(coupling));
            let states = angles.chain(speeds).chain(torques).chain(gaps).chain(plant.current_dq_a());
            for (list, value) in samples.iter_mut().zip(states) {
                list.push(value);
            }
        }
        samples
    }

    fn brake_is_closed(&self, tick: u64) -> bool {
        let pieces = self.file["brake_profile"]["pieces"].as_array().into_iter().flatten();
        let begun = pieces.take_while(|piece| self.rate.nearest_tick(number(&piece[0])) <= tick);
        begun.last().is_some_and(|piece| piece[1].as_bool().expect("true or false"))
    }

    /// The largest error of some states as a share of each one's span; `None` where the file has none.
    fn worst(&self, key: &str, states: &[Vec<f64>]) -> Option<f64> {
        let lists = self.file[key].as_array()?.iter().zip(states);
        lists
            .filter(|(expected, _)| !expected.is_null())
            .map(|(expected, found)| error(&numbers(expected), found))
            .reduce(f64::max)
    }
}

/// The largest difference, as a share of the span of what is expected.
pub fn error(expected: &[f64], found: &[f64]) -> f64 {
    assert_eq!(expected.len(), found.len());
    let highest = expected.iter().copied().fold(f64::MIN, f64::max);
    let lowest = expected.iter().copied().fold(f64::MAX, f64::min);
    let worst = expected.iter().zip(found).map(|(expected, found)| (expected - found).abs()).fold(0.0, f64::max);
    worst / (highest - lowest)
}

/// How many expected events were found, and the largest difference of their times. Lists are compared as sets: events
/// at one instant have no order.
fn matched(found: &[Event], expected: &[Value]) -> (usize, f64) {
    let mut left: Vec<&Event> = found.iter().collect();
    let (mut count, mut apart_s) = (0, 0.0_f64);
    for event in expected {
        let time_s = number(&event["time_s"]);
        let same = |found: &&Event| (found.time_s - time_s).abs() <= SAME_TIME_S && is_like(found, event);
        if let Some(place) = left.iter().position(same) {
            apart_s = apart_s.max((left.remove(place).time_s - time_s).abs());
            count += 1;
        }
    }
    (count, apart_s)
}

fn is_like(found: &Event, expected: &Value) -> bool {
    let direction = ["direction", "side", "direction_before"].iter().find_map(|key| expected[*key].as_i64());
    let place = match found.place {
        Place::Node(node) => expected["node"].as_u64() == Some(node as u64),
        Place::Coupling(coupling) => expected["coupling"].as_u64() == Some(coupling as u64),
    };
    place && expected["kind"] == found.kind.name() && direction == Some(i64::from(found.direction))
}

/// A piece of a profile: its start, then a torque or a voltage in two components.
fn applied(piece: &Value) -> Applied {
    match numbers(piece)[..] {
        [_, torque_nm] => Applied::Torque(torque_nm),
        [_, alpha_v, beta_v] => Applied::Voltage { alpha_v, beta_v },
        _ => panic!("no piece of a profile: {piece}"),
    }
}

/// Files without a motor are of torques that act at once.
fn motor(value: &Value) -> MotorKind {
    if value.is_null() {
        return MotorKind::AT_ONCE;
    }
    let of = |key: &str| number(&value[key]);
    MotorKind::Pmsm(Pmsm {
        pole_pairs: of("pole_pairs") as u32,
        resistance_ohm: of("resistance_ohm"),
        inductance_d_h: of("inductance_d_h"),
        inductance_q_h: of("inductance_q_h"),
        flux_linkage_vs: of("flux_linkage_vs"),
        rotor_offset_rad: of("rotor_offset_rad"),
        phases_swapped: false,
        bus_v: of("bus_v"),
        effects: effects(value),
    })
}

fn effects(motor: &Value) -> Effects {
    let one = |key: &str| motor.get(key).map(|value| move |key: &str| number(&value[key]));
    let harmonics = motor.get("flux_ripple").and_then(Value::as_array).into_iter().flatten();
    let harmonic = |value: &Value| FluxHarmonic {
        per_electrical_turn: number(&value["per_electrical_turn"]) as u32,
        share: number(&value["share"]),
        phase_rad: number(&value["phase_rad"]),
    };
    Effects {
        saturation: one("saturation").map(|of| Saturation {
            current_a: of("current_a"),
            share_d: of("share_d"),
            share_q: of("share_q"),
            share_cross: of("share_cross"),
        }),
        flux_ripple: harmonics.map(harmonic).collect(),
        dead_time: one("dead_time").map(|of| DeadTime { error_v: of("error_v"), knee_a: of("knee_a") }),
        temperature: None,
    }
}

fn node(value: &Value) -> Node {
    let friction = &value["friction"];
    Node {
        inertia_kgm2: number(&value["inertia_kgm2"]),
        friction: Friction::Coulomb(Coulomb {
            kinetic_nm: number(&friction["kinetic_nm"]),
            static_nm: number(&friction["static_nm"]),
            stribeck_rad_per_s: number(&friction["stribeck_rad_per_s"]),
            stribeck_exponent: number(&friction["stribeck_exponent"]),
            viscous_nms_per_rad: number(&friction["viscous_nms_per_rad"]),
        }),
    }
}

/// A fan and harmonics, where the file has them.
fn loads(file: &Value) -> Vec<Load> {
    let node = |key: &str| file[key]["node"].as_u64().expect("a node") as usize;
    let mut loads = Vec::new();
    if file["fan"].is_object() {
        let torque_nms2_per_rad2 = number(&file["fan"]["torque_nms2_per_rad2"]);
        loads.push(Load { node: node("fan"), kind: LoadKind::Fan { torque_nms2_per_rad2 } });
    }
    if let Some(terms) = file["harmonics"]["terms"].as_array() {
        let term = |term: &Value| Harmonic {
            per_turn: number(&term["per_turn"]) as u32,
            peak_nm: number(&term["peak_nm"]),
            phase_rad: number(&term["phase_rad"]),
        };
        let terms = terms.iter().map(term).collect();
        loads.push(Load { node: node("harmonics"), kind: LoadKind::Harmonics { terms } });
    }
    loads
}

fn brake(value: &Value) -> Option<Brake> {
    value.is_object().then(|| Brake {
        node: value["node"].as_u64().expect("a node") as usize,
        torque_nm: number(&value["torque_nm"]),
        drag_nm: number(&value["drag_nm"]),
    })
}

fn coupling(value: &Value) -> Coupling {
    Coupling {
        ratio: number(&value["ratio_motor_turns_per_load_turn"]),
        stiffness_nm_per_rad: number(&value["stiffness_nm_per_rad"]),
        damping_nms_per_rad: number(&value["damping_nms_per_rad"]),
        half_gap_rad: number(&value["half_gap_rad"]),
        torque_limit_nm: value["torque_limit_nm"].as_f64(),
        coupled: true,
    }
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(number).collect()
}
