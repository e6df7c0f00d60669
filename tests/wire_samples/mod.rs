//! One frame or more of every kind, as they cross at a real trial: what the page shows and the codec is tried on.
//!
//! What it does not: test anything itself. Start reading at [`all`].

use plantstand::wire::message::{
    Accept, Close, CloseReason, CommandFrame, Commands, FeedbackFrame, Frame, HandAction, HandActionKind, HandAnswer,
    HandOutcome, Log, Message, Open, Pace, Phase, PhaseKind, Probe, Refuse, RefuseReason, ResultFrame, Sample, Samples,
    SettingAnswer, SettingList, SettingOutcome, SettingRead, SettingRow, SettingWrite, TorqueCommandFrame,
    TorqueFeedbackFrame, TorqueSample, TorqueSamples, TorqueValue, TorqueValues, Value, Values, Verdict,
    VoltageCommandFrame, VoltageFeedbackFrame, VoltageSample, VoltageSamples, VoltageValue, VoltageValues,
    WindingAnswer, WindingOutcome, WindingRead, WindingSample, WindingSamples, WindingState, WindingTest,
};

/// Every sample by name, in the order in which a trial would meet them.
pub fn all() -> Vec<(&'static str, Frame)> {
    [opening(), exchange(), settings(), the_rest(), torque(), voltage(), winding()].concat()
}

fn opening() -> Vec<(&'static str, Frame)> {
    let token = *b"\x00\x11\x22\x33\x44\x55\x66\x77\x88\x99\xaa\xbb\xcc\xdd\xee\xff";
    let accept = Accept {
        port: 40_123,
        version_min: 1,
        version_max: 1,
        commands: Commands::Speed,
        pace: Pace::Lockstep,
        tick_hz: 8000,
        stride_ticks: 8,
        endless: false,
        travel_deg: [-110.0, 110.0],
        window_deg: [-100.0, 100.0],
        path_deg: 4000.0,
        max_speed_rad_per_s: 125.6637061435917,
        time_s: 60.0,
        nonce: 0x0123_4567_89AB_CDEF,
        title: "Swivel arm of a bottle feeder".into(),
    };
    let refuse = Refuse {
        reason: RefuseReason::Busy,
        version_min: 1,
        version_max: 1,
        detail: "127.0.0.1:50122 is in command".into(),
    };
    vec![
        ("open", frame(1, Message::Open(Open { token, name: "step_and_back_off".into() }))),
        ("accept", frame(1, Message::Accept(accept))),
        ("accept_endless", frame(1, Message::Accept(Accept { endless: true, travel_deg: [0.0, 0.0], ..accept }))),
        ("refuse", frame(1, Message::Refuse(refuse))),
        ("phase_tuning", frame(2, Message::Phase(Phase { phase: PhaseKind::Tuning, corner: 0 }))),
    ]
}

fn exchange() -> Vec<(&'static str, Frame)> {
    let standing = Sample { counts: -815_559, ..Sample::default() };
    let turning = Sample {
        counts: -815_412,
        setpoint_rad_per_s: 6.25,
        measured_speed_rad_per_s: 6.5,
        controller_torque_nm: -0.0078125,
        summed_torque_nm: 0.25,
        torque_command_nm: 0.25,
    };
    let one = Value { speed_rad_per_s: 6.25, speed_offset_rad_per_s: 0.0, torque_offset_nm: 0.25 };
    let two = Value { speed_offset_rad_per_s: -0.5, ..one };
    let feedback = |exchange: u32, statusword: u16, trip: u16, samples: &[Sample]| {
        let first_tick = u64::from(exchange) * samples.len() as u64;
        let samples = Samples::from_slice(samples).expect("a sample has few ticks");
        Message::Feedback(FeedbackFrame { exchange, first_tick, trip, statusword, samples })
    };
    let command = |exchange: u32, controlword: u16, values: &[Value]| {
        let values = Values::from_slice(values).expect("a sample has few ticks");
        Message::Command(CommandFrame { exchange, controlword, compute_us: 12, values })
    };
    vec![
        ("feedback", frame(3, feedback(0, 0x0270, 0, &[standing; 2]))),
        ("feedback_with_trip", frame(906, feedback(903, 0x0238, 3, &[turning, standing]))),
        ("feedback_largest", frame(4, feedback(1, 0x0237, 0, &[turning; 64]))),
        ("command_empty", frame(2, command(0, 0x0006, &[]))),
        ("command_held", frame(3, command(1, 0x000F, &[one]))),
        ("command_per_tick", frame(4, command(2, 0x000F, &[one, two]))),
    ]
}

