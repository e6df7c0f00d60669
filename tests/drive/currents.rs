//! The current loops: every line of their page against a second writing of it, the limit that keeps a direction, sums
//! that stand and keep, and a winding whose current follows as the magnitude optimum promises.

use std::f64::consts::TAU;

use plantstand::base::nameplate::WindingPlate;
use plantstand::base::random::Stream;
use plantstand::base::signal::{Actuation, Request, Sample};
use plantstand::base::time::TickRate;
use plantstand::drive::Drive;
use plantstand::drive::current_loop::{
    CurrentLoop, CurrentLoopCoefficients, CurrentLoopInput, CurrentLoopOutput, CurrentSample, Dq,
};
use plantstand::drive::setting::{DefaultsFrom, Setting, Settings};

use crate::{COUNTS_PER_TURN, RATE, asking_rpm, built_into, word};

const PLATE: WindingPlate = WindingPlate {
    pole_pairs: 4,
    resistance_ohm: 0.62,
    inductance_h: 3e-3,
    flux_linkage_vs: 0.118,
    rated_current_a_rms: 4.1,
    commutation_offset_rad: TAU / 12.0,
    bus_v: 560.0,
};

pub fn from() -> DefaultsFrom {
    let mut from = built_into();
    from.nameplate.winding = Some(PLATE);
    from
}

fn settings_with(changes: &[(Setting, f64)]) -> Settings {
    let mut settings = Settings::defaults(&from());
    for (setting, value) in changes {
        settings.set(*setting, *value);
    }
    settings
}

fn loops_with(changes: &[(Setting, f64)]) -> CurrentLoop {
    CurrentLoop::new(CurrentLoopCoefficients::new(&settings_with(changes), RATE))
}

fn input(torque_nm: f64, speed_rad_per_s: f64, bus_v: f64) -> CurrentLoopInput {
    CurrentLoopInput { torque_nm, speed_rad_per_s, bus_v }
}

/// Phase currents a and b of a current vector in a frame at an electrical angle: each phase is the vector's shadow.
fn phases(d: f64, q: f64, angle_rad: f64) -> [f64; 2] {
    [0.0, TAU / 3.0].map(|phase| d * (angle_rad - phase).cos() - q * (angle_rad - phase).sin())
}

/// Gain L/(3T) and reset time L/R, by hand.
#[test]
fn the_defaults_are_the_magnitude_optimum() {
    let settings = settings_with(&[]);
    assert!((settings.get(Setting::CurrentGain) - 3e-3 / (3.0 / 8000.0)).abs() < 1e-12);
    assert!((settings.get(Setting::CurrentResetTime) - 3e-3 / 0.62).abs() < 1e-15);
    let none = Settings::defaults(&built_into());
    assert_eq!((none.get(Setting::CurrentGain), none.get(Setting::CurrentResetTime)), (0.0, 0.0));
    assert_eq!((none.get(Setting::PolePairs), none.get(Setting::FluxLinkage)), (1.0, 0.0));
}

/// Amplitude-invariant: a vector's d and q come back from its phases at any angle, with either sign of the sensor.
#[test]
fn phase_currents_become_d_and_q() {
    let mut stream = Stream::new(3, "angles");
    for sign in [1.0, -1.0] {
        let loops = loops_with(&[(Setting::SensorSign, sign)]);
        for _ in 0..1000 {
            let counts = (1e7 * stream.normal()) as i64;
            let angle_rad = sign * 4.0 * counts as f64 / COUNTS_PER_TURN * TAU + TAU / 12.0;
            let sample = loops.sample(counts, phases(-1.5, 7.0, angle_rad));
            assert!((0.0..TAU).contains(&sample.angle_rad));
            assert!((sample.angle_rad - angle_rad).sin().abs() < 1e-9, "{counts}");
            assert!((sample.current_a.d + 1.5).abs() < 1e-8 && (sample.current_a.q - 7.0).abs() < 1e-8, "{sample:?}");
        }
    }
}

