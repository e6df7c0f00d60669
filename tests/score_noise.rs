//! Noise, ripple, travel and effort of signals whose numbers are known in closed form.

mod outside_rows;

use std::f64::consts::{SQRT_2, TAU};

use outside_rows::check;
use plantstand::base::time::TickRate;
use plantstand::base::units::RPM_RAD_PER_S;
use plantstand::score::measure::Measure;
use plantstand::score::noise::Highpass;
use plantstand::score::window::{Options, Torques, Window};
use plantstand::score::{Answer, NoNumber};

const RATE: TickRate = TickRate { hz: 8000 };

/// A window of `ticks` at a constant setpoint with these signals over time in s.
struct Signals {
    setpoint: Vec<f64>,
    speed: Vec<f64>,
    angle: Vec<f64>,
    torque: Vec<f64>,
}

impl Signals {
    fn of(ticks: usize, speed: impl Fn(f64) -> f64, angle: impl Fn(f64) -> f64, torque: impl Fn(f64) -> f64) -> Self {
        let sampled = |f: &dyn Fn(f64) -> f64, count: usize| (0..count).map(|k| f(RATE.seconds(k as u64))).collect();
        Self {
            setpoint: vec![0.0; ticks],
            speed: sampled(&speed, ticks + 1),
            angle: sampled(&angle, ticks + 1),
            torque: sampled(&torque, ticks),
        }
    }

    fn window(&self) -> Window<'_> {
        Window {
            rate: RATE,
            entry_tick: 0,
            start_tick: 0,
            setpoint_before_rad_per_s: 0.0,
            setpoint_rad_per_s: &self.setpoint,
            motor_speed_rad_per_s: &self.speed,
            load_speed_at_motor_rad_per_s: &self.speed,
            load_angle_rad: &self.angle,
            torque_command_nm: &self.torque,
        }
    }
}

fn options(rated_nm: f64) -> Options {
    Options::with(Torques { rated_nm, limit_nm: 8.0 })
}

fn torque_only(ticks: usize, torque: impl Fn(f64) -> f64) -> Signals {
    Signals::of(ticks, |_| 0.0, |_| 0.0, torque)
}

/// Textbook bilinear transform; the gains are the Butterworth magnitude at the warped frequencies.
#[test]
fn highpass_is_the_textbooks_butterworth() {
    check("highpass2-butterworth", |input| {
        let rate = TickRate { hz: (1.0 / input("tick_s")).round() as u32 };
        let highpass = Highpass::new(input("corner_hz"), rate).expect("the corner is below half the rate");
        highpass.coefficients.map(Some).to_vec()
    });
    check("highpass2-gain", |input| {
        // The row's gains are those at 5, 20 and 100 Hz, by the response to a settled sine.
        let gain_at = |hz: f64| {
            let mut highpass = Highpass::new(input("corner_hz"), RATE).expect("the corner is below half the rate");
            let (mut sine, mut cosine) = (0.0, 0.0);
            for k in 0..32_000 {
                let angle = TAU * hz * RATE.seconds(k);
                let output = highpass.pass(angle.sin());
                if 16_000 <= k {
                    sine += output * angle.sin();
                    cosine += output * angle.cos();
                }
            }
            sine.hypot(cosine) / 8000.0
        };
        [5.0, 20.0, 100.0].map(|hz| Some(gain_at(hz))).to_vec()
    });
}

/// A sine far above the corner keeps its rms of A / √2; the mean, the first half and what settles are not counted.
#[test]
fn torque_noise_is_the_rms_above_the_corner() {
    let signals = torque_only(16_000, |t| if t < 1.0 { 5.0 } else { 0.7 + 0.3 * (TAU * 1000.0 * t).sin() });
    let highpass = Options { highpass_hz: Some(20.0), ..options(4.0) };
    let found = Measure::TorqueNoise.evaluate(&signals.window(), &highpass).value().expect("it is defined");
    let expected = 100.0 * 0.3 / SQRT_2 / 4.0;
    assert!((found - expected).abs() < 1e-3 * expected, "{found} is not {expected}");
    for corner in [None, Some(0.0), Some(4000.0), Some(f64::NAN)] {
        let answer = Measure::TorqueNoise.evaluate(&signals.window(), &Options { highpass_hz: corner, ..highpass });
        assert_eq!(answer, Answer::Without(NoNumber::NotDefined), "{corner:?}");
    }
    let longer = Options { last_s: Some(1.5), ..highpass };
    let with_the_jump = Measure::TorqueNoise.evaluate(&signals.window(), &longer).value().expect("it is defined");
    assert!(1.2 * expected < with_the_jump, "last_s reaches back to the jump: {with_the_jump}");
}

/// Total variation of a sine is 4 A f; derived.
#[test]
fn torque_travel_of_a_sine_is_four_amplitudes_a_period() {
    check("total-variation", |_| {
        let signals = torque_only(8001, |t| 0.3 * (TAU * 25.0 * t).sin());
        let of = |measure: Measure, signals: &Signals| measure.evaluate(&signals.window(), &options(4.1)).value();
        let whole_periods = torque_only(8000, |t| 0.3 * (TAU * 25.0 * t).sin());
        vec![of(Measure::TorqueTravel, &signals), of(Measure::TorqueRms, &whole_periods)]
    });
}

/// Ripple once a turn over whole turns: rms A / √2 and peak A, wherever the window begins.
#[test]
fn speed_ripple_is_taken_over_whole_turns() {
    let (mean, amplitude) = (60.0, 2.0 * RPM_RAD_PER_S);
    let speed = |t: f64| mean + amplitude * (mean * t + 0.3).sin();
    let angle = |t: f64| -mean * t;
    for ticks in [2000, 2345, 3111] {
        let signals = Signals::of(ticks, speed, angle, |_| 0.0);
        let of = |measure: Measure| measure.evaluate(&signals.window(), &options(1.0)).value().expect("it is defined");
        assert!((of(Measure::SpeedRippleRms) - SQRT_2).abs() < 1e-5, "{ticks}: {}", of(Measure::SpeedRippleRms));
        assert!((of(Measure::SpeedRipplePeak) - 2.0).abs() < 1e-4, "{ticks}: {}", of(Measure::SpeedRipplePeak));
    }
    // Less than a turn: the whole window.
    let standing = Signals::of(800, |t| (TAU * 10.0 * t).sin().signum() * RPM_RAD_PER_S, |_| 0.0, |_| 0.0);
    let peak = Measure::SpeedRipplePeak.evaluate(&standing.window(), &options(1.0)).value().expect("it is defined");
    assert!((peak - 1.0).abs() < 0.01, "{peak}");
}

/// Peak, rms and share of the time at the limit, equality counting.
#[test]
fn effort_is_that_of_the_command() {
    let signals = torque_only(1000, |t| if t < 0.05 { -8.0 * 0.999 } else { 2.0 });
    let of = |measure: Measure| measure.evaluate(&signals.window(), &options(4.0)).value().expect("it is defined");
    assert!((of(Measure::TimeAtLimit) - 40.0).abs() < 1e-9, "{}", of(Measure::TimeAtLimit));
    assert!((of(Measure::TorquePeak) - 199.8).abs() < 1e-9, "{}", of(Measure::TorquePeak));
    let rms = (0.4 * (8.0_f64 * 0.999).powi(2) + 0.6 * 4.0).sqrt() / 4.0 * 100.0;
    assert!((of(Measure::TorqueRms) - rms).abs() < 1e-9, "{}", of(Measure::TorqueRms));
}
