//! The writing half of the codec: one function per payload, field by field in the order of its table.
//!
//! What it does not: header and checksum (`codec.rs`). Start reading at [`write_payload`].

use super::codec::put;
use super::layout::{
    self, accept, close, command, feedback, hand_action, hand_answer, header, log, open, phase, phase_acknowledgement,
    probe, refuse, result, sample, setting_answer, setting_list, setting_read, setting_row, setting_write,
    torque_command, torque_feedback, torque_sample, torque_value, value, voltage_command, voltage_feedback,
    voltage_sample, voltage_value, winding_answer, winding_read, winding_sample, winding_test,
};
use super::message::{
    Accept, CommandFrame, FeedbackFrame, HandAnswer, Message, Open, Phase, Refuse, ResultFrame, Sample, SettingAnswer,
    SettingRow, SettingWrite, Text, TorqueCommandFrame, TorqueFeedbackFrame, TorqueSample, TorqueValue, Value,
    VoltageCommandFrame, VoltageFeedbackFrame, VoltageSample, WindingAnswer, WindingSample, WindingTest,
};

/// A whole frame's room.
type Out = [u8; layout::MAX_FRAME_BYTES];

/// Writes the payload behind the header's place and says where it ends.
pub(super) fn write_payload(message: &Message, out: &mut Out) -> usize {
    match message {
        Message::Open(open) => write_open(open, out),
        Message::Accept(accept) => write_accept(accept, out),
        Message::Refuse(refuse) => write_refuse(refuse, out),
        Message::Close(close) => write_byte(close.reason.number(), close::REASON.start, out),
        Message::Phase(phase) => write_phase(phase, out),
        Message::Feedback(feedback) => write_feedback(feedback, out),
        Message::Command(command) => write_command(command, out),
        Message::Done | Message::Store => header::END,
        Message::Result(result) => write_result(result, out),
        Message::Log(log) => {
            write_byte(log.text.as_bytes().len() as u8, log::TEXT_BYTES.start, out);
            write_text(&log.text, log::END, out)
        }
        Message::Probe(probe) | Message::Echo(probe) => {
            put(out, probe::NONCE, probe.nonce.to_le_bytes());
            probe::END
        }
        Message::SettingList(list) => {
            put(out, setting_list::INDEX, list.index.to_le_bytes());
            setting_list::END
        }
        Message::SettingRow(row) => write_setting_row(row, out),
        Message::SettingRead(read) => {
            put(out, setting_read::NUMBER, read.number.to_le_bytes());
            setting_read::END
        }
        Message::SettingWrite(write) => write_setting_write(write, out),
        Message::SettingAnswer(answer) => write_setting_answer(answer, out),
        Message::HandAction(hand) => write_byte(hand.action.number(), hand_action::ACTION.start, out),
        Message::HandAnswer(answer) => write_hand_answer(answer, out),
        Message::TorqueFeedback(feedback) => write_torque_feedback(feedback, out),
        Message::TorqueCommand(command) => write_torque_command(command, out),
        Message::VoltageFeedback(feedback) => write_voltage_feedback(feedback, out),
        Message::VoltageCommand(command) => write_voltage_command(command, out),
        Message::WindingTest(test) => write_winding_test(test, out),
        Message::WindingRead(read) => {
            put(out, winding_read::FIRST, read.first.to_le_bytes());
            winding_read::END
        }
        Message::WindingAnswer(answer) => write_winding_answer(answer, out),
        Message::PhaseAcknowledgement(phase) => {
            put(out, phase_acknowledgement::PHASE, [phase.phase.number()]);
            put(out, phase_acknowledgement::CORNER, phase.corner.to_le_bytes());
            phase_acknowledgement::END
        }
    }
}

fn write_open(message: &Open, out: &mut Out) -> usize {
    put(out, open::TOKEN, message.token);
    put(out, open::NAME_BYTES, length_of(&message.name));
    write_text(&message.name, open::END, out)
}

