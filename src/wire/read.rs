//! The reading half of the codec: one function per payload, every field checked on its way in.
//!
//! What it does not: header and checksum (`codec.rs`). Start reading at [`read_message`].

use std::ops::Range;

use super::codec::get;
use super::layout::{
    CRC_BYTES, Kind, accept, close, command, feedback, hand_action, hand_answer, header, log, open, phase,
    phase_acknowledgement, probe, refuse, result, sample, setting_answer, setting_list, setting_read, setting_row,
    setting_write, torque_command, torque_feedback, torque_sample, torque_value, value, voltage_command,
    voltage_feedback, voltage_sample, voltage_value, winding_answer, winding_read, winding_sample, winding_test,
};
use super::malformed::Malformed;
use super::message::{
    Accept, Close, CloseReason, CommandFrame, Commands, FeedbackFrame, HandAction, HandActionKind, HandAnswer,
    HandOutcome, Log, Message, Open, Pace, Phase, PhaseKind, Probe, Refuse, RefuseReason, ResultFrame,
    STRIDE_TICKS_MAX, Sample, Samples, SettingAnswer, SettingList, SettingOutcome, SettingRead, SettingRow,
    SettingWrite, TEXT_BYTES_MAX, Text, TorqueCommandFrame, TorqueFeedbackFrame, TorqueSample, TorqueSamples,
    TorqueValue, TorqueValues, Value, Values, Verdict, VoltageCommandFrame, VoltageFeedbackFrame, VoltageSample,
    VoltageSamples, VoltageValue, VoltageValues, WindingAnswer, WindingOutcome, WindingRead, WindingSample,
    WindingSamples, WindingState, WindingTest,
};

/// Reads the message of a frame without its checksum into its place, and refuses a payload that is longer than it
/// should be. A message has room for the longest feedback, three kilobytes: returning it through every function would
/// copy that at each, which took more than half of the time.
pub(super) fn read_message(kind: Kind, bytes: &[u8], message: &mut Message) -> Result<(), Malformed> {
    let end = read_payload(kind, bytes, message)?;
    if end != bytes.len() {
        return Err(Malformed::Payload { found_bytes: bytes.len() + CRC_BYTES, needed_bytes: end + CRC_BYTES });
    }
    Ok(())
}

/// Puts the message into its place and says where its payload ends.
fn read_payload(kind: Kind, bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    match kind {
        Kind::Open => read_open(bytes, message),
        Kind::Accept => read_accept(bytes, message),
        Kind::Refuse => read_refuse(bytes, message),
        Kind::Close => read_close(bytes, message),
        Kind::Phase => read_phase(bytes, message),
        Kind::Feedback => read_feedback(bytes, message),
        Kind::Command => read_command(bytes, message),
        Kind::Done => {
            *message = Message::Done;
            Ok(header::END)
        }
        Kind::Result => read_result(bytes, message),
        Kind::Log => read_log(bytes, message),
        Kind::Probe => {
            *message = Message::Probe(read_probe(bytes)?);
            Ok(probe::END)
        }
        Kind::Echo => {
            *message = Message::Echo(read_probe(bytes)?);
            Ok(probe::END)
        }
        Kind::SettingList => read_setting_list(bytes, message),
        Kind::SettingRow => read_setting_row(bytes, message),
        Kind::SettingRead => read_setting_read(bytes, message),
        Kind::SettingWrite => read_setting_write(bytes, message),
        Kind::Store => {
            *message = Message::Store;
            Ok(header::END)
        }
        Kind::SettingAnswer => read_setting_answer(bytes, message),
        Kind::HandAction => read_hand_action(bytes, message),
        Kind::HandAnswer => read_hand_answer(bytes, message),
        Kind::TorqueFeedback => read_torque_feedback(bytes, message),
        Kind::TorqueCommand => read_torque_command(bytes, message),
        Kind::VoltageFeedback => read_voltage_feedback(bytes, message),
        Kind::VoltageCommand => read_voltage_command(bytes, message),
        Kind::WindingTest => read_winding_test(bytes, message),
        Kind::WindingRead => read_winding_read(bytes, message),
        Kind::WindingAnswer => read_winding_answer(bytes, message),
        Kind::PhaseAcknowledgement => {
            *message = Message::PhaseAcknowledgement(read_acknowledged(bytes)?);
            Ok(phase_acknowledgement::END)
        }
    }
}

