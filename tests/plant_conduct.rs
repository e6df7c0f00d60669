//! How the plant conducts itself: the same bits always, exact rest, energy that closes for every model, faults in place
//! of nonsense, and ten random machines against a crude stepping of the raw equations.
//!
//! Start reading anywhere.

use plantstand::base::random::Stream;
use plantstand::base::real;
use plantstand::base::time::TickRate;
use plantstand::plant::coupling::Coupling;
use plantstand::plant::event::{Cause, EventKind, EventLog, Place};
use plantstand::plant::friction::{Coulomb, Friction};
use plantstand::plant::load::{Load, LoadKind};
use plantstand::plant::motor::MotorKind;
use plantstand::plant::stepper::{Applied, Plant, Ramp, TickInput};
use plantstand::plant::stops::Stops;
use plantstand::plant::train::{Initial, Node, Parameters};

const RATE: TickRate = TickRate { hz: 8000 };

fn stribeck(kinetic_nm: f64, static_nm: f64, stribeck_exponent: f64) -> Friction {
    Friction::Coulomb(Coulomb {
        kinetic_nm,
        static_nm,
        stribeck_rad_per_s: 0.8,
        stribeck_exponent,
        viscous_nms_per_rad: 1e-3,
    })
}

fn coupling(ratio: f64, half_gap_rad: f64) -> Coupling {
    Coupling {
        ratio,
        stiffness_nm_per_rad: 260.0,
        damping_nms_per_rad: 0.02,
        half_gap_rad,
        torque_limit_nm: None,
        coupled: true,
    }
}

/// Two masses with play, friction and a lag.
fn two_masses() -> Parameters {
    Parameters {
        motor: MotorKind::IdealTorque { lag_s: 1.9e-4 },
        nodes: vec![
            Node { inertia_kgm2: 4.2e-4, friction: stribeck(0.04, 0.05, 2.0) },
            Node { inertia_kgm2: 3.4e-3, friction: stribeck(0.25, 0.38, 2.0) },
        ],
        couplings: vec![coupling(1.0, 1.7e-3)],
        stops: None,
        loads: Vec::new(),
        brake: None,
    }
}

fn at_rest(parameters: &Parameters) -> Plant {
    Plant::new(parameters, &Initial::at_rest(parameters, 0.0), RATE, true)
}

fn torque(torque_nm: f64) -> TickInput {
    TickInput { drive: Applied::Torque(torque_nm), ..TickInput::default() }
}

/// A torque that comes and goes, in both directions.
fn reversing(tick: u64) -> TickInput {
    torque(if tick % 700 < 350 { 0.9 } else { -0.8 } * if tick % 90 < 60 { 1.0 } else { 0.1 })
}

fn state(plant: &Plant) -> Vec<u64> {
    let nodes = (0..plant.nodes()).flat_map(|node| [plant.angle_rad(node), plant.speed_rad_per_s(node)]);
    let couplings = (0..plant.nodes() - 1)
        .flat_map(|coupling| [plant.coupling_torque_nm(coupling), plant.gap_position_rad(coupling)]);
    nodes.chain(couplings).map(f64::to_bits).collect()
}

fn run(plant: &mut Plant, ticks: u64, events: &mut EventLog) {
    for _ in 0..ticks {
        plant.step(&reversing(plant.tick()), events).expect("no fault");
    }
}

#[test]
fn two_runs_and_a_clone_give_the_same_bits() {
    let mut events = EventLog::new(1000);
    let mut first = at_rest(&two_masses());
    run(&mut first, 3000, &mut events);
    let mut clone = first.clone();
    run(&mut first, 3000, &mut events);
    run(&mut clone, 3000, &mut EventLog::new(0));
    assert_eq!(state(&first), state(&clone));
    let mut second = at_rest(&two_masses());
    let mut again = EventLog::new(1000);
    run(&mut second, 6000, &mut again);
    assert_eq!(state(&first), state(&second));
    assert!(20 < events.iter().count() && events.iter().eq(again.iter()));
}

