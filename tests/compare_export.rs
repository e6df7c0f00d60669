//! What the program computes, as JSON for the comparison with SciPy and python-control (`tools/compare/compare.py`).
//!
//! `PLANTSTAND_COMPARE_OUT=FILE` writes it. Without that the numbers are computed all the same and must be finite. What it
//! does not: compare; the other side builds its own loops from the machines' numbers and its own measures of the samples.

mod machines;

use machines::{Machine, RATE, Tuning, arm, gate, roll};
use nalgebra::{DMatrix, DVector};
use plantstand::base::random::Stream;
use plantstand::base::recording::{Recording, Row, Signal};
use plantstand::base::signal::{Actuation, Request};
use plantstand::base::units::RPM_RAD_PER_S;
use plantstand::drive::Drive;
use plantstand::drive::setting::{Setting, Settings};
use plantstand::drive::state::control;
use plantstand::linear::chain::{Chain, Gaps, has_play};
use plantstand::linear::discretise::held;
use plantstand::linear::margins::{breakpoints_rad_per_s, survey};
use plantstand::linear::model::LoopModel;
use plantstand::plant::event::EventLog;
use plantstand::plant::friction::Friction;
use plantstand::plant::motor::MotorKind;
use plantstand::plant::sensor::Sensor;
use plantstand::plant::stepper::{Applied, Plant, TickInput};
use plantstand::plant::train::{Initial, Parameters};
use plantstand::score::margins::Survey;
use plantstand::score::measure::Measure;
use plantstand::score::window::{Options, Side, Signals, Torques, Window};
use serde_json::{Value, json};

/// The tunings that the loops are compared with, for the roll's motor; the gain goes with the motor's inertia.
const TUNINGS: [Tuning; 4] = [
    Tuning { gain: 0.28, reset_time_s: 3e-3, lowpass_hz: 0.0, notch: [0.0; 3] },
    Tuning { gain: 0.35, reset_time_s: 50e-3, lowpass_hz: 800.0, notch: [0.0; 3] },
    Tuning { gain: 0.21, reset_time_s: 10e-3, lowpass_hz: 0.0, notch: [450.0, 400.0, 26.0] },
    Tuning { gain: 0.20, reset_time_s: 0.0, lowpass_hz: 600.0, notch: [483.0, 300.0, 12.0] },
];

/// Settings of a tuning, its gain scaled to the motor; with the last two also a speed filter.
fn settings(machine: &Machine, number: usize) -> Settings {
    let tuning = TUNINGS[number];
    let gain = tuning.gain * machine.parameters.nodes[0].inertia_kgm2 / 4.2e-4;
    let mut settings = machine.settings(&Tuning { gain, ..tuning });
    settings.set(Setting::SpeedFilter, if number < 2 { 0.0 } else { 1200.0 });
    settings.set(Setting::TorqueLimit, 0.9 * machine.nameplate.peak_torque_nm);
    if number % 2 == 1 && machine.nameplate.winding.is_some() {
        // Off the optimum, and with a flux that the motor does not have.
        settings.set(Setting::CurrentGain, 0.7 * settings.get(Setting::CurrentGain));
        settings.set(Setting::FluxLinkage, 1.15 * settings.get(Setting::FluxLinkage));
    }
    settings
}

fn viscous(friction: &Friction) -> f64 {
    friction.viscous_nms_per_rad()
}

/// What the q axis is made of; null without a winding.
fn winding_numbers(motor: &MotorKind) -> Value {
    let MotorKind::Pmsm(pmsm) = motor else { return Value::Null };
    json!({
        "pole_pairs": pmsm.pole_pairs,
        "resistance_ohm": pmsm.resistance_ohm,
        "inductance_q_h": pmsm.inductance_q_h,
        "flux_linkage_vs": pmsm.flux_linkage_vs,
    })
}

/// The numbers from which the other side builds its own loop; nodes up to an open gap.
fn machine_numbers(parameters: &Parameters, nodes: usize) -> Value {
    json!({
        "torque_lag_s": parameters.motor.torque_lag_s(),
        "winding": winding_numbers(&parameters.motor),
        "inertia_kgm2": parameters.nodes[..nodes].iter().map(|node| node.inertia_kgm2).collect::<Vec<_>>(),
        "viscous_nms_per_rad": parameters.nodes[..nodes].iter().map(|node| viscous(&node.friction)).collect::<Vec<_>>(),
        "couplings": parameters.couplings[..nodes - 1].iter().map(|coupling| json!({
            "ratio": coupling.ratio,
            "stiffness_nm_per_rad": coupling.stiffness_nm_per_rad,
            "damping_nms_per_rad": coupling.damping_nms_per_rad,
        })).collect::<Vec<_>>(),
    })
}

