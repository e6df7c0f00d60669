//! What a description says of a machine agrees with textbooks: swings, the voltage's limit, the noise of a measured speed.

use std::f64::consts::TAU;

use plantstand::base::random::Stream;
use plantstand::base::time::TickRate;
use plantstand::drive::filter::{LowPass, LowPassCoefficients};
use plantstand::linear::facts::resonances_hz;
use plantstand::linear::reach::VoltageLimit;
use plantstand::linear::sensing::SpeedNoise;
use plantstand::linear::shapes::shapes;
use plantstand::plant::sensor::{Sensor, SensorParameters};
use plantstand::plant::train::Parameters;
use plantstand::scenario;

const RATE: TickRate = TickRate { hz: 8000 };

fn near(found: f64, wanted: f64, share: f64) {
    assert!((found - wanted).abs() <= share * wanted.abs(), "found {found}, wanted {wanted}");
}

fn plant(path: &str) -> Parameters {
    let text = std::fs::read_to_string(path).expect("a shipped scenario");
    scenario::read(path, &text).expect("a sound scenario").machine.plant
}

/// Two masses swing against each other in the inverse ratio of their inertias, both seen from the motor (textbooks on
/// vibration: the centre of the free system rests).
#[test]
fn two_masses_swing_against_each_other_as_their_inertias() {
    for path in ["scenarios/dough-sheeter.toml", "scenarios/swivel-arm.toml", "scenarios/sluice-gate.toml"] {
        let plant = plant(path);
        let found = shapes(&plant);
        assert_eq!(found.len(), 1, "{path}");
        near(found[0].hz, resonances_hz(&plant)[0], 1e-12);
        let ratio = plant.couplings[0].ratio;
        let load_kgm2 = plant.nodes[1].inertia_kgm2 / (ratio * ratio);
        near(found[0].swing[1] / found[0].swing[0], -plant.nodes[0].inertia_kgm2 / load_kgm2, 1e-12);
    }
}

/// Of a uniform chain with free ends every frequency is 2 √(k/J) sin(π m / 2n) and node i swings as
/// cos(π m (i + ½) / n) (textbooks on lattices and on vibration: the discrete cosine transform's vectors).
#[test]
fn a_uniform_chain_swings_in_cosines() {
    let mut plant = plant("scenarios/sluice-gate.toml");
    let nodes = 64;
    let (stiffness, inertia) = (600.0, 1e-4);
    plant.nodes = vec![plantstand::plant::train::Node { inertia_kgm2: inertia, ..plant.nodes[0].clone() }; nodes];
    plant.couplings[0].ratio = 1.0;
    plant.couplings[0].stiffness_nm_per_rad = stiffness;
    plant.couplings = vec![plant.couplings[0]; nodes - 1];
    let found = shapes(&plant);
    assert_eq!(found.len(), nodes - 1);
    let n = nodes as f64;
    for (place, shape) in found.iter().enumerate() {
        let m = (place + 1) as f64;
        near(shape.hz, 2.0 * (stiffness / inertia).sqrt() * (TAU * m / (4.0 * n)).sin() / TAU, 1e-10);
        let first = (TAU * m * 0.5 / (2.0 * n)).cos();
        for (i, swing) in shape.swing.iter().enumerate() {
            let wanted = (TAU * m * (i as f64 + 0.5) / (2.0 * n)).cos() / first * shape.swing[0];
            assert!((swing - wanted).abs() < 1e-9, "{m} {i}: {swing} {wanted}");
        }
    }
}

const MOTOR: VoltageLimit = VoltageLimit {
    pole_pairs: 4.0,
    resistance_ohm: 0.62,
    inductance_q_h: 3.1e-3,
    flux_linkage_vs: 0.118,
    bus_v: 560.0,
};

/// The steady voltages of the current that makes the torque are as long as the bus allows, at every speed.
#[test]
fn the_torque_at_a_speed_uses_all_of_the_bus() {
    near(MOTOR.torque_nm(0.0).expect("a torque"), MOTOR.torque_per_ampere_nm() * 560.0 / 3.0_f64.sqrt() / 0.62, 1e-12);
    let idle = MOTOR.idle_speed_rad_per_s();
    assert!(MOTOR.torque_nm(idle).expect("a torque").abs() < 1e-9);
    assert!(MOTOR.torque_nm(1.01 * idle).is_none_or(|torque_nm| torque_nm < 0.0));
    for share in [0.1, 0.5, 0.9, 0.99] {
        let electrical = MOTOR.pole_pairs * share * idle;
        let current = MOTOR.torque_nm(share * idle).expect("a torque") / MOTOR.torque_per_ampere_nm();
        let d = electrical * MOTOR.inductance_q_h * current;
        let q = MOTOR.resistance_ohm * current + electrical * MOTOR.flux_linkage_vs;
        near((d * d + q * q).sqrt(), 560.0 / 3.0_f64.sqrt(), 1e-12);
    }
}

/// The formula against the sensor and the filter themselves: with noise of six counts, and with the grain alone, at angles
/// that are far enough apart for their remainders to be independent.
#[test]
fn the_noise_of_the_speed_is_that_of_the_sensor_behind_the_filter() {
    for (noise_counts_rms, low_pass_hz) in [(6.0, 0.0), (6.0, 500.0), (0.0, 0.0), (0.0, 300.0)] {
        let parameters = SensorParameters { noise_counts_rms, ..SensorParameters::plain(4096.0) };
        let mut sensor = Sensor::new(&parameters, Stream::new(1, "noise"), 0.0);
        let mut filter = LowPass::new(LowPassCoefficients::new(low_pass_hz, RATE));
        let mut place = Stream::new(2, "place");
        let (mut last, mut squares, mut kept) = (0.0, 0.0, 0.0);
        for tick in 0..400_000_u32 {
            let true_counts = 1000.0 * place.uniform();
            let off_counts = sensor.sample(true_counts * TAU / 4096.0) as f64 - true_counts;
            let off = filter.next(off_counts - last);
            last = off_counts;
            if 1000 < tick {
                squares += off * off;
                kept += 1.0;
            }
        }
        let found = (squares / kept).sqrt() * TAU / 4096.0 * 8000.0;
        near(found, SpeedNoise::new(&parameters, RATE).speed_rms_rad_per_s(low_pass_hz), 0.01);
    }
}
