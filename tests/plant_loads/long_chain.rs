//! 64 nodes against the eigen-solution.
//!
//! What it does not: play (see `plant_conduct`). Start reading at [`Modes`].

use std::f64::consts::PI;

use plantstand::base::real;
use plantstand::linear::facts::resonances_hz;
use plantstand::plant::train::Parameters;

use crate::machine::{RATE, assert_energy_closes, assert_near, chain, coupling, free, moving, run, torque};

const NODES: usize = 64;
const INERTIA: f64 = 1e-3;
const STIFFNESS: f64 = 2e4;

fn long() -> Parameters {
    chain(vec![free(INERTIA); NODES], vec![coupling(STIFFNESS, 0.0); NODES - 1])
}

/// Modes of a uniform free chain: shapes cos((j + ½) m π / N), frequencies 2 √(k/J) sin(m π / 2N), m = 0 … N − 1
/// (Rayleigh, Theory of Sound, §120, from memory; the recurrence of the shapes is quickly checked by hand).
struct Modes;

impl Modes {
    fn shape(mode: usize, node: usize) -> f64 {
        real::cos((node as f64 + 0.5) * mode as f64 * PI / NODES as f64)
    }

    fn rad_per_s(mode: usize) -> f64 {
        2.0 * f64::sqrt(STIFFNESS / INERTIA) * real::sin(mode as f64 * PI / (2 * NODES) as f64)
    }
}

/// Free motion from a kink in the angles and a push at one end: every node's angle at every tenth tick over 0.1 s.
#[test]
fn sixty_four_nodes_move_as_their_modes_do() {
    let start_rad: Vec<f64> =
        (0..NODES).map(|node| if node < 20 { 0.01 } else { -0.002 * (node % 3) as f64 }).collect();
    let start_speed: Vec<f64> = (0..NODES).map(|node| if node == 63 { 5.0 } else { 0.0 }).collect();
    let part = |values: &[f64], mode: usize| {
        let norm = if mode == 0 { NODES as f64 } else { NODES as f64 / 2.0 };
        values.iter().enumerate().map(|(node, value)| value * Modes::shape(mode, node)).sum::<f64>() / norm
    };
    let parts: Vec<(f64, f64)> = (0..NODES).map(|mode| (part(&start_rad, mode), part(&start_speed, mode))).collect();
    let mut plant = moving(&long(), &start_rad, &start_speed);
    for step in 1..=80 {
        assert!(run(&mut plant, &torque(0.0), 10).is_empty());
        let at_s = RATE.seconds(10 * step);
        let swing = |mode: usize| {
            let (rad, speed) = parts[mode];
            let phase = Modes::rad_per_s(mode) * at_s;
            let by_speed = if mode == 0 { at_s } else { real::sin(phase) / Modes::rad_per_s(mode) };
            rad * real::cos(phase) + speed * by_speed
        };
        let swings: Vec<f64> = (0..NODES).map(swing).collect();
        for node in 0..NODES {
            let expected: f64 = (0..NODES).map(|mode| swings[mode] * Modes::shape(mode, node)).sum();
            assert_near(plant.angle_rad(node), expected, 1e-11);
        }
    }
    assert_energy_closes(&plant);
}

/// The linear model's resonances are the same frequencies.
#[test]
fn sixty_three_resonances_are_the_modes() {
    let found = resonances_hz(&long());
    assert_eq!(found.len(), NODES - 1);
    for (found, mode) in found.iter().zip(1..) {
        let expected = Modes::rad_per_s(mode) / (2.0 * PI);
        assert_near(*found, expected, 1e-11 * expected + 1e-9);
    }
}
