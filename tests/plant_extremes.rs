//! The promise: extremes end well. Each is computed rightly, or refused by `check` with the reason, or void with node, time
//! and cause; none hangs, and no number that is none gets into a file, a frame or a score.
//!
//! `PLANTSTAND_TEN_HOURS=1` makes the long run ten simulated hours instead of a hundred seconds, and prints what memory it
//! took. Start reading anywhere.

use plantstand::base::time::TickRate;
use plantstand::method::Carried;
use plantstand::plant::coupling::Coupling;
use plantstand::plant::event::{EventKind, EventLog};
use plantstand::plant::friction::{Coulomb, Friction};
use plantstand::plant::motor::MotorKind;
use plantstand::plant::stepper::{Applied, Plant, TickInput};
use plantstand::plant::stops::Stops;
use plantstand::plant::train::{Initial, Node, Parameters};
use plantstand::trial::phases;
use plantstand::trial::result::Verdict;

#[path = "trial_runs/memory.rs"]
mod memory;
#[path = "trial_runs/program.rs"]
mod program;
#[path = "trial_runs/scenario_text.rs"]
mod scenario_text;

use memory::{all_machines, judged, tune};
use program::Ground;
use scenario_text::{dough_sheeter, read};

const RATE: TickRate = TickRate { hz: 8000 };
const SEED: u64 = 20;

/// The shipped dough sheeter with lines changed; each must be there.
fn changed(changes: &[(&str, &str)]) -> String {
    changes.iter().fold(dough_sheeter(), |text, (from, to)| {
        assert!(text.contains(from), "no '{from}'");
        text.replace(from, to)
    })
}

fn two_masses(damping_nms_per_rad: f64, half_gap_rad: f64, dry: bool) -> Parameters {
    let friction = |scale: f64| match dry {
        true => Friction::Coulomb(Coulomb {
            kinetic_nm: 0.05 * scale,
            static_nm: 0.08 * scale,
            stribeck_rad_per_s: 0.8,
            stribeck_exponent: 2.0,
            viscous_nms_per_rad: 1e-4,
        }),
        false => Friction::None,
    };
    Parameters {
        motor: MotorKind::AT_ONCE,
        nodes: vec![
            Node { inertia_kgm2: 4.2e-4, friction: friction(1.0) },
            Node { inertia_kgm2: 3.4e-3, friction: friction(2.0) },
        ],
        couplings: vec![Coupling {
            ratio: 1.0,
            stiffness_nm_per_rad: 260.0,
            damping_nms_per_rad,
            half_gap_rad,
            torque_limit_nm: None,
            coupled: true,
        }],
        stops: None,
        loads: Vec::new(),
        brake: None,
    }
}

fn torque(torque_nm: f64) -> TickInput {
    TickInput { drive: Applied::Torque(torque_nm), ..TickInput::default() }
}

fn check_refused(changes: &[(&str, &str)], words: &[&str]) {
    let ran = Ground::new(&changed(changes)).run(&["check", "test.toml"]);
    let said = format!("{}{}", ran.out, ran.error);
    assert_eq!(ran.status, Some(2), "{said}");
    words.iter().for_each(|word| assert!(said.contains(word), "no '{word}' in {said}"));
}

#[test]
fn what_cannot_be_is_refused_with_the_reason() {
    let stiffness = "stiffness_nm_per_rad = 260";
    check_refused(
        &[(stiffness, "stiffness_nm_per_rad = 1e9")],
        &["train.0.stiffness_nm_per_rad", "too stiff for the tick"],
    );
    check_refused(&[("tick_hz = 8000", "tick_hz = 100")], &["train.0.stiffness_nm_per_rad", "allowed up to 36 Nm/rad"]);
    check_refused(&[("inertia_kgm2 = 3.4e-3", "inertia_kgm2 = 0")], &["train.0.inertia_kgm2 = 0; allowed 1e-7"]);
    check_refused(&[("inertia_kgm2 = 4.2e-4", "inertia_kgm2 = 0.0")], &["motor.inertia_kgm2 = 0"]);
    check_refused(&[("peak_torque_nm = 12.0", "peak_torque_nm = inf")], &["motor.peak_torque_nm = inf"]);
    check_refused(&[("peak_torque_nm = 12.0", "peak_torque_nm = nan")], &["motor.peak_torque_nm"]);
    check_refused(&[("damping_nms_per_rad = 0.02", "damping_nms_per_rad = -0.02")], &["train.0.damping_nms_per_rad"]);
    check_refused(&[("tick_hz = 8000", "tick_hz = 128000")], &["timing.tick_hz = 128000; allowed 100 to 64000 Hz"]);
}

