//! The promise: no byte that a method sends can move the plant except by a command that is whole, in turn and for the
//! first time. After every hostile sequence the run has the same bits as one in which nobody disturbed, and what was
//! refused is counted by its reason.
//!
//! Frames are handed to the session directly: no socket, no clock. Start reading at [`check_harmless`].

use plantstand::base::recording::Signal;
use plantstand::bench::memory::Direct;
use plantstand::bench::session::End;
use plantstand::drive::setting::Setting;
use plantstand::method::client::{Client, Transport};
use plantstand::trial::phases;
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{
    Close, CloseReason, CommandFrame, HandActionKind, HandOutcome, Log, Message, Open, Probe, SettingOutcome,
    SettingRead, SettingWrite, Text, Value,
};

#[path = "link_session/flipped.rs"]
mod flipped;
#[path = "trial_runs/peer.rs"]
mod peer;
#[path = "trial_runs/scenario_text.rs"]
mod scenario_text;
mod wire_samples;

use peer::{Peer, command, framed, speed};
use scenario_text::{dough_sheeter, read};

/// Exchanges of the run that everybody tries to disturb.
const EXCHANGES: u32 = 40;

/// Ticks per exchange of the dough sheeter.
const STRIDE: u64 = 8;

/// A command of the undisturbed run: the drive is enabled, then turns, its values one, many or none.
fn orderly_command(exchange: u32) -> Message {
    let ramp: Vec<Value> = (0..STRIDE).map(|tick| speed(f64::from(exchange) + 0.1 * tick as f64)).collect();
    match exchange {
        0 => command(exchange, 0x06, &[]),
        1 => command(exchange, 0x07, &[]),
        _ if exchange.is_multiple_of(3) => command(exchange, 0x0F, &ramp),
        _ if exchange % 3 == 1 => command(exchange, 0x0F, &ramp[..1]),
        _ => command(exchange, 0x0F, &[]),
    }
}

/// An orderly run of [`EXCHANGES`]; `disturb` is called with the command that comes next, before it is given.
fn run(mut peer: Peer, mut disturb: impl FnMut(&mut Peer, &[u8])) -> Peer {
    for exchange in 0..EXCHANGES {
        // The numbers of orderly frames do not depend on what a disturber says in between.
        let next = framed(100_000 + exchange, orderly_command(exchange));
        disturb(&mut peer, &next);
        assert!(peer.give(&next), "exchange {exchange} was refused: {:?}", peer.session.counts);
    }
    peer
}

/// Disturbing changes no bit of any row, and what is refused is counted under `reason`, once per exchange.
fn check_harmless(reason: &str, disturb: impl FnMut(&mut Peer, &[u8])) {
    let undisturbed = run(Peer::begun(), |_, _| {});
    let disturbed = run(Peer::begun(), disturb);
    assert!(disturbed.bits() == undisturbed.bits(), "{reason}: the rows differ");
    assert_eq!(disturbed.refused(reason), u64::from(EXCHANGES), "{reason}: {:?}", disturbed.session.counts.refused);
    assert_eq!(disturbed.session.counts.exchanges, u64::from(EXCHANGES));
}

/// The same, of a frame that is made from the next command by spoiling its bytes.
fn check_spoiled(reason: &str, spoil: impl Fn(&mut Vec<u8>)) {
    check_harmless(reason, |peer, next| {
        let mut bytes = next.to_vec();
        spoil(&mut bytes);
        let said = peer.heard.len();
        assert!(!peer.give(&bytes), "{reason}: a spoiled frame is no sign of life");
        assert_eq!(peer.heard.len(), said, "{reason}: a spoiled frame gets no answer");
    });
}

/// Replaces the checksum by the right one.
fn seal(bytes: &mut [u8]) {
    let (body, sum) = bytes.split_at_mut(bytes.len() - 4);
    sum.copy_from_slice(&plantstand::wire::checksum::checksum(body).to_le_bytes());
}

#[test]
fn the_undisturbed_run_moves_the_axis() {
    let peer = run(Peer::begun(), |_, _| {});
    assert_eq!(peer.session.tick(), u64::from(EXCHANGES + 1) * STRIDE);
    assert!(peer.session.taken.rows.iter().any(|row| row[Signal::MotorSpeed as usize] > 1.0));
}

