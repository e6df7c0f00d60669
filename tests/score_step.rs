//! Measures of a setpoint step give the textbook's numbers for textbook responses, sampled as a bench records them.

mod outside_rows;
mod recorded;

use std::f64::consts::PI;

use nalgebra::{DMatrix, DVector};
use outside_rows::check;
use plantstand::base::units::RPM_RAD_PER_S;
use plantstand::linear::discretise::held;
use plantstand::score::measure::Measure;
use plantstand::score::step::Step;
use plantstand::score::window::Options;
use plantstand::score::{Answer, NoNumber};
use recorded::{Recorded, SetpointStep, plain_options};

const UNIT_STEP: SetpointStep = SetpointStep { initial_rad_per_s: 0.0, last_rad_per_s: 1.0 };
const TICK_HZ: u32 = 8000;

/// Inputs of a row by key.
type Inputs<'a> = &'a dyn Fn(&str) -> f64;

fn value(recorded: &Recorded, measure: Measure, options: &Options) -> Option<f64> {
    measure.evaluate(&recorded.window(), options).value()
}

fn plain(recorded: &Recorded, measure: Measure) -> Option<f64> {
    value(recorded, measure, &plain_options())
}

/// Unit step response of wn² / (s² + 2 z wn s + wn²).
fn second_order(damping: f64, wn: f64) -> impl Fn(f64) -> f64 {
    move |t| {
        if damping < 1.0 {
            let wd = wn * (1.0 - damping * damping).sqrt();
            1.0 - (-damping * wn * t).exp() * ((wd * t).cos() + damping * wn / wd * (wd * t).sin())
        } else if damping == 1.0 {
            1.0 - (-wn * t).exp() * (1.0 + wn * t)
        } else {
            let root = wn * (damping * damping - 1.0).sqrt();
            let (slow, fast) = (damping * wn - root, damping * wn + root);
            1.0 - (fast * (-slow * t).exp() - slow * (-fast * t).exp()) / (fast - slow)
        }
    }
}

/// Unit step response of num / den (rising powers of s, den of one degree more than num has entries) at k · `period_s`.
fn sampled(num: &[f64], den: &[f64], period_s: f64, ticks: usize) -> Vec<f64> {
    let n = den.len() - 1;
    let lead = den[n];
    let a = DMatrix::from_fn(n, n, |i, j| match i + 1 == n {
        true => -den[j] / lead,
        false => f64::from(u8::from(j == i + 1)),
    });
    let mut b = DVector::zeros(n);
    b[n - 1] = 1.0 / lead;
    let step = held(&a, &b, period_s);
    let mut x = DVector::zeros(n);
    (0..=ticks)
        .map(|_| {
            let y = num.iter().zip(&x).map(|(c, x)| c * x).sum();
            x = &x + &step.change * &x + &step.input;
            y
        })
        .collect()
}

fn check_second_order(ids: [&str; 5]) {
    let measures = [Measure::Overshoot, Measure::PeakTime, Measure::RiseTime, Measure::Delay, Measure::SettlingTime];
    for (id, measure) in ids.into_iter().zip(measures) {
        check(id, |input| {
            let response = second_order(input("damping_z"), input("wn_rad_per_s"));
            vec![plain(&Recorded::of(TICK_HZ, 2.0, &UNIT_STEP, response), measure)]
        });
    }
}

/// Ogata, Modern Control Engineering: second-order lags of four dampings.
#[test]
fn second_order_lags_have_the_textbook_measures() {
    check_second_order([
        "step2-z02-overshoot",
        "step2-z02-peak-time",
        "step2-z02-rise",
        "step2-z02-delay",
        "step2-z02-settling",
    ]);
    check_second_order([
        "step2-z05-overshoot",
        "step2-z05-peak-time",
        "step2-z05-rise",
        "step2-z05-delay",
        "step2-z05-settling",
    ]);
    check_second_order([
        "step2-z0707-overshoot",
        "step2-z0707-peak-time",
        "step2-z0707-rise",
        "step2-z0707-delay",
        "step2-z0707-settling",
    ]);
    check_second_order([
        "step2-z085-overshoot",
        "step2-z085-peak-time",
        "step2-z085-rise",
        "step2-z085-delay",
        "step2-z085-settling",
    ]);
}