fn drive_numbers(settings: &Settings) -> Value {
    let named = [
        Setting::SpeedGain,
        Setting::SpeedResetTime,
        Setting::SpeedFilter,
        Setting::TorqueLowpass,
        Setting::Notch1Centre,
        Setting::Notch1Width,
        Setting::Notch1Depth,
        Setting::CurrentGain,
        Setting::CurrentResetTime,
        Setting::PolePairs,
        Setting::FluxLinkage,
    ];
    named
        .iter()
        .map(|setting| (setting.name().to_owned(), json!(settings.get(*setting))))
        .collect::<serde_json::Map<_, _>>()
        .into()
}

fn found_in(survey: &Survey, model: &LoopModel) -> Value {
    let largest = model.poles().iter().map(|pole| pole.norm()).fold(0.0, f64::max);
    json!({
        "stable": model.is_stable(),
        "largest_pole": largest,
        "crossovers": survey.crossovers.iter().map(|c| [c.rad_per_s, c.phase_rad]).collect::<Vec<_>>(),
        "half_turns": survey.half_turns.iter().map(|t| [t.rad_per_s, t.gain_db]).collect::<Vec<_>>(),
        "sensitivity_peak": [survey.sensitivity_peak.value, survey.sensitivity_peak.rad_per_s],
        "bandwidth_motor_rad_per_s": survey.bandwidth_motor_rad_per_s,
        "bandwidth_load_rad_per_s": survey.bandwidth_load_rad_per_s.flatten(),
        "resonance_peak": survey.resonance_peak.map(|peak| [peak.value, peak.rad_per_s]),
        "measures": Measure::all()
            .filter(|measure| measure.kind() == plantstand::score::measure::Kind::Loop)
            .map(|measure| (measure.name().to_owned(), json!(survey.answer(measure, Side::Load).value())))
            .collect::<serde_json::Map<_, _>>(),
    })
}

fn motor_word(machine: &Machine) -> &'static str {
    if machine.nameplate.winding.is_some() { "winding" } else { "lag" }
}

fn one_loop(corner: &str, machine: &Machine, number: usize, gaps: Gaps) -> Value {
    let settings = settings(machine, number);
    let model = LoopModel::new(&machine.parameters, &machine.sensor, &settings, RATE, gaps);
    let found = survey(&model, &breakpoints_rad_per_s(&model, &machine.parameters, &settings));
    json!({
        "name": format!("{} {corner}, {}, tuning {number}, gaps {gaps:?}", machine.name, motor_word(machine)),
        "tick_hz": RATE.hz,
        "latency_ticks": machine.sensor.latency_ticks,
        "machine": machine_numbers(&machine.parameters, model.chain().nodes),
        "load_connected": model.chain().load_ratio.is_some(),
        "drive": drive_numbers(&settings),
        "found": found_in(&found, &model),
    })
}

fn loops() -> Vec<Value> {
    let mut found = Vec::new();
    let machines = [roll(), arm(), gate()];
    let wound = machines.each_ref().map(Machine::wound);
    for (corner, machine) in machines.iter().chain(&wound).flat_map(Machine::corners) {
        for number in 0..TUNINGS.len() {
            found.push(one_loop(corner, &machine, number, Gaps::Closed));
            if has_play(&machine.parameters) {
                found.push(one_loop(corner, &machine, number, Gaps::Open));
            }
        }
    }
    found
}

fn rows(matrix: &DMatrix<f64>) -> Vec<Vec<f64>> {
    matrix.row_iter().map(|row| row.iter().copied().collect()).collect()
}

fn discretisations() -> Vec<Value> {
    let of = |name: String, a: DMatrix<f64>, b: DVector<f64>, period_s: f64| {
        let step = held(&a, &b, period_s);
        json!({
            "name": name, "a": rows(&a), "b": b.as_slice(), "period_s": period_s,
            "change": rows(&step.change), "input": step.input.as_slice(),
        })
    };
    let mut found = Vec::new();
    let machines = [roll(), arm(), gate(), roll().wound(), gate().wound()];
    for (corner, machine) in machines.iter().flat_map(Machine::corners) {
        let (a, b) = Chain::of(&machine.parameters, Gaps::Closed).with_motor_angle();
        for hz in [1000.0, 8000.0, 32_000.0] {
            found.push(of(
                format!("{} {corner}, {}, at {hz} Hz", machine.name, motor_word(&machine)),
                a.clone(),
                b.clone(),
                1.0 / hz,
            ));
        }
    }
    found
}