#[test]
fn a_wrong_checksum_moves_nothing() {
    check_spoiled("crc", |bytes| *bytes.last_mut().unwrap() ^= 1);
    check_spoiled("crc", |bytes| bytes[12] ^= 0x40);
}

#[test]
fn a_frame_cut_off_anywhere_moves_nothing() {
    check_spoiled("too_short", |bytes| bytes.truncate(9));
    check_spoiled("too_short", Vec::clear);
    check_spoiled("length", |bytes| bytes.truncate(bytes.len() - 1));
    check_spoiled("length", |bytes| bytes.extend([0; 20]));
    check_spoiled("length", |bytes| bytes.resize(MAX_FRAME_BYTES + 1, 0));
}

#[test]
fn an_unknown_kind_version_or_magic_moves_nothing() {
    let set = |place: usize, value: u8| {
        move |bytes: &mut Vec<u8>| {
            bytes[place] = value;
            seal(bytes);
        }
    };
    check_spoiled("kind", set(3, 99));
    check_spoiled("kind_reserved", set(3, 0x86));
    check_spoiled("version", set(2, 2));
    check_spoiled("magic", set(0, b'X'));
}

#[test]
fn a_number_that_is_not_finite_moves_nothing() {
    for poison in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let torque = Value { torque_offset_nm: poison, ..Value::default() };
        for value in [speed(poison), torque] {
            check_harmless("not_finite", |peer, _| {
                let exchange = peer.feedback().exchange;
                assert!(!peer.say(command(exchange, 0x0F, &[value])));
            });
        }
    }
}

#[test]
fn a_command_out_of_turn_moves_nothing() {
    check_harmless("stale_command", |peer, _| {
        let wrong = peer.feedback().exchange + 1;
        assert!(!peer.say(command(wrong, 0x0F, &[speed(50.0)])));
    });
    check_harmless("stale_command", |peer, _| {
        let wrong = peer.feedback().exchange.wrapping_sub(1);
        assert!(!peer.say(command(wrong, 0x00, &[])));
    });
}

#[test]
fn a_command_that_comes_again_acts_once() {
    let mut previous: Vec<u8> = framed(1, Message::Echo(Probe { nonce: 0 }));
    let undisturbed = run(Peer::begun(), |_, _| {});
    let disturbed = run(Peer::begun(), |peer, next| {
        for _ in 0..50 {
            assert!(!peer.give(&previous), "what comes again is no sign of life");
        }
        previous = next.to_vec();
    });
    assert!(disturbed.bits() == undisturbed.bits());
    assert_eq!(disturbed.refused("stale_command"), 50 * u64::from(EXCHANGES - 1));
}

#[test]
fn a_command_with_another_number_of_values_moves_nothing() {
    for count in [2, 7, 9, 64] {
        check_harmless("count", |peer, _| {
            let exchange = peer.feedback().exchange;
            assert!(!peer.say(command(exchange, 0x0F, &vec![speed(9.0); count])));
        });
    }
}

#[test]
fn kinds_that_only_a_bench_sends_move_nothing() {
    check_harmless("not_for_the_bench", |peer, _| {
        let feedback = peer.feedback();
        assert!(!peer.say(Message::Feedback(feedback)));
    });
    check_harmless("not_asked_for", |peer, _| {
        assert!(!peer.say(Message::Echo(Probe { nonce: 3 })));
    });
}

#[test]
fn a_client_that_opens_again_moves_nothing_and_is_told_where_the_run_stands() {
    let undisturbed = run(Peer::begun(), |_, _| {});
    let again = run(Peer::begun(), |peer, _| {
        let exchange = peer.feedback().exchange;
        peer.say(Message::Open(Open { token: [9; 16], name: Text::new("me again") }));
        // Before the first answer it is only the same open once more.
        let expected = if exchange == 0 { "accept" } else { "feedback" };
        assert_eq!(peer.last().kind().name(), expected);
        assert_eq!(peer.feedback().exchange, exchange);
    });
    assert!(again.bits() == undisturbed.bits());
    assert_eq!(again.session.counts.opened_again, u64::from(EXCHANGES) - 1);
}