/// Derived from the textbook response: the second extreme, and bands just beyond and just short of the third.
#[test]
fn extremes_after_the_first_crossing_count() {
    check("step2-undershoot-after-crossing", |input| {
        let response = second_order(input("damping_z"), input("wn_rad_per_s"));
        vec![plain(&Recorded::of(TICK_HZ, 1.0, &UNIT_STEP, response), Measure::Undershoot)]
    });
    for id in ["step2-band-just-inside", "step2-band-just-outside"] {
        check(id, |input| {
            let response = second_order(input("damping_z"), input("wn_rad_per_s"));
            let recorded = Recorded::of(TICK_HZ, 1.0, &UNIT_STEP, response);
            let band_percent = Some(100.0 * input("band_fraction_of_step"));
            vec![value(&recorded, Measure::SettlingTime, &Options { band_percent, ..plain_options() })]
        });
    }
}

/// Critically and over-damped lags, and the first-order lag of Ogata: no overshoot, and no time of one.
#[test]
fn responses_without_overshoot_have_none() {
    let check_three = |id: &str, response: fn(Inputs) -> Recorded| {
        check(id, |input| {
            let recorded = response(input);
            assert_eq!(plain(&recorded, Measure::Overshoot), Some(0.0), "{id}");
            let peak = Measure::PeakTime.evaluate(&recorded.window(), &plain_options());
            assert_eq!(peak, Answer::Without(NoNumber::None), "{id}");
            [Measure::RiseTime, Measure::SettlingTime, Measure::Delay].map(|m| plain(&recorded, m)).to_vec()
        });
    };
    for id in ["step2-z1-rise-settle-delay", "step2-z2-rise-settle-delay"] {
        check_three(id, |input| {
            Recorded::of(TICK_HZ, 0.5, &UNIT_STEP, second_order(input("damping_z"), input("wn_rad_per_s")))
        });
    }
    check_three("lag1-rise-settle-delay", |input| {
        let time_constant_s = input("time_constant_s");
        Recorded::of(TICK_HZ, 0.5, &UNIT_STEP, move |t| 1.0 - (-t / time_constant_s).exp())
    });
}

/// Mean of exp(−t/T) over the window's last quarter, derived.
#[test]
fn steady_deviation_is_the_mean_of_the_last_quarter() {
    check("lag1-steady-deviation", |input| {
        let (time_constant_s, step) = (input("time_constant_s"), input("step_rpm") * RPM_RAD_PER_S);
        let setpoint = SetpointStep { initial_rad_per_s: 0.0, last_rad_per_s: step };
        let speed = move |t: f64| step * (1.0 - (-t / time_constant_s).exp());
        vec![plain(&Recorded::of(TICK_HZ, input("window_s"), &setpoint, speed), Measure::SteadyDeviation)]
    });
}

/// A zero in the right half plane drives the response the wrong way first.
#[test]
fn inverse_response_is_an_undershoot() {
    let inverse = |lag_s: f64, zero_s: f64| {
        let a = 1.0 + zero_s / lag_s;
        Recorded::of(TICK_HZ, 0.6, &UNIT_STEP, move |t| 1.0 - (-t / lag_s).exp() * (1.0 + a * t / lag_s))
    };
    check("inverse-undershoot", |input| vec![plain(&inverse(input("lag_s"), input("zero_s")), Measure::Undershoot)]);
    check("inverse-undershoot-deep", |input| {
        let recorded = inverse(input("lag_s"), input("zero_s"));
        let undershoot = Measure::Undershoot.evaluate(&recorded.window(), &plain_options());
        let note = "beyond the initial value before the first crossing";
        assert!(matches!(undershoot, Answer::Number(found) if found.note == Some(note)), "{undershoot:?}");
        vec![undershoot.value(), plain(&recorded, Measure::RiseTime)]
    });
}