/// The page once more, written the long way: sums, feed-forward, limit, direction, turn of the frame.
#[test]
fn every_tick_is_as_the_page_says() {
    let changes = [(Setting::CurrentGain, 6.0), (Setting::CurrentResetTime, 2e-3)];
    let mut loops = loops_with(&changes);
    let mut stream = Stream::new(4, "ticks");
    let mut sums = [0.0, 0.0];
    let (mut cut, mut stood) = (0, 0);
    for _ in 0..20_000 {
        let angle_rad = TAU * stream.uniform();
        let current = [5.0 * stream.normal(), 5.0 * stream.normal()];
        let (torque_nm, speed, bus_v) = (4.0 * stream.normal(), 100.0 * stream.normal(), 100.0 * stream.uniform());
        let sample = CurrentSample { angle_rad, current_a: Dq { d: current[0], q: current[1] } };
        let output = loops.step(&sample, &input(torque_nm, speed, bus_v));
        let we = 4.0 * speed;
        let errors = [-current[0], torque_nm / (1.5 * 4.0 * 0.118) - current[1]];
        let fed = [-we * 3e-3 * current[1], we * (3e-3 * current[0] + 0.118)];
        let wanted: Vec<f64> = (0..2)
            .map(|axis| 6.0 * (errors[axis] + 1.0 / (8000.0 * 2e-3) * (sums[axis] + errors[axis])) + fed[axis])
            .collect();
        let length = wanted[0].hypot(wanted[1]);
        let limit = bus_v / 3.0_f64.sqrt();
        let share = (limit / length).min(1.0);
        for axis in 0..2 {
            if limit < length && 0.0 < errors[axis] * wanted[axis] {
                stood += 1;
            } else {
                sums[axis] += errors[axis];
            }
        }
        cut += usize::from(limit < length);
        // The sums wander without a plant behind them.
        if 50.0 < sums[0].abs().max(sums[1].abs()) {
            loops.reset();
            sums = [0.0, 0.0];
        }
        let turned = angle_rad + 1.5 / 8000.0 * we;
        let alpha = share * (wanted[0] * turned.cos() - wanted[1] * turned.sin());
        let beta = share * (wanted[0] * turned.sin() + wanted[1] * turned.cos());
        let CurrentLoopOutput { voltage_v, voltage_alpha_beta_v } = output;
        let found = [voltage_v.d, voltage_v.q, voltage_alpha_beta_v[0], voltage_alpha_beta_v[1]];
        for (found, expected) in found.iter().zip([share * wanted[0], share * wanted[1], alpha, beta]) {
            assert!((found - expected).abs() < 1e-9 * (1.0 + expected.abs()), "{found} is not {expected}");
        }
    }
    assert!(1000 < cut && cut < 19_000 && 1000 < stood, "{cut} cut, {stood} stood");
}

/// A change of gain or reset time keeps the integrators' voltages: with no error nothing jumps.
#[test]
fn a_change_of_gain_keeps_the_integrators_voltages() {
    let mut loops = loops_with(&[]);
    let error = CurrentSample { angle_rad: 0.0, current_a: Dq { d: 1.0, q: -2.0 } };
    for _ in 0..10 {
        loops.step(&error, &input(0.0, 0.0, 560.0));
    }
    let still = CurrentSample::default();
    let before = loops.step(&still, &input(0.0, 0.0, 560.0)).voltage_v;
    assert!(before.d < -1.0 && 1.0 < before.q, "{before:?}");
    for changes in [
        [(Setting::CurrentGain, 2.0), (Setting::CurrentResetTime, 9e-3)],
        [(Setting::CurrentGain, 11.0), (Setting::CurrentResetTime, 1e-3)],
    ] {
        loops.retune(CurrentLoopCoefficients::new(&settings_with(&changes), RATE));
        let after = loops.step(&still, &input(0.0, 0.0, 560.0)).voltage_v;
        assert!((after.d - before.d).abs() < 1e-12 && (after.q - before.q).abs() < 1e-12, "{after:?} {before:?}");
    }
    loops.retune(CurrentLoopCoefficients::new(&settings_with(&[(Setting::CurrentResetTime, 0.0)]), RATE));
    assert_eq!(loops.step(&still, &input(0.0, 0.0, 560.0)).voltage_v, Dq::default());
}

/// At standstill the held voltage on R and L is exact: i' = a i + b v. With the magnitude optimum's gain the loop on L alone
/// answers a step by 0, 0, 1/3, 2/3, 8/9, 1, 28/27, 28/27, ... (each tick adds a third of the error two ticks ago); R and
/// the integrator that stands for it change that by less than 2 %.
#[test]
fn the_current_follows_a_step_as_the_magnitude_optimum_promises() {
    let rate = TickRate { hz: 32_000 };
    let settings = Settings::defaults(&DefaultsFrom { rate, ..from() });
    let mut loops = CurrentLoop::new(CurrentLoopCoefficients::new(&settings, rate));
    let a = (-PLATE.resistance_ohm / PLATE.inductance_h / 32_000.0_f64).exp();
    let b = (1.0 - a) / PLATE.resistance_ohm;
    let (mut current, mut acting) = (0.0_f64, 0.0);
    for expected in [0.0, 0.0, 1.0 / 3.0, 2.0 / 3.0, 8.0 / 9.0, 1.0, 28.0 / 27.0, 28.0 / 27.0] {
        assert!((current - expected).abs() < 0.02, "{current} is not {expected}");
        let sample = CurrentSample { angle_rad: 0.0, current_a: Dq { d: 0.0, q: current } };
        let next = loops.step(&sample, &input(1.5 * 4.0 * PLATE.flux_linkage_vs, 0.0, 560.0)).voltage_v.q;
        current = a * current + b * acting;
        acting = next;
    }
}