/// A trial of a carried method ends with a verdict, of the axis and not of the bench, and no number in it is none.
fn check_trial(changes: &[(&str, &str)], method: &str) {
    let ground = Ground::new(&changed(changes));
    let ran = ground.score(&["--by", method, "--record", "record"]);
    assert!(matches!(ran.status, Some(0 | 1)), "{changes:?}: {ran:?}");
    let result = ground.result("record");
    assert!(matches!(result.verdict, Verdict::Pass | Verdict::Fail), "{:?}", result.verdict);
    let text = serde_json::to_string(&result).expect("JSON");
    assert!(!text.contains("NaN") && !text.contains("inf,"), "{text}");
    let replayed = ground.run(&["replay", "record"]);
    assert_eq!(replayed.status, Some(0), "{replayed:?}");
}

#[test]
fn the_slowest_and_the_fastest_tick_carry_a_trial_in_lockstep() {
    check_trial(&[("tick_hz = 8000", "tick_hz = 64000")], "careful");
    let slow = [
        ("tick_hz = 8000", "tick_hz = 100"),
        ("stride = 8 ", "stride = 1 "),
        ("kind = \"pmsm\"", "kind = \"ideal_torque\""),
        ("stiffness_nm_per_rad = 260", "stiffness_nm_per_rad = 20"),
    ];
    check_trial(&slow, "hasty");
}

/// The same machine under the same torque, held over 10 ms each, at 100 Hz and at 64 kHz: the truth has no tick.
#[test]
fn the_tick_changes_nothing_of_the_motion() {
    let machine = Parameters { motor: MotorKind::IdealTorque { lag_s: 3e-3 }, ..two_masses(0.02, 2e-3, true) };
    let moved = |hz: u32| {
        let mut plant = Plant::new(&machine, &Initial::at_rest(&machine, 0.0), TickRate { hz }, true);
        let mut events = EventLog::new(10_000);
        let mut states = Vec::new();
        for (k, torque_nm) in [0.9, -0.7, 0.3, 0.0, -1.1, 0.5, 0.0, 0.02].iter().cycle().take(100).enumerate() {
            while plant.tick() < u64::from(hz / 100) * (k as u64 + 1) {
                plant.step(&torque(*torque_nm), &mut events).expect("no fault");
            }
            states.extend([plant.angle_rad(0), plant.angle_rad(1), plant.speed_rad_per_s(0), plant.speed_rad_per_s(1)]);
        }
        assert!(plant.energy().residual_j().abs() <= 1e-9 * plant.energy().work_j());
        let events: Vec<_> = events.iter().map(|event| (event.kind, event.place, event.direction)).collect();
        (states, events)
    };
    let (slow, slow_events) = moved(100);
    let largest = slow.iter().fold(0.0, |largest: f64, value| largest.max(value.abs()));
    for hz in [8000, 64_000] {
        let (fast, events) = moved(hz);
        assert!(20 < events.len());
        assert_eq!(events, slow_events, "{hz} Hz");
        let apart = fast.iter().zip(&slow).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        assert!(apart <= 1e-7 * largest, "{hz} Hz: {apart:e} of {largest}");
    }
}

