//! What a scenario says of a real motor comes out in the plant's own units, and cogging as a torque on the motor.
//!
//! Start reading anywhere.

use std::f64::consts::{PI, SQRT_2};

use plantstand::base::units::DEG_RAD;
use plantstand::plant::load::{Harmonic, Load, LoadKind};
use plantstand::plant::motor::{DeadTime, Effects, FluxHarmonic, MotorKind, Saturation, WindingTemperature};
use plantstand::scenario::read;

#[test]
fn effects_of_a_motor_are_read() {
    let text = std::fs::read_to_string("tests/data/scenarios/good-every-key.toml").expect("it can be read");
    let plant = read("good-every-key", &text).expect("it is sound").machine.plant;
    let MotorKind::Pmsm(pmsm) = &plant.motor else { panic!("no pmsm") };
    let effects = Effects {
        saturation: Some(Saturation {
            current_a: SQRT_2 * 12.0,
            share_d: 0.01 * 90.0,
            share_q: 0.01 * 80.0,
            share_cross: 0.01 * 95.0,
        }),
        flux_ripple: vec![FluxHarmonic { per_electrical_turn: 6, share: 0.02, phase_rad: -40.0 * DEG_RAD }],
        dead_time: Some(DeadTime { error_v: 1e-6 * 1.5 * 8000.0 * 560.0, knee_a: 0.2 }),
        temperature: Some(WindingTemperature {
            ambient_k: 303.15,
            start_k: 313.15,
            thermal_resistance_k_per_w: 0.9,
            time_constant_s: 400.0,
            resistance_per_k: 0.01 * 0.39,
            flux_per_k: 0.01 * -0.11,
        }),
    };
    assert_eq!((pmsm.phases_swapped, &pmsm.effects), (true, &effects));
    // Loads count against motion, and a sine half a turn on is its negative: the motor feels 0.03 Nm sin(24 θ + 10°).
    let terms = vec![Harmonic { per_turn: 24, peak_nm: 0.03, phase_rad: 10.0 * DEG_RAD + PI }];
    assert_eq!(plant.loads.last(), Some(&Load { node: 0, kind: LoadKind::Harmonics { terms } }));
}