/// The log and the audit watch only: nothing moves by another bit for them.
#[test]
fn the_audit_changes_no_bit() {
    let parameters = two_masses();
    let mut watched = at_rest(&parameters);
    let mut bare = Plant::new(&parameters, &Initial::at_rest(&parameters, 0.0), RATE, false);
    run(&mut watched, 3000, &mut EventLog::new(1000));
    run(&mut bare, 3000, &mut EventLog::new(0));
    assert_eq!(state(&watched), state(&bare));
    assert_eq!(bare.energy().supplied_j, 0.0);
}

/// A node that sticks keeps its angle to the bit and its speed at 0, however long it is pushed below breakaway.
#[test]
fn a_stuck_node_does_not_creep() {
    let mut plant = at_rest(&two_masses());
    let mut events = EventLog::new(1000);
    run(&mut plant, 1000, &mut events);
    for _ in 0..4000 {
        plant.step(&torque(0.0), &mut events).expect("no fault");
    }
    let before = state(&plant);
    assert_eq!((plant.speed_rad_per_s(0), plant.speed_rad_per_s(1)), (0.0, 0.0));
    events.clear();
    for tick in 0..8000 {
        plant.step(&torque(if tick % 2 == 0 { 0.03 } else { -0.03 }), &mut events).expect("no fault");
    }
    assert_eq!((before, 0), (state(&plant), events.iter().count()));
}

/// A torque step beyond breakaway frees a node at the tick's start, and that is the event's time.
#[test]
fn a_torque_step_breaks_away_at_once() {
    let parameters = Parameters { motor: MotorKind::AT_ONCE, ..two_masses() };
    let mut plant = at_rest(&parameters);
    let mut events = EventLog::new(10);
    plant.step(&torque(0.05), &mut events).expect("no fault");
    assert_eq!(events.iter().count(), 0, "at equality it holds");
    plant.step(&torque(0.06), &mut events).expect("no fault");
    let event = events.iter().next().expect("it breaks away");
    assert_eq!(
        (event.time_s, event.kind, event.place, event.direction),
        (1.0 / 8000.0, EventKind::BreaksAway, Place::Node(0), 1)
    );
}

/// Energy of a machine in which everything is: arm, constant and resisting loads, the programme's torques, stops, gaps,
/// a gear, a lag, a clamp that catches the motor in motion; for usual and unusual exponents.
#[test]
fn energy_closes_for_every_model() {
    for exponent in [2.0, 1.0, 3.0, 1.5] {
        let mut plant = at_rest(&everything(exponent, 0.02));
        let mut events = EventLog::new(5000);
        for tick in 0..8000 {
            let mut input = reversing(tick);
            let swing = |tick: u64| 0.3 * (tick % 1000) as f64 / 1000.0;
            input.load_torque_nm = Ramp { start: swing(tick) - 0.1, end: swing(tick + 1) - 0.1 };
            if 4000 < tick {
                input.resisting_torque_nm = Ramp { start: swing(tick), end: swing(tick) };
            }
            if 6000 < tick && tick % 500 < 20 {
                input = TickInput { drive: Applied::Off, clamp_motor: true, ..input };
            }
            plant.step(&input, &mut events).expect("no fault");
        }
        let energy = plant.energy();
        let share = energy.residual_j().abs() / energy.work_j();
        assert!(share <= 1e-9, "exponent {exponent}: {share:e} of the work: {energy:?}");
        for kind in [EventKind::StopStruck, EventKind::StopLeft, EventKind::GapOpens, EventKind::Sticks] {
            assert!(events.iter().any(|event| event.kind == kind), "exponent {exponent}: no {}", kind.name());
        }
        assert!(0.0 < energy.clamp_j && 0.0 < energy.stops_j && energy.load_j != 0.0);
    }
}

