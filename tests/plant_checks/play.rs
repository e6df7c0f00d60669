//! Part H: play.
//!
//! What it does not: limit cycles of a whole loop. Start reading anywhere.

use std::f64::consts::{PI, TAU};

use plantstand::base::real;
use plantstand::base::time::TickRate;
use plantstand::plant::coupling::Coupling;
use plantstand::plant::event::{EventKind, EventLog};
use plantstand::plant::friction::Coulomb;
use plantstand::plant::stepper::{Applied, Plant, TickInput};
use plantstand::plant::train::{Initial, Parameters};

use crate::rows::{RATE, Row, chain, free, rubbing, run_until};

fn coupling(stiffness_nm_per_rad: f64, damping_nms_per_rad: f64, half_gap_rad: f64) -> Coupling {
    Coupling {
        ratio: 1.0,
        stiffness_nm_per_rad,
        damping_nms_per_rad,
        half_gap_rad,
        torque_limit_nm: None,
        coupled: true,
    }
}

/// Two nodes with the motor ahead by a twist, the gap's position and the motor's speed given, the load at rest.
fn ahead(parameters: &Parameters, twist_rad: f64, gap_position_rad: f64, motor_speed_rad_per_s: f64) -> Plant {
    let initial = Initial {
        angle_rad: vec![twist_rad, 0.0],
        speed_rad_per_s: vec![motor_speed_rad_per_s, 0.0],
        gap_position_rad: vec![gap_position_rad],
    };
    Plant::new(parameters, &initial, RATE, true)
}

/// Row `describing-function-dead-zone`: Gelb and Vander Velde; Slotine and Li. The coupling's torque over twist,
/// without damping, is a dead zone: its fundamental over a sine of twist, by a sum over the sine's phases.
#[test]
fn fundamental_of_the_torque_of_an_undamped_gap() {
    let row = Row::named("describing-function-dead-zone");
    let fundamental = |half_gap_rad: f64| {
        let parameters = chain(vec![free(1.0), free(1.0)], vec![coupling(1.0, 0.0, half_gap_rad)]);
        let phases = 40_000;
        let share =
            |phase: f64| ahead(&parameters, real::sin(phase), 0.0, 0.0).coupling_torque_nm(0) * real::sin(phase);
        2.0 * (0..phases).map(|k| share(TAU * (f64::from(k) + 0.5) / f64::from(phases))).sum::<f64>()
            / f64::from(phases)
    };
    row.check(&row.inputs("ratio_half_gap_to_amplitude").into_iter().map(fundamental).collect::<Vec<_>>());
}

/// Row `describing-function-backlash`: Gelb and Vander Velde; Slotine and Li. A heavy node swings on a spring, exactly
/// as a sine, and drags a light one that friction holds through play. The light node is not without inertia, nor its
/// coupling rigid: it overshoots by some 1e-4 of the gap where a flank strikes it, hence 5e-4 in place of 1e-6.
#[test]
fn fundamental_of_friction_held_play() {
    let row = Row::named("describing-function-backlash");
    let found: Vec<f64> = row
        .inputs("amplitudes")
        .into_iter()
        .flat_map(|amplitude| dragged_fundamental(amplitude, row.input("half_gap")))
        .collect();
    row.check_within(&found, 5e-4);
}

fn dragged_fundamental(amplitude: f64, half_gap_rad: f64) -> [f64; 2] {
    let (swing_kgm2, swing_rad_per_s) = (1e4, TAU);
    let rubs = Coulomb {
        kinetic_nm: 0.02,
        static_nm: 0.02,
        stribeck_rad_per_s: 1.0,
        stribeck_exponent: 2.0,
        viscous_nms_per_rad: 0.0,
    };
    let (stiffness, light_kgm2) = (1000.0, 1e-5);
    let damping = 2.0 * f64::sqrt(stiffness * light_kgm2);
    let parameters = chain(
        vec![free(swing_kgm2), free(swing_kgm2), rubbing(light_kgm2, rubs)],
        vec![
            coupling(swing_kgm2 * swing_rad_per_s * swing_rad_per_s, 0.0, 0.0),
            coupling(stiffness, damping, half_gap_rad),
        ],
    );
    let initial = Initial {
        angle_rad: vec![0.0, amplitude, amplitude - half_gap_rad],
        speed_rad_per_s: vec![0.0; 3],
        gap_position_rad: vec![0.0, half_gap_rad],
    };
    let mut plant = Plant::new(&parameters, &initial, RATE, false);
    let held = TickInput { drive: Applied::Off, clamp_motor: true, ..TickInput::default() };
    let mut events = EventLog::new(0);
    let (mut in_phase, mut quadrature) = (0.0, 0.0);
    let period = u64::from(RATE.hz);
    for tick in 0..2 * period {
        if period <= tick {
            let phase = TAU * RATE.seconds(tick);
            in_phase += plant.angle_rad(2) * real::cos(phase);
            quadrature -= plant.angle_rad(2) * real::sin(phase);
        }
        plant.step(&held, &mut events).expect("no fault");
    }
    let scale = 2.0 / (period as f64 * amplitude);
    [in_phase * scale, quadrature * scale]
}