/// A step downwards is a step upwards, mirrored.
#[test]
fn step_downwards_measures_as_upwards() {
    check("step-down", |input| {
        let (initial, last) = (input("initial_rpm") * RPM_RAD_PER_S, input("final_rpm") * RPM_RAD_PER_S);
        let response = second_order(input("damping_z"), input("wn_rad_per_s"));
        let speed = |t: f64| initial + (last - initial) * response(t);
        let setpoint = SetpointStep { initial_rad_per_s: initial, last_rad_per_s: last };
        let recorded = Recorded::of(TICK_HZ, 0.5, &setpoint, speed);
        let overshoot = plain(&recorded, Measure::Overshoot);
        let lowest_rpm = overshoot.map(|percent| (last + percent / 100.0 * (last - initial)) / RPM_RAD_PER_S);
        let times = [Measure::RiseTime, Measure::SettlingTime].map(|measure| plain(&recorded, measure));
        vec![overshoot, times[0], times[1], lowest_rpm]
    });
}

/// What does not settle has no settling time, however far the window goes.
#[test]
fn what_never_settles_has_no_settling_time() {
    check("never-settles-undamped", |input| {
        let recorded = Recorded::of(TICK_HZ, input("window_s"), &UNIT_STEP, |t| 1.0 - (20.0 * t).cos());
        vec![plain(&recorded, Measure::SettlingTime), plain(&recorded, Measure::Overshoot)]
    });
    check("never-settles-offset", |input| {
        let speed = |t: f64| 0.97 * (1.0 - (-t / 0.02).exp());
        let recorded = Recorded::of(TICK_HZ, input("window_s"), &UNIT_STEP, speed);
        let settling = Measure::SettlingTime.evaluate(&recorded.window(), &plain_options());
        assert_eq!(settling, Answer::Without(NoNumber::NotSettled));
        vec![settling.value()]
    });
}

/// Kessler's optima, in units of the small time constant: overshoot, first reaching of the setpoint, rise, peak, settling.
#[test]
fn optima_have_kesslers_figures() {
    let check_optimum = |id: &str, num: &[f64], den: &[f64]| {
        check(id, |input| {
            // 1000 samples a time constant: the row's tolerance is that of the formula, not of a record at 8 kHz.
            let ticks = 40_000;
            let response = sampled(num, den, 1e-3, ticks);
            let tick_hz = 1_000_000;
            let unit_s = input("small_time_constant_s");
            let at = |t: f64| response[(t * f64::from(tick_hz)).round() as usize];
            let recorded = Recorded::of(tick_hz, ticks as f64 / f64::from(tick_hz), &UNIT_STEP, at);
            let window = recorded.window();
            let options = Options { hold_s: 0.005, ..plain_options() };
            let reaches_s = Step::of(&window, &options).and_then(|step| step.first_crossing_s(1.0));
            let times = [Measure::RiseTime, Measure::PeakTime, Measure::SettlingTime]
                .map(|measure| value(&recorded, measure, &options));
            let mut found = vec![value(&recorded, Measure::Overshoot, &options)];
            let seconds = [reaches_s, times[0], times[1], times[2]];
            found.extend(seconds.map(|time_s| time_s.map(|time_s| time_s / unit_s)));
            found
        });
    };
    check_optimum("symmetrical-optimum-plain", &[1.0, 4.0, 0.0], &[1.0, 4.0, 8.0, 8.0]);
    check_optimum("symmetrical-optimum-prefilter", &[1.0, 0.0, 0.0], &[1.0, 4.0, 8.0, 8.0]);
    check_optimum("modulus-optimum-step", &[1.0, 0.0], &[1.0, 2.0, 2.0]);
}