/// The series are cut off at 1e-12 of the motion, which takes some 5e-14 of the energy in a tick: 1e-9 in 2 s, as far as the
/// accuracy is promised, and what that comes to in a minute of 8000 swings.
#[test]
fn without_damping_it_rings_for_ever() {
    let machine = two_masses(0.0, 0.0, false);
    let initial = Initial { speed_rad_per_s: vec![10.0, -10.0], ..Initial::at_rest(&machine, 0.0) };
    let mut plant = Plant::new(&machine, &initial, RATE, true);
    let mut events = EventLog::new(10);
    for (seconds, bar) in [(2, 1e-9), (60, 3e-8)] {
        while plant.tick() < seconds * 8000 {
            plant.step(&torque(0.0), &mut events).expect("no fault");
        }
        let kept = plant.energy().stored_j / plant.energy().stored_start_j;
        assert!((kept - 1.0).abs() < bar, "{kept} of the energy after {seconds} s");
    }
    assert_eq!(events.iter().count(), 0);
}

/// Stops 24° apart behind 60° of play: the load is thrown from stop to stop by a motor that hardly ever touches it.
#[test]
fn play_wider_than_the_travel() {
    let mut machine = two_masses(0.02, 0.5, true);
    let at = 0.2;
    machine.stops = Some(Stops { low_rad: -at, high_rad: at, stiffness_nm_per_rad: 400.0, damping_nms_per_rad: 0.05 });
    let mut plant = Plant::new(&machine, &Initial::at_rest(&machine, 0.0), RATE, true);
    let mut events = EventLog::new(10_000);
    let mut farthest = 0.0_f64;
    for tick in 0..16_000 {
        plant.step(&torque(if tick % 4000 < 2000 { 0.6 } else { -0.6 }), &mut events).expect("no fault");
        farthest = farthest.max(plant.angle_rad(1).abs());
        assert!(plant.gap_position_rad(0).abs() <= 0.5);
    }
    let count = |kind: EventKind| events.iter().filter(|event| event.kind == kind).count();
    assert!(4 < count(EventKind::StopStruck) && 4 < count(EventKind::GapCloses));
    assert!(at < farthest && farthest < 2.0 * at, "{farthest}");
    assert!(plant.energy().residual_j().abs() <= 1e-9 * plant.energy().work_j());
}

/// What ten hours at 300 rad/s come to. Twists are kept beside the angles, so they lose nothing out there.
#[test]
fn far_out_the_motion_is_the_same() {
    let machine = two_masses(0.02, 2e-3, true);
    let out_rad = 300.0 * 36_000.0;
    let moved = |angle_rad: f64| {
        let initial = Initial { speed_rad_per_s: vec![300.0, 300.0], ..Initial::at_rest(&machine, angle_rad) };
        let mut plant = Plant::new(&machine, &initial, RATE, true);
        let mut events = EventLog::new(10_000);
        for tick in 0..8000 {
            plant.step(&torque(if tick % 400 < 200 { 1.5 } else { -1.5 }), &mut events).expect("no fault");
        }
        let bits = [plant.speed_rad_per_s(0), plant.speed_rad_per_s(1), plant.coupling_torque_nm(0)].map(f64::to_bits);
        (bits, events.iter().copied().collect::<Vec<_>>(), plant.angle_rad(1) - angle_rad)
    };
    let (near, far) = (moved(0.0), moved(out_rad));
    assert_eq!(near.0, far.0, "speeds and torque, to the bit");
    assert!(20 < near.1.len());
    assert_eq!(near.1, far.1);
    // 8000 roundings of half of the last place of an angle of that size.
    assert!((near.2 - far.2).abs() <= 8000.0 * 0.5 * out_rad * f64::EPSILON, "{} and {}", near.2, far.2);
}

