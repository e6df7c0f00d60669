//! The promise of the baud budget: it is reckoned from the frames as they are, byte for byte; in real time a line that
//! cannot carry the run is refused with the numbers and a cure that holds; in lockstep any line will do.
//!
//! Start reading at [`check_refused`].

use plantstand::bench::budget::{Budget, COMMON_BAUDS, carried_bytes_per_s};
use plantstand::wire::codec::encode;
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{
    Accept, CommandFrame, Commands, FeedbackFrame, Frame, Message, Pace, Sample, Samples, Text, TorqueCommandFrame,
    TorqueFeedbackFrame, TorqueSample, TorqueSamples, TorqueValue, TorqueValues, Value, Values, VoltageCommandFrame,
    VoltageFeedbackFrame, VoltageSample, VoltageSamples, VoltageValue, VoltageValues,
};
use plantstand::wire::series::Series;
use plantstand::wire::stream::stuff;

fn accept(commands: Commands, pace: Pace, tick_hz: u32, stride_ticks: u16) -> Accept {
    Accept {
        port: 0,
        version_min: 1,
        version_max: 1,
        commands,
        pace,
        tick_hz,
        stride_ticks,
        endless: true,
        travel_deg: [0.0; 2],
        window_deg: [0.0; 2],
        path_deg: 0.0,
        max_speed_rad_per_s: 0.0,
        time_s: 0.0,
        nonce: 0,
        title: Text::new(""),
    }
}

fn budget(commands: Commands, pace: Pace, tick_hz: u32, stride_ticks: u16) -> Budget {
    Budget::of(&accept(commands, pace, tick_hz, stride_ticks))
}

/// So many items whose bytes are never 0: the longest that they get on a line.
fn full<T: Copy + Default>(item: T, count: u16) -> Series<T> {
    Series::from_slice(&vec![item; usize::from(count)]).expect("a stride of items")
}

/// A number without a zero byte.
const FULL: f64 = f64::from_bits(0x4142_4344_4546_4748);

fn longest_frames(commands: Commands, stride: u16) -> [Message; 2] {
    let (exchange, first_tick, controlword, compute_us) = (0x0101_0101, 0x0101_0101_0101_0101, 0x0101, 0x0101_0101);
    if commands == Commands::Speed {
        let sample = Sample {
            counts: 0x0101_0101_0101_0101,
            setpoint_rad_per_s: FULL,
            measured_speed_rad_per_s: FULL,
            controller_torque_nm: FULL,
            summed_torque_nm: FULL,
            torque_command_nm: FULL,
        };
        let value = Value { speed_rad_per_s: FULL, speed_offset_rad_per_s: FULL, torque_offset_nm: FULL };
        let (samples, values): (Samples, Values) = (full(sample, stride), full(value, stride));
        return [
            Message::Feedback(FeedbackFrame { exchange, first_tick, trip: 0x0101, statusword: 0x0101, samples }),
            Message::Command(CommandFrame { exchange, controlword, compute_us, values }),
        ];
    }
    if commands == Commands::Voltage {
        let sample = VoltageSample {
            counts: 0x0101_0101_0101_0101,
            setpoint_rad_per_s: FULL,
            measured_speed_rad_per_s: FULL,
            electrical_angle_rad: FULL,
            current_d_a: FULL,
            current_q_a: FULL,
            bus_v: FULL,
            voltage_d_v: FULL,
            voltage_q_v: FULL,
        };
        let value = VoltageValue { voltage_d_v: FULL, voltage_q_v: FULL };
        let (samples, values): (VoltageSamples, VoltageValues) = (full(sample, stride), full(value, stride));
        let (trip, statusword) = (0x0101, 0x0101);
        return [
            Message::VoltageFeedback(VoltageFeedbackFrame { exchange, first_tick, trip, statusword, samples }),
            Message::VoltageCommand(VoltageCommandFrame { exchange, controlword, compute_us, values }),
        ];
    }
    let sample = TorqueSample {
        counts: 0x0101_0101_0101_0101,
        setpoint_rad_per_s: FULL,
        measured_speed_rad_per_s: FULL,
        torque_nm: FULL,
    };
    let value = TorqueValue { torque_nm: FULL, feedforward_nm: FULL };
    let (samples, values): (TorqueSamples, TorqueValues) = (full(sample, stride), full(value, stride));
    [
        Message::TorqueFeedback(TorqueFeedbackFrame {
            exchange,
            first_tick,
            trip: 0x0101,
            statusword: 0x0101,
            samples,
        }),
        Message::TorqueCommand(TorqueCommandFrame { exchange, controlword, compute_us, values }),
    ]
}

