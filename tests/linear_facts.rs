//! Resonances, inertia ratios and dampings of chains as textbooks have them, and the exact discretisation of chains.

mod outside_rows;

use std::f64::consts::TAU;

use nalgebra::{DMatrix, DVector};
use outside_rows::check;
use plantstand::base::time::TickRate;
use plantstand::drive::filter::{LowPassCoefficients, NotchCoefficients, NotchShape};
use plantstand::linear::chain::{Chain, Gaps};
use plantstand::linear::discretise::held;
use plantstand::linear::facts::Facts;
use plantstand::plant::coupling::Coupling;
use plantstand::plant::friction::{Coulomb, Friction};
use plantstand::plant::motor::MotorKind;
use plantstand::plant::train::{Node, Parameters};

fn chain(inertias: &[f64], couplings: &[(f64, f64, f64)]) -> Parameters {
    let node = |inertia_kgm2: &f64| Node { inertia_kgm2: *inertia_kgm2, friction: Friction::None };
    let coupling = |(ratio, stiffness, damping): &(f64, f64, f64)| Coupling {
        ratio: *ratio,
        stiffness_nm_per_rad: *stiffness,
        damping_nms_per_rad: *damping,
        half_gap_rad: 0.0,
        torque_limit_nm: None,
        coupled: true,
    };
    Parameters {
        motor: MotorKind::AT_ONCE,
        nodes: inertias.iter().map(node).collect(),
        couplings: couplings.iter().map(coupling).collect(),
        stops: None,
        loads: Vec::new(),
        brake: None,
    }
}

fn two_masses(input: &dyn Fn(&str) -> f64, ratio: f64, damping: f64) -> Facts {
    let inertias = [input("motor_inertia_kgm2"), input("load_inertia_kgm2")];
    Facts::of(&chain(&inertias, &[(ratio, input("stiffness_nm_per_rad"), damping)]))
}

/// The textbook two-mass system (Leonhard; Schröder), and the same behind a gear.
#[test]
fn two_mass_frequencies_and_ratio() {
    check("two-mass-frequencies", |input| {
        let facts = two_masses(input, 1.0, 0.0);
        vec![Some(facts.resonances_hz[0]), Some(facts.antiresonances_hz[0]), Some(facts.inertia_ratio)]
    });
    check("geared-coupling", |input| {
        let ratio = input("ratio_motor_turns_per_load_turn");
        let facts = two_masses(input, ratio, 0.0);
        // The stiffness seen from the motor is that which makes the antiresonance of the reflected inertia.
        let antiresonance = facts.antiresonances_hz[0] * TAU;
        let stiffness = facts.reflected_inertia_kgm2 * antiresonance * antiresonance;
        [facts.resonances_hz[0], facts.antiresonances_hz[0], facts.inertia_ratio, stiffness].map(Some).to_vec()
    });
}

/// Derived from the characteristic polynomials of the free chain and of the chain with the motor held.
#[test]
fn three_mass_frequencies() {
    check("three-mass-frequencies", |_| {
        let facts = Facts::of(&chain(&[0.0004, 0.0015, 0.006], &[(1.0, 400.0, 0.0), (1.0, 900.0, 0.0)]));
        facts.resonances_hz.into_iter().chain(facts.antiresonances_hz).map(Some).collect()
    });
}

/// The free mode of two masses has damping ratio d wr / (2 k).
#[test]
fn two_mass_damping() {
    check("two-mass-damping", |input| {
        let mode = two_masses(input, 1.0, input("damping_nms_per_rad")).modes[0];
        vec![Some(mode.damping_ratio), Some(mode.damped_hz)]
    });
}