/// The link hands on an open without number or token when the same method has opened again.
#[test]
fn a_method_that_comes_back_hears_the_last_feedback_and_its_old_requests_are_forgotten() {
    let mut peer = Peer::begun();
    peer.enable();
    peer.setting(Setting::SpeedGain, 0.1);
    let (feedback, bits, number) = (peer.feedback(), peer.bits(), Setting::SpeedGain.number());
    let write = framed(1, Message::SettingWrite(SettingWrite { number, value: 0.2 }));
    peer.give(&write);
    peer.setting(Setting::SpeedGain, 0.3);
    let open = framed(0, Message::Open(Open { token: [0; 16], name: Text::new("again") }));
    assert!(peer.give(&open), "it is a sign of life");
    assert!(matches!(peer.last(), Message::Feedback(last) if last == feedback));
    assert_eq!((peer.bits(), peer.session.counts.opened_again), (bits, 1));
    // To the bit a request of before, but of somebody who counts anew: it acts.
    peer.give(&write);
    assert_eq!(peer.answer().value.to_bits(), 0.2_f64.to_bits());
    assert_eq!(peer.answered_value(Setting::SpeedGain).to_bits(), 0.2_f64.to_bits());
    peer.command(0x0F, &[]);
    assert_eq!(peer.feedback().exchange, feedback.exchange + 1);
}

#[test]
fn questions_change_no_bit() {
    let undisturbed = run(Peer::begun(), |_, _| {});
    let asking = run(Peer::begun(), |peer, _| {
        peer.say(Message::Probe(Probe { nonce: 77 }));
        assert_eq!(peer.last(), Message::Echo(Probe { nonce: 77 }));
        peer.say(Message::SettingRead(SettingRead { number: Setting::SpeedGain.number() }));
        assert_eq!(peer.answer().outcome, SettingOutcome::Done);
        peer.say(Message::Log(Log { text: Text::new("thinking") }));
    });
    assert!(asking.bits() == undisturbed.bits());
    assert_eq!(asking.session.log.len(), EXCHANGES as usize);
}

#[test]
fn bytes_drawn_at_random_move_nothing() {
    use plantstand::base::random::Stream;
    let mut dice = Stream::new(11, "garbage");
    let undisturbed = run(Peer::begun(), |_, _| {});
    let disturbed = run(Peer::begun(), |peer, next| {
        for _ in 0..50 {
            let mut bytes = next.to_vec();
            let place = (dice.uniform() * bytes.len() as f64) as usize;
            bytes[place] ^= 1 << (dice.uniform() * 8.0) as u32;
            assert!(!peer.give(&bytes), "one flipped bit at byte {place} was not seen (seed 11)");
        }
    });
    assert!(disturbed.bits() == undisturbed.bits());
}

#[test]
fn a_request_that_comes_again_gets_the_identical_answer_and_acts_once() {
    let mut peer = Peer::begun();
    let number = Setting::SpeedGain.number();
    let write = |value| Message::SettingWrite(SettingWrite { number, value });
    let (first, second) = (peer.framed(write(0.1)), peer.framed(write(0.2)));
    assert!(peer.give(&first));
    let answered = peer.heard.last().cloned();
    for _ in 0..3 {
        peer.give(&first);
        assert_eq!(peer.heard.last(), answered.as_ref());
    }
    assert!(peer.give(&second));
    // A datagram that took the long way round: the newer value stands.
    peer.give(&first);
    assert_eq!(peer.heard.last(), answered.as_ref());
    peer.say(Message::SettingRead(SettingRead { number }));
    assert_eq!(peer.answer().value.to_bits(), 0.2_f64.to_bits());
}

#[test]
fn a_setting_beyond_its_range_or_locked_by_the_state_is_refused_with_the_reason() {
    let mut peer = Peer::begun();
    let gain = peer.answered_value(Setting::SpeedGain);
    for (value, outcome) in [(-1.0, SettingOutcome::OutOfRange), (1e12, SettingOutcome::OutOfRange)] {
        let answer = peer.setting(Setting::SpeedGain, value);
        assert_eq!((answer.outcome, answer.value.to_bits()), (outcome, gain.to_bits()));
    }
    let unknown = Message::SettingWrite(SettingWrite { number: 60_000, value: 1.0 });
    assert!(peer.say(unknown));
    assert_eq!(peer.answer().outcome, SettingOutcome::Unknown);
    peer.enable();
    peer.command(0x0F, &[]);
    let locked = Setting::ALL.into_iter().find(|setting| !setting.writable_while_enabled()).expect("some are locked");
    let before = peer.answered_value(locked);
    let answer = peer.setting(locked, before);
    assert_eq!(answer.outcome, SettingOutcome::NotWhileEnabled, "{}", locked.name());
    assert_eq!(peer.setting(Setting::SpeedGain, 0.1).outcome, SettingOutcome::Done);
}

