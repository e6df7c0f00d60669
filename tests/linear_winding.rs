//! The linear model of a motor with a winding is the bench, linearised: the drive's current loops on the plant's winding
//! step as the model's state matrix does, and the loop that a small sine finds in the bench is the model's L.

mod machines;

use std::f64::consts::TAU;

use machines::{Machine, RATE, Tuning, arm, gate, roll};
use nalgebra::DVector;
use num_complex::Complex64;
use plantstand::base::random::Stream;
use plantstand::base::recording::Signal;
use plantstand::base::safeguard::Safeguards;
use plantstand::base::signal::Request;
use plantstand::bench::tick::{Bench, Loads, Setup};
use plantstand::drive::setting::{Setting, Settings};
use plantstand::drive::state::control::ENABLE_OPERATION_WORD;
use plantstand::linear::chain::Gaps;
use plantstand::linear::model::LoopModel;
use plantstand::plant::current_sensor::CurrentSensorParameters;
use plantstand::plant::friction::Friction;
use plantstand::plant::load_noise::LoadNoise;
use plantstand::plant::sensor::SensorStreams;
use plantstand::plant::train::Initial;
use plantstand::score::conduct::Rules;

const TUNING: Tuning = Tuning { gain: 0.2, reset_time_s: 0.04, lowpass_hz: 700.0, notch: [450.0, 300.0, 20.0] };

/// A machine that is linear but for its winding: only viscous friction, no play, no noise, the finest counts there are.
fn linear(machine: &Machine, latency_ticks: u32) -> Machine {
    let mut machine = machine.wound();
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

/// Settings as brisk on each motor as 0.2 Nms/rad is on the roll's; `changed` puts the current loop off its optimum and
/// lets the nameplate have another flux than the motor.
fn settings(machine: &Machine, changed: bool) -> Settings {
    let gain = TUNING.gain * machine.parameters.nodes[0].inertia_kgm2 / 4.2e-4;
    let mut settings = machine.settings(&Tuning { gain, ..TUNING });
    settings.set(Setting::TorqueLimit, machine.nameplate.peak_torque_nm);
    if changed {
        settings.set(Setting::SpeedFilter, 1500.0);
        settings.set(Setting::CurrentGain, 0.7 * settings.get(Setting::CurrentGain));
        settings.set(Setting::CurrentResetTime, 2.0 * settings.get(Setting::CurrentResetTime));
        settings.set(Setting::FluxLinkage, 1.15 * settings.get(Setting::FluxLinkage));
    }
    settings
}

fn bench(machine: &Machine, settings: &Settings) -> Bench {
    let parameters = &machine.parameters;
    let mut bench = Bench::new(&Setup {
        rate: RATE,
        plant: parameters.clone(),
        initial: Initial::at_rest(parameters, 0.0),
        sensor: machine.sensor.clone(),
        nameplate: machine.nameplate,
        settings: *settings,
        clamped_when_off: false,
        safeguards: Safeguards::default(),
        rules: Rules {
            rate: RATE,
            origin_rad: 0.0,
            window_low_rad: -1e9,
            window_high_rad: 1e9,
            max_speed_rad_per_s: 1e6,
            total_ratio: parameters.total_ratio(),
            rated_torque_nm: machine.nameplate.rated_torque_nm,
            stops: None,
        },
        noise: SensorStreams::new(1, "sensor"),
        load_sensor: None,
        load_sensor_noise: SensorStreams::new(1, "load sensor"),
        current_sensor: CurrentSensorParameters::CLEAN,
        current_noise: Stream::new(1, "current"),
        load_noise: LoadNoise::new(&parameters.loads, RATE, |name| Stream::new(1, name)),
        audit: false,
    });
    bench.start_enabled();
    bench
}

fn model(machine: &Machine, settings: &Settings) -> LoopModel {
    LoopModel::new(&machine.parameters, &machine.sensor, settings, RATE, Gaps::Closed)
}

/// The step of the setpoint, small: what is not linear in a winding grows with its square.
const STEP_RAD_PER_S: f64 = 0.1;

fn check_steps(corner: &str, machine: &Machine, changed: bool) {
    let settings = settings(machine, changed);
    let (matrix, input) = model(machine, &settings).closed_loop();
    let mut state: DVector<f64> = DVector::zeros(input.len());
    let mut bench = bench(machine, &settings);
    let request = Request { controlword: ENABLE_OPERATION_WORD, speed_rad_per_s: STEP_RAD_PER_S, ..Request::default() };
    for tick in 0..400 {
        let (_, row) = bench.tick(&request, &Loads::none(), 0.0).expect("a linear machine moves");
        let speed = row[Signal::MotorSpeed as usize] / STEP_RAD_PER_S;
        let off = (speed - state[0]).abs();
        let name = machine.name;
        assert!(off < 1e-3, "{name} {corner}, changed {changed}, tick {tick}: {speed} is not {}", state[0]);
        state = &matrix * &state + &input;
    }
}

#[test]
fn the_model_steps_as_the_bench_does() {
    for (corner, machine) in [roll(), arm(), gate()].iter().flat_map(Machine::corners) {
        check_steps(corner, &linear(&machine, 1), false);
        check_steps(corner, &linear(&machine, 2), true);
    }
}

/// L by a sine on the torque offset: −c/u of the feedback at its frequency, over whole periods after the start has died
/// away.
fn measured_loop(machine: &Machine, settings: &Settings, periods: u32, torque_nm: f64) -> Complex64 {
    let (settling, length) = (16_000, 8000);
    let mut bench = bench(machine, settings);
    let (mut c, mut u) = (Complex64::ZERO, Complex64::ZERO);
    for tick in 0..settling + length {
        // Whole periods in `length`: the phase needs no more than the rest.
        let angle = TAU * f64::from((tick * periods) % length) / f64::from(length);
        let request = Request {
            controlword: ENABLE_OPERATION_WORD,
            torque_offset_nm: torque_nm * angle.sin(),
            ..Request::default()
        };
        let (feedback, _) = bench.tick(&request, &Loads::none(), 0.0).expect("a linear machine moves");
        if settling <= tick {
            let turn = Complex64::new(angle.cos(), -angle.sin());
            c += feedback.controller_torque_nm * turn;
            u += feedback.summed_torque_nm * turn;
        }
    }
    -c / u
}

#[test]
fn the_loop_that_a_sine_finds_in_the_bench_is_the_models() {
    for (machine, changed) in [(roll(), false), (roll(), true), (arm(), false), (gate(), false), (gate(), true)] {
        let machine = linear(&machine, 1);
        let settings = settings(&machine, changed);
        let model = model(&machine, &settings);
        assert!(model.is_stable(), "{} {changed}", machine.name);
        for periods in [8, 40, 133, 300, 483, 700, 1500] {
            // The faster the sine the less it turns the motor: enough to be far above a count.
            let torque_nm = 1e-4 * f64::from(periods) * machine.nameplate.rated_torque_nm;
            let found = measured_loop(&machine, &settings, periods, torque_nm);
            let expected = model.open(TAU * f64::from(periods));
            // Where L is small the counts show: some 1e-6 of what was put in.
            let allowed = 1e-5 * expected.norm() + 1e-6;
            let off = (found - expected).norm();
            let name = machine.name;
            assert!(off < allowed, "{name}, changed {changed}, {periods} Hz: {found} is not {expected}, {off:.1e} off");
        }
    }
}