fn write_accept(message: &Accept, out: &mut Out) -> usize {
    put(out, accept::PORT, message.port.to_le_bytes());
    put(out, accept::VERSION_MIN, [message.version_min]);
    put(out, accept::VERSION_MAX, [message.version_max]);
    put(out, accept::COMMANDS, [message.commands.number()]);
    put(out, accept::PACE, [message.pace.number()]);
    put(out, accept::TICK_HZ, message.tick_hz.to_le_bytes());
    put(out, accept::STRIDE_TICKS, message.stride_ticks.to_le_bytes());
    put(out, accept::ENDLESS, [u8::from(message.endless)]);
    put(out, accept::TRAVEL_MIN_DEG, message.travel_deg[0].to_le_bytes());
    put(out, accept::TRAVEL_MAX_DEG, message.travel_deg[1].to_le_bytes());
    put(out, accept::WINDOW_MIN_DEG, message.window_deg[0].to_le_bytes());
    put(out, accept::WINDOW_MAX_DEG, message.window_deg[1].to_le_bytes());
    put(out, accept::PATH_DEG, message.path_deg.to_le_bytes());
    put(out, accept::MAX_SPEED_RAD_PER_S, message.max_speed_rad_per_s.to_le_bytes());
    put(out, accept::TIME_S, message.time_s.to_le_bytes());
    put(out, accept::NONCE, message.nonce.to_le_bytes());
    put(out, accept::TITLE_BYTES, length_of(&message.title));
    write_text(&message.title, accept::END, out)
}

fn write_refuse(message: &Refuse, out: &mut Out) -> usize {
    put(out, refuse::REASON, [message.reason.number()]);
    put(out, refuse::VERSION_MIN, [message.version_min]);
    put(out, refuse::VERSION_MAX, [message.version_max]);
    put(out, refuse::DETAIL_BYTES, length_of(&message.detail));
    write_text(&message.detail, refuse::END, out)
}

fn write_phase(message: &Phase, out: &mut Out) -> usize {
    put(out, phase::PHASE, [message.phase.number()]);
    put(out, phase::CORNER, message.corner.to_le_bytes());
    phase::END
}

fn write_feedback(message: &FeedbackFrame, out: &mut Out) -> usize {
    put(out, feedback::EXCHANGE, message.exchange.to_le_bytes());
    put(out, feedback::FIRST_TICK, message.first_tick.to_le_bytes());
    put(out, feedback::TRIP, message.trip.to_le_bytes());
    put(out, feedback::STATUSWORD, message.statusword.to_le_bytes());
    put(out, feedback::SAMPLE_COUNT, [message.samples.len() as u8]);
    let mut end = feedback::END;
    for item in message.samples.as_slice() {
        write_sample(item, &mut out[end..end + sample::END]);
        end += sample::END;
    }
    end
}

fn write_sample(item: &Sample, out: &mut [u8]) {
    put(out, sample::COUNTS, item.counts.to_le_bytes());
    put(out, sample::SETPOINT_RAD_PER_S, item.setpoint_rad_per_s.to_le_bytes());
    put(out, sample::MEASURED_SPEED_RAD_PER_S, item.measured_speed_rad_per_s.to_le_bytes());
    put(out, sample::CONTROLLER_TORQUE_NM, item.controller_torque_nm.to_le_bytes());
    put(out, sample::SUMMED_TORQUE_NM, item.summed_torque_nm.to_le_bytes());
    put(out, sample::TORQUE_COMMAND_NM, item.torque_command_nm.to_le_bytes());
}

fn write_command(message: &CommandFrame, out: &mut Out) -> usize {
    put(out, command::EXCHANGE, message.exchange.to_le_bytes());
    put(out, command::CONTROLWORD, message.controlword.to_le_bytes());
    put(out, command::COMPUTE_US, message.compute_us.to_le_bytes());
    put(out, command::VALUE_COUNT, [message.values.len() as u8]);
    let mut end = command::END;
    for item in message.values.as_slice() {
        write_value(item, &mut out[end..end + value::END]);
        end += value::END;
    }
    end
}

fn write_value(item: &Value, out: &mut [u8]) {
    put(out, value::SPEED_RAD_PER_S, item.speed_rad_per_s.to_le_bytes());
    put(out, value::SPEED_OFFSET_RAD_PER_S, item.speed_offset_rad_per_s.to_le_bytes());
    put(out, value::TORQUE_OFFSET_NM, item.torque_offset_nm.to_le_bytes());
}

fn write_torque_feedback(message: &TorqueFeedbackFrame, out: &mut Out) -> usize {
    put(out, torque_feedback::EXCHANGE, message.exchange.to_le_bytes());
    put(out, torque_feedback::FIRST_TICK, message.first_tick.to_le_bytes());
    put(out, torque_feedback::TRIP, message.trip.to_le_bytes());
    put(out, torque_feedback::STATUSWORD, message.statusword.to_le_bytes());
    put(out, torque_feedback::SAMPLE_COUNT, [message.samples.len() as u8]);
    let mut end = torque_feedback::END;
    for item in message.samples.as_slice() {
        write_torque_sample(item, &mut out[end..end + torque_sample::END]);
        end += torque_sample::END;
    }
    end
}