fn everything(exponent: f64, stop_damping_nms_per_rad: f64) -> Parameters {
    Parameters {
        motor: MotorKind::IdealTorque { lag_s: 1.9e-4 },
        nodes: vec![
            Node { inertia_kgm2: 4e-4, friction: stribeck(0.02, 0.04, exponent) },
            Node { inertia_kgm2: 3e-3, friction: stribeck(0.1, 0.15, exponent) },
            Node { inertia_kgm2: 8e-3, friction: stribeck(0.1, 0.2, exponent) },
        ],
        couplings: vec![coupling(-3.0, 1e-3), coupling(1.0, 2e-3)],
        stops: Some(Stops {
            low_rad: -0.4,
            high_rad: 0.3,
            stiffness_nm_per_rad: 5000.0,
            damping_nms_per_rad: stop_damping_nms_per_rad,
        }),
        loads: vec![
            Load { node: 2, kind: LoadKind::UnbalancedArm { peak_nm: 0.5, zero_rad: 0.2 } },
            Load { node: 1, kind: LoadKind::Constant { torque_nm: 0.05 } },
            Load { node: 1, kind: LoadKind::Resisting { torque_nm: 0.03 } },
        ],
        brake: None,
    }
}

/// Stops hold: the last node never gets deeper than its energy and the torques allow, strikes and leaves alternate.
#[test]
fn strikes_and_leaves_alternate() {
    for damping in [0.0, 0.02, 5.0] {
        let mut plant = at_rest(&everything(2.0, damping));
        let mut events = EventLog::new(5000);
        run(&mut plant, 16_000, &mut events);
        let mut inside = false;
        for event in events.iter().filter(|event| event.place == Place::Node(2)) {
            match event.kind {
                EventKind::StopStruck => assert!(!std::mem::replace(&mut inside, true), "struck twice"),
                EventKind::StopLeft => assert!(std::mem::replace(&mut inside, false), "left twice"),
                _ => {}
            }
        }
        assert!(plant.energy().residual_j().abs() <= 1e-9 * plant.energy().work_j());
    }
}

/// A resisting torque never drives a standing axis, holds it, and lets it coast when it is gone.
#[test]
fn a_resisting_torque_only_resists() {
    let mut parameters = two_masses();
    parameters.nodes[1].friction = Friction::None;
    let mut plant = at_rest(&parameters);
    let mut events = EventLog::new(100);
    let resisting = |nm: f64| Ramp { start: nm, end: nm };
    let input = TickInput { resisting_torque_nm: resisting(1.0), ..torque(0.0) };
    for _ in 0..800 {
        plant.step(&input, &mut events).expect("no fault");
    }
    assert_eq!((plant.angle_rad(1), events.iter().count()), (0.0, 0));
    for _ in 0..800 {
        plant.step(&TickInput { drive: Applied::Torque(0.9), ..input }, &mut events).expect("no fault");
    }
    assert_eq!(plant.speed_rad_per_s(1), 0.0, "0.9 Nm do not move it against 1 Nm");
    for _ in 0..800 {
        plant.step(&torque(0.9), &mut events).expect("no fault");
    }
    assert!(1.0 < plant.speed_rad_per_s(1));
}

/// Off means off: the lag is emptied; and a clamped motor stands to the bit while its load swings on.
#[test]
fn off_empties_the_lag_and_the_clamp_holds_to_the_bit() {
    let mut parameters = two_masses();
    parameters.couplings[0].half_gap_rad = 0.0;
    let mut plant = at_rest(&parameters);
    let mut events = EventLog::new(100);
    for _ in 0..400 {
        plant.step(&torque(2.0), &mut events).expect("no fault");
    }
    assert_eq!(plant.motor_torque_nm(), 2.0);
    plant
        .step(&TickInput { drive: Applied::Off, clamp_motor: true, ..TickInput::default() }, &mut events)
        .expect("no fault");
    let angle = plant.angle_rad(0).to_bits();
    let swinging = plant.speed_rad_per_s(1);
    plant
        .step(&TickInput { drive: Applied::Off, clamp_motor: true, ..TickInput::default() }, &mut events)
        .expect("no fault");
    assert_eq!((plant.motor_torque_nm(), plant.speed_rad_per_s(0), plant.angle_rad(0).to_bits()), (0.0, 0.0, angle));
    assert!(plant.speed_rad_per_s(1) != swinging && 0.0 < plant.energy().clamp_j);
}

