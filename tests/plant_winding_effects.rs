//! What a real winding has beside the textbook's, each against a formula: saturation, harmonics of the flux, dead time,
//! warming. That they cost nothing and change nothing where their numbers are those of a machine without them; and the
//! energy, which closes with all of them at once.
//!
//! Trajectories against a solver outside are in `plant_trajectories`. Start reading anywhere.

use plantstand::base::real;
use plantstand::base::time::TickRate;
use plantstand::plant::event::EventLog;
use plantstand::plant::friction::Friction;
use plantstand::plant::motor::{
    Brushed, DeadTime, Effects, FluxHarmonic, MotorKind, Pmsm, Saturation, WindingTemperature,
};
use plantstand::plant::stepper::{Applied, Plant, TickInput};
use plantstand::plant::train::{Initial, Node, Parameters};

const RATE: TickRate = TickRate { hz: 8000 };
const SATURATION: Saturation = Saturation { current_a: 10.0, share_d: 0.85, share_q: 0.7, share_cross: 0.9 };
const DEAD_TIME: DeadTime = DeadTime { error_v: 5.0, knee_a: 0.2 };
const WARM: WindingTemperature = WindingTemperature {
    ambient_k: 300.0,
    start_k: 300.0,
    thermal_resistance_k_per_w: 0.4,
    time_constant_s: 0.05,
    resistance_per_k: 0.003_93,
    flux_per_k: -0.001,
};

fn machine(effects: Effects) -> Pmsm {
    Pmsm {
        pole_pairs: 4,
        resistance_ohm: 1.2,
        inductance_d_h: 3e-3,
        inductance_q_h: 4.5e-3,
        flux_linkage_vs: 0.08,
        rotor_offset_rad: 0.0,
        phases_swapped: false,
        bus_v: 320.0,
        effects,
    }
}

fn ripple() -> Vec<FluxHarmonic> {
    vec![
        FluxHarmonic { per_electrical_turn: 6, share: 0.05, phase_rad: 0.4 },
        FluxHarmonic { per_electrical_turn: 12, share: -0.02, phase_rad: 1.4 },
    ]
}

fn plant(motor: MotorKind) -> Plant {
    let nodes = vec![Node { inertia_kgm2: 4e-4, friction: Friction::None }];
    let parameters = Parameters { motor, nodes, couplings: Vec::new(), stops: None, loads: Vec::new(), brake: None };
    Plant::new(&parameters, &Initial::at_rest(&parameters, 0.0), RATE, true)
}

/// Ticks under a voltage, the rotor locked.
fn locked(plant: &mut Plant, alpha_v: f64, beta_v: f64, ticks: u32) {
    let drive = Applied::Voltage { alpha_v, beta_v };
    for _ in 0..ticks {
        let input = TickInput { drive, clamp_motor: true, ..TickInput::default() };
        plant.step(&input, &mut EventLog::new(1)).expect("no fault");
    }
}

fn assert_close(found: f64, expected: f64, relative: f64) {
    assert!((found - expected).abs() <= relative * expected.abs(), "found {found}, expected {expected}");
}

fn assert_balanced(plant: &Plant) {
    let energy = plant.energy();
    assert!(energy.residual_j().abs() <= 1e-9 * energy.work_j(), "{:e}: {energy:?}", energy.residual_j());
}

/// At current I in q alone the linkage is s L I, and the energy in it the integral of i dλ = λ/L + (1 − s) I (λ / s L I)³.
#[test]
fn saturation_leaves_the_share_of_linkage_that_it_names() {
    let effects = || Effects { saturation: Some(SATURATION), ..Effects::default() };
    let held = |alpha_v: f64, beta_v: f64| {
        let mut plant = plant(MotorKind::Pmsm(machine(effects())));
        locked(&mut plant, alpha_v, beta_v, 2000);
        let current_a = plant.current_dq_a();
        plant.step(&TickInput { clamp_motor: true, ..TickInput::default() }, &mut EventLog::new(1)).expect("no fault");
        assert_balanced(&plant);
        (current_a, plant.energy().returned_j)
    };
    let energy_j = |share: f64, inductance_h: f64| {
        1.5 * (0.5 * share * share + 0.25 * (1.0 - share) * share) * inductance_h * 100.0
    };
    let (current_a, returned_j) = held(0.0, 12.0);
    assert_close(current_a[1], 10.0, 1e-11);
    assert_close(returned_j, energy_j(0.7, 4.5e-3), 1e-11);
    let (current_a, returned_j) = held(12.0, 0.0);
    assert_close(current_a[0], 10.0, 1e-11);
    assert_close(returned_j, energy_j(0.85, 3e-3), 1e-11);
}