fn read_open(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let token = get(bytes, open::TOKEN)?;
    let (name, end) = read_text(bytes, open::NAME_BYTES, open::END)?;
    *message = Message::Open(Open { token, name });
    Ok(end)
}

fn read_accept(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let (title, end) = read_text(bytes, accept::TITLE_BYTES, accept::END)?;
    let tick_hz = read_u32(bytes, accept::TICK_HZ)?;
    let stride_ticks = read_u16(bytes, accept::STRIDE_TICKS)?;
    check_count(tick_hz, 1..=u32::MAX, accept::TICK_HZ)?;
    check_count(stride_ticks.into(), 1..=STRIDE_TICKS_MAX as u32, accept::STRIDE_TICKS)?;
    let accept = Accept {
        port: read_u16(bytes, accept::PORT)?,
        version_min: read_u8(bytes, accept::VERSION_MIN)?,
        version_max: read_u8(bytes, accept::VERSION_MAX)?,
        commands: read_value_of(bytes, accept::COMMANDS, Commands::from_number)?,
        pace: read_value_of(bytes, accept::PACE, Pace::from_number)?,
        tick_hz,
        stride_ticks,
        endless: read_flag(bytes, accept::ENDLESS)?,
        travel_deg: [read_f64(bytes, accept::TRAVEL_MIN_DEG)?, read_f64(bytes, accept::TRAVEL_MAX_DEG)?],
        window_deg: [read_f64(bytes, accept::WINDOW_MIN_DEG)?, read_f64(bytes, accept::WINDOW_MAX_DEG)?],
        path_deg: read_f64(bytes, accept::PATH_DEG)?,
        max_speed_rad_per_s: read_f64(bytes, accept::MAX_SPEED_RAD_PER_S)?,
        time_s: read_f64(bytes, accept::TIME_S)?,
        nonce: read_u64(bytes, accept::NONCE)?,
        title,
    };
    *message = Message::Accept(accept);
    Ok(end)
}

fn read_refuse(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let reason = read_value_of(bytes, refuse::REASON, RefuseReason::from_number)?;
    let version_min = read_u8(bytes, refuse::VERSION_MIN)?;
    let version_max = read_u8(bytes, refuse::VERSION_MAX)?;
    let (detail, end) = read_text(bytes, refuse::DETAIL_BYTES, refuse::END)?;
    *message = Message::Refuse(Refuse { reason, version_min, version_max, detail });
    Ok(end)
}

fn read_phase(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let phase = read_value_of(bytes, phase::PHASE, PhaseKind::from_number)?;
    let corner = read_u16(bytes, phase::CORNER)?;
    *message = Message::Phase(Phase { phase, corner });
    Ok(phase::END)
}

fn read_feedback(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let exchange = read_u32(bytes, feedback::EXCHANGE)?;
    let first_tick = read_u64(bytes, feedback::FIRST_TICK)?;
    let trip = read_u16(bytes, feedback::TRIP)?;
    let statusword = read_u16(bytes, feedback::STATUSWORD)?;
    let count = read_u8(bytes, feedback::SAMPLE_COUNT)?;
    check_count(count.into(), 1..=STRIDE_TICKS_MAX as u32, feedback::SAMPLE_COUNT)?;
    let mut samples = Samples::new();
    let mut end = feedback::END;
    for _ in 0..count {
        samples.push(read_sample(bytes, end)?);
        end += sample::END;
    }
    *message = Message::Feedback(FeedbackFrame { exchange, first_tick, trip, statusword, samples });
    Ok(end)
}