fn settings() -> Vec<(&'static str, Frame)> {
    let row = SettingRow {
        request: 5,
        index: 0,
        total: 25,
        number: 1,
        writable_while_enabled: true,
        low: 0.0,
        high: 1000.0,
        value: 0.05,
        default: 0.0,
        name: "speed_gain_nms_per_rad".into(),
        unit: "Nm·s/rad".into(),
    };
    let answer = |request: u32, number: u16, outcome: SettingOutcome, value: f64| {
        Message::SettingAnswer(SettingAnswer { request, number, outcome, value })
    };
    vec![
        ("setting_list", frame(5, Message::SettingList(SettingList { index: 0 }))),
        ("setting_row", frame(7, Message::SettingRow(row))),
        ("setting_read", frame(6, Message::SettingRead(SettingRead { number: 1 }))),
        ("setting_write", frame(7, Message::SettingWrite(SettingWrite { number: 1, value: 0.25 }))),
        ("setting_answer", frame(8, answer(7, 1, SettingOutcome::Done, 0.25))),
        ("setting_answer_refused", frame(9, answer(8, 1, SettingOutcome::OutOfRange, 0.25))),
        ("store", frame(9, Message::Store)),
        ("setting_answer_stored", frame(10, answer(9, 0, SettingOutcome::Done, 0.0))),
    ]
}

fn the_rest() -> Vec<(&'static str, Frame)> {
    let result = ResultFrame {
        verdict: Verdict::Fail,
        grade_percent: 0.0,
        text: "dip_rpm during clamp pulls is 74 rpm on payload, at most 70 allowed".into(),
    };
    let hand_answer = HandAnswer { request: 10, outcome: HandOutcome::NotBuiltYet };
    vec![
        ("hand_action", frame(10, Message::HandAction(HandAction { action: HandActionKind::Uncouple }))),
        ("hand_answer", frame(11, Message::HandAnswer(hand_answer))),
        ("log", frame(11, Message::Log(Log { text: "total inertia 5.4e-4 kg·m² at the motor".into() }))),
        ("probe", frame(12, Message::Probe(Probe { nonce: 7 }))),
        ("echo", frame(12, Message::Echo(Probe { nonce: 7 }))),
        ("done", frame(13, Message::Done)),
        ("phase_power_cycle", frame(13, Message::Phase(Phase { phase: PhaseKind::PowerCycle, corner: 0 }))),
        ("phase_examination", frame(14, Message::Phase(Phase { phase: PhaseKind::Examination, corner: 2 }))),
        ("phase_over", frame(15, Message::Phase(Phase { phase: PhaseKind::Over, corner: 0 }))),
        ("result", frame(16, Message::Result(result))),
        ("close", frame(14, Message::Close(Close { reason: CloseReason::Leaving }))),
    ]
}