fn write_torque_sample(item: &TorqueSample, out: &mut [u8]) {
    put(out, torque_sample::COUNTS, item.counts.to_le_bytes());
    put(out, torque_sample::SETPOINT_RAD_PER_S, item.setpoint_rad_per_s.to_le_bytes());
    put(out, torque_sample::MEASURED_SPEED_RAD_PER_S, item.measured_speed_rad_per_s.to_le_bytes());
    put(out, torque_sample::TORQUE_NM, item.torque_nm.to_le_bytes());
}

fn write_torque_command(message: &TorqueCommandFrame, out: &mut Out) -> usize {
    put(out, torque_command::EXCHANGE, message.exchange.to_le_bytes());
    put(out, torque_command::CONTROLWORD, message.controlword.to_le_bytes());
    put(out, torque_command::COMPUTE_US, message.compute_us.to_le_bytes());
    put(out, torque_command::VALUE_COUNT, [message.values.len() as u8]);
    let mut end = torque_command::END;
    for item in message.values.as_slice() {
        write_torque_value(item, &mut out[end..end + torque_value::END]);
        end += torque_value::END;
    }
    end
}

fn write_torque_value(item: &TorqueValue, out: &mut [u8]) {
    put(out, torque_value::TORQUE_NM, item.torque_nm.to_le_bytes());
    put(out, torque_value::FEEDFORWARD_NM, item.feedforward_nm.to_le_bytes());
}

fn write_voltage_feedback(message: &VoltageFeedbackFrame, out: &mut Out) -> usize {
    put(out, voltage_feedback::EXCHANGE, message.exchange.to_le_bytes());
    put(out, voltage_feedback::FIRST_TICK, message.first_tick.to_le_bytes());
    put(out, voltage_feedback::TRIP, message.trip.to_le_bytes());
    put(out, voltage_feedback::STATUSWORD, message.statusword.to_le_bytes());
    put(out, voltage_feedback::SAMPLE_COUNT, [message.samples.len() as u8]);
    let mut end = voltage_feedback::END;
    for item in message.samples.as_slice() {
        write_voltage_sample(item, &mut out[end..end + voltage_sample::END]);
        end += voltage_sample::END;
    }
    end
}

fn write_voltage_sample(item: &VoltageSample, out: &mut [u8]) {
    put(out, voltage_sample::COUNTS, item.counts.to_le_bytes());
    put(out, voltage_sample::SETPOINT_RAD_PER_S, item.setpoint_rad_per_s.to_le_bytes());
    put(out, voltage_sample::MEASURED_SPEED_RAD_PER_S, item.measured_speed_rad_per_s.to_le_bytes());
    put(out, voltage_sample::ELECTRICAL_ANGLE_RAD, item.electrical_angle_rad.to_le_bytes());
    put(out, voltage_sample::CURRENT_D_A, item.current_d_a.to_le_bytes());
    put(out, voltage_sample::CURRENT_Q_A, item.current_q_a.to_le_bytes());
    put(out, voltage_sample::BUS_V, item.bus_v.to_le_bytes());
    put(out, voltage_sample::VOLTAGE_D_V, item.voltage_d_v.to_le_bytes());
    put(out, voltage_sample::VOLTAGE_Q_V, item.voltage_q_v.to_le_bytes());
}

fn write_voltage_command(message: &VoltageCommandFrame, out: &mut Out) -> usize {
    put(out, voltage_command::EXCHANGE, message.exchange.to_le_bytes());
    put(out, voltage_command::CONTROLWORD, message.controlword.to_le_bytes());
    put(out, voltage_command::COMPUTE_US, message.compute_us.to_le_bytes());
    put(out, voltage_command::VALUE_COUNT, [message.values.len() as u8]);
    let mut end = voltage_command::END;
    for item in message.values.as_slice() {
        let out = &mut out[end..end + voltage_value::END];
        put(out, voltage_value::VOLTAGE_D_V, item.voltage_d_v.to_le_bytes());
        put(out, voltage_value::VOLTAGE_Q_V, item.voltage_q_v.to_le_bytes());
        end += voltage_value::END;
    }
    end
}