fn bytes_on_the_line(message: Message) -> usize {
    let mut bytes = [0; MAX_FRAME_BYTES];
    let length = encode(&Frame { sequence: 0x0101_0101, message }, &mut bytes);
    let mut out = Vec::new();
    stuff(&bytes[..length], &mut out);
    out.len()
}

/// No frame of an exchange takes more bytes than the budget says, and the fullest one few less.
#[test]
fn the_budget_is_that_of_the_frames_themselves() {
    for commands in [Commands::Speed, Commands::Torque, Commands::Voltage] {
        for stride in [1, 2, 8, 64] {
            let reckoned = budget(commands, Pace::Lockstep, 8000, stride).exchange_bytes();
            for (message, most) in longest_frames(commands, stride).into_iter().zip(reckoned) {
                let found = bytes_on_the_line(message);
                assert!(
                    found <= most && most <= found + most.div_ceil(254),
                    "{commands:?} {stride}: {found} of {most}"
                );
            }
        }
    }
}

/// A frame of 415 bytes is 417 in two blocks and 419 between its zeros: 3.352 Mbit/s with ten bits a byte at 8 kHz.
#[test]
fn eight_kilohertz_with_stride_8_is_reckoned_by_hand() {
    let speed = budget(Commands::Speed, Pace::RealTime, 8000, 8);
    assert_eq!(speed.exchange_bytes(), [415 + 2 + 2, 217 + 1 + 2]);
    assert_eq!(speed.needed_bytes_per_s(), 419.0 * 1000.0);
    let torque = budget(Commands::Torque, Pace::RealTime, 8000, 8);
    assert_eq!(torque.exchange_bytes()[0], 287 + 2 + 2);
    assert_eq!(torque.needed_bytes_per_s(), 291.0 * 1000.0);
    assert_eq!(carried_bytes_per_s(115_200), 11_520.0);
}

/// In real time this is refused, with these words.
fn check_refused(budget: Budget, baud: u32, words: &[&str]) {
    let why = budget.check(baud).expect_err("too slow a line").to_string();
    for word in words {
        assert!(why.contains(word), "no '{word}' in {why}");
    }
}

#[test]
fn a_line_that_is_too_slow_is_refused_with_the_numbers_and_a_cure() {
    let stride_8 = budget(Commands::Torque, Pace::RealTime, 8000, 8);
    let words = ["115200 baud carries 11.5 kB/s", "8000 Hz with stride 8 needs 291.0 kB/s", "3000000 baud would do"];
    check_refused(stride_8, 115_200, &words);
    check_refused(stride_8, 115_200, &["no stride makes this line do", "lockstep"]);
    check_refused(budget(Commands::Speed, Pace::RealTime, 64_000, 1), 115_200, &["no common rate would do"]);
    check_refused(budget(Commands::Torque, Pace::RealTime, 2000, 1), 921_600, &["or stride 3 on this line"]);
}

/// What the cure names holds, and the rate below it does not.
#[test]
fn the_cure_holds() {
    for (commands, tick_hz, stride) in
        [(Commands::Speed, 8000, 8), (Commands::Torque, 4000, 2), (Commands::Torque, 500, 1)]
    {
        let budget = budget(commands, Pace::RealTime, tick_hz, stride);
        let enough: Vec<bool> = COMMON_BAUDS.iter().map(|baud| budget.check(*baud).is_ok()).collect();
        assert!(enough.is_sorted() && !enough[0] && enough[enough.len() - 1], "{enough:?}");
        let first = COMMON_BAUDS[enough.iter().position(|enough| *enough).expect("the last one is enough")];
        check_refused(budget, 1200, &[&format!("{first} baud would do")]);
    }
}

#[test]
fn in_lockstep_any_line_will_do_and_the_rate_to_expect_is_said() {
    let budget = budget(Commands::Torque, Pace::Lockstep, 8000, 1);
    // 66 bytes there and 44 back: 110 bytes in turn.
    assert_eq!(budget.exchange_bytes(), [66, 44]);
    assert!((budget.lockstep_rate_hz(115_200) - 11_520.0 / 110.0).abs() < 1e-9);
    let said = budget.check(115_200).expect("slow, but it will do");
    assert!(said.contains("up to 105 exchanges/s in lockstep (66 bytes there, 44 back)"), "{said}");
    assert!(budget.check(300).is_ok());
}