fn read_sample(bytes: &[u8], start: usize) -> Result<Sample, Malformed> {
    Ok(Sample {
        counts: i64::from_le_bytes(get(bytes, from(start, sample::COUNTS))?),
        setpoint_rad_per_s: read_f64(bytes, from(start, sample::SETPOINT_RAD_PER_S))?,
        measured_speed_rad_per_s: read_f64(bytes, from(start, sample::MEASURED_SPEED_RAD_PER_S))?,
        controller_torque_nm: read_f64(bytes, from(start, sample::CONTROLLER_TORQUE_NM))?,
        summed_torque_nm: read_f64(bytes, from(start, sample::SUMMED_TORQUE_NM))?,
        torque_command_nm: read_f64(bytes, from(start, sample::TORQUE_COMMAND_NM))?,
    })
}

fn read_command(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let exchange = read_u32(bytes, command::EXCHANGE)?;
    let controlword = read_u16(bytes, command::CONTROLWORD)?;
    let compute_us = read_u32(bytes, command::COMPUTE_US)?;
    let count = read_u8(bytes, command::VALUE_COUNT)?;
    check_count(count.into(), 0..=STRIDE_TICKS_MAX as u32, command::VALUE_COUNT)?;
    let mut values = Values::new();
    let mut end = command::END;
    for _ in 0..count {
        values.push(read_value(bytes, end)?);
        end += value::END;
    }
    *message = Message::Command(CommandFrame { exchange, controlword, compute_us, values });
    Ok(end)
}

fn read_value(bytes: &[u8], start: usize) -> Result<Value, Malformed> {
    Ok(Value {
        speed_rad_per_s: read_f64(bytes, from(start, value::SPEED_RAD_PER_S))?,
        speed_offset_rad_per_s: read_f64(bytes, from(start, value::SPEED_OFFSET_RAD_PER_S))?,
        torque_offset_nm: read_f64(bytes, from(start, value::TORQUE_OFFSET_NM))?,
    })
}

fn read_torque_feedback(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let exchange = read_u32(bytes, torque_feedback::EXCHANGE)?;
    let first_tick = read_u64(bytes, torque_feedback::FIRST_TICK)?;
    let trip = read_u16(bytes, torque_feedback::TRIP)?;
    let statusword = read_u16(bytes, torque_feedback::STATUSWORD)?;
    let count = read_u8(bytes, torque_feedback::SAMPLE_COUNT)?;
    check_count(count.into(), 1..=STRIDE_TICKS_MAX as u32, torque_feedback::SAMPLE_COUNT)?;
    let mut samples = TorqueSamples::new();
    let mut end = torque_feedback::END;
    for _ in 0..count {
        samples.push(read_torque_sample(bytes, end)?);
        end += torque_sample::END;
    }
    *message = Message::TorqueFeedback(TorqueFeedbackFrame { exchange, first_tick, trip, statusword, samples });
    Ok(end)
}

fn read_torque_sample(bytes: &[u8], start: usize) -> Result<TorqueSample, Malformed> {
    Ok(TorqueSample {
        counts: i64::from_le_bytes(get(bytes, from(start, torque_sample::COUNTS))?),
        setpoint_rad_per_s: read_f64(bytes, from(start, torque_sample::SETPOINT_RAD_PER_S))?,
        measured_speed_rad_per_s: read_f64(bytes, from(start, torque_sample::MEASURED_SPEED_RAD_PER_S))?,
        torque_nm: read_f64(bytes, from(start, torque_sample::TORQUE_NM))?,
    })
}

fn read_torque_command(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let exchange = read_u32(bytes, torque_command::EXCHANGE)?;
    let controlword = read_u16(bytes, torque_command::CONTROLWORD)?;
    let compute_us = read_u32(bytes, torque_command::COMPUTE_US)?;
    let count = read_u8(bytes, torque_command::VALUE_COUNT)?;
    check_count(count.into(), 0..=STRIDE_TICKS_MAX as u32, torque_command::VALUE_COUNT)?;
    let mut values = TorqueValues::new();
    let mut end = torque_command::END;
    for _ in 0..count {
        let torque_nm = read_f64(bytes, from(end, torque_value::TORQUE_NM))?;
        let feedforward_nm = read_f64(bytes, from(end, torque_value::FEEDFORWARD_NM))?;
        values.push(TorqueValue { torque_nm, feedforward_nm });
        end += torque_value::END;
    }
    *message = Message::TorqueCommand(TorqueCommandFrame { exchange, controlword, compute_us, values });
    Ok(end)
}

