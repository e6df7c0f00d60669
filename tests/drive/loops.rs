//! The speed loop: PI with its anti-windup by hand-reckoned sequences, changes of gain without a bump, filters against
//! the textbook formulas, and the whole chain against a second writing of it.

use num_complex::Complex64;
use plantstand::base::random::Stream;
use plantstand::base::signal::Request;
use plantstand::base::time::TickRate;
use plantstand::base::units::TURN_RAD;
use plantstand::drive::Coefficients;
use plantstand::drive::filter::{LowPass, LowPassCoefficients, Notch, NotchCoefficients, NotchShape};
use plantstand::drive::setting::Setting;
use plantstand::drive::speed_loop::{PiCoefficients, SpeedLoop, SpeedLoopCoefficients, SpeedLoopInput};

use crate::{Axis, COUNTS_PER_TURN, RATE, asking_rpm, drive_with, tuned_drive_with};

/// A loop with Kp 1, T/Tn 1/4, limit 2 and no filters: every number below is exact in binary.
fn plain_loop() -> SpeedLoopCoefficients {
    SpeedLoopCoefficients {
        pi: PiCoefficients { gain_nms_per_rad: 1.0, period_over_reset_time: 0.25 },
        inertia_feedforward_kgm2: 0.0,
        notches: [NotchCoefficients::OFF; 2],
        torque_lowpass: LowPassCoefficients { a: 0.0 },
        torque_limit_nm: 2.0,
    }
}

fn error(error_rad_per_s: f64, torque_offset_nm: f64) -> SpeedLoopInput {
    SpeedLoopInput {
        setpoint_rad_per_s: error_rad_per_s,
        setpoint_slope_rad_per_s2: 0.0,
        measured_rad_per_s: 0.0,
        torque_offset_nm,
    }
}

/// One tick: error, torque offset; c, command, and the integrator's torque T/Tn·S after it, all reckoned by hand.
fn check_step(speed_loop: &mut SpeedLoop, input: (f64, f64), controller_nm: f64, command_nm: f64, integrator_nm: f64) {
    let output = speed_loop.step(&error(input.0, input.1));
    assert_eq!(output.controller_torque_nm, controller_nm, "c at {input:?}");
    assert_eq!(output.summed_torque_nm, controller_nm + input.1, "u at {input:?}");
    assert_eq!(output.torque_command_nm, command_nm, "command at {input:?}");
    assert_eq!(speed_loop.integrator_torque_nm(), integrator_nm, "integrator at {input:?}");
}

/// S stands while |v| is beyond the limit and e has the sign of v, and the command is not computed again.
#[test]
fn the_integrator_stands_at_the_limit_and_runs_away_from_it() {
    let mut speed_loop = SpeedLoop::new(plain_loop());
    check_step(&mut speed_loop, (1.0, 0.0), 1.25, 1.25, 0.25); // S = 1
    check_step(&mut speed_loop, (4.0, 0.0), 5.25, 2.0, 0.25); // 4 + (1 + 4)/4; stands
    check_step(&mut speed_loop, (-1.0, 0.0), -1.0, -1.0, 0.0); // −1 + (1 − 1)/4; S = 0
    check_step(&mut speed_loop, (-8.0, 0.0), -10.0, -2.0, 0.0); // stands on the other side
    check_step(&mut speed_loop, (-1.0, 10.0), -1.25, 2.0, -0.25); // v above the limit, e against it: runs, S = −1
    check_step(&mut speed_loop, (2.0, -0.25), 2.25, 2.0, 0.25); // v exactly at the limit is not beyond: S = 1
    check_step(&mut speed_loop, (0.0, 10.0), 0.25, 2.0, 0.25); // e = 0 has no sign: adds 0
}

/// It is v, behind the filters, that counts: with a low-pass u may be far beyond the limit while S still runs.
#[test]
fn the_anti_windup_looks_behind_the_filters() {
    let coefficients = SpeedLoopCoefficients { torque_lowpass: LowPassCoefficients { a: 0.75 }, ..plain_loop() };
    let mut speed_loop = SpeedLoop::new(coefficients);
    check_step(&mut speed_loop, (4.0, 0.0), 5.0, 1.25, 1.0); // v = 5/4; S = 4
    check_step(&mut speed_loop, (4.0, 0.0), 6.0, 2.0, 1.0); // v = 0.75·1.25 + 6/4 = 2.4375; stands
    check_step(&mut speed_loop, (-4.0, 0.0), -4.0, 0.828_125, 0.0); // v = 0.75·2.4375 − 1; S = 0
}