fn write_winding_test(message: &WindingTest, out: &mut Out) -> usize {
    put(out, winding_test::AXIS_D_VOLTAGE_V, message.axis_d_voltage_v.to_le_bytes());
    put(out, winding_test::TIME_S, message.time_s.to_le_bytes());
    winding_test::END
}

fn write_winding_answer(message: &WindingAnswer, out: &mut Out) -> usize {
    put(out, winding_answer::REQUEST, message.request.to_le_bytes());
    put(out, winding_answer::OUTCOME, [message.outcome.number()]);
    put(out, winding_answer::STATE, [message.state.number()]);
    put(out, winding_answer::TOTAL, message.total.to_le_bytes());
    put(out, winding_answer::FIRST, message.first.to_le_bytes());
    put(out, winding_answer::SAMPLE_COUNT, [message.samples.len() as u8]);
    let mut end = winding_answer::END;
    for item in message.samples.as_slice() {
        write_winding_sample(item, &mut out[end..end + winding_sample::END]);
        end += winding_sample::END;
    }
    end
}

fn write_winding_sample(item: &WindingSample, out: &mut [u8]) {
    put(out, winding_sample::VOLTAGE_D_V, item.voltage_d_v.to_le_bytes());
    put(out, winding_sample::CURRENT_D_A, item.current_d_a.to_le_bytes());
    put(out, winding_sample::CURRENT_Q_A, item.current_q_a.to_le_bytes());
    put(out, winding_sample::BUS_V, item.bus_v.to_le_bytes());
}

fn write_result(message: &ResultFrame, out: &mut Out) -> usize {
    put(out, result::VERDICT, [message.verdict.number()]);
    put(out, result::GRADE_PERCENT, message.grade_percent.to_le_bytes());
    put(out, result::TEXT_BYTES, length_of(&message.text));
    write_text(&message.text, result::END, out)
}

fn write_setting_row(message: &SettingRow, out: &mut Out) -> usize {
    put(out, setting_row::REQUEST, message.request.to_le_bytes());
    put(out, setting_row::INDEX, message.index.to_le_bytes());
    put(out, setting_row::TOTAL, message.total.to_le_bytes());
    put(out, setting_row::NUMBER, message.number.to_le_bytes());
    put(out, setting_row::WRITABLE_WHILE_ENABLED, [u8::from(message.writable_while_enabled)]);
    put(out, setting_row::LOW, message.low.to_le_bytes());
    put(out, setting_row::HIGH, message.high.to_le_bytes());
    put(out, setting_row::VALUE, message.value.to_le_bytes());
    put(out, setting_row::DEFAULT, message.default.to_le_bytes());
    put(out, setting_row::NAME_BYTES, length_of(&message.name));
    put(out, setting_row::UNIT_BYTES, length_of(&message.unit));
    let name_end = write_text(&message.name, setting_row::END, out);
    write_text(&message.unit, name_end, out)
}

fn write_setting_write(message: &SettingWrite, out: &mut Out) -> usize {
    put(out, setting_write::NUMBER, message.number.to_le_bytes());
    put(out, setting_write::VALUE, message.value.to_le_bytes());
    setting_write::END
}

fn write_setting_answer(message: &SettingAnswer, out: &mut Out) -> usize {
    put(out, setting_answer::REQUEST, message.request.to_le_bytes());
    put(out, setting_answer::NUMBER, message.number.to_le_bytes());
    put(out, setting_answer::OUTCOME, [message.outcome.number()]);
    put(out, setting_answer::VALUE, message.value.to_le_bytes());
    setting_answer::END
}

fn write_hand_answer(message: &HandAnswer, out: &mut Out) -> usize {
    put(out, hand_answer::REQUEST, message.request.to_le_bytes());
    put(out, hand_answer::OUTCOME, [message.outcome.number()]);
    hand_answer::END
}

/// Writes one byte and says where it ends.
fn write_byte(number: u8, start: usize, out: &mut Out) -> usize {
    put(out, start..start + 1, [number]);
    start + 1
}

/// Writes a text and says where it ends.
fn write_text(text: &Text, start: usize, out: &mut Out) -> usize {
    let end = start + text.as_bytes().len();
    out[start..end].copy_from_slice(text.as_bytes());
    end
}

/// A text's length as its field holds it: it has at most 200 bytes.
fn length_of(text: &Text) -> [u8; 1] {
    [text.as_bytes().len() as u8]
}
