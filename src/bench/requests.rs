//! What a method may ask besides commanding: settings, hand actions, the winding test. Answers take no simulated time.
//!
//! What it does not: frames that come twice (`session.rs`). Start reading at [`answer`].

use crate::base::signal;
use crate::bench::hand;
use crate::bench::tick::Bench;
use crate::drive::Drive;
use crate::drive::setting::{Setting, Settings};
use crate::drive::store::WriteRefusal;
use crate::drive::winding_test::{WindingTestRefusal, WindingTestState};
use crate::wire::message::{
    HandAction, HandAnswer, HandOutcome, Message, STRIDE_TICKS_MAX, SettingAnswer, SettingOutcome, SettingRow, Text,
    WindingAnswer, WindingOutcome, WindingSample, WindingSamples, WindingState, WindingTest,
};

/// Does what a request asks and words the answer; `None` for a message that is no request.
pub fn answer(bench: &mut Bench, initial: &Settings, request: u32, message: &Message) -> Option<Message> {
    let drive = &mut bench.drive;
    Some(match message {
        Message::SettingList(list) => row(drive, initial, request, list.index),
        Message::SettingRead(read) => match Setting::from_number(read.number) {
            None => answered(request, read.number, SettingOutcome::Unknown, 0.0),
            Some(setting) => answered(request, read.number, SettingOutcome::Done, drive.read(setting)),
        },
        Message::SettingWrite(write) => match Setting::from_number(write.number) {
            None => answered(request, write.number, SettingOutcome::Unknown, 0.0),
            Some(setting) => {
                let outcome = drive.write(setting, write.value).map_or_else(outcome, |_| SettingOutcome::Done);
                answered(request, write.number, outcome, drive.read(setting))
            }
        },
        Message::Store => {
            drive.store();
            answered(request, 0, SettingOutcome::Done, 0.0)
        }
        Message::HandAction(HandAction { action }) => {
            Message::HandAnswer(HandAnswer { request, outcome: hand::act(bench, *action) })
        }
        Message::WindingTest(WindingTest { axis_d_voltage_v, time_s }) => {
            let test = signal::WindingTest { axis_d_voltage_v: *axis_d_voltage_v, time_s: *time_s };
            let outcome = bench.start_winding_test(&test).map_or_else(winding_outcome, |()| WindingOutcome::Done);
            winding(bench, request, outcome, &[], 0)
        }
        Message::WindingRead(read) => {
            let rest = bench.winding_samples().get(usize::from(read.first)..).unwrap_or(&[]);
            let piece = &rest[..rest.len().min(STRIDE_TICKS_MAX)];
            winding(bench, request, WindingOutcome::Done, piece, read.first)
        }
        _ => return None,
    })
}

/// The answer to a request that comes when tuning is over; `None` for a message that is no request.
pub fn locked(drive: &Drive, request: u32, message: &Message) -> Option<Message> {
    let number = match message {
        Message::SettingRead(read) => read.number,
        Message::SettingWrite(write) => write.number,
        Message::SettingList(_) | Message::Store => 0,
        Message::WindingTest(_) | Message::WindingRead(_) => {
            let (outcome, state, samples) = (WindingOutcome::Locked, WindingState::None, WindingSamples::new());
            return Some(Message::WindingAnswer(WindingAnswer {
                request,
                outcome,
                state,
                total: 0,
                first: 0,
                samples,
            }));
        }
        Message::HandAction(_) => {
            return Some(Message::HandAnswer(HandAnswer { request, outcome: HandOutcome::Locked }));
        }
        _ => return None,
    };
    let value = Setting::from_number(number).map_or(0.0, |setting| drive.read(setting));
    Some(answered(request, number, SettingOutcome::Locked, value))
}

fn winding(bench: &Bench, request: u32, outcome: WindingOutcome, samples: &[WindingSample], first: u16) -> Message {
    let state = match bench.drive.winding_test() {
        WindingTestState::None => WindingState::None,
        WindingTestState::Running => WindingState::Running,
        WindingTestState::Finished => WindingState::Finished,
        WindingTestState::CurrentLimit => WindingState::CurrentLimit,
        WindingTestState::Stopped => WindingState::Stopped,
    };
    let total = bench.winding_samples().len() as u16;
    let samples = WindingSamples::from_slice(samples).unwrap_or_default();
    Message::WindingAnswer(WindingAnswer { request, outcome, state, total, first, samples })
}

fn winding_outcome(refusal: WindingTestRefusal) -> WindingOutcome {
    match refusal {
        WindingTestRefusal::NotHere => WindingOutcome::NotHere,
        WindingTestRefusal::NotEnabled => WindingOutcome::NotEnabled,
        WindingTestRefusal::NotAtRest => WindingOutcome::NotAtRest,
        WindingTestRefusal::OutOfRange => WindingOutcome::OutOfRange,
        WindingTestRefusal::Running => WindingOutcome::Running,
    }
}

fn answered(request: u32, number: u16, outcome: SettingOutcome, value: f64) -> Message {
    Message::SettingAnswer(SettingAnswer { request, number, outcome, value })
}

fn outcome(refusal: WriteRefusal) -> SettingOutcome {
    match refusal {
        WriteRefusal::NotFinite { .. } => SettingOutcome::NotFinite,
        WriteRefusal::OutOfRange { .. } => SettingOutcome::OutOfRange,
        WriteRefusal::WhileEnabled { .. } => SettingOutcome::NotWhileEnabled,
    }
}

fn row(drive: &Drive, initial: &Settings, request: u32, index: u16) -> Message {
    let Some(setting) = Setting::ALL.get(usize::from(index)).copied() else {
        return answered(request, 0, SettingOutcome::Unknown, 0.0);
    };
    let (low, high) = drive.bounds().range(setting);
    Message::SettingRow(SettingRow {
        request,
        index,
        total: Setting::ALL.len() as u16,
        number: setting.number(),
        writable_while_enabled: setting.writable_while_enabled(),
        low,
        high,
        value: drive.read(setting),
        default: initial.get(setting),
        name: Text::new(setting.name()),
        unit: Text::new(setting.unit()),
    })
}