#[test]
fn an_empty_command_keeps_the_last_value_and_is_a_sign_of_life() {
    let mut peer = Peer::begun();
    peer.enable();
    let rising: Vec<Value> = (1..=STRIDE).map(|tick| speed(tick as f64)).collect();
    peer.command(0x0F, &rising);
    peer.command(0x0F, &[]);
    peer.command(0x0F, &[]);
    let setpoint = |place: usize| peer.session.taken.rows[place][Signal::Setpoint as usize];
    let first = 4 * STRIDE as usize;
    assert_eq!([setpoint(first), setpoint(first + 3), setpoint(first + 7)], [1.0, 4.0, 8.0]);
    // Of one value per tick, the last one stays.
    assert!((first + 8..first + 24).all(|place| setpoint(place) == 8.0));
}

#[test]
fn feedback_n_carries_its_ticks_and_its_answer_acts_in_the_next_ones() {
    let mut peer = Peer::begun();
    peer.enable();
    for exchange in 3..10_u32 {
        let feedback = peer.feedback();
        assert_eq!((feedback.exchange, feedback.first_tick), (exchange, u64::from(exchange) * STRIDE));
        assert_eq!(feedback.samples.as_slice().len() as u64, STRIDE);
        assert_eq!(peer.session.tick(), u64::from(exchange + 1) * STRIDE);
        let marked = Value { torque_offset_nm: 1e-3 * f64::from(exchange), ..Value::default() };
        peer.command(0x0F, &[marked]);
        for (tick, row) in peer.session.taken.rows.iter().enumerate().skip(exchange as usize * STRIDE as usize) {
            let added = row[Signal::SummedTorque as usize] - row[Signal::ControllerTorque as usize];
            let acts = u64::from(exchange + 1) * STRIDE <= tick as u64;
            let expected = if acts { marked.torque_offset_nm } else { 1e-3 * f64::from(exchange.max(4) - 1) };
            let expected = if exchange == 3 && !acts { 0.0 } else { expected };
            assert!((added - expected).abs() < 1e-12, "tick {tick} after the answer to {exchange}: {added}");
        }
    }
}

#[test]
fn what_comes_before_the_first_tick_moves_nothing() {
    let undisturbed = run(Peer::begun(), |_, _| {});
    let mut early = Peer::early();
    assert!(!early.give(b"hello"));
    assert!(!early.say(command(0, 0x0F, &[speed(100.0)])));
    assert!(early.say(Message::Probe(Probe { nonce: 1 })));
    early.begin();
    // A second start is none.
    early.begin();
    let run = run(early, |_, _| {});
    assert!(run.bits() == undisturbed.bits());
    assert_eq!((run.refused("too_short"), run.refused("stale_command")), (1, 1));
}

#[test]
fn a_flood_of_log_lines_is_bounded() {
    let mut peer = Peer::begun();
    for _ in 0..12_000 {
        peer.say(Message::Log(Log { text: Text::new("still thinking") }));
    }
    assert_eq!(peer.session.log.len(), 10_000);
    assert_eq!(peer.refused("log_full"), 2_000);
}

#[test]
fn a_flood_of_refused_frames_is_counted_and_hardly_kept() {
    let mut peer = Peer::begun();
    let garbage = vec![0xA5; 1000];
    for _ in 0..5_000 {
        peer.give(&garbage);
    }
    assert_eq!(peer.session.counts.refused.values().sum::<u64>(), 5_000);
    assert!(peer.session.taken.frames.len() < 2 << 20, "{} bytes kept", peer.session.taken.frames.len());
}