/// The lag is the exact first-order one.
#[test]
fn the_torque_lag_is_first_order() {
    for lag_s in [1e-2, 1.9e-4, 1e-6] {
        let parameters = Parameters { motor: MotorKind::IdealTorque { lag_s }, ..two_masses() };
        let mut plant = at_rest(&parameters);
        for tick in 1..20 {
            plant.step(&torque(3.0), &mut EventLog::new(0)).expect("no fault");
            let exact = 3.0 * (1.0 - real::exp(-RATE.seconds(tick) / lag_s));
            assert!((plant.motor_torque_nm() - exact).abs() < 1e-11, "lag {lag_s}: {}", plant.motor_torque_nm());
        }
    }
}

/// 64 nodes, every coupling with play, some damped and some not.
#[test]
fn sixty_four_nodes_run() {
    let node = Node { inertia_kgm2: 1e-3, friction: stribeck(0.002, 0.003, 2.0) };
    let link = |i: usize| Coupling {
        damping_nms_per_rad: if i.is_multiple_of(2) { 0.02 } else { 0.0 },
        ..coupling(1.0, 5e-4)
    };
    let parameters = Parameters {
        motor: MotorKind::AT_ONCE,
        nodes: vec![node; 64],
        couplings: (0..63).map(link).collect(),
        stops: None,
        loads: Vec::new(),
        brake: None,
    };
    let mut plant = at_rest(&parameters);
    let mut events = EventLog::new(100_000);
    run(&mut plant, 2000, &mut events);
    assert!(100 < events.iter().count());
    assert!(plant.energy().residual_j().abs() <= 1e-9 * plant.energy().work_j());
}

/// Numbers that are none, and machines too stiff for their tick, end in a fault that names node, time and cause.
#[test]
fn faults_name_node_time_and_cause() {
    let fault = |parameters: &Parameters, input: TickInput| {
        let mut plant = at_rest(parameters);
        let mut events = EventLog::new(10);
        (0..200).find_map(|_| plant.step(&input, &mut events).err())
    };
    let found = fault(&two_masses(), torque(f64::NAN)).expect("a fault");
    assert_eq!((found.node, found.time_s, found.cause), (0, 0.0, Cause::InputNotFinite));
    assert_eq!(found.to_string(), "plant at node 0 and 0.000000 s: an input torque is not a finite number");
    let found = fault(&two_masses(), torque(1e308)).expect("a fault");
    assert_eq!(found.cause, Cause::StateNotFinite);
    let mut stiff = two_masses();
    stiff.couplings[0].half_gap_rad = 0.0;
    stiff.couplings[0].stiffness_nm_per_rad = 1e18;
    stiff.nodes.iter_mut().for_each(|node| node.friction = Friction::None);
    let found = fault(&stiff, torque(1.0)).expect("a fault");
    assert_eq!(found.cause, Cause::TooStiff);
    let mut light = two_masses();
    light.nodes[1].inertia_kgm2 = 1e-18;
    light.couplings[0].half_gap_rad = 0.0;
    assert!(fault(&light, torque(1.0)).is_some());
}

/// Play of 1e-9 rad between hard undamped flanks: at 0.1 rad/s the sides meet every tenth of a microsecond, more often
/// than a tick may have events. The log of a tick holds all that happened until then.
#[test]
fn more_events_than_a_tick_may_have_are_a_fault_and_all_until_then_are_logged() {
    let mut hard = two_masses();
    hard.nodes.iter_mut().for_each(|node| node.friction = Friction::None);
    hard.couplings[0] =
        Coupling { stiffness_nm_per_rad: 1e12, damping_nms_per_rad: 0.0, half_gap_rad: 5e-10, ..hard.couplings[0] };
    let initial = Initial { speed_rad_per_s: vec![0.1, 0.0], ..Initial::at_rest(&hard, 0.0) };
    let mut plant = Plant::new(&hard, &initial, RATE, true);
    let mut events = EventLog::new(plant.events_of_a_tick_max());
    let found = plant.step(&torque(0.0), &mut events).expect_err("a fault");
    assert_eq!(found.cause, Cause::TooManyEvents);
    assert_eq!((events.iter().count(), events.dropped()), (1000, 0));
}