/// Friction and backlash behind gears count at the motor over the ratio, viscous friction over its square.
#[test]
fn friction_is_referred_to_the_motor() {
    let coulomb = |scale: f64| {
        Friction::Coulomb(Coulomb {
            kinetic_nm: scale,
            static_nm: 1.5 * scale,
            stribeck_rad_per_s: 1.0,
            stribeck_exponent: 2.0,
            viscous_nms_per_rad: 0.1 * scale,
        })
    };
    let mut train = chain(&[1e-4, 0.01, 0.4], &[(-5.0, 100.0, 0.0), (4.0, 1000.0, 0.0)]);
    for (node, scale) in train.nodes.iter_mut().zip([0.02, 0.5, 2.0]) {
        node.friction = coulomb(scale);
    }
    (train.couplings[0].half_gap_rad, train.couplings[1].half_gap_rad) = (0.001, 0.002);
    let facts = Facts::of(&train);
    let close = |found: f64, expected: f64| assert!((found / expected - 1.0).abs() < 1e-12, "{found} {expected}");
    close(facts.kinetic_friction_nm, 0.02 + 0.5 / 5.0 + 2.0 / 20.0);
    close(facts.static_friction_nm, 1.5 * (0.02 + 0.5 / 5.0 + 2.0 / 20.0));
    close(facts.viscous_friction_nms_per_rad, 0.1 * (0.02 + 0.5 / 25.0 + 2.0 / 400.0));
    close(facts.backlash_at_motor_rad, 2.0 * (0.001 * 5.0 + 0.002 * 20.0));
    close(facts.total_ratio, -20.0);
    close(facts.reflected_inertia_kgm2, 0.01 / 25.0 + 0.4 / 400.0);
    let total = 1e-4 + 0.01 / 25.0 + 0.4 / 400.0;
    close(
        facts.mechanical_time_constant_s.expect("it has viscous friction"),
        total / facts.viscous_friction_nms_per_rad,
    );
}

/// A single motor has no resonance and nothing behind it.
#[test]
fn a_bare_motor_has_no_resonance() {
    let facts = Facts::of(&chain(&[1e-3], &[]));
    assert!(facts.resonances_hz.is_empty() && facts.antiresonances_hz.is_empty() && facts.modes.is_empty());
    assert_eq!((facts.inertia_ratio, facts.total_ratio, facts.mechanical_time_constant_s), (0.0, 1.0, None));
}

/// A and B of two masses with states [theta1, theta2, w1, w2].
fn in_angles(input: &dyn Fn(&str) -> f64) -> (DMatrix<f64>, DVector<f64>) {
    let (j1, j2) = (input("motor_inertia_kgm2"), input("load_inertia_kgm2"));
    let (k, d) = (input("stiffness_nm_per_rad"), input("damping_nms_per_rad"));
    let rows = [
        [0.0, 0.0, 1.0, 0.0],
        [0.0, 0.0, 0.0, 1.0],
        [-k / j1, k / j1, -d / j1, d / j1],
        [k / j2, -k / j2, d / j2, -d / j2],
    ];
    (DMatrix::from_row_slice(4, 4, &rows.concat()), DVector::from_vec(vec![0.0, 0.0, 1.0 / j1, 0.0]))
}

/// Åström & Wittenmark, matrix exponential; SciPy's cont2discrete; the small entries of B to 1e-6 of themselves.
#[test]
fn discretisation_is_exact() {
    for id in ["c2d-two-mass-8khz-A", "c2d-two-mass-1khz-A"] {
        check(id, |input| {
            let (a, b) = in_angles(input);
            let change = held(&a, &b, input("step_s")).change;
            (0..16).map(|k| Some(change[(k / 4, k % 4)] + f64::from(u8::from(k / 4 == k % 4)))).collect()
        });
    }
    let ids = ["c2d-two-mass-8khz-B", "c2d-two-mass-8khz-B-modal", "c2d-two-mass-1khz-B", "c2d-two-mass-1khz-B-modal"];
    for id in ids {
        check(id, |input| {
            let (a, b) = in_angles(input);
            held(&a, &b, input("step_s")).input.iter().copied().map(Some).collect()
        });
    }
}