/// Frames of a link on which the outside closes the speed loop.
fn torque() -> Vec<(&'static str, Frame)> {
    let sample =
        TorqueSample { counts: 1_204, setpoint_rad_per_s: 6.25, measured_speed_rad_per_s: 5.75, torque_nm: 0.125 };
    let value = TorqueValue { torque_nm: 0.1875, feedforward_nm: 0.0 };
    let samples = TorqueSamples::from_slice(&[sample]).expect("a sample has few ticks");
    let feedback = TorqueFeedbackFrame { exchange: 41, first_tick: 41, trip: 0, statusword: 0x0237, samples };
    let command = |values: &[TorqueValue]| {
        let values = TorqueValues::from_slice(values).expect("a sample has few ticks");
        TorqueCommandFrame { exchange: 41, controlword: 0x000F, compute_us: 3, values }
    };
    let phase = |phase: PhaseKind, corner: u16| Phase { phase, corner };
    vec![
        ("torque_feedback", frame(44, Message::TorqueFeedback(feedback))),
        ("torque_command", frame(43, Message::TorqueCommand(command(&[value])))),
        ("torque_command_empty", frame(43, Message::TorqueCommand(command(&[])))),
        ("phase_reset", frame(45, Message::Phase(phase(PhaseKind::Reset, 1)))),
        ("phase_acknowledgement", frame(44, Message::PhaseAcknowledgement(phase(PhaseKind::Examination, 1)))),
    ]
}

/// Frames of a link on which the outside closes the current loop too.
fn voltage() -> Vec<(&'static str, Frame)> {
    let sample = VoltageSample {
        counts: 1_204,
        setpoint_rad_per_s: 6.25,
        measured_speed_rad_per_s: 5.75,
        electrical_angle_rad: 1.5,
        current_d_a: -0.0625,
        current_q_a: 0.75,
        bus_v: 560.0,
        voltage_d_v: -0.125,
        voltage_q_v: 3.5,
    };
    let samples = VoltageSamples::from_slice(&[sample]).expect("a sample has few ticks");
    let largest = VoltageSamples::from_slice(&[sample; 64]).expect("a sample has few ticks");
    let feedback = VoltageFeedbackFrame { exchange: 41, first_tick: 41, trip: 0, statusword: 0x0237, samples };
    let command = |values: &[VoltageValue]| {
        let values = VoltageValues::from_slice(values).expect("a sample has few ticks");
        VoltageCommandFrame { exchange: 41, controlword: 0x000F, compute_us: 3, values }
    };
    let value = VoltageValue { voltage_d_v: -0.25, voltage_q_v: 3.625 };
    let longest = VoltageFeedbackFrame { samples: largest, first_tick: 41 * 64, ..feedback.clone() };
    vec![
        ("voltage_feedback", frame(44, Message::VoltageFeedback(feedback))),
        ("voltage_feedback_largest", frame(45, Message::VoltageFeedback(longest))),
        ("voltage_command", frame(43, Message::VoltageCommand(command(&[value])))),
        ("voltage_command_empty", frame(43, Message::VoltageCommand(command(&[])))),
    ]
}

/// Frames of a winding test.
fn winding() -> Vec<(&'static str, Frame)> {
    let test = WindingTest { axis_d_voltage_v: 2.5, time_s: 0.03125 };
    let sample = |current_d_a: f64| WindingSample { voltage_d_v: 2.5, current_d_a, current_q_a: 0.0, bus_v: 560.0 };
    let answer = |request: u32, outcome: WindingOutcome, state: WindingState, samples: &[WindingSample]| {
        let samples = WindingSamples::from_slice(samples).expect("a sample has few ticks");
        let total = if samples.is_empty() { 0 } else { 252 };
        Message::WindingAnswer(WindingAnswer { request, outcome, state, total, first: 0, samples })
    };
    let (running, finished, none) = (WindingState::Running, WindingState::Finished, WindingState::None);
    vec![
        ("winding_test", frame(46, Message::WindingTest(test))),
        ("winding_answer", frame(47, answer(46, WindingOutcome::Done, running, &[]))),
        ("winding_answer_refused", frame(47, answer(46, WindingOutcome::NotEnabled, none, &[]))),
        ("winding_read", frame(48, Message::WindingRead(WindingRead { first: 0 }))),
        (
            "winding_answer_samples",
            frame(49, answer(48, WindingOutcome::Done, finished, &[sample(0.0), sample(0.125)])),
        ),
    ]
}

fn frame(sequence: u32, message: Message) -> Frame {
    Frame { sequence, message }
}