/// A full log drops and counts, and nothing else changes.
#[test]
fn a_full_log_counts_what_it_drops() {
    let (mut large, mut small) = (EventLog::new(1000), EventLog::new(3));
    run(&mut at_rest(&two_masses()), 3000, &mut large);
    run(&mut at_rest(&two_masses()), 3000, &mut small);
    assert_eq!((small.iter().count(), small.dropped()), (3, large.iter().count() as u64 - 3));
}

/// Ten random machines (seed 5) against first-order steps of 20 ns of the raw equations, which know nothing of events:
/// friction that would turn the motion round stops it. Their error is some 2e-4 of the span here.
#[test]
fn random_machines_move_as_the_raw_equations_do() {
    let mut stream = Stream::new(5, "machines");
    for machine in 0..10 {
        let parameters = random_machine(&mut stream);
        let mut plant = at_rest(&parameters);
        let mut raw = Raw::at_rest(&parameters);
        let mut events = EventLog::new(1000);
        let (mut apart, mut span) = (vec![0.0_f64; 2 * plant.nodes()], vec![1e-9_f64; 2 * plant.nodes()]);
        for tick in 0..400 {
            let torque_nm = if tick < 200 { 1.0 } else { -1.0 };
            plant.step(&torque(torque_nm), &mut events).expect("no fault");
            raw.tick(&parameters, torque_nm);
            for node in 0..plant.nodes() {
                let pairs = [(plant.angle_rad(node), raw.angle[node]), (plant.speed_rad_per_s(node), raw.speed[node])];
                for (i, (found, expected)) in pairs.into_iter().enumerate() {
                    apart[2 * node + i] = apart[2 * node + i].max((found - expected).abs());
                    span[2 * node + i] = span[2 * node + i].max(expected.abs());
                }
            }
        }
        for (state, (apart, span)) in apart.iter().zip(&span).enumerate() {
            assert!(*apart <= 2e-3 * span, "machine {machine}, state {state}: {:e}; {parameters:?}", apart / span);
        }
    }
}

fn random_machine(stream: &mut Stream) -> Parameters {
    let mut between = |low: f64, high: f64| low + (high - low) * stream.uniform();
    let count = if between(0.0, 1.0) < 0.5 { 2 } else { 3 };
    let nodes = (0..count)
        .map(|_| {
            let kinetic_nm = between(0.0, 0.1);
            let exponent = if between(0.0, 1.0) < 0.7 { 2.0 } else { 1.0 };
            let friction = stribeck(kinetic_nm, kinetic_nm + between(0.0, 0.1), exponent);
            Node { inertia_kgm2: between(5e-4, 4e-3), friction }
        })
        .collect();
    let couplings = (1..count)
        .map(|_| Coupling {
            ratio: [1.0, 3.0, -2.0][(between(0.0, 3.0) as usize).min(2)],
            stiffness_nm_per_rad: between(100.0, 800.0),
            damping_nms_per_rad: between(0.02, 0.2),
            half_gap_rad: if between(0.0, 1.0) < 0.3 { 0.0 } else { between(0.0, 4e-3) },
            torque_limit_nm: None,
            coupled: true,
        })
        .collect();
    let arm = LoadKind::UnbalancedArm { peak_nm: between(0.0, 0.5), zero_rad: between(-1.0, 1.0) };
    let loads = vec![Load { node: count - 1, kind: arm }];
    let stops = Some(Stops { low_rad: -0.5, high_rad: 0.1, stiffness_nm_per_rad: 2000.0, damping_nms_per_rad: 0.3 });
    let motor = MotorKind::IdealTorque { lag_s: between(1e-4, 1e-3) };
    Parameters { motor, nodes, couplings, stops, loads, brake: None }
}

