//! The linear model is the bench, linearised: the same delays, filters and sums as plant, sensor and drive have.

mod machines;
mod outside_rows;

use std::f64::consts::{PI, TAU};

use machines::{Machine, RATE, Tuning, arm, gate, roll};
use nalgebra::{DMatrix, DVector};
use num_complex::Complex64;
use outside_rows::check;
use plantstand::base::random::Stream;
use plantstand::base::signal::{Actuation, Request};
use plantstand::drive::Drive;
use plantstand::drive::setting::{Setting, Settings};
use plantstand::drive::state::control;
use plantstand::linear::chain::{Chain, Gaps};
use plantstand::linear::discretise::held;
use plantstand::linear::margins::{Margins, breakpoints_rad_per_s, survey};
use plantstand::linear::model::LoopModel;
use plantstand::linear::poles;
use plantstand::plant::event::EventLog;
use plantstand::plant::friction::Friction;
use plantstand::plant::motor::MotorKind;
use plantstand::plant::sensor::Sensor;
use plantstand::plant::stepper::{Applied, Plant, TickInput};
use plantstand::plant::train::Initial;
use plantstand::score::margins::{Loop, Survey};
use plantstand::score::measure::Measure;
use plantstand::score::window::Side;
use plantstand::score::{Answer, NoNumber};

const TUNING: Tuning = Tuning { gain: 0.2, reset_time_s: 0.04, lowpass_hz: 700.0, notch: [450.0, 300.0, 20.0] };

/// A machine that is linear: only viscous friction, counts so fine that rounding does not show.
fn linear(mut machine: Machine, latency_ticks: u32) -> Machine {
    for node in &mut machine.parameters.nodes {
        if let Friction::Coulomb(coulomb) = &mut node.friction {
            (coulomb.kinetic_nm, coulomb.static_nm) = (0.0, 0.0);
        }
    }
    machine.parameters.couplings[0].half_gap_rad = 0.0;
    (machine.sensor.counts_per_turn, machine.nameplate.counts_per_turn) = (4_294_967_296.0, 4_294_967_296.0);
    machine.sensor.noise_counts_rms = 0.0;
    machine.sensor.latency_ticks = latency_ticks;
    machine
}

/// Every filter of the loop on.
fn all_on(machine: &Machine) -> Settings {
    // As brisk on each motor as 0.2 Nms/rad is on the roll's.
    let gain = TUNING.gain * machine.parameters.nodes[0].inertia_kgm2 / 4.2e-4;
    let mut settings = machine.settings(&Tuning { gain, ..TUNING });
    for (setting, value) in [
        (Setting::SpeedFilter, 1500.0),
        (Setting::Notch2Centre, 130.0),
        (Setting::Notch2Width, 60.0),
        (Setting::Notch2Depth, 8.0),
        (Setting::TorqueLimit, machine.nameplate.peak_torque_nm),
    ] {
        settings.set(setting, value);
    }
    settings
}

/// True motor speed at the start of each tick after a setpoint step of 1 rad/s at tick 0, by plant, sensor and drive.
fn run(machine: &Machine, settings: &Settings, ticks: usize) -> Vec<f64> {
    let mut plant = Plant::new(&machine.parameters, &Initial::at_rest(&machine.parameters, 0.0), RATE, false);
    let mut sensor = Sensor::new(&machine.sensor, Stream::new(1, "sensor"), 0.0);
    let mut drive = Drive::new(RATE, machine.nameplate, *settings);
    drive.start_enabled();
    let mut events = EventLog::new(16);
    let mut acting = Applied::Torque(0.0);
    let controlword = control::ENABLE_OPERATION_WORD;
    (0..ticks)
        .map(|_| {
            let speed = plant.speed_rad_per_s(0);
            let request = Request { controlword, speed_rad_per_s: 1.0, ..Request::default() };
            let (_, actuation) = drive.tick(sensor.sample(plant.angle_rad(0)), &request);
            let input = TickInput { drive: acting, ..TickInput::default() };
            plant.step(&input, &mut events).expect("a linear machine moves");
            acting = match actuation {
                Actuation::Torque { torque_nm } => Applied::Torque(torque_nm),
                Actuation::Voltage { alpha_v, beta_v } => Applied::Voltage { alpha_v, beta_v },
                Actuation::Off => Applied::Off,
            };
            speed
        })
        .collect()
}

/// The step response of plant, sensor and drive is that of the model's closed-loop state matrix, whatever the latency.
#[test]
fn model_steps_as_the_bench_does() {
    let machines = [roll(), arm(), gate()];
    for (corner, machine) in machines.iter().flat_map(Machine::corners) {
        for latency_ticks in [0, 1, 3] {
            check_steps(corner, &linear(machine.clone(), latency_ticks));
        }
    }
}