/// With I in q, a small current in d has the share of L_d that is named: its torque 1.5 p x i_q beside the magnet's tells x,
/// where y i_d is taken off.
#[test]
fn saturation_across_lowers_the_other_axis() {
    let effects = Effects { saturation: Some(SATURATION), ..Effects::default() };
    let mut plant = plant(MotorKind::Pmsm(machine(effects)));
    locked(&mut plant, 1.2e-3, 12.0, 2000);
    let [d_a, q_a] = plant.current_dq_a();
    assert_close(d_a, 1e-3, 1e-11);
    let y_vs = 0.7 * 4.5e-3 * 10.0;
    let x_vs = plant.motor_torque_nm() / 6.0 / q_a - 0.08 + y_vs * d_a / q_a;
    assert_close(x_vs, 0.9 * 3e-3 * 1e-3, 1e-6);
}

/// A saturation that would turn an inductance to 0 or below is seen.
#[test]
fn saturation_has_to_be_convex() {
    let inductance_h = [3e-3, 4.5e-3];
    assert!(SATURATION.is_convex(inductance_h));
    assert!(Saturation { share_d: 1.0, share_cross: 1.0, ..SATURATION }.is_convex(inductance_h));
    assert!(!Saturation { share_d: 1.0, ..SATURATION }.is_convex(inductance_h));
    assert!(!Saturation { share_cross: 0.3, ..SATURATION }.is_convex(inductance_h));
}

/// With i_q alone the torque is 1.5 p ψ i_q (1 + Σ s cos(n θ + φ)) at every electrical angle θ.
#[test]
fn flux_harmonics_ripple_the_torque_by_their_share() {
    for angle in [0.0, 0.2, 1.1, -2.5] {
        let motor =
            Pmsm { rotor_offset_rad: angle, ..machine(Effects { flux_ripple: ripple(), ..Effects::default() }) };
        let mut plant = plant(MotorKind::Pmsm(motor));
        locked(&mut plant, -6.0 * real::sin(angle), 6.0 * real::cos(angle), 2000);
        assert_close(plant.current_dq_a()[1], 5.0, 1e-11);
        let shape = 1.0 + 0.05 * real::cos(6.0 * angle + 0.4) - 0.02 * real::cos(12.0 * angle + 1.4);
        assert_close(plant.motor_torque_nm(), 1.5 * 4.0 * 0.08 * 5.0 * shape, 1e-11);
        assert_balanced(&plant);
    }
}

/// A current along phase a settles where V = R i + (2/3) U (i/√(i² + i0²) + (i/2)/√(i²/4 + i0²)), phases b and c carrying
/// half of it back. Solved here by halving an interval.
#[test]
fn dead_time_takes_its_voltage_from_every_phase() {
    for volts in [0.05, 2.0, 40.0] {
        let effects = Effects { dead_time: Some(DEAD_TIME), ..Effects::default() };
        let mut plant = plant(MotorKind::Pmsm(machine(effects)));
        locked(&mut plant, volts, 0.0, 4000);
        let part = |current_a: f64| current_a / (current_a * current_a + 0.2 * 0.2).sqrt();
        let lost_v = |current_a: f64| 2.0 / 3.0 * 5.0 * (part(current_a) + part(0.5 * current_a));
        let (mut low, mut high) = (0.0, volts / 1.2);
        for _ in 0..200 {
            let middle = 0.5 * (low + high);
            if 1.2 * middle + lost_v(middle) < volts {
                low = middle;
            } else {
                high = middle;
            }
        }
        assert_close(plant.current_dq_a()[0], low, 1e-10);
        assert!(0.0 < plant.energy().inverter_j);
        assert_balanced(&plant);
    }
}

/// With a resistance that does not change, a loss P0 (1 − exp(−t/σ))² warms one body as the sum of its three exponentials
/// does: τ T' + T = exp(−t/s) from 0 is s/(s − τ) (exp(−t/s) − exp(−t/τ)). The tick's mean of the loss in place of its
/// course is off by at most half a tick's share of τ at the start.
#[test]
fn a_winding_warms_as_one_body() {
    let temperature = WindingTemperature { resistance_per_k: 0.0, flux_per_k: 0.0, ..WARM };
    let effects = Effects { temperature: Some(temperature), ..Effects::default() };
    let mut plant = plant(MotorKind::Pmsm(machine(effects)));
    let (tau, sigma, power_w) = (0.05, 3e-3 / 1.2, 1.5 * 1.2 * 100.0);
    for _ in 0..40 {
        locked(&mut plant, 12.0, 0.0, 20);
        let time = RATE.seconds(plant.tick());
        let body = |s: f64| s / (s - tau) * (real::exp(-time / s) - real::exp(-time / tau));
        let rise = 0.4 * power_w * (1.0 - real::exp(-time / tau) - 2.0 * body(sigma) + body(0.5 * sigma));
        assert!((plant.winding_k() - 300.0 - rise).abs() < 1.25e-3 * 0.4 * power_w, "{} at {time}", plant.winding_k());
    }
}