/// Row `gap-crossing`: derived, sqrt(2 (2a) J / torque).
#[test]
fn crossing_the_gap() {
    let row = Row::named("gap-crossing");
    let half_gap_rad = row.input("backlash_rad") / 2.0;
    let parameters =
        chain(vec![free(row.input("motor_inertia_kgm2")), free(1.0)], vec![coupling(260.0, 0.0, half_gap_rad)]);
    let mut plant = ahead(&parameters, -half_gap_rad, -half_gap_rad, 0.0);
    let torque_nm = row.input("torque_nm");
    let input = TickInput { drive: Applied::Torque(torque_nm), ..TickInput::default() };
    let strike = run_until(&mut plant, &input, EventKind::GapCloses);
    row.check(&[strike.time_s, torque_nm / row.input("motor_inertia_kgm2") * strike.time_s]);
}

fn strike(row: &Row) -> Plant {
    let half_gap_rad = 0.001;
    let parameters = chain(
        vec![free(row.input("motor_inertia_kgm2")), free(row.input("load_inertia_kgm2"))],
        vec![coupling(row.input("stiffness_nm_per_rad"), row.input("damping_nms_per_rad"), half_gap_rad)],
    );
    ahead(&parameters, half_gap_rad, half_gap_rad, row.input("closing_speed_rad_per_s"))
}

/// Row `strike-free-two-mass`: derived, half a sine of the free mode. The peak torque is that of the energy stored when
/// both speeds are equal: T² + k J_e v² of any sample in contact, v the difference of speeds.
#[test]
fn free_strike_without_damping() {
    let row = Row::named("strike-free-two-mass");
    let mut plant = strike(&row);
    let mut events = EventLog::new(10);
    let (motor, load) = (row.input("motor_inertia_kgm2"), row.input("load_inertia_kgm2"));
    let reduced_kgm2 = motor * load / (motor + load);
    let mut peak_nm = 0.0;
    while events.iter().next().is_none() {
        plant.step(&TickInput::default(), &mut events).expect("no fault");
        if events.iter().next().is_none() {
            let apart = plant.speed_rad_per_s(0) - plant.speed_rad_per_s(1);
            let stiffness = row.input("stiffness_nm_per_rad");
            let torque_nm = plant.coupling_torque_nm(0);
            peak_nm = (torque_nm * torque_nm + stiffness * reduced_kgm2 * apart * apart).sqrt();
        }
    }
    let opens = events.iter().next().expect("it opens");
    assert_eq!(opens.kind, EventKind::GapOpens);
    row.check(&[peak_nm, opens.time_s, plant.speed_rad_per_s(0), plant.speed_rad_per_s(1)]);
}

/// Row `strike-damped-rebound`: derived; the contact ends where its torque is 0, with overlap left.
#[test]
fn damped_rebound_ends_at_torque_0_with_overlap_left() {
    let row = Row::named("strike-damped-rebound");
    let mut plant = strike(&row);
    let opens = run_until(&mut plant, &TickInput::default(), EventKind::GapOpens);
    let apart = plant.speed_rad_per_s(1) - plant.speed_rad_per_s(0);
    let twist_rad = plant.angle_rad(0) - plant.angle_rad(1);
    let since_s = RATE.seconds(plant.tick()) - opens.time_s;
    row.check(&[opens.time_s, apart, twist_rad + apart * since_s - 0.001]);
}

/// Row `gap-strike-damped`: derived from Nordin, Galic and Gutman, Int. J. Adaptive Control and Signal Processing 11
/// (1997). Nodes far too heavy for the torque to slow them in the meantime; a tick that ends soon after the strike.
#[test]
fn the_relaxing_shaft_strikes_with_a_jump_of_torque() {
    let row = Row::named("gap-strike-damped");
    let parameters = chain(
        vec![free(1e9), free(1e9)],
        vec![coupling(row.input("stiffness_nm_per_rad"), row.input("damping_nms_per_rad"), row.input("half_gap_rad"))],
    );
    let speed = row.input("relative_speed_rad_per_s");
    let initial = Initial {
        angle_rad: vec![row.input("start_x_rad"), 0.0],
        speed_rad_per_s: vec![speed, 0.0],
        gap_position_rad: vec![row.input("start_b_rad")],
    };
    let rate = TickRate { hz: 1_000_000 };
    let mut plant = Plant::new(&parameters, &initial, rate, false);
    let closes = run_until(&mut plant, &TickInput::default(), EventKind::GapCloses);
    let since_s = rate.seconds(plant.tick()) - closes.time_s;
    let torque_nm = plant.coupling_torque_nm(0) - row.input("stiffness_nm_per_rad") * speed * since_s;
    row.check(&[closes.time_s, torque_nm]);
}

/// Contact without damping ends where the overlap does, half a period of the free mode after it began, at any speed.
#[test]
fn undamped_contact_lasts_half_a_period() {
    let parameters = chain(vec![free(0.001), free(0.001)], vec![coupling(500.0, 0.0, 0.002)]);
    for speed in [0.001, 0.1, 10.0] {
        let opens = run_until(&mut ahead(&parameters, 0.002, 0.002, speed), &TickInput::default(), EventKind::GapOpens);
        let half_period_s = PI / f64::sqrt(500.0 / 0.0005);
        assert!((opens.time_s - half_period_s).abs() < 1e-14, "{} s", opens.time_s);
    }
}