/// The impulse response of Kp (1 + (T/Tn) z/(z − 1)): Kp (1 + T/Tn), then Kp T/Tn for ever.
#[test]
fn the_impulse_response_is_the_one_promised_to_the_linear_model() {
    let mut speed_loop = SpeedLoop::new(plain_loop());
    check_step(&mut speed_loop, (1.0, 0.0), 1.25, 1.25, 0.25);
    check_step(&mut speed_loop, (0.0, 0.0), 0.25, 0.25, 0.25);
    check_step(&mut speed_loop, (0.0, 0.0), 0.25, 0.25, 0.25);
}

/// The integrator's torque stays through a change of Kp, of Tn, of both; it is dropped where one becomes 0, and begins
/// at 0 where one comes back.
#[test]
fn a_change_of_gain_keeps_the_integrators_torque() {
    let mut drive = tuned_drive_with(&[]);
    drive.tick(0, &asking_rpm(30.0));
    for _ in 0..100 {
        drive.tick(0, &asking_rpm(0.0));
    }
    let torque_nm = drive.integrator_torque_nm();
    assert!(1e-4 < torque_nm);
    let mut check = |setting, value, expected_nm: f64| {
        drive.write(setting, value).unwrap();
        let found_nm = drive.integrator_torque_nm();
        assert!((found_nm - expected_nm).abs() <= 1e-15, "{setting:?} = {value}: {found_nm}, not {expected_nm}");
        let (feedback, _) = drive.tick(0, &asking_rpm(0.0));
        assert!((feedback.torque_command_nm - expected_nm).abs() <= 1e-15, "{setting:?} = {value}");
    };
    check(Setting::SpeedGain, 0.37, torque_nm);
    check(Setting::SpeedResetTime, 0.003, torque_nm);
    check(Setting::SpeedGain, 0.05, torque_nm);
    check(Setting::TorqueLimit, 4.0, torque_nm);
    check(Setting::SpeedResetTime, 0.0, 0.0);
    check(Setting::SpeedResetTime, 0.1, 0.0);
    let mut drive = tuned_drive_with(&[]);
    drive.tick(0, &asking_rpm(30.0));
    drive.write(Setting::SpeedGain, 0.0).unwrap();
    drive.tick(0, &asking_rpm(30.0));
    drive.write(Setting::SpeedGain, 0.1).unwrap();
    assert_eq!(drive.integrator_torque_nm(), 0.0);
}

/// Tn = 0: proportional only, and no sum that would come to light later.
#[test]
fn no_reset_time_means_no_integrator() {
    let mut drive = tuned_drive_with(&[(Setting::SpeedResetTime, 0.0)]);
    let request = asking_rpm(30.0);
    for _ in 0..100 {
        let (feedback, _) = drive.tick(0, &request);
        assert_eq!(feedback.torque_command_nm, 0.1 * request.speed_rad_per_s);
    }
    drive.write(Setting::SpeedResetTime, 0.05).unwrap();
    assert_eq!(drive.integrator_torque_nm(), 0.0);
}

fn at(frequency_hz: f64, rate: TickRate) -> Complex64 {
    Complex64::from_polar(1.0, TURN_RAD * frequency_hz * rate.period_s())
}

/// Response of a filter at a frequency from its own impulse response, `ticks` long.
fn response(frequency_hz: f64, rate: TickRate, ticks: i32, mut next: impl FnMut(f64) -> f64) -> Complex64 {
    let z = at(frequency_hz, rate);
    (0..ticks).map(|k| next(if k == 0 { 1.0 } else { 0.0 }) * z.powi(-k)).sum()
}

/// A notch is (s² + n s + w0²)/(s² + m s + w0²) at s = j·w0·tan(wT/2)/tan(w0T/2): Tustin, prewarped at the centre
/// (Franklin, Powell, Workman, Digital Control of Dynamic Systems). 1e-9: the impulse response has died down by then.
fn check_notch(shape: NotchShape, rate: TickRate) {
    let coefficients = NotchCoefficients::new(&shape, rate);
    let centre = TURN_RAD * shape.centre_hz;
    let damping = TURN_RAD * shape.width_hz;
    let depth = 10_f64.powf(-shape.depth_db / 20.0);
    for share in [0.001, 0.1, 0.5, 0.9, 1.0, 1.1, 1.5, 1.9] {
        let frequency_hz = share * shape.centre_hz;
        let warped =
            centre * (TURN_RAD * frequency_hz * rate.period_s() / 2.0).tan() / (centre * rate.period_s() / 2.0).tan();
        let s = Complex64::new(0.0, warped);
        let formula = (s * s + depth * damping * s + centre * centre) / (s * s + damping * s + centre * centre);
        let mut notch = Notch::new(coefficients);
        let found = response(frequency_hz, rate, 20_000, |input| notch.next(input));
        assert!((found - formula).norm() <= 1e-9, "{shape:?} at {frequency_hz} Hz: {found}, not {formula}");
    }
}