fn drive() -> Drive {
    let changes = [(Setting::SpeedGain, 0.1), (Setting::SpeedResetTime, 0.05), (Setting::TorqueLimit, 6.0)];
    Drive::new(RATE, from().nameplate, settings_with(&changes))
}

/// A voltage where torque may act, nothing anywhere else, and never a bare torque; what flows is shown in any state.
#[test]
fn a_drive_with_a_winding_gives_voltages_while_torque_may_act() {
    let mut drive = drive();
    let shown = Sample { phase_current_a: phases(1.0, 2.0, TAU / 12.0), bus_v: 560.0, ..Sample::default() };
    let one_tick = |drive: &mut Drive, request: &Request| {
        drive.sense(&shown);
        drive.act(request)
    };
    let (feedback, actuation) = one_tick(&mut drive, &word(0x06));
    assert_eq!((actuation, feedback.voltage_d_v, feedback.voltage_q_v), (Actuation::Off, 0.0, 0.0));
    assert!((feedback.current_d_a - 1.0).abs() < 1e-9 && (feedback.current_q_a - 2.0).abs() < 1e-9);
    assert_eq!(feedback.bus_v, 560.0);
    drive.start_enabled();
    let (feedback, actuation) = one_tick(&mut drive, &asking_rpm(10.0));
    let Actuation::Voltage { alpha_v, beta_v } = actuation else { panic!("{actuation:?}") };
    assert!((alpha_v.hypot(beta_v) - feedback.voltage_d_v.hypot(feedback.voltage_q_v)).abs() < 1e-9);
    assert!(feedback.voltage_d_v < 0.0, "1 A on d is driven out: {feedback:?}");
}

/// Enabled anew, the loops begin at rest, whatever they did before.
#[test]
fn the_loops_begin_at_rest() {
    let shown = Sample { phase_current_a: phases(3.0, -2.0, TAU / 12.0), bus_v: 560.0, ..Sample::default() };
    let enable = |drive: &mut Drive| {
        [0x06, 0x07, 0x0F, 0x0F].map(|controlword| {
            drive.sense(&shown);
            drive.act(&word(controlword)).1
        })
    };
    let (mut fresh, mut used) = (drive(), drive());
    for _ in 0..500 {
        used.sense(&shown);
        used.act(&asking_rpm(20.0));
        used.sense(&shown);
        used.act(&word(0x0F));
    }
    used.sense(&shown);
    used.act(&word(0x00));
    assert_eq!(enable(&mut fresh)[2..], enable(&mut used)[2..]);
}

/// Whatever the sensors show, the voltage is finite and no longer than the bus allows.
#[test]
fn no_sample_makes_a_bad_voltage() {
    let mut stream = Stream::new(5, "samples");
    let mut acted = 0;
    for _ in 0..300 {
        let mut drive = drive();
        drive.start_enabled();
        for _ in 0..200 {
            let mut draw = || match (stream.uniform() * 10.0) as u32 {
                0 => f64::NAN,
                1 => f64::NEG_INFINITY,
                2 => f64::MAX,
                _ => 100.0 * stream.normal(),
            };
            let phase_current_a = [draw(), draw()];
            let bus_v = draw();
            let counts = draw() as i64;
            drive.sense(&Sample { counts, phase_current_a, bus_v, ..Sample::default() });
            let (feedback, actuation) = drive.act(&asking_rpm(50.0));
            let numbers = [feedback.current_d_a, feedback.current_q_a, feedback.voltage_d_v, feedback.voltage_q_v];
            assert!(numbers.iter().all(|number| number.is_finite()), "{feedback:?}");
            if let Actuation::Voltage { alpha_v, beta_v } = actuation {
                acted += 1;
                let most = feedback.bus_v.max(0.0) / 3.0_f64.sqrt();
                assert!(alpha_v.hypot(beta_v) <= most * (1.0 + 1e-12), "{feedback:?}");
            }
        }
    }
    assert!(300 < acted, "{acted}");
}
