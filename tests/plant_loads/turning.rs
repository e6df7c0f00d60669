//! Loads that go with speed and angle: a fan, harmonics.
//!
//! What it does not: noise (`noise.rs`). Start reading anywhere.

use plantstand::base::real;
use plantstand::plant::load::{Harmonic, LoadKind};

use crate::machine::{RATE, assert_energy_closes, assert_near, loaded, moving, run, torque};

const FAN: LoadKind = LoadKind::Fan { torque_nms2_per_rad2: 2e-4 };

/// J w' = −c w |w|: w = w0 / (1 + c |w0| t / J), turned by J/c ln(1 + c |w0| t / J); derived by separation. In both
/// directions, no event.
#[test]
fn a_fan_coasts_down_hyperbolically() {
    for direction in [1.0, -1.0] {
        let mut plant = moving(&loaded(1e-3, FAN), &[0.0], &[direction * 300.0]);
        assert!(run(&mut plant, &torque(0.0), 8000).is_empty());
        let growth = 1.0 + 2e-4 * 300.0 / 1e-3;
        assert_near(plant.speed_rad_per_s(0), direction * 300.0 / growth, 1e-11);
        assert_near(plant.angle_rad(0), direction * 5.0 * real::ln(growth), 1e-10);
        assert_energy_closes(&plant);
        assert_near(plant.energy().friction_j, plant.energy().stored_start_j - plant.energy().stored_j, 1e-10);
    }
}

/// J w' = T − c w |w| from w0 < 0 up through speed 0: w = −√(T/c) tan(√(T c) (t0 − t) / J) until t0, then
/// √(T/c) tanh(√(T c) (t − t0) / J); derived by separation. The second derivative jumps at 0; no event.
#[test]
fn a_fan_is_driven_through_speed_0_exactly() {
    let (inertia, c, drive_nm) = (1e-3, 2e-4, 0.5);
    let (end_speed, rate) = (f64::sqrt(drive_nm / c), f64::sqrt(drive_nm * c) / inertia);
    for direction in [1.0, -1.0] {
        let mut plant = moving(&loaded(inertia, FAN), &[0.0], &[-direction * 40.0]);
        let turn_s = real::atan2(40.0 / end_speed, 1.0) / rate;
        for tick in 1..=2000 {
            assert!(run(&mut plant, &torque(direction * drive_nm), 1).is_empty());
            let since_s = RATE.seconds(tick) - turn_s;
            let expected = if since_s < 0.0 { real::tan(rate * since_s) } else { real::tanh(rate * since_s) };
            assert_near(plant.speed_rad_per_s(0), direction * end_speed * expected, 1e-11);
        }
        assert_energy_closes(&plant);
    }
}

/// At rest without torque a fan rests for good, and starts either way without an event.
#[test]
fn a_fan_at_rest_stays_and_starts() {
    let mut plant = moving(&loaded(1e-3, FAN), &[0.0], &[0.0]);
    assert!(run(&mut plant, &torque(0.0), 100).is_empty());
    assert_eq!((plant.angle_rad(0), plant.speed_rad_per_s(0)), (0.0, 0.0));
    for drive_nm in [-0.1, 0.2] {
        assert!(run(&mut plant, &torque(drive_nm), 100).is_empty());
        assert!(0.0 < plant.speed_rad_per_s(0) * drive_nm);
    }
}

/// J θ'' = −P sin(n θ) is a pendulum in n θ: its period is that of small swings over the arithmetic-geometric mean of 1
/// and cos(n θ0 / 2) (Gauss; Whittaker, Analytical Dynamics, from memory). The inertia is chosen for 100 ms; after ten
/// periods it hangs where it began, but for 1e-12 of a tick's terms left out in each of 8000 ticks: 8e-9 of some 60 rad/s
/// and of an angle near 1.
#[test]
fn a_harmonic_swings_with_the_pendulums_period() {
    let (per_turn, peak_nm, start_rad) = (3_u32, 0.7, 0.9);
    let (mut mean, mut geometric) = (1.0, real::cos(0.5 * 3.0 * start_rad));
    for _ in 0..8 {
        (mean, geometric) = (0.5 * (mean + geometric), f64::sqrt(mean * geometric));
    }
    let small_rad_per_s = std::f64::consts::TAU / (0.1 * mean);
    let inertia = f64::from(per_turn) * peak_nm / (small_rad_per_s * small_rad_per_s);
    let terms = vec![Harmonic { per_turn, peak_nm, phase_rad: 0.0 }];
    let mut plant = moving(&loaded(inertia, LoadKind::Harmonics { terms }), &[start_rad], &[0.0]);
    assert!(run(&mut plant, &torque(0.0), 8000).is_empty());
    assert_near(plant.angle_rad(0), start_rad, 8e-9);
    assert_near(plant.speed_rad_per_s(0), 0.0, 5e-7);
    assert!(run(&mut plant, &torque(0.0), 400).is_empty());
    assert_near(plant.angle_rad(0), -start_rad, 8e-9);
    assert_near(plant.energy().residual_j(), 0.0, 1e-12);
    assert!(plant.energy().load_j.abs() < 8e-9, "over a whole swing it does no work: {:?}", plant.energy());
}

/// The work against harmonics is the difference of their potentials −P/n cos(n θ + phase).
#[test]
fn harmonics_have_a_potential() {
    let terms = [
        Harmonic { per_turn: 1, peak_nm: 0.3, phase_rad: 0.4 },
        Harmonic { per_turn: 7, peak_nm: -0.2, phase_rad: -1.0 },
        Harmonic { per_turn: 40, peak_nm: 0.05, phase_rad: 0.0 },
    ];
    let potential_j = |angle_rad: f64| {
        let of = |term: &Harmonic| {
            let n = f64::from(term.per_turn);
            -term.peak_nm / n * real::cos(n * angle_rad + term.phase_rad)
        };
        terms.iter().map(of).sum::<f64>()
    };
    let parameters = loaded(2e-3, LoadKind::Harmonics { terms: terms.to_vec() });
    let mut plant = moving(&parameters, &[0.2], &[5.0]);
    for tick in 0..4000 {
        run(&mut plant, &torque(if tick % 900 < 500 { 0.2 } else { -0.3 }), 1);
        assert_near(plant.energy().load_j, potential_j(plant.angle_rad(0)) - potential_j(0.2), 1e-10);
    }
    assert_energy_closes(&plant);
}