fn read_voltage_feedback(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let exchange = read_u32(bytes, voltage_feedback::EXCHANGE)?;
    let first_tick = read_u64(bytes, voltage_feedback::FIRST_TICK)?;
    let trip = read_u16(bytes, voltage_feedback::TRIP)?;
    let statusword = read_u16(bytes, voltage_feedback::STATUSWORD)?;
    let count = read_u8(bytes, voltage_feedback::SAMPLE_COUNT)?;
    check_count(count.into(), 1..=STRIDE_TICKS_MAX as u32, voltage_feedback::SAMPLE_COUNT)?;
    let mut samples = VoltageSamples::new();
    let mut end = voltage_feedback::END;
    for _ in 0..count {
        samples.push(read_voltage_sample(bytes, end)?);
        end += voltage_sample::END;
    }
    *message = Message::VoltageFeedback(VoltageFeedbackFrame { exchange, first_tick, trip, statusword, samples });
    Ok(end)
}

fn read_voltage_sample(bytes: &[u8], start: usize) -> Result<VoltageSample, Malformed> {
    Ok(VoltageSample {
        counts: i64::from_le_bytes(get(bytes, from(start, voltage_sample::COUNTS))?),
        setpoint_rad_per_s: read_f64(bytes, from(start, voltage_sample::SETPOINT_RAD_PER_S))?,
        measured_speed_rad_per_s: read_f64(bytes, from(start, voltage_sample::MEASURED_SPEED_RAD_PER_S))?,
        electrical_angle_rad: read_f64(bytes, from(start, voltage_sample::ELECTRICAL_ANGLE_RAD))?,
        current_d_a: read_f64(bytes, from(start, voltage_sample::CURRENT_D_A))?,
        current_q_a: read_f64(bytes, from(start, voltage_sample::CURRENT_Q_A))?,
        bus_v: read_f64(bytes, from(start, voltage_sample::BUS_V))?,
        voltage_d_v: read_f64(bytes, from(start, voltage_sample::VOLTAGE_D_V))?,
        voltage_q_v: read_f64(bytes, from(start, voltage_sample::VOLTAGE_Q_V))?,
    })
}

fn read_voltage_command(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let exchange = read_u32(bytes, voltage_command::EXCHANGE)?;
    let controlword = read_u16(bytes, voltage_command::CONTROLWORD)?;
    let compute_us = read_u32(bytes, voltage_command::COMPUTE_US)?;
    let count = read_u8(bytes, voltage_command::VALUE_COUNT)?;
    check_count(count.into(), 0..=STRIDE_TICKS_MAX as u32, voltage_command::VALUE_COUNT)?;
    let mut values = VoltageValues::new();
    let mut end = voltage_command::END;
    for _ in 0..count {
        let voltage_d_v = read_f64(bytes, from(end, voltage_value::VOLTAGE_D_V))?;
        let voltage_q_v = read_f64(bytes, from(end, voltage_value::VOLTAGE_Q_V))?;
        values.push(VoltageValue { voltage_d_v, voltage_q_v });
        end += voltage_value::END;
    }
    *message = Message::VoltageCommand(VoltageCommandFrame { exchange, controlword, compute_us, values });
    Ok(end)
}

fn read_winding_test(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let axis_d_voltage_v = read_f64(bytes, winding_test::AXIS_D_VOLTAGE_V)?;
    let time_s = read_f64(bytes, winding_test::TIME_S)?;
    *message = Message::WindingTest(WindingTest { axis_d_voltage_v, time_s });
    Ok(winding_test::END)
}

fn read_winding_read(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let first = read_u16(bytes, winding_read::FIRST)?;
    *message = Message::WindingRead(WindingRead { first });
    Ok(winding_read::END)
}