/// The model's own states (speeds and twists) move as the textbook's (angles and speeds) do.
#[test]
fn speeds_and_twists_move_as_angles_do() {
    let train = chain(&[5e-4, 2e-3], &[(1.0, 300.0, 0.05)]);
    let input = |key: &str| match key {
        "motor_inertia_kgm2" => 5e-4,
        "load_inertia_kgm2" => 2e-3,
        "stiffness_nm_per_rad" => 300.0,
        _ => 0.05,
    };
    let (a, b) = in_angles(&input);
    let textbook = held(&a, &b, 1.25e-4);
    let (a, b) = Chain::of(&train, Gaps::Closed).with_motor_angle();
    let own = held(&a, &b, 1.25e-4);
    // States: w1, w2, twist, theta1 against theta1, theta2, w1, w2.
    let pairs = [(0, 2), (1, 3), (3, 0)];
    for (own_row, row) in pairs {
        assert!((own.input[own_row] / textbook.input[row] - 1.0).abs() < 1e-12);
        for (own_column, column) in &pairs[..2] {
            let (found, expected) = (own.change[(own_row, *own_column)], textbook.change[(row, *column)]);
            assert!((found - expected).abs() <= 1e-12 * expected.abs(), "{found} {expected}");
        }
        let (found, expected) = (own.change[(own_row, 2)], textbook.change[(row, 0)]);
        assert!((found - expected).abs() <= 1e-12 * expected.abs(), "{found} {expected}");
    }
}

/// An open gap leaves the motor alone, and nodes up to the first gap with it.
#[test]
fn open_gaps_cut_the_chain() {
    let mut train = chain(&[1e-4, 0.01, 0.4], &[(5.0, 100.0, 0.1), (4.0, 1000.0, 0.2)]);
    train.couplings[1].half_gap_rad = 1e-3;
    let first_two = chain(&[1e-4, 0.01], &[(5.0, 100.0, 0.1)]);
    let open = Chain::of(&train, Gaps::Open);
    assert_eq!((open.a, open.load_ratio), (Chain::of(&first_two, Gaps::Closed).a, None));
    train.couplings[0].half_gap_rad = 1e-3;
    assert_eq!(Chain::of(&train, Gaps::Open).nodes, 1);
    assert_eq!(Chain::of(&train, Gaps::Closed).load_ratio, Some(20.0));
}

/// A lag for a held input, y+ = a y + (1 − a) u (textbook): by the discretisation, and as the drive's low-pass.
#[test]
fn first_order_lag_is_exact() {
    check("lag1-zoh", |input| {
        let (lag_s, tick_s) = (input("time_constant_s"), input("tick_s"));
        let lag = held(&DMatrix::from_element(1, 1, -1.0 / lag_s), &DVector::from_element(1, 1.0 / lag_s), tick_s);
        let lowpass = LowPassCoefficients::new(1.0 / (TAU * lag_s), TickRate { hz: (1.0 / tick_s).round() as u32 });
        assert!((lowpass.a - (1.0 + lag.change[(0, 0)])).abs() < 1e-15, "the drive's low-pass is that lag");
        vec![Some(1.0 + lag.change[(0, 0)]), Some(lag.input[0])]
    });
}

/// The drive's notch is the textbook's, prewarped at its centre: width 2 zd f0, depth zd / zn.
#[test]
fn notch_is_the_textbooks() {
    let shape = |input: &dyn Fn(&str) -> f64| {
        let (zn, zd) = (input("numerator_damping"), input("denominator_damping"));
        let centre_hz = input("notch_hz");
        NotchShape { centre_hz, width_hz: 2.0 * zd * centre_hz, depth_db: 20.0 * (zd / zn).log10() }
    };
    // B stands as 2πB s in the denominator, and 2 zd w0 = 2π (2 zd f0).
    let rate = TickRate { hz: 8000 };
    check("notch-finite", |input| {
        let c = NotchCoefficients::new(&shape(input), rate);
        [c.b0, c.b1, c.b2, c.a1, c.a2].map(Some).to_vec()
    });
    check("notch-response", |input| {
        let c = NotchCoefficients::new(&shape(input), rate);
        let back = num_complex::Complex64::from_polar(1.0, -TAU * 100.0 / 8000.0);
        let response = (c.b0 + (c.b1 + c.b2 * back) * back) / (1.0 + (c.a1 + c.a2 * back) * back);
        vec![Some(20.0 * response.norm().log10()), Some(response.arg().to_degrees())]
    });
}