#[test]
fn a_notch_is_its_formula() {
    check_notch(NotchShape { centre_hz: 450.0, width_hz: 400.0, depth_db: 26.0 }, RATE);
    check_notch(NotchShape { centre_hz: 483.0, width_hz: 30.0, depth_db: 40.0 }, RATE);
    check_notch(NotchShape { centre_hz: 133.0, width_hz: 133.0, depth_db: 6.0 }, RATE);
    check_notch(NotchShape { centre_hz: 2000.0, width_hz: 500.0, depth_db: 20.0 }, RATE);
    check_notch(NotchShape { centre_hz: 2000.0, width_hz: 5000.0, depth_db: 80.0 }, TickRate { hz: 16_000 });
}

/// y_k = a y_{k−1} + (1 − a) u_k with a = exp(−2πfT), so H = (1 − a)/(1 − a z⁻¹).
fn check_lowpass(corner_hz: f64) {
    let a = (-TURN_RAD * corner_hz * RATE.period_s()).exp();
    let coefficients = LowPassCoefficients::new(corner_hz, RATE);
    assert!((coefficients.a - a).abs() <= 1e-15);
    for frequency_hz in [0.0, 1.0, 100.0, 1000.0, 4000.0] {
        let mut lowpass = LowPass::new(coefficients);
        let found = response(frequency_hz, RATE, 20_000, |input| lowpass.next(input));
        let formula = (1.0 - a) / (1.0 - a / at(frequency_hz, RATE));
        assert!((found - formula).norm() <= 1e-9, "{corner_hz} Hz at {frequency_hz} Hz: {found}, not {formula}");
    }
}

#[test]
fn a_lowpass_is_its_formula() {
    check_lowpass(10.0);
    check_lowpass(600.0);
    check_lowpass(3000.0);
}

/// A filter that is off passes every value on with the same bits; a notch is off without centre, width or depth.
#[test]
fn off_is_off_to_the_bit() {
    let mut stream = Stream::new(1, "off");
    for shape in [(0.0, 100.0, 20.0), (400.0, 0.0, 20.0), (400.0, 100.0, 0.0)] {
        let (centre_hz, width_hz, depth_db) = shape;
        let mut notch = Notch::new(NotchCoefficients::new(&NotchShape { centre_hz, width_hz, depth_db }, RATE));
        let mut lowpass = LowPass::new(LowPassCoefficients::new(0.0, RATE));
        for _ in 0..1000 {
            let input = stream.normal();
            assert_eq!(notch.next(input).to_bits(), input.to_bits(), "{shape:?}");
            assert_eq!(lowpass.next(input).to_bits(), input.to_bits());
        }
    }
}

/// Filters keep their states when they are retuned, switched on or off: a steady torque stays as it is.
#[test]
fn retuning_a_filter_does_not_jump() {
    let mut drive = tuned_drive_with(&[(Setting::SpeedResetTime, 0.0)]);
    let request = Request { torque_offset_nm: 1.5, ..asking_rpm(0.0) };
    for _ in 0..1000 {
        drive.tick(0, &request);
    }
    let changes = [
        (Setting::Notch1Width, 400.0),
        (Setting::Notch1Depth, 26.0),
        (Setting::Notch1Centre, 450.0),
        (Setting::TorqueLowpass, 300.0),
        (Setting::Notch2Centre, 1000.0),
        (Setting::Notch1Centre, 700.0),
        (Setting::TorqueLowpass, 0.0),
        (Setting::Notch1Centre, 0.0),
    ];
    for (setting, value) in changes {
        drive.write(setting, value).unwrap();
        for _ in 0..50 {
            let (feedback, _) = drive.tick(0, &request);
            assert!((feedback.torque_command_nm - 1.5).abs() <= 1e-12, "{setting:?} = {value}");
        }
    }
}

/// The settings of the test below: every part of the chain on.
const EVERYTHING: [(Setting, f64); 15] = [
    (Setting::SpeedGain, 0.08),
    (Setting::SpeedResetTime, 0.02),
    (Setting::SpeedFilter, 900.0),
    (Setting::SetpointRamp, 20_000.0),
    (Setting::SetpointLowpass, 70.0),
    (Setting::TorqueLimit, 1.5),
    (Setting::TorqueLowpass, 800.0),
    (Setting::Notch1Centre, 450.0),
    (Setting::Notch1Width, 400.0),
    (Setting::Notch1Depth, 26.0),
    (Setting::Notch2Centre, 1200.0),
    (Setting::Notch2Width, 300.0),
    (Setting::Notch2Depth, 12.0),
    (Setting::InertiaFeedforward, 8e-4),
    (Setting::SpeedLimit, 100_000.0),
];

