//! Load noise: a process of Ornstein and Uhlenbeck.
//!
//! What it does not: white noise of sensors (`plant_checks`). Start reading anywhere.

use std::f64::consts::{PI, TAU};
use std::path::Path;

use plantstand::base::random::Stream;
use plantstand::base::real;
use plantstand::base::time::TickRate;
use plantstand::plant::event::EventLog;
use plantstand::plant::load::{Load, LoadKind};
use plantstand::plant::load_noise::{LoadNoise, OrnsteinUhlenbeck};
use plantstand::plant::stepper::Plant;
use plantstand::plant::train::{Initial, Parameters};
use serde_json::Value;

use crate::machine::{RATE, assert_energy_closes, assert_near, chain, coupling, free, torque};

/// What a row of the check values expects.
fn expected(id: &str) -> Vec<f64> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/check-values.json");
    let file: Value = serde_json::from_str(&std::fs::read_to_string(path).expect("check values")).expect("JSON");
    let row = file["rows"].as_array().expect("rows").iter().find(|row| row["id"] == id).expect("the row").clone();
    row["expected"].as_array().expect("numbers").iter().map(|number| number.as_f64().expect("a number")).collect()
}

fn process(seed: u64) -> OrnsteinUhlenbeck {
    OrnsteinUhlenbeck::new(0.2, 50.0, RATE, Stream::new(seed, "load 0"))
}

/// Row `ou-exact`: factor and fresh noise to 1e-12; the correlation over 1 and 5 ms follows from the factor, and shows in
/// half a million drawn values within four standard errors of Bartlett's formula (about 4 √(2 τc / T_total)).
#[test]
fn factors_and_correlation_are_the_process() {
    let row = expected("ou-exact");
    let (keeps, fresh) = process(1).factors();
    assert_near(keeps, row[0], 1e-12 * row[0]);
    assert_near(fresh, row[1], 1e-12 * row[1]);
    assert_near(real::pow(keeps, 8.0), row[2], 1e-12);
    assert_near(real::pow(keeps, 40.0), row[3], 1e-12);
    let mut noise = process(3);
    let values: Vec<f64> = (0..500_000).map(|_| noise.tick().start).collect();
    let mean_product = |apart: usize| {
        let pairs = values.iter().zip(&values[apart..]);
        pairs.map(|(one, other)| one * other).sum::<f64>() / (values.len() - apart) as f64
    };
    let error = 4.0 * f64::sqrt(2.0 / (TAU * 50.0 * RATE.seconds(500_000)));
    assert_near(mean_product(0) / 0.04, 1.0, error);
    assert_near(mean_product(8) / 0.04, row[2], error);
    assert_near(mean_product(40) / 0.04, row[3], error);
}

/// Row `ou-spectrum`: the power density of drawn values at 50 Hz, averaged over 1000 stretches of one second, each a
/// single Fourier coefficient: within four standard errors, 4/√1000. At 500 Hz what repeats at the tick rate adds less
/// than 3 percent. The row's figures are those of S0 / (1 + (f/fc)²).
#[test]
fn the_power_density_is_the_first_order_low_pass() {
    let row = expected("ou-spectrum");
    let zero = 2.0 * 0.2 * 0.2 / (PI * 50.0);
    assert_near(row[0], zero, 1e-9 * zero);
    let mut noise = process(4);
    let samples = RATE.hz as usize;
    let mut density = [0.0; 2];
    for _ in 0..1000 {
        let values: Vec<f64> = (0..samples).map(|_| noise.tick().start).collect();
        for (density, hz) in density.iter_mut().zip([50.0, 500.0]) {
            let (mut in_phase, mut quadrature) = (0.0, 0.0);
            let step = TAU * hz / samples as f64;
            let (turn_cos, turn_sin) = (real::cos(step), real::sin(step));
            let (mut cosine, mut sine) = (1.0, 0.0);
            for value in &values {
                in_phase += value * cosine;
                quadrature += value * sine;
                (cosine, sine) = (cosine * turn_cos - sine * turn_sin, sine * turn_cos + cosine * turn_sin);
            }
            *density += 2.0 * (in_phase * in_phase + quadrature * quadrature) / (samples * samples) as f64 / 1000.0;
        }
    }
    assert_near(density[0] / row[1], 1.0, 4.0 / f64::sqrt(1000.0));
    assert_near(density[1] / row[2], 1.0, 0.03 + 4.0 / f64::sqrt(1000.0));
}

fn noisy(node: usize, rms_nm: f64) -> Load {
    Load { node, kind: LoadKind::Noise { rms_nm, corner_hz: 30.0, source: format!("load {node}") } }
}

/// On a free node the noise's torque, a line from tick to tick, gives exactly the sum of trapezia; energy closes; the
/// same seed gives the same bits, a second noisy load does not shift the first one's numbers.
#[test]
fn it_drives_the_plant_and_repeats() {
    let with =
        |loads: Vec<Load>| Parameters { loads, ..chain(vec![free(0.001), free(0.004)], vec![coupling(500.0, 0.05)]) };
    let stream = |name: &str| Stream::new(7, name);
    let run = |parameters: &Parameters| {
        let mut plant = Plant::new(parameters, &Initial::at_rest(parameters, 0.0), RATE, true);
        let mut noise = LoadNoise::new(&parameters.loads, RATE, stream);
        let mut events = EventLog::new(10);
        let mut torques = Vec::new();
        for _ in 0..4000 {
            torques.push(noise.tick().to_vec());
            plant.step_under(&torque(0.0), &torques[torques.len() - 1], &mut events).expect("no fault");
        }
        (plant, torques)
    };
    let (plant, torques) = run(&with(vec![noisy(0, 0.3), noisy(1, 0.2)]));
    assert_energy_closes(&plant);
    let impulse: f64 = torques.iter().flatten().map(|one| 0.5 * (one.torque_nm.start + one.torque_nm.end)).sum();
    let momentum = 0.001 * plant.speed_rad_per_s(0) + 0.004 * plant.speed_rad_per_s(1);
    assert_near(momentum, -impulse * RATE.period_s(), 1e-13);
    let (again, _) = run(&with(vec![noisy(0, 0.3), noisy(1, 0.2)]));
    assert_eq!(plant.angle_rad(1).to_bits(), again.angle_rad(1).to_bits());
    let (_, alone) = run(&with(vec![noisy(0, 0.3)]));
    assert!(alone.iter().zip(&torques).all(|(alone, both)| alone[0] == both[0]));
}

/// The corner is where it is said to be at any tick rate.
#[test]
fn the_factor_follows_the_tick_rate() {
    let (keeps, _) = OrnsteinUhlenbeck::new(1.0, 50.0, TickRate { hz: 1000 }, Stream::new(1, "load 0")).factors();
    assert_near(keeps, real::pow(process(1).factors().0, 8.0), 1e-14);
}
