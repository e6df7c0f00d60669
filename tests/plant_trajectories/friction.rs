//! Bristles, and dry friction that varies with direction, place and warmth, against trajectories computed by SciPy
//! (`tests/data/friction.json`, made by `tools/compare/friction.py`).
//!
//! What must hold: bristles within 1e-6 of each state's span, dry friction within 1e-5 with no event missed and none
//! invented and event times within a microsecond, energy closed within 1e-9 of the work done. Start reading at
//! [`found`].

use std::f64::consts::TAU;
use std::path::Path;

use plantstand::base::real;
use plantstand::base::time::TickRate;
use plantstand::plant::coupling::Coupling;
use plantstand::plant::event::{EventKind, EventLog};
use plantstand::plant::friction::{Bristle, Coulomb, Friction, PerTurn, Side, Varying, Warming};
use plantstand::plant::motor::MotorKind;
use plantstand::plant::stepper::{Applied, Plant, Stepping, TickInput};
use plantstand::plant::train::{Initial, Node, Parameters};
use serde_json::Value;

use crate::cases::Found;

/// Runs a case, holds its events and its energy, and says how far off its states are.
pub fn found(name: &str) -> Found {
    let case = case(name);
    let parameters = parameters(&case);
    let count = parameters.nodes.len();
    let mut initial = Initial::at_rest(&parameters, 0.0);
    initial.speed_rad_per_s = numbers(&case["speed_rad_per_s"]);
    let mut plant = Plant::new(&parameters, &initial, rate(&case), true);
    let mut events = EventLog::new(1000);
    let mut found = vec![Vec::new(); 2 * count];
    let mut torques = case["torque"].as_array().expect("torques").iter().map(numbers).peekable();
    let mut input = TickInput::default();
    for tick in 0..=number(&case["ticks"]) as u64 {
        if tick.is_multiple_of(number(&case["sample_every"]) as u64) {
            for node in 0..count {
                found[node].push(plant.angle_rad(node));
                found[count + node].push(plant.speed_rad_per_s(node));
            }
        }
        while let Some(torque) = torques.next_if(|torque| torque[0] <= tick as f64) {
            input.drive = Applied::Torque(torque[1]);
        }
        plant.step(&input, &mut events).expect("no fault");
    }
    let errors = found.iter().enumerate().map(|(state, found)| {
        let key = if state < count { "angle_rad" } else { "speed_found_rad_per_s" };
        worst_of_span(found, &numbers(&case[key][state % count]))
    });
    let error = errors.fold(0.0, f64::max);
    check_events(name, &events, &case);
    let share = plant.energy().residual_j().abs() / plant.energy().work_j();
    assert!(share <= 1e-9, "{name}: {share:e} of the work is unaccounted for");
    Found { error, ticks: plant.tick(), effort: plant.effort() }
}

/// Every event of the last node, in order; those of node 0 are none.
fn check_events(name: &str, events: &EventLog, case: &Value) {
    let expected = case["events"].as_array().expect("events");
    let found: Vec<_> = events.iter().collect();
    let count = found.len();
    assert_eq!(count, expected.len(), "{name}: events missed or invented");
    for (found, expected) in found.iter().zip(expected) {
        let kind = if expected[1] == "sticks" { EventKind::Sticks } else { EventKind::BreaksAway };
        let late_s = (found.time_s - number(&expected[0])).abs();
        assert!(late_s <= 1e-6, "{name}: an event at {} s is off by {late_s:e} s", found.time_s);
        assert_eq!((found.kind, f64::from(found.direction)), (kind, number(&expected[2])), "{name}: another event");
    }
}

fn worst_of_span(found: &[f64], expected: &[f64]) -> f64 {
    assert_eq!(found.len(), expected.len(), "as many samples");
    let largest = expected.iter().fold(f64::NEG_INFINITY, |a, b| a.max(*b));
    let smallest = expected.iter().fold(f64::INFINITY, |a, b| a.min(*b));
    let error = found.iter().zip(expected).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
    error / (largest - smallest)
}