fn read_winding_answer(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let request = read_u32(bytes, winding_answer::REQUEST)?;
    let outcome = read_value_of(bytes, winding_answer::OUTCOME, WindingOutcome::from_number)?;
    let state = read_value_of(bytes, winding_answer::STATE, WindingState::from_number)?;
    let total = read_u16(bytes, winding_answer::TOTAL)?;
    let first = read_u16(bytes, winding_answer::FIRST)?;
    let count = read_u8(bytes, winding_answer::SAMPLE_COUNT)?;
    check_count(count.into(), 0..=STRIDE_TICKS_MAX as u32, winding_answer::SAMPLE_COUNT)?;
    let mut samples = WindingSamples::new();
    let mut end = winding_answer::END;
    for _ in 0..count {
        samples.push(WindingSample {
            voltage_d_v: read_f64(bytes, from(end, winding_sample::VOLTAGE_D_V))?,
            current_d_a: read_f64(bytes, from(end, winding_sample::CURRENT_D_A))?,
            current_q_a: read_f64(bytes, from(end, winding_sample::CURRENT_Q_A))?,
            bus_v: read_f64(bytes, from(end, winding_sample::BUS_V))?,
        });
        end += winding_sample::END;
    }
    *message = Message::WindingAnswer(WindingAnswer { request, outcome, state, total, first, samples });
    Ok(end)
}

fn read_acknowledged(bytes: &[u8]) -> Result<Phase, Malformed> {
    let phase = read_value_of(bytes, phase_acknowledgement::PHASE, PhaseKind::from_number)?;
    let corner = read_u16(bytes, phase_acknowledgement::CORNER)?;
    Ok(Phase { phase, corner })
}

fn read_result(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let verdict = read_value_of(bytes, result::VERDICT, Verdict::from_number)?;
    let grade_percent = read_f64(bytes, result::GRADE_PERCENT)?;
    let (text, end) = read_text(bytes, result::TEXT_BYTES, result::END)?;
    *message = Message::Result(ResultFrame { verdict, grade_percent, text });
    Ok(end)
}

fn read_probe(bytes: &[u8]) -> Result<Probe, Malformed> {
    Ok(Probe { nonce: read_u64(bytes, probe::NONCE)? })
}

fn read_setting_row(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let (name, name_end) = read_text(bytes, setting_row::NAME_BYTES, setting_row::END)?;
    let (unit, end) = read_text(bytes, setting_row::UNIT_BYTES, name_end)?;
    let row = SettingRow {
        request: read_u32(bytes, setting_row::REQUEST)?,
        index: read_u16(bytes, setting_row::INDEX)?,
        total: read_u16(bytes, setting_row::TOTAL)?,
        number: read_u16(bytes, setting_row::NUMBER)?,
        writable_while_enabled: read_flag(bytes, setting_row::WRITABLE_WHILE_ENABLED)?,
        low: read_f64(bytes, setting_row::LOW)?,
        high: read_f64(bytes, setting_row::HIGH)?,
        value: read_f64(bytes, setting_row::VALUE)?,
        default: read_f64(bytes, setting_row::DEFAULT)?,
        name,
        unit,
    };
    *message = Message::SettingRow(row);
    Ok(end)
}

fn read_setting_write(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let number = read_u16(bytes, setting_write::NUMBER)?;
    let value = read_f64(bytes, setting_write::VALUE)?;
    *message = Message::SettingWrite(SettingWrite { number, value });
    Ok(setting_write::END)
}

fn read_setting_answer(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let request = read_u32(bytes, setting_answer::REQUEST)?;
    let number = read_u16(bytes, setting_answer::NUMBER)?;
    let outcome = read_value_of(bytes, setting_answer::OUTCOME, SettingOutcome::from_number)?;
    let value = read_f64(bytes, setting_answer::VALUE)?;
    *message = Message::SettingAnswer(SettingAnswer { request, number, outcome, value });
    Ok(setting_answer::END)
}