/// The raw equations, stepped by the semi-implicit rule of Euler.
struct Raw {
    angle: Vec<f64>,
    speed: Vec<f64>,
    gap: Vec<f64>,
    motor_nm: f64,
}

impl Raw {
    fn at_rest(parameters: &Parameters) -> Self {
        let count = parameters.nodes.len();
        Self { angle: vec![0.0; count], speed: vec![0.0; count], gap: vec![0.0; count - 1], motor_nm: 0.0 }
    }

    fn tick(&mut self, parameters: &Parameters, command_nm: f64) {
        let steps = 6250;
        let step_s = RATE.period_s() / f64::from(steps);
        for _ in 0..steps {
            self.motor_nm += step_s / parameters.motor.torque_lag_s() * (command_nm - self.motor_nm);
            self.step(parameters, step_s);
        }
    }

    fn step(&mut self, parameters: &Parameters, step_s: f64) {
        let mut net = vec![0.0; self.speed.len()];
        net[0] = self.motor_nm;
        for (i, coupling) in parameters.couplings.iter().enumerate() {
            let torque_nm = self.coupling_torque(i, coupling, step_s);
            net[i] -= torque_nm / coupling.ratio;
            net[i + 1] += torque_nm;
        }
        let last = net.len() - 1;
        net[last] -= loads(parameters, self.angle[last], self.speed[last]);
        for (i, node) in parameters.nodes.iter().enumerate() {
            let Friction::Coulomb(friction) = node.friction else { unreachable!("every node rubs") };
            let at_rest = self.speed[i] == 0.0;
            let direction = if at_rest { net[i] } else { self.speed[i] };
            let rub = if at_rest {
                friction.static_nm.copysign(direction)
            } else {
                node.friction.slipping_torque_nm(self.speed[i])
            };
            let next = self.speed[i] + step_s * (net[i] - rub) / node.inertia_kgm2;
            let held = if at_rest { net[i].abs() <= friction.static_nm } else { next * self.speed[i] < 0.0 };
            self.speed[i] = if held { 0.0 } else { next };
            self.angle[i] += step_s * self.speed[i];
        }
    }

    fn coupling_torque(&mut self, i: usize, coupling: &Coupling, step_s: f64) -> f64 {
        let (k, d, a) = (coupling.stiffness_nm_per_rad, coupling.damping_nms_per_rad, coupling.half_gap_rad);
        let twist = self.angle[i] / coupling.ratio - self.angle[i + 1];
        let twist_speed = self.speed[i] / coupling.ratio - self.speed[i + 1];
        let free = twist_speed + k / d * (twist - self.gap[i]);
        let next = (self.gap[i] + step_s * free).clamp(-a, a);
        let gap_speed = if next.abs() < a { free } else { 0.0 };
        let torque_nm = k * (twist - self.gap[i]) + d * (twist_speed - gap_speed);
        self.gap[i] = next;
        torque_nm
    }
}

fn loads(parameters: &Parameters, angle_rad: f64, speed_rad_per_s: f64) -> f64 {
    let arms = parameters.loads.iter().map(|load| match load.kind {
        LoadKind::UnbalancedArm { peak_nm, zero_rad } => peak_nm * real::sin(angle_rad - zero_rad),
        _ => unreachable!("arms only"),
    });
    let stops = parameters.stops.expect("stops");
    let push = |depth: f64, speed: f64| {
        let torque_nm = stops.stiffness_nm_per_rad * depth + stops.damping_nms_per_rad * speed;
        if 0.0 < depth { torque_nm.max(0.0) } else { 0.0 }
    };
    arms.sum::<f64>() + push(angle_rad - stops.high_rad, speed_rad_per_s)
        - push(stops.low_rad - angle_rad, -speed_rad_per_s)
}