fn case(name: &str) -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/friction.json");
    let file: Value = serde_json::from_str(&std::fs::read_to_string(path).expect("references")).expect("JSON");
    let cases = file["cases"].as_array().expect("cases");
    cases.iter().find(|case| case["name"] == name).unwrap_or_else(|| panic!("no case {name}")).clone()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(number).collect()
}

fn rate(case: &Value) -> TickRate {
    TickRate { hz: number(&case["tick_hz"]) as u32 }
}

fn parameters(case: &Value) -> Parameters {
    let inertias = numbers(&case["inertia_kgm2"]);
    let last = inertias.len() - 1;
    let friction = friction(&case["friction"]);
    let node = |(number, inertia_kgm2): (usize, &f64)| Node {
        inertia_kgm2: *inertia_kgm2,
        friction: if number == last { friction } else { Friction::None },
    };
    let couplings = (0..last).map(|_| Coupling {
        ratio: 1.0,
        stiffness_nm_per_rad: number(&case["stiffness_nm_per_rad"]),
        damping_nms_per_rad: number(&case["damping_nms_per_rad"]),
        half_gap_rad: 0.0,
        torque_limit_nm: None,
        coupled: true,
    });
    Parameters {
        motor: MotorKind::IdealTorque { lag_s: 0.0 },
        nodes: inertias.iter().enumerate().map(node).collect(),
        couplings: couplings.collect(),
        stops: None,
        loads: Vec::new(),
        brake: None,
    }
}

fn friction(file: &Value) -> Friction {
    let [kinetic_nm, static_nm, stribeck_rad_per_s, stribeck_exponent, viscous_nms_per_rad] =
        ["kinetic_nm", "static_nm", "stribeck_rad_per_s", "stribeck_exponent", "viscous_nms_per_rad"]
            .map(|key| number(&file[key]));
    if !file["stiffness_nm_per_rad"].is_null() {
        return Friction::Bristle(Bristle {
            kinetic_nm,
            static_nm,
            stribeck_rad_per_s,
            stribeck_exponent,
            viscous_nms_per_rad,
            stiffness_nm_per_rad: number(&file["stiffness_nm_per_rad"]),
            damping_nms_per_rad: number(&file["damping_nms_per_rad"]),
        });
    }
    let (negative, warming) = (&file["negative"], &file["warming"]);
    Friction::Varying(Varying {
        coulomb: Coulomb { kinetic_nm, static_nm, stribeck_rad_per_s, stribeck_exponent, viscous_nms_per_rad },
        negative: Side {
            kinetic_nm: number(&negative["kinetic_nm"]),
            static_nm: number(&negative["static_nm"]),
            viscous_nms_per_rad: number(&negative["viscous_nms_per_rad"]),
        },
        per_turn: Some(PerTurn {
            periods: number(&file["per_turn"]) as u32,
            amplitude: number(&file["amplitude"]),
            phase_rad: number(&file["phase_rad"]),
        }),
        warming: (!warming.is_null()).then(|| Warming {
            fall: number(&warming["fall"]),
            power_w: number(&warming["power_w"]),
            time_constant_s: number(&warming["time_constant_s"]),
        }),
    })
}

/// Row `lugre-steady` of the check values, by its own numbers: bristles dragged at a steady speed end at g(w) + σ2 w.
/// Derived; and the same with z slaved, at rates from 1e4 to 1e9 per s.
#[test]
fn dragged_bristles_settle_at_the_stribeck_curve() {
    for stiffness_nm_per_rad in [900.0, 1e6, 1e9] {
        for speed_rad_per_s in [0.05, 0.1, 0.5, 5.0] {
            let bristle = Bristle {
                kinetic_nm: 0.25,
                static_nm: 0.38,
                stribeck_rad_per_s: 0.1,
                stribeck_exponent: 2.0,
                viscous_nms_per_rad: 0.002,
                stiffness_nm_per_rad,
                damping_nms_per_rad: 1.2,
            };
            // So heavy that friction does not slow it down; the torque shows in what friction takes.
            let mut plant = alone(Friction::Bristle(bristle), 1e12, speed_rad_per_s, 1000, Stepping::ADAPTED);
            for _ in 0..2000 {
                plant.step(&TickInput::default(), &mut EventLog::new(9)).expect("no fault");
            }
            let before_j = plant.energy().friction_j;
            for _ in 0..1000 {
                plant.step(&TickInput::default(), &mut EventLog::new(9)).expect("no fault");
            }
            let found_nm = (plant.energy().friction_j - before_j) / speed_rad_per_s;
            let relative = speed_rad_per_s / 0.1;
            let expected_nm = 0.25 + 0.13 * real::exp(-relative * relative) + 0.002 * speed_rad_per_s;
            let error = (found_nm - expected_nm).abs() / expected_nm;
            assert!(error < 1e-9, "{stiffness_nm_per_rad} Nm/rad at {speed_rad_per_s} rad/s: {error:e}");
        }
    }
}