/// The chain written down a second time from its description, notches in transposed form II, and run beside the drive
/// on the drive's own counts. 1e-9 Nm: the two sum in another order.
#[test]
fn the_whole_chain_agrees_with_a_second_writing() {
    let mut drive = drive_with(&EVERYTHING);
    drive.start_enabled();
    let Coefficients { speed_loop, setpoint, speed_meter, .. } = drive.coefficients();
    let mut axis = Axis::new(drive);
    let mut stream = Stream::new(7, "requests");
    let (mut counts_before, mut filtered, mut ramp, mut smooth, mut setpoint_before) = (None, 0.0, 0.0_f64, 0.0, 0.0);
    let (mut sum, mut states, mut lowpassed) = (0.0, [[0.0; 2]; 2], 0.0);
    let mut request = asking_rpm(0.0);
    let mut limited = 0;
    for k in 0..20_000 {
        if k % 400 == 0 {
            request.speed_rad_per_s = 100.0 * stream.normal();
        }
        request.speed_offset_rad_per_s = stream.normal();
        request.torque_offset_nm = 0.1 * stream.normal();
        let feedback = axis.tick(&request);

        let difference = feedback.counts - counts_before.unwrap_or(feedback.counts);
        counts_before = Some(feedback.counts);
        let speed = difference as f64 / COUNTS_PER_TURN * TURN_RAD * f64::from(RATE.hz);
        filtered = speed_meter.filter.a * filtered + (1.0 - speed_meter.filter.a) * speed;
        let step = 20_000.0 / 60.0 * TURN_RAD / f64::from(RATE.hz);
        ramp += (request.speed_rad_per_s - ramp).clamp(-step, step);
        smooth = setpoint.lowpass.a * smooth + (1.0 - setpoint.lowpass.a) * ramp;
        let wanted = smooth + request.speed_offset_rad_per_s;
        let slope = (wanted - setpoint_before) * f64::from(RATE.hz);
        setpoint_before = wanted;
        let e = wanted - filtered;
        let c = 0.08 * (e + (1.0 / 8000.0 / 0.02) * (sum + e)) + 8e-4 * slope;
        let mut v = c + request.torque_offset_nm;
        for (notch, state) in speed_loop.notches.iter().zip(&mut states) {
            let output = notch.b0 * v + state[0];
            *state = [notch.b1 * v - notch.a1 * output + state[1], notch.b2 * v - notch.a2 * output];
            v = output;
        }
        lowpassed = speed_loop.torque_lowpass.a * lowpassed + (1.0 - speed_loop.torque_lowpass.a) * v;
        let stands = 1.5 < lowpassed.abs() && lowpassed.signum() == e.signum();
        limited += u32::from(stands);
        sum += if stands { 0.0 } else { e };

        assert!((feedback.measured_speed_rad_per_s - filtered).abs() <= 1e-9, "measured speed in tick {k}");
        assert!((feedback.setpoint_rad_per_s - wanted).abs() <= 1e-9, "setpoint in tick {k}");
        assert!((feedback.controller_torque_nm - c).abs() <= 1e-9, "c in tick {k}");
        assert!((feedback.torque_command_nm - lowpassed.clamp(-1.5, 1.5)).abs() <= 1e-9, "command in tick {k}");
    }
    assert!(500 < limited, "the limit cut in {limited} ticks only");
}

/// The first tick after power-up has speed 0; then it is the difference of counts over one tick times tick_hz.
#[test]
fn measured_speed_is_the_difference_over_one_tick() {
    let mut drive = drive_with(&[]);
    let mut speed = |counts| drive.tick(counts, &Request::default()).0.measured_speed_rad_per_s;
    let one_count_a_tick = TURN_RAD / COUNTS_PER_TURN * 8000.0;
    assert_eq!(speed(1_000_000), 0.0);
    assert_eq!(speed(1_000_001), one_count_a_tick);
    assert_eq!(speed(999_901), -100.0 * one_count_a_tick);
    assert_eq!(speed(999_901), 0.0);
}

/// Row `noise-through-lag` (textbook: sum of squares of the impulse response): white noise of rms 1 comes out of the
/// drive's low-pass at 400 Hz and 8 kHz with rms √((1 − a)/(1 + a)).
#[test]
fn a_low_pass_lets_the_noise_through_that_its_impulse_response_says() {
    let mut filter = LowPass::new(LowPassCoefficients::new(400.0, TickRate { hz: 8000 }));
    let squares: f64 = (0..2000).map(|tick| filter.next(if tick == 0 { 1.0 } else { 0.0 })).map(|y| y * y).sum();
    let expected = crate::states::expected("noise-through-lag").as_f64().unwrap();
    assert!((squares.sqrt() / expected - 1.0).abs() <= 1e-10, "{} is not {expected}", squares.sqrt());
}