fn check_steps(corner: &str, machine: &Machine) {
    let settings = all_on(machine);
    let model = LoopModel::new(&machine.parameters, &machine.sensor, &settings, RATE, Gaps::Closed);
    let (matrix, input) = model.closed_loop();
    let mut state: DVector<f64> = DVector::zeros(input.len());
    for (k, speed) in run(machine, &settings, 400).into_iter().enumerate() {
        // 1 count in a tick is 1.2e-5 rad/s: rounding to counts, amplified by the loop, stays below ten of them.
        let off = (speed - state[0]).abs();
        let latency = machine.sensor.latency_ticks;
        assert!(off < 1e-4, "{} {corner}, latency {latency}, tick {k}: {speed} is not {}", machine.name, state[0]);
        state = &matrix * &state + &input;
    }
}

/// The frequency response by transfer functions is that of the closed-loop state matrix, C (zI − A)⁻¹ B.
#[test]
fn curves_are_those_of_the_state_matrix() {
    for (machine, latency_ticks) in [(roll(), 1), (arm(), 2), (gate().wound(), 1)] {
        let machine = linear(machine, latency_ticks);
        let settings = all_on(&machine);
        let model = LoopModel::new(&machine.parameters, &machine.sensor, &settings, RATE, Gaps::Closed);
        let (matrix, input) = model.closed_loop();
        let size = input.len();
        let ratio = machine.parameters.total_ratio();
        for hz in [0.3, 7.0, 44.0, 133.0, 450.0, 1900.0, 4000.0] {
            let angle = TAU * hz / 8000.0;
            let z = Complex64::new(angle.cos(), angle.sin());
            let resolvent = DMatrix::from_diagonal_element(size, size, z) - matrix.map(|x| Complex64::new(x, 0.0));
            let states = resolvent.lu().solve(&input.map(|x| Complex64::new(x, 0.0))).expect("no pole is met");
            let close = |found: Complex64, expected: Complex64| {
                assert!((found - expected).norm() < 1e-9 * expected.norm(), "{hz} Hz: {found} {expected}");
            };
            close(model.closed_motor(TAU * hz), states[0]);
            close(model.closed_load(TAU * hz), states[1] * ratio);
        }
        assert!((model.closed_motor(0.0) - 1.0).norm() < 1e-9 && (model.closed_load(0.0) - 1.0).norm() < 1e-9);
    }
}

/// The setpoint's low-pass and the feed-forward change what follows the setpoint, not the loop.
#[test]
fn setpoint_path_leaves_the_loop_alone() {
    let machine = linear(roll(), 1);
    let mut settings = all_on(&machine);
    let of = |settings: &Settings| LoopModel::new(&machine.parameters, &machine.sensor, settings, RATE, Gaps::Closed);
    let plain = of(&settings);
    settings.set(Setting::SetpointLowpass, 20.0);
    settings.set(Setting::InertiaFeedforward, 3.82e-3);
    let shaped = of(&settings);
    let w = TAU * 30.0;
    assert_eq!((plain.open(w), plain.poles()), (shaped.open(w), shaped.poles()));
    assert!(0.1 < (plain.closed_motor(w) - shaped.closed_motor(w)).norm());
}

/// Inputs of the row, as a chain without friction whose true motor speed is fed back.
fn row_chain(input: &dyn Fn(&str) -> f64) -> (DMatrix<f64>, DVector<f64>) {
    let mut train = roll().parameters;
    train.motor = MotorKind::AT_ONCE;
    for (node, key) in train.nodes.iter_mut().zip(["motor_inertia_kgm2", "load_inertia_kgm2"]) {
        (node.inertia_kgm2, node.friction) = (input(key), Friction::None);
    }
    train.couplings[0].stiffness_nm_per_rad = input("stiffness_nm_per_rad");
    train.couplings[0].damping_nms_per_rad = input("damping_nms_per_rad");
    let chain = Chain::of(&train, Gaps::Closed);
    let step = held(&chain.a, &chain.b, input("tick_s"));
    let size = step.change.nrows();
    (DMatrix::identity(size, size) + step.change, step.input)
}

/// Every crossover of an exact discrete loop; python-control's stability_margins finds the same.
#[test]
fn two_masses_sampled_exactly() {
    check("margins-discrete-two-mass", |input| {
        let (a, b) = row_chain(input);
        let (t, kp, ti) = (input("tick_s"), input("speed_gain_nms_per_rad"), input("reset_time_s"));
        let open = |w: f64| {
            let z = Complex64::new((w * t).cos(), (w * t).sin());
            let matrix = DMatrix::from_diagonal_element(3, 3, z) - a.map(|x| Complex64::new(x, 0.0));
            let states = matrix.lu().solve(&b.map(|x| Complex64::new(x, 0.0))).expect("no pole is met");
            kp * (1.0 + t / ti * z / (z - 1.0)) / z * states[0]
        };
        let closed = |w: f64| if w == 0.0 { Complex64::new(1.0, 0.0) } else { open(w) / (1.0 + open(w)) };
        let found = Survey::of(&Loop {
            open: &open,
            closed_motor: &closed,
            closed_load: None,
            low_rad_per_s: 0.1,
            high_rad_per_s: PI / t,
            breakpoints_rad_per_s: &[TAU * 44.01, TAU * 132.73],
            stable: true,
        });
        found.crossovers.iter().flat_map(|c| [Some(c.rad_per_s / TAU), Some(c.phase_rad.to_degrees())]).collect()
    });
    // States: the chain's three, the torque under way, the error's sum.
    check("discrete-two-mass-poles", |input| {
        let (a, b) = row_chain(input);
        let (kp, share) = (input("speed_gain_nms_per_rad"), input("tick_s") / input("reset_time_s"));
        let mut closed = DMatrix::zeros(5, 5);
        closed.view_mut((0, 0), (3, 3)).copy_from(&a);
        closed.view_mut((0, 3), (3, 1)).copy_from(&b);
        closed[(3, 0)] = -kp * (1.0 + share);
        closed[(3, 4)] = kp * share;
        (closed[(4, 0)], closed[(4, 4)]) = (-1.0, 1.0);
        let largest = poles::eigenvalues(&closed).expect("it ends").iter().map(|pole| pole.norm()).fold(0.0, f64::max);
        assert!((poles::spectral_radius(&closed) / largest - 1.0).abs() < 1e-12);
        vec![Some(largest)]
    });
}