/// A fixed order shows as the order when the pieces are halved, in bristles under way as in any other motion.
#[test]
fn halving_the_pieces_shows_the_order_with_bristles() {
    let run = |stepping: Stepping| {
        let bristle = Bristle {
            kinetic_nm: 0.25,
            static_nm: 0.38,
            stribeck_rad_per_s: 0.8,
            stribeck_exponent: 2.0,
            viscous_nms_per_rad: 0.001,
            stiffness_nm_per_rad: 600.0,
            damping_nms_per_rad: 0.3,
        };
        let mut plant = alone(Friction::Bristle(bristle), 4e-4, 0.0, 1000, stepping);
        let input = TickInput { drive: Applied::Torque(0.4), ..TickInput::default() };
        for _ in 0..4 {
            plant.step(&input, &mut EventLog::new(9)).expect("no fault");
        }
        plant.speed_rad_per_s(0)
    };
    let exact = run(Stepping::ADAPTED);
    for (order, pieces) in [(4, 16), (6, 8)] {
        let error = |pieces: usize| (run(Stepping { order: Some(order), pieces }) - exact).abs();
        let shown = real::ln(error(pieces) / error(2 * pieces)) / real::ln(2.0);
        assert!((shown - order as f64).abs() < 0.7, "order {order} shows as {shown}");
    }
}

/// With σ1 = 0 and no inertia to speak of bristles are a spring of σ0: below sliding they swing about T / σ0 for ever, at
/// √(σ0 / J), but for what the little slip takes.
#[test]
fn bristles_at_rest_are_a_spring_and_no_event() {
    let bristle = Bristle {
        kinetic_nm: 1e3,
        static_nm: 1e3,
        stribeck_rad_per_s: 1.0,
        stribeck_exponent: 2.0,
        viscous_nms_per_rad: 0.0,
        stiffness_nm_per_rad: 400.0,
        damping_nms_per_rad: 0.0,
    };
    let mut plant = alone(Friction::Bristle(bristle), 0.01, 0.0, 1000, Stepping::ADAPTED);
    let input = TickInput { drive: Applied::Torque(0.004), ..TickInput::default() };
    let mut events = EventLog::new(9);
    let ticks = (1000.0 * TAU / 200.0 / 2.0).round() as u64;
    for _ in 0..ticks {
        plant.step(&input, &mut events).expect("no fault");
    }
    let expected_rad = 1e-5 * (1.0 - real::cos(200.0 * ticks as f64 / 1000.0));
    assert!((plant.angle_rad(0) / expected_rad - 1.0).abs() < 1e-4, "{}", plant.angle_rad(0));
    assert_eq!(events.iter().count(), 0);
}

fn alone(friction: Friction, inertia_kgm2: f64, speed_rad_per_s: f64, hz: u32, stepping: Stepping) -> Plant {
    let parameters = Parameters {
        motor: MotorKind::IdealTorque { lag_s: 0.0 },
        nodes: vec![Node { inertia_kgm2, friction }],
        couplings: Vec::new(),
        stops: None,
        loads: Vec::new(),
        brake: None,
    };
    let mut initial = Initial::at_rest(&parameters, 0.0);
    initial.speed_rad_per_s = vec![speed_rad_per_s];
    Plant::with_stepping(&parameters, &initial, TickRate { hz }, true, stepping)
}