#[test]
fn a_hand_at_a_machine_without_fittings_switches_the_power_and_parts_the_coupling() {
    let mut peer = Peer::begun();
    let before = peer.answered_value(Setting::SpeedGain);
    peer.setting(Setting::SpeedGain, 0.123);
    assert_eq!(peer.hand(HandActionKind::PowerCycle), HandOutcome::Done);
    assert_eq!(peer.answered_value(Setting::SpeedGain).to_bits(), before.to_bits(), "what was not stored is lost");
    peer.setting(Setting::SpeedGain, 0.123);
    peer.say(Message::Store);
    assert_eq!(peer.answer().outcome, SettingOutcome::Done);
    assert_eq!(peer.hand(HandActionKind::PowerCycle), HandOutcome::Done);
    assert_eq!(peer.answered_value(Setting::SpeedGain).to_bits(), 0.123_f64.to_bits());
    for action in [
        HandActionKind::PressEmergencyStop,
        HandActionKind::ReleaseEmergencyStop,
        HandActionKind::OpenGuard,
        HandActionKind::CloseGuard,
        HandActionKind::SetBrake,
        HandActionKind::LiftBrake,
    ] {
        assert_eq!(peer.hand(action), HandOutcome::NotHere, "{action:?}");
    }
    assert_eq!(peer.hand(HandActionKind::Uncouple), HandOutcome::Done);
    assert_eq!(peer.hand(HandActionKind::Couple), HandOutcome::Done);
}

#[test]
fn done_is_done_once_and_settings_are_locked_from_then_on() {
    let mut peer = run(Peer::begun(), |_, _| {});
    let done = peer.framed(Message::Done);
    assert!(peer.give(&done));
    assert_eq!(peer.session.end(), Some(&End::Done));
    let (rows, kept, tick) = (peer.bits(), peer.session.taken.frames.len(), peer.session.tick());
    assert!(!peer.give(&done));
    assert!(!peer.say(command(EXCHANGES, 0x0F, &[speed(50.0)])));
    assert!(!peer.say(Message::Close(Close { reason: CloseReason::Leaving })));
    assert_eq!(peer.setting(Setting::SpeedGain, 0.1).outcome, SettingOutcome::Locked);
    peer.say(Message::Store);
    assert_eq!(peer.answer().outcome, SettingOutcome::Locked);
    assert_eq!(peer.hand(HandActionKind::PowerCycle), HandOutcome::Locked);
    assert_eq!(peer.session.end(), Some(&End::Done));
    assert_eq!((peer.bits(), peer.session.taken.frames.len(), peer.session.tick()), (rows, kept, tick));
}

#[test]
fn a_method_that_closes_before_done_leaves_the_axis_at_rest() {
    let mut peer = run(Peer::begun(), |_, _| {});
    let moving = peer.session.bench().plant.speed_rad_per_s(0);
    assert!(1.0 < moving.abs(), "{moving}");
    peer.say(Message::Close(Close { reason: CloseReason::Failed }));
    assert_eq!(peer.session.end(), Some(&End::Left("closed the connection (failed)".to_owned())));
    assert!(!peer.session.bench().drive.torque_may_act());
    assert!(peer.session.bench().plant.speed_rad_per_s(0).abs() < 3.0);
}

#[test]
fn simulated_time_that_is_used_up_ends_tuning_with_the_axis_at_rest() {
    let text = dough_sheeter().replace("time_s = 60 ", "time_s = 0.1 ");
    let mut peer = Peer { session: phases::tuning(&read(&text), 7), sequence: 0, heard: Vec::new() };
    peer.begin();
    for exchange in 0.. {
        peer.give(&framed(100_000 + exchange, orderly_command(exchange)));
        if peer.session.end().is_some() {
            break;
        }
    }
    assert_eq!(peer.session.end(), Some(&End::OutOfTime));
    assert!(!peer.session.bench().drive.torque_may_act());
}

#[test]
fn a_client_in_memory_speaks_the_same_protocol() {
    let scenario = read(&dough_sheeter());
    let direct = Direct::new(phases::tuning(&scenario, 7), phases::accept(&scenario, 1));
    let mut client = Client::open(direct, [0; 16], "by hand").expect("nobody refuses in memory");
    for exchange in 0..EXCHANGES {
        let Message::Command(CommandFrame { controlword, values, .. }) = orderly_command(exchange) else { panic!() };
        client.command(controlword, values.as_slice()).expect("the session answers");
    }
    assert_eq!(client.feedback().map(|feedback| feedback.exchange), Some(EXCHANGES));
    assert_eq!(client.accept().time_s, 60.0);
}

#[test]
fn a_transport_in_memory_tells_when_the_run_is_over() {
    let scenario = read(&dough_sheeter());
    let mut direct = Direct::new(phases::tuning(&scenario, 7), phases::accept(&scenario, 1));
    let mut buffer = [0; MAX_FRAME_BYTES];
    assert_eq!(direct.receive(&mut buffer), Ok(None));
    direct.session.leave("stayed away".to_owned());
    assert!(direct.receive(&mut buffer).is_err());
}