/// Where it ends: T = T_a + R_th 1.5 V² / R(T), with R(T) a straight line, is a quadratic equation. The torque constant
/// follows too, and a winding that is switched off cools.
#[test]
fn resistance_and_flux_follow_the_temperature() {
    let effects = Effects { temperature: Some(WARM), ..Effects::default() };
    let mut plant = plant(MotorKind::Pmsm(machine(effects)));
    locked(&mut plant, 0.0, 12.0, 16_000);
    // With u = 1 + α (T − T20): u (u − u_a) = α R_th 1.5 V² / R20.
    let at_ambient = 1.0 + 0.003_93 * (300.0 - 293.15);
    let source: f64 = 0.003_93 * 0.4 * 1.5 * 144.0 / 1.2;
    let factor = 0.5 * (at_ambient + (at_ambient * at_ambient + 4.0 * source).sqrt());
    let rise_k = (factor - 1.0) / 0.003_93;
    assert_close(plant.winding_k(), 293.15 + rise_k, 1e-9);
    assert_close(plant.current_dq_a()[1], 10.0 / factor, 1e-9);
    assert_close(plant.motor_torque_nm(), 6.0 * 0.08 * (1.0 - 0.001 * rise_k) * 10.0 / factor, 1e-9);
    assert_balanced(&plant);
    let (warm_k, off) = (plant.winding_k(), TickInput { clamp_motor: true, ..TickInput::default() });
    for _ in 0..800 {
        plant.step(&off, &mut EventLog::new(1)).expect("no fault");
    }
    assert_close(plant.winding_k() - 300.0, (warm_k - 300.0) * real::exp(-0.1 / 0.05), 1e-9);
}

/// Turned to and fro by voltages that nothing controls, with every effect at once, the energy closes.
#[test]
fn energy_closes_with_every_effect() {
    let everything = Effects {
        saturation: Some(SATURATION),
        flux_ripple: ripple(),
        dead_time: Some(DEAD_TIME),
        temperature: Some(WARM),
    };
    let brushed = Brushed {
        resistance_ohm: 0.9,
        inductance_h: 1.5e-3,
        torque_constant_nm_per_a: 0.12,
        bus_v: 48.0,
        temperature: Some(WARM),
    };
    for motor in [MotorKind::Pmsm(machine(everything)), MotorKind::Brushed(brushed)] {
        let mut plant = plant(motor);
        for tick in 0..8000_u32 {
            let angle = 1e-6 * f64::from(tick) * f64::from(tick % 3000);
            let drive = Applied::Voltage { alpha_v: 30.0 * real::cos(angle), beta_v: 30.0 * real::sin(angle) };
            let drive = if tick % 1000 < 990 { drive } else { Applied::Off };
            plant.step(&TickInput { drive, ..TickInput::default() }, &mut EventLog::new(1)).expect("no fault");
        }
        assert_balanced(&plant);
        let energy = plant.energy();
        assert!(0.0 < energy.copper_j && 0.0 < energy.returned_j && 301.0 < plant.winding_k(), "{energy:?}");
    }
}

/// Effects whose numbers are those of the textbook's machine move it as the textbook's equations do, though other code
/// computes them.
#[test]
fn effects_of_no_size_change_nothing() {
    let none = Effects {
        saturation: Some(Saturation { current_a: 10.0, share_d: 1.0, share_q: 1.0, share_cross: 1.0 }),
        flux_ripple: vec![FluxHarmonic { per_electrical_turn: 6, share: 0.0, phase_rad: 0.0 }],
        dead_time: Some(DeadTime { error_v: 0.0, knee_a: 0.2 }),
        temperature: Some(WindingTemperature {
            start_k: 293.15,
            thermal_resistance_k_per_w: 0.0,
            ambient_k: 293.15,
            ..WARM
        }),
    };
    let run = |effects: Effects| {
        let mut plant = plant(MotorKind::Pmsm(machine(effects)));
        for tick in 0..800_u32 {
            let angle = 1e-4 * f64::from(tick) * f64::from(tick);
            let drive = Applied::Voltage { alpha_v: 30.0 * real::cos(angle), beta_v: 30.0 * real::sin(angle) };
            plant.step(&TickInput { drive, ..TickInput::default() }, &mut EventLog::new(1)).expect("no fault");
        }
        let [d_a, q_a] = plant.current_dq_a();
        [plant.angle_rad(0), plant.speed_rad_per_s(0), d_a, q_a]
    };
    for (found, expected) in run(none).into_iter().zip(run(Effects::default())) {
        assert_close(found, expected, 1e-9);
    }
}