/// Stability by poles and by Nyquist's curve change at the same gain: at the edge the gain margin is 0 dB.
#[test]
fn stability_ends_where_the_gain_margin_does() {
    let machine = linear(roll(), 1);
    let at = |gain: f64| {
        let settings = machine.settings(&Tuning { gain, ..TUNING });
        let model = LoopModel::new(&machine.parameters, &machine.sensor, &settings, RATE, Gaps::Closed);
        let found = survey(&model, &breakpoints_rad_per_s(&model, &machine.parameters, &settings));
        (model.is_stable(), found.answer(Measure::GainMargin, Side::Load))
    };
    let (stable, margin) = at(0.2);
    let margin_db = margin.value().expect("it has a gain margin");
    assert!(stable && 0.0 < margin_db);
    let edge = 0.2 * 10.0_f64.powf(margin_db / 20.0);
    assert!(at(edge * (1.0 - 1e-6)).0, "stable just below the edge");
    assert_eq!(at(edge * (1.0 + 1e-6)), (false, Answer::Without(NoNumber::Unstable)));
}

/// A rigid axis turns freely; that is no instability. Without friction, loop or integrator neither.
#[test]
fn free_turning_is_no_instability() {
    let mut machine = linear(roll(), 1);
    for node in &mut machine.parameters.nodes {
        node.friction = Friction::None;
    }
    for reset_time_s in [0.0, 0.05] {
        let settings = machine.settings(&Tuning { reset_time_s, notch: [0.0; 3], ..TUNING });
        let model = LoopModel::new(&machine.parameters, &machine.sensor, &settings, RATE, Gaps::Closed);
        assert!(model.is_stable(), "reset time {reset_time_s}");
    }
}

/// A sensor wired the wrong way round drives the axis away.
#[test]
fn a_reversed_sensor_is_unstable() {
    let mut machine = linear(roll(), 1);
    machine.sensor.sign = -1.0;
    let settings = machine.settings(&TUNING);
    assert!(!LoopModel::new(&machine.parameters, &machine.sensor, &settings, RATE, Gaps::Closed).is_stable());
}

/// With play the worse of gaps closed and open counts; the bandwidth to the load is the closed one's.
#[test]
fn the_worse_gap_counts() {
    let machine = arm();
    let settings = machine.settings(&Tuning { gain: 0.1, reset_time_s: 0.08, lowpass_hz: 800.0, notch: [0.0; 3] });
    let margins = Margins::of(&machine.parameters, &machine.sensor, &settings, RATE);
    let open = margins.open.as_ref().expect("the arm has play");
    for measure in [Measure::PhaseMargin, Measure::SensitivityPeak, Measure::GainMargin] {
        let both = [&margins.closed, open].map(|survey| survey.answer(measure, Side::Load).value().expect("stable"));
        let expected = if measure.larger_is_worse() { both[0].max(both[1]) } else { both[0].min(both[1]) };
        assert_eq!(margins.answer(measure, Side::Load, None).value(), Some(expected), "{}", measure.name());
    }
    let bandwidth = margins.answer(Measure::Bandwidth, Side::Load, None);
    assert_eq!(bandwidth.value(), margins.closed.answer(Measure::Bandwidth, Side::Load).value());
}

/// A motor alone, as with open gaps, has no resonance: a curve that is level towards half the tick rate has no dip there.
#[test]
fn a_motor_alone_has_no_resonance_peak() {
    let mut machine = roll();
    machine.parameters.couplings[0].half_gap_rad = 1e-3;
    let settings = machine.settings(&Tuning { gain: 0.35, reset_time_s: 0.05, lowpass_hz: 800.0, notch: [0.0; 3] });
    let margins = Margins::of(&machine.parameters, &machine.sensor, &settings, RATE);
    let open = margins.open.expect("it has play");
    assert_eq!(open.answer(Measure::ResonancePeak, Side::Load), Answer::Without(NoNumber::None));
    assert!(margins.closed.resonance_peak.is_some());
}
