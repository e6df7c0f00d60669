//! The promise of the reckoning behind `careful`: two masses come back from their own response, a loop's worth agrees with
//! formulas, and a design holds its bounds.

use std::f64::consts::PI;

use num_complex::Complex64;
use plantstand::base::random::Stream;
use plantstand::base::time::TickRate;
use plantstand::method::controller::{Notch, Settings, filters, judge};
use plantstand::method::filter_design::{Given, NOISE_PERCENT, design};
use plantstand::method::sweep::Line;
use plantstand::method::two_mass::{Beforehand, TwoMass, fit};

const RATE: TickRate = TickRate { hz: 8000 };

fn axis() -> TwoMass {
    TwoMass {
        motor_inertia_kgm2: 2e-4,
        load_inertia_kgm2: 6e-4,
        stiffness_nm_per_rad: 400.0,
        damping_nms_per_rad: 0.02,
        viscous_nms_per_rad: 3e-4,
        delay_s: 2.5e-4,
        lag_s: 2e-4,
    }
}

/// Lines 2 % apart with this much noise on each, in parts of its size.
fn lines(axis: &TwoMass, noise: f64, seed: u64) -> Vec<Line> {
    let mut stream = Stream::new(seed, "lines");
    let line = |step: i32| {
        let rad_per_s = 2.0 * PI * 4.0 * 1.02_f64.powi(step);
        let clean = axis.response(rad_per_s, RATE);
        let deviation = noise * clean.norm();
        let value = clean + Complex64::new(stream.normal(), stream.normal()) * (deviation / 2.0_f64.sqrt());
        Line { rad_per_s, value, deviation }
    };
    (0..320).map(line).collect()
}

fn check_fit(axis: &TwoMass, noise: f64, tolerance: f64) {
    let known = Beforehand {
        motor_inertia_kgm2: 1.1 * axis.motor_inertia_kgm2,
        inertia_kgm2: 0.8 * axis.inertia_kgm2(),
        viscous_nms_per_rad: axis.viscous_nms_per_rad,
        rate: RATE,
    };
    let found = fit(&lines(axis, noise, 3), &known).expect("it fits");
    let close = |found: f64, expected: f64| (found / expected - 1.0).abs() <= tolerance;
    assert!(close(found.axis.resonance_hz(), axis.resonance_hz()), "{found:?}");
    assert!(close(found.axis.antiresonance_hz(), axis.antiresonance_hz()), "{found:?}");
    assert!(close(found.axis.inertia_kgm2(), axis.inertia_kgm2()), "{found:?}");
    assert!(close(found.axis.delay_s + found.axis.lag_s, axis.delay_s + axis.lag_s), "{found:?}");
    assert!(found.miss < 1.2, "{found:?}");
}

/// A fit finds the axis although nameplate and moved inertia are off by 10 and 20 %, soft or stiff, light load or heavy.
#[test]
fn two_masses_come_back_from_their_response() {
    check_fit(&axis(), 0.0, 0.01);
    check_fit(&axis(), 0.1, 0.03);
    check_fit(&TwoMass { stiffness_nm_per_rad: 15.0, damping_nms_per_rad: 0.004, ..axis() }, 0.1, 0.03);
    check_fit(&TwoMass { load_inertia_kgm2: 1.4e-4, stiffness_nm_per_rad: 900.0, ..axis() }, 0.1, 0.03);
}

/// L = 1/(s (1 + s)): crossover 0.7862 rad/s, phase margin 51.83°, Ms 1.4679 (|1 + L|² = (w⁴ − w² + 1)/(w² (1 + w²)) has its
/// smallest value at w² = (1 + √3)/2; closed forms).
#[test]
fn a_loop_s_worth_agrees_with_formulas() {
    let rad_per_s = |step: i32| 1e-3 * 1e6_f64.powf(f64::from(step) / 20_000.0);
    let worth = judge((0..20_000).map(|step| {
        let s = Complex64::new(0.0, rad_per_s(step));
        1.0 / (s * (1.0 + s))
    }));
    let square = (1.0 + 3.0_f64.sqrt()) / 2.0;
    let expected = (square * (1.0 + square) / (square * square - square + 1.0)).sqrt();
    assert!(worth.stable);
    assert!((worth.sensitivity_peak - expected).abs() < 1e-5, "{worth:?}, not {expected}");
    assert!((worth.phase_margin_deg - 51.827).abs() < 1e-2, "{worth:?}");
}

/// An integrator behind a delay T turns unstable at gain π/(2T) (textbook): seen just below and just above.
#[test]
fn stability_ends_where_the_formula_says() {
    let worth = |gain: f64| {
        judge((0..20_000).map(|step| {
            let rad_per_s = 1e-2 * 1e5_f64.powf(f64::from(step) / 19_999.0);
            Complex64::new(0.0, -gain / rad_per_s) * Complex64::new(rad_per_s.cos(), -rad_per_s.sin())
        }))
    };
    assert!(worth(0.98 * PI / 2.0).stable);
    assert!(!worth(1.02 * PI / 2.0).stable);
}

/// A notch takes off its depth at its centre, to the bit of a rounding, and nothing far from it.
#[test]
fn a_notch_has_its_depth_at_its_centre() {
    let notch = Notch { hz: 450.0, width_hz: 400.0, depth_db: 20.0 };
    let gain = |hz: f64| filters(0.0, Some(notch), 2.0 * PI * hz, RATE).norm();
    assert!((gain(450.0) - 0.1).abs() < 1e-9);
    assert!((gain(1.0) - 1.0).abs() < 1e-3);
}

/// A design is stable on the true axis, holds the Ms and the noise that it promises, and quieter sensors allow more gain.
#[test]
fn a_design_holds_what_it_promises() {
    let axis = axis();
    let lines = lines(&axis, 0.02, 5);
    let given = |scatter_rad| Given { lines: &lines, axis, scatter_rad, rated_torque_nm: 2.0, rate: RATE };
    let loud = design(&given(4e-5)).expect("there is a gain");
    let quiet = design(&given(1e-6)).expect("there is a gain");
    for found in [&loud, &quiet] {
        let open = (0..4000).map(|step| {
            let rad_per_s = 3.0 * (0.499 * 2.0 * PI * 8000.0 / 3.0_f64).powf(f64::from(step) / 3999.0);
            axis.response(rad_per_s, RATE) * found.settings.response(rad_per_s, RATE)
        });
        let worth = judge(open);
        assert!(worth.stable && worth.sensitivity_peak < 1.85 && 43.0 < worth.phase_margin_deg, "{found:?}, {worth:?}");
        assert!(found.noise_percent <= NOISE_PERCENT, "{found:?}");
    }
    assert!(loud.settings.gain_nms_per_rad < quiet.settings.gain_nms_per_rad, "{loud:?}, {quiet:?}");
}

/// A reset time of ten thousand seconds leaves the gain: C is Kp at every frequency.
#[test]
fn a_controller_without_integral_is_its_gain() {
    let settings = Settings { gain_nms_per_rad: 0.3, reset_time_s: 1e4, lowpass_hz: 0.0, notch: None };
    assert!((settings.response(100.0, RATE) - 0.3).norm() < 1e-5);
}