fn read_hand_answer(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let request = read_u32(bytes, hand_answer::REQUEST)?;
    let outcome = read_value_of(bytes, hand_answer::OUTCOME, HandOutcome::from_number)?;
    *message = Message::HandAnswer(HandAnswer { request, outcome });
    Ok(hand_answer::END)
}

fn read_close(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let reason = read_value_of(bytes, close::REASON, CloseReason::from_number)?;
    *message = Message::Close(Close { reason });
    Ok(close::END)
}

fn read_log(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let (text, end) = read_text(bytes, log::TEXT_BYTES, log::END)?;
    *message = Message::Log(Log { text });
    Ok(end)
}

fn read_setting_list(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let index = read_u16(bytes, setting_list::INDEX)?;
    *message = Message::SettingList(SettingList { index });
    Ok(setting_list::END)
}

fn read_setting_read(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let number = read_u16(bytes, setting_read::NUMBER)?;
    *message = Message::SettingRead(SettingRead { number });
    Ok(setting_read::END)
}

fn read_hand_action(bytes: &[u8], message: &mut Message) -> Result<usize, Malformed> {
    let action = read_value_of(bytes, hand_action::ACTION, HandActionKind::from_number)?;
    *message = Message::HandAction(HandAction { action });
    Ok(hand_action::END)
}

/// A field of an item whose first byte stands here.
fn from(start: usize, range: Range<usize>) -> Range<usize> {
    start + range.start..start + range.end
}

fn read_u8(bytes: &[u8], range: Range<usize>) -> Result<u8, Malformed> {
    get(bytes, range).map(u8::from_le_bytes)
}

fn read_u16(bytes: &[u8], range: Range<usize>) -> Result<u16, Malformed> {
    get(bytes, range).map(u16::from_le_bytes)
}

fn read_u32(bytes: &[u8], range: Range<usize>) -> Result<u32, Malformed> {
    get(bytes, range).map(u32::from_le_bytes)
}

fn read_u64(bytes: &[u8], range: Range<usize>) -> Result<u64, Malformed> {
    get(bytes, range).map(u64::from_le_bytes)
}

/// A double, refused unless it is finite.
fn read_f64(bytes: &[u8], range: Range<usize>) -> Result<f64, Malformed> {
    let at_byte = range.start;
    let number = get(bytes, range).map(f64::from_le_bytes)?;
    if number.is_finite() { Ok(number) } else { Err(Malformed::NotFinite { at_byte }) }
}

/// A flag, refused unless it is 0 or 1.
fn read_flag(bytes: &[u8], range: Range<usize>) -> Result<bool, Malformed> {
    read_value_of(bytes, range, |number| (number <= 1).then_some(number == 1))
}

/// A named value, refused when its number stands for nothing.
fn read_value_of<T>(bytes: &[u8], range: Range<usize>, named: impl Fn(u8) -> Option<T>) -> Result<T, Malformed> {
    let at_byte = range.start;
    let found = read_u8(bytes, range)?;
    named(found).ok_or(Malformed::Value { at_byte, found })
}

/// Refuses a count that is not among the allowed ones.
fn check_count(found: u32, allowed: std::ops::RangeInclusive<u32>, range: Range<usize>) -> Result<(), Malformed> {
    if allowed.contains(&found) { Ok(()) } else { Err(Malformed::Count { at_byte: range.start, found }) }
}

/// A text that starts here and whose length stands there, and where it ends.
fn read_text(bytes: &[u8], length: Range<usize>, start: usize) -> Result<(Text, usize), Malformed> {
    let text_bytes = u32::from(read_u8(bytes, length.clone())?);
    check_count(text_bytes, 0..=TEXT_BYTES_MAX as u32, length)?;
    let end = start + text_bytes as usize;
    let needed = Malformed::Payload { found_bytes: bytes.len() + CRC_BYTES, needed_bytes: end + CRC_BYTES };
    let text = bytes.get(start..end).ok_or(needed)?;
    Ok((Text::from_bytes(text).ok_or(Malformed::Text { at_byte: start })?, end))
}
