//! A synchronous motor's smooth motion whose inner step is halved: without and with the effects of a real winding.
//!
//! What it does not: compare with a solver outside (`reference.rs`). Start reading at [`plain`].

use plantstand::base::time::TickRate;
use plantstand::plant::event::EventLog;
use plantstand::plant::friction::Friction;
use plantstand::plant::motor::{DeadTime, Effects, FluxHarmonic, MotorKind, Pmsm, Saturation};
use plantstand::plant::stepper::{Applied, Plant, Stepping, TickInput};
use plantstand::plant::train::{Initial, Node, Parameters};

/// Unlike inductances and nothing else, 10 ms at 500 ticks a second from 90 rad/s on.
pub fn plain(stepping: Stepping) -> Vec<f64> {
    states(Effects::default(), 5, stepping)
}

/// Saturation, a flux harmonic and dead time, with currents that pass through zero; 4 ms.
pub fn with_effects(stepping: Stepping) -> Vec<f64> {
    let effects = Effects {
        saturation: Some(Saturation { current_a: 20.0, share_d: 0.85, share_q: 0.7, share_cross: 0.9 }),
        flux_ripple: vec![FluxHarmonic { per_electrical_turn: 6, share: 0.04, phase_rad: 0.5 }],
        dead_time: Some(DeadTime { error_v: 4.0, knee_a: 5.0 }),
        temperature: None,
    };
    states(effects, 2, stepping)
}

fn states(effects: Effects, ticks: u32, stepping: Stepping) -> Vec<f64> {
    let motor = MotorKind::Pmsm(Pmsm {
        pole_pairs: 4,
        resistance_ohm: 1.2,
        inductance_d_h: 3e-3,
        inductance_q_h: 4.5e-3,
        flux_linkage_vs: 0.08,
        rotor_offset_rad: 0.0,
        phases_swapped: false,
        bus_v: 320.0,
        effects,
    });
    let nodes = vec![Node { inertia_kgm2: 4e-4, friction: Friction::None }];
    let parameters = Parameters { motor, nodes, couplings: Vec::new(), stops: None, loads: Vec::new(), brake: None };
    let mut initial = Initial::at_rest(&parameters, 0.0);
    initial.speed_rad_per_s[0] = 90.0;
    let mut plant = Plant::with_stepping(&parameters, &initial, TickRate { hz: 500 }, false, stepping);
    let drive = Applied::Voltage { alpha_v: 20.0, beta_v: 30.0 };
    for _ in 0..ticks {
        plant.step(&TickInput { drive, ..TickInput::default() }, &mut EventLog::new(1)).expect("no fault");
    }
    let [d_a, q_a] = plant.current_dq_a();
    vec![plant.speed_rad_per_s(0), d_a, q_a]
}