/// A run of plant, sensor and drive: a step to `rpm` at 0.1 s, held to 0.6 s, back to 0.
fn run(machine: &Machine, settings: &Settings, rpm: f64) -> Recording {
    let ticks = 8000;
    let mut recording = Recording::with_capacity(RATE, ticks);
    let mut plant = Plant::new(&machine.parameters, &Initial::at_rest(&machine.parameters, 0.0), RATE, false);
    let mut sensor = Sensor::new(&machine.sensor, Stream::new(7, "sensor"), 0.0);
    let mut drive = Drive::new(RATE, machine.nameplate, *settings);
    drive.start_enabled();
    let mut events = EventLog::new(16);
    let mut acting = Applied::Torque(0.0);
    let last = machine.parameters.nodes.len() - 1;
    for tick in 0..ticks {
        let setpoint = if (800..4800).contains(&tick) { rpm * RPM_RAD_PER_S } else { 0.0 };
        let request =
            Request { controlword: control::ENABLE_OPERATION_WORD, speed_rad_per_s: setpoint, ..Request::default() };
        let mut row: Row = [0.0; Signal::ALL.len()];
        row[Signal::MotorSpeed as usize] = plant.speed_rad_per_s(0);
        row[Signal::LoadSpeed as usize] = plant.speed_rad_per_s(last);
        row[Signal::LoadAngle as usize] = plant.angle_rad(last);
        row[Signal::Setpoint as usize] = setpoint;
        let (feedback, actuation) = drive.tick(sensor.sample(plant.angle_rad(0)), &request);
        row[Signal::TorqueCommand as usize] = feedback.torque_command_nm;
        recording.push(&row);
        plant.step(&TickInput { drive: acting, ..TickInput::default() }, &mut events).expect("it moves");
        events.clear();
        acting = match actuation {
            Actuation::Torque { torque_nm } => Applied::Torque(torque_nm),
            Actuation::Voltage { alpha_v, beta_v } => Applied::Voltage { alpha_v, beta_v },
            Actuation::Off => Applied::Off,
        };
    }
    recording
}

fn measured(name: String, window: &Window, options: &Options) -> Value {
    let values = Measure::all()
        .filter(|measure| measure.is_built() && measure.kind().has_window())
        .map(|measure| (measure.name().to_owned(), json!(measure.evaluate(window, options).value())))
        .collect::<serde_json::Map<_, _>>();
    json!({
        "name": name,
        "tick_hz": window.rate.hz,
        "setpoint_before": window.setpoint_before_rad_per_s,
        "setpoint": window.setpoint_rad_per_s,
        "speed": window.speed(options.side),
        "load_angle": window.load_angle_rad,
        "torque_command": window.torque_command_nm,
        "rated_torque_nm": options.torques.rated_nm,
        "torque_limit_nm": options.torques.limit_nm,
        "band_percent": options.band_percent,
        "band_rpm": options.band_rpm,
        "hold_s": options.hold_s,
        "highpass_hz": options.highpass_hz,
        "measures": values,
    })
}

fn windows() -> Vec<Value> {
    let mut found = Vec::new();
    for (machine, rpm, number) in [(roll(), 400.0, 1), (roll(), 400.0, 0), (arm(), -150.0, 1), (gate(), 1500.0, 2)] {
        let settings = settings(&machine, number);
        let recording = run(&machine, &settings, rpm);
        let signals = Signals::of(&recording, machine.parameters.total_ratio());
        let torques =
            Torques { rated_nm: machine.nameplate.rated_torque_nm, limit_nm: settings.get(Setting::TorqueLimit) };
        let plain = Options { highpass_hz: Some(20.0), ..Options::with(torques) };
        for (entry, ticks) in [("step", 800..4800), ("stop", 4800..8000)] {
            let window = signals.window(ticks).expect("the run covers it");
            for side in [Side::Motor, Side::Load] {
                let name = format!("{} tuning {number} {entry}, {side:?}", machine.name);
                let options = Options { side, band_percent: Some(5.0), ..plain };
                found.push(measured(name.clone(), &window, &options));
                let options = Options { side, band_rpm: Some(3.0), hold_s: 0.02, ..plain };
                found.push(measured(format!("{name}, band in rpm"), &window, &options));
            }
        }
    }
    found
}

/// Every number in a tree of JSON; a number that is not finite has become null, which stands only where it may.
fn numbers(value: &Value) -> usize {
    match value {
        Value::Array(entries) => entries.iter().map(numbers).sum(),
        Value::Object(entries) => entries.values().map(numbers).sum(),
        Value::Number(_) => 1,
        _ => 0,
    }
}

#[test]
fn numbers_for_the_comparison_are_finite() {
    let exported = json!({ "discretisations": discretisations(), "loops": loops(), "windows": windows() });
    for of_loop in exported["loops"].as_array().expect("there are loops") {
        let peak = &of_loop["found"]["sensitivity_peak"];
        assert_eq!(numbers(peak), 2, "{}: {peak}", of_loop["name"]);
    }
    for window in exported["windows"].as_array().expect("there are windows") {
        for name in ["dip_rpm", "dip_area_rad", "torque_noise_rms_percent", "speed_ripple_rms_rpm"] {
            assert_eq!(numbers(&window["measures"][name]), 1, "{} {name}", window["name"]);
        }
    }
    if let Some(path) = std::env::var_os("PLANTSTAND_COMPARE_OUT") {
        std::fs::write(&path, exported.to_string()).expect("the file can be written");
    }
}
