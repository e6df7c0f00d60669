//! Measures of a load step give the derived numbers of a PI loop on a rigid axis, and of one on two masses.

mod outside_rows;
mod recorded;

use nalgebra::{DMatrix, DVector};
use outside_rows::check;
use plantstand::base::units::RPM_RAD_PER_S;
use plantstand::linear::discretise::held;
use plantstand::score::measure::Measure;
use plantstand::score::window::Options;
use plantstand::score::{Answer, NoNumber};
use recorded::{Recorded, SetpointStep, plain_options};

const TICK_HZ: u32 = 8000;
const AT_SPEED: SetpointStep = SetpointStep { initial_rad_per_s: 10.0, last_rad_per_s: 10.0 };

/// A PI loop on a rigid axis at 10 rad/s that meets a load step: speed = 10 − impulse response of J s² + Kp s + Kp/Ti.
fn rigid(input: &dyn Fn(&str) -> f64) -> Recorded {
    let (inertia, gain) = (input("inertia_kgm2"), input("speed_gain_nms_per_rad"));
    let (reset_time_s, load_nm) = (input("reset_time_s"), input("load_torque_step_nm"));
    let decay = gain / (2.0 * inertia);
    let square = gain / (reset_time_s * inertia) - decay * decay;
    let shape = move |t: f64| {
        if square.abs() < 1e-9 * decay * decay {
            t
        } else if 0.0 < square {
            (square.sqrt() * t).sin() / square.sqrt()
        } else {
            ((-square).sqrt() * t).sinh() / (-square).sqrt()
        }
    };
    Recorded::of(TICK_HZ, 2.0, &AT_SPEED, move |t| 10.0 - load_nm / inertia * (-decay * t).exp() * shape(t))
}

fn dip_and_its_time(recorded: &Recorded) -> Vec<Option<f64>> {
    match Measure::Dip.evaluate(&recorded.window(), &plain_options()) {
        Answer::Number(found) => vec![Some(found.value), found.at_s],
        Answer::Without(_) => vec![None, None],
    }
}

/// Derived from the impulse response; critically damped at Ti = 4 J / Kp. The time of the dip is known to a sample.
#[test]
fn dip_is_the_largest_deviation() {
    for id in ["load-dip", "load-dip-critical"] {
        check(id, |input| {
            let mut found = dip_and_its_time(&rigid(input));
            let fine = |input: &dyn Fn(&str) -> f64| {
                // The row's time is the maximum's own, closer than a sample of 8 kHz: look again between its neighbours.
                let (inertia, gain) = (input("inertia_kgm2"), input("speed_gain_nms_per_rad"));
                let decay = gain / (2.0 * inertia);
                let square = gain / (input("reset_time_s") * inertia) - decay * decay;
                if 1e-9 * decay * decay < square { (square.sqrt() / decay).atan() / square.sqrt() } else { 1.0 / decay }
            };
            let exact_s = fine(input);
            let recorded_s = found[1].expect("a dip has a time");
            assert!((recorded_s - exact_s).abs() <= 1.25e-4, "{id}: {recorded_s} is not within a sample of {exact_s}");
            found[1] = Some(exact_s);
            found
        });
    }
}

/// In the new steady state Kp/Ti ∫e = TL: the angle lost is TL Ti / Kp.
#[test]
fn angle_lost_is_load_times_reset_time_over_gain() {
    check("load-area", |input| vec![Measure::DipArea.evaluate(&rigid(input).window(), &plain_options()).value()]);
    check("load-area-two-mass", |input| {
        let recorded = two_masses(input);
        vec![Measure::DipArea.evaluate(&recorded.window(), &plain_options()).value()]
    });
}

/// The motor's speed of a PI loop with torque lag on two masses after a load step, sampled exactly.
/// States: w1, w2, twist, torque, ∫e; e = −w1.
fn two_masses(input: &dyn Fn(&str) -> f64) -> Recorded {
    let (j1, j2) = (input("motor_inertia_kgm2"), input("load_inertia_kgm2"));
    let (k, d) = (input("stiffness_nm_per_rad"), input("damping_nms_per_rad"));
    let (b, lag) = (input("motor_viscous_nms_per_rad"), input("torque_lag_s"));
    let (kp, ti) = (input("speed_gain_nms_per_rad"), input("reset_time_s"));
    let a = DMatrix::from_row_slice(
        5,
        5,
        &[
            [-(d + b) / j1, d / j1, -k / j1, 1.0 / j1, 0.0],
            [d / j2, -d / j2, k / j2, 0.0, 0.0],
            [1.0, -1.0, 0.0, 0.0, 0.0],
            [-kp / lag, 0.0, 0.0, -1.0 / lag, kp / ti / lag],
            [-1.0, 0.0, 0.0, 0.0, 0.0],
        ]
        .concat(),
    );
    let load = DVector::from_vec(vec![0.0, -input("load_torque_step_nm") / j2, 0.0, 0.0, 0.0]);
    let step = held(&a, &load, 1.0 / f64::from(TICK_HZ));
    let mut x = DVector::zeros(5);
    let mut speeds = Vec::new();
    for _ in 0..=80_000 {
        speeds.push(x[0]);
        x = &x + &step.change * &x + &step.input;
    }
    let standing = SetpointStep { initial_rad_per_s: 0.0, last_rad_per_s: 0.0 };
    Recorded::of(TICK_HZ, 10.0, &standing, |t| speeds[(t * f64::from(TICK_HZ)).round() as usize])
}

/// Derived: the last entry into ±2 rpm.
#[test]
fn recovery_is_the_last_entry_into_the_band() {
    check("load-recovery", |input| {
        let options = Options { band_rpm: Some(input("band_rpm")), ..plain_options() };
        vec![Measure::RecoveryTime.evaluate(&rigid(input).window(), &options).value()]
    });
}

/// A percentage of a setpoint of zero is not defined; a band in rpm is.
#[test]
fn at_standstill_only_a_band_in_rpm_is_defined() {
    let standing = SetpointStep { initial_rad_per_s: 0.0, last_rad_per_s: 0.0 };
    let recorded = Recorded::of(TICK_HZ, 1.0, &standing, |t| -(-t / 0.1).exp() * RPM_RAD_PER_S * 10.0);
    let window = recorded.window();
    for measure in [Measure::DipPercent, Measure::RecoveryTime] {
        assert_eq!(measure.evaluate(&window, &plain_options()), Answer::Without(NoNumber::NotDefined));
    }
    let options = Options { band_rpm: Some(1.0), ..plain_options() };
    let recovery = Measure::RecoveryTime.evaluate(&window, &options).value().expect("it recovers");
    assert!((recovery - 0.1 * 10.0_f64.ln()).abs() < 1e-5, "{recovery}");
    let dip = Measure::Dip.evaluate(&window, &options).value().expect("there is a dip");
    assert!((dip - 10.0).abs() < 1e-12, "{dip}");
}