/// A hundred seconds, or ten hours by hand: the account of energy still closes, and memory does not grow.
#[test]
fn a_long_run_stays_right_in_the_memory_it_began_with() {
    let by_hand = std::env::var("PLANTSTAND_TEN_HOURS").is_ok_and(|value| value == "1");
    let ticks: u64 = if by_hand { 36_000 * 8000 } else { 100 * 8000 };
    let machine = two_masses(0.02, 2e-3, true);
    let mut plant = Plant::new(&machine, &Initial::at_rest(&machine, 0.0), RATE, true);
    let mut events = EventLog::new(plant.events_of_a_tick_max());
    let mut counted = 0_u64;
    let before_kib = resident_kib();
    while plant.tick() < ticks {
        let tick = plant.tick();
        let torque_nm = if tick % 4000 < 2100 { 0.9 } else { -0.8 };
        plant.step(&torque(torque_nm), &mut events).expect("no fault");
        counted += events.iter().count() as u64;
        assert_eq!(events.dropped(), 0);
        events.clear();
    }
    assert_eq!(RATE.whole_tick(RATE.seconds(ticks)), Some(ticks));
    let energy = plant.energy();
    let open = energy.residual_j().abs() / energy.work_j();
    assert!(open <= 1e-9, "{open:e} of the work is unaccounted for");
    assert!(ticks / 10_000 < counted, "{counted} events");
    let grown_kib = resident_kib().saturating_sub(before_kib);
    println!(
        "{ticks} ticks, {counted} events, {:.0} turns, {open:.0e} of the work unaccounted for, memory {grown_kib} KiB more",
        plant.angle_rad(1) / std::f64::consts::TAU
    );
    // Other tests run beside this one in the same process; a log or a queue that grew would take gigabytes.
    assert!(grown_kib < 512 * 1024, "{grown_kib} KiB more");
}

/// Memory of this process that is in use; 0 where the system does not say it.
fn resident_kib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
    line.and_then(|line| line.split_whitespace().next()?.parse().ok()).unwrap_or(0)
}

#[test]
fn a_huge_torque_moves_or_ends_with_node_time_and_cause() {
    let ground = Ground::new(&dough_sheeter());
    for (torque_nm, status, words) in [
        ("1e12", 0, ""),
        ("-1e12", 0, ""),
        ("1e100", 4, "plant at node 0 and 0.000000 s: the state is not a finite number"),
        ("1e308", 4, "plant at node 0 and 0.000000 s: the state is not a finite number"),
    ] {
        std::fs::write(ground.path("torque.csv"), format!("time_s,torque_nm\n0,{torque_nm}\n")).expect("a torque");
        let more = ["--out", "out.csv", "--events", "events.csv", "--energy", "energy.csv", "--for", "0.1"];
        let ran = ground.run(&[&["simulate", "test.toml", "--torque", "torque.csv"][..], &more].concat());
        assert_eq!(ran.status, Some(status), "{torque_nm}: {ran:?}");
        assert!(ran.error.contains(words), "{torque_nm}: {ran:?}");
        let states = std::fs::read_to_string(ground.path("out.csv")).expect("states");
        assert!(!states.contains("NaN") && !states.contains("inf"), "{torque_nm}");
    }
}

/// A machine that `check` would refuse, put behind its back: the run is void by the bench, and the reason names node, time
/// and cause. No measure has a number then.
#[test]
fn a_machine_that_cannot_be_computed_makes_the_trial_void_with_the_reason() {
    let scenario = read(&dough_sheeter());
    let tuned = tune(&scenario, SEED, Carried::Hasty).0;
    let mut broken = scenario.clone();
    broken.machine.plant.couplings[0].stiffness_nm_per_rad = 1e18;
    let examined = phases::examination(&broken, &all_machines(&broken), &tuned.stored, SEED);
    let result = judged(&broken, SEED, &tuned, Some(&examined));
    assert_eq!((result.verdict, result.grade_percent), (Verdict::VoidBench, None));
    let reasons = result.reasons.iter().map(|reason| reason.text.as_str()).collect::<Vec<_>>().join("; ");
    let wanted = ["the bench could not go on: plant at node 0 and 0.00", " s: too many events in one tick"];
    assert!(wanted.iter().all(|words| reasons.contains(words)), "{reasons}");
    let text = serde_json::to_string(&result).expect("JSON");
    assert!(!text.contains("NaN") && !text.contains("inf,"), "{text}");
}