/// Integrals of the error of textbook lags; the ise formula also in Newton, Gould & Kaiser.
#[test]
fn error_integrals_have_closed_forms() {
    let integrals = |recorded: &Recorded| {
        [Measure::Iae, Measure::Ise, Measure::Itae].map(|measure| plain(recorded, measure)).to_vec()
    };
    let lag = |time_constant_s: f64| move |t: f64| 1.0 - (-t / time_constant_s).exp();
    check("iae-lag1", |input| integrals(&Recorded::of(TICK_HZ, 2.0, &UNIT_STEP, lag(input("time_constant_s")))));
    check("iae-lag1-window", |input| {
        integrals(&Recorded::of(TICK_HZ, input("window_s"), &UNIT_STEP, lag(input("time_constant_s"))))
    });
    for id in ["iae-second-z05", "iae-second-z025", "iae-critical"] {
        check(id, |input| {
            let response = second_order(input("damping_z"), input("wn_rad_per_s"));
            integrals(&Recorded::of(TICK_HZ, 2.0, &UNIT_STEP, response))
        });
    }
}

/// A step of zero has no measures; a response that never leaves its band settles in 0 s; a band too late is not settled.
#[test]
fn edges_answer_in_words() {
    let still = SetpointStep { initial_rad_per_s: 1.0, last_rad_per_s: 1.0 };
    let recorded = Recorded::of(TICK_HZ, 1.0, &still, |t| 1.0 + 0.1 * (PI * t).sin());
    for measure in Measure::all().filter(|measure| measure.kind() == plantstand::score::measure::Kind::Step) {
        let answer = measure.evaluate(&recorded.window(), &plain_options());
        assert_eq!(answer, Answer::Without(NoNumber::NotDefined), "{}", measure.name());
    }
    let at_once = Recorded::of(TICK_HZ, 1.0, &UNIT_STEP, |_| 1.01);
    assert_eq!(plain(&at_once, Measure::SettlingTime), Some(0.0));
    let on_the_edge = Recorded::of(TICK_HZ, 1.0, &UNIT_STEP, |_| 1.5);
    let half = Options { band_percent: Some(50.0), ..plain_options() };
    assert_eq!(value(&on_the_edge, Measure::SettlingTime, &half), Some(0.0));
    let late = Recorded::of(TICK_HZ, 1.0, &UNIT_STEP, |t| f64::from(u8::from(0.96 < t)));
    let settling = Measure::SettlingTime.evaluate(&late.window(), &plain_options());
    assert_eq!(settling, Answer::Without(NoNumber::NotSettled));
    let short = Recorded::of(TICK_HZ, 0.09, &UNIT_STEP, |_| 1.0);
    let settling = Measure::SettlingTime.evaluate(&short.window(), &plain_options());
    assert_eq!(settling, Answer::Without(NoNumber::NotDefined));
    let weak = Recorded::of(TICK_HZ, 1.0, &UNIT_STEP, |_| 0.4);
    for measure in [Measure::RiseTime, Measure::Delay] {
        let answer = measure.evaluate(&weak.window(), &plain_options());
        assert_eq!(answer, Answer::Without(NoNumber::NotReached));
    }
}

/// The band in rpm goes before the band in percent, and settling is interpolated between samples.
#[test]
fn settling_is_interpolated_into_the_band() {
    let setpoint = SetpointStep { initial_rad_per_s: 0.0, last_rad_per_s: 100.0 * RPM_RAD_PER_S };
    let ramp = Recorded::of(100, 1.0, &setpoint, |t| (t / 0.45).min(1.0) * 100.0 * RPM_RAD_PER_S);
    let options = Options { band_percent: Some(50.0), band_rpm: Some(3.0), ..plain_options() };
    let found = value(&ramp, Measure::SettlingTime, &options).expect("it settles");
    assert!((found - 0.45 * 0.97).abs() < 1e-12, "{found}");
}
