//! The contract of the codec: every frame comes back as it went; no other bytes are taken for a frame; decoding says
//! why and never panics.
//!
//! What it does not: the page (`wire_protocol_page.rs`). Everything random hangs on a seed that a failure prints.

mod wire_dice;
mod wire_samples;

use plantstand::base::random::Stream;
use plantstand::wire::checksum::checksum;
use plantstand::wire::codec::{Malformed, decode, encode};
use plantstand::wire::layout::{
    self, CRC_BYTES, FieldType, Kind, MAX_FRAME_BYTES, MIN_FRAME_BYTES, Tail, accept, feedback, header, sample, value,
};
use plantstand::wire::message::{Frame, Message, Text};
use wire_dice::Dice;

const SEED: u64 = 2;

/// A thousand random frames of each kind come back equal, and encode again to the same bytes.
#[test]
fn every_kind_comes_back_as_it_went() {
    let mut dice = Dice(Stream::new(SEED, "frames"));
    for kind in Kind::ALL {
        for round in 0..1000 {
            let frame = dice.frame(*kind);
            assert_eq!(frame.message.kind(), *kind);
            let bytes = bytes_of(&frame);
            let back = decode(&bytes).unwrap_or_else(|why| panic!("seed {SEED}, {kind:?} {round}: {why}"));
            assert_eq!(back, frame, "seed {SEED}, {kind:?} {round}");
            assert_eq!(bytes_of(&back), bytes, "seed {SEED}, {kind:?} {round}");
        }
    }
}

/// No prefix of a frame is a frame.
#[test]
fn every_prefix_of_every_frame_is_refused() {
    for (name, frame) in wire_samples::all() {
        let bytes = bytes_of(&frame);
        for length in 0..bytes.len() {
            let found = decode(&bytes[..length]).expect_err(name);
            let expected = if length < MIN_FRAME_BYTES { "too_short" } else { "length" };
            assert_eq!(found.key(), expected, "{name} cut to {length}");
        }
    }
}

/// A frame with bytes behind it is no frame.
#[test]
fn a_frame_that_is_too_long_is_refused() {
    for (name, frame) in wire_samples::all() {
        let bytes = [bytes_of(&frame), vec![0]].concat();
        assert_eq!(decode(&bytes).expect_err(name).key(), "length", "{name}");
    }
}

/// Whichever single bit is flipped, the frame is refused, and never as one of another version or kind.
#[test]
fn every_flipped_bit_of_every_frame_is_refused() {
    for (name, frame) in wire_samples::all() {
        let bytes = bytes_of(&frame);
        for bit in 0..8 * bytes.len() {
            let mut flipped = bytes.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            let found = decode(&flipped).expect_err(name);
            assert!(["magic", "length", "crc"].contains(&found.key()), "{name}, bit {bit}: {found}");
        }
    }
}

/// Random bytes are refused; so are random bytes behind a header and before a checksum that fit them, unless they
/// happen to be a frame, which then encodes to the same bytes.
#[test]
fn random_bytes_never_panic() {
    let mut dice = Dice(Stream::new(SEED, "bytes"));
    for _ in 0..50_000 {
        let length = dice.below(300);
        assert!(decode(&dice.bytes(length)).is_err(), "seed {SEED}");
        let kind = dice.below(40) as u8;
        let payload = dice.bytes(length);
        let bytes = framed(kind, &payload);
        if let Ok(frame) = decode(&bytes) {
            assert_eq!(bytes_of(&frame), bytes, "seed {SEED}, kind {kind}");
        }
    }
}

/// One byte of a frame's payload replaced at random, the checksum made anew: refused, or a frame that encodes to these
/// same bytes. So no two byte strings mean the same.
#[test]
fn a_changed_payload_is_refused_or_means_what_it_says() {
    let mut dice = Dice(Stream::new(SEED, "changed payloads"));
    for (name, frame) in wire_samples::all() {
        let bytes = bytes_of(&frame);
        for _ in 0..2000 {
            let mut payload = bytes[header::END..bytes.len() - CRC_BYTES].to_vec();
            if payload.is_empty() {
                break;
            }
            let place = dice.below(payload.len());
            payload[place] = dice.below(256) as u8;
            let mut changed = framed(frame.message.kind().number(), &payload);
            put_sequence(&mut changed, frame.sequence);
            if let Ok(frame) = decode(&changed) {
                assert_eq!(bytes_of(&frame), changed, "seed {SEED}, {name}, byte {place}");
            }
        }
    }
}

/// Every float field of every frame refuses every number that is not finite, and says where it stands.
#[test]
fn no_float_field_takes_a_number_that_is_not_finite() {
    let mut fields = 0;
    for (name, frame) in wire_samples::all() {
        for at_byte in float_fields(&frame) {
            for number in [f64::NAN, -f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
                let mut bytes = bytes_of(&frame);
                bytes[at_byte..at_byte + 8].copy_from_slice(&number.to_le_bytes());
                seal(&mut bytes);
                assert_eq!(decode(&bytes), Err(Malformed::NotFinite { at_byte }), "{name}, {number}");
            }
            fields += 1;
        }
    }
    assert!(300 < fields, "the samples have {fields} float fields");
}

/// A frame of another version is told apart from a broken one, and carries the version that was found.
#[test]
fn another_version_is_named() {
    check_refused("probe", Malformed::Version { found: 2 }, |bytes| bytes[header::VERSION.start] = 2);
    check_refused("open", Malformed::Version { found: 0 }, |bytes| bytes[header::VERSION.start] = 0);
}

/// The one frame that is read whatever its version: how a bench says which versions it speaks.
#[test]
fn a_refuse_of_another_version_is_read() {
    let refuse = sample_named("refuse");
    let mut bytes = bytes_of(&refuse);
    bytes[header::VERSION.start] = 2;
    seal(&mut bytes);
    assert_eq!(decode(&bytes), Ok(refuse));
}

/// Kinds of sealed frames are refused as reserved, others as unknown.
#[test]
fn reserved_kinds_are_told_from_unknown_ones() {
    let authenticated = Kind::Feedback.number() | layout::AUTHENTICATED_KIND_BIT;
    let reserved = Malformed::KindReserved { found: authenticated };
    check_refused("probe", reserved, |bytes| bytes[header::KIND.start] = authenticated);
    check_refused("probe", Malformed::Kind { found: 0 }, |bytes| bytes[header::KIND.start] = 0);
    check_refused("probe", Malformed::Kind { found: 99 }, |bytes| bytes[header::KIND.start] = 99);
}

/// Counts, rates and strides that are not allowed are refused with the number found.
#[test]
fn counts_that_are_not_allowed_are_refused() {
    for found in [0, 65, 255] {
        let at_byte = feedback::SAMPLE_COUNT.start;
        check_refused("feedback", Malformed::Count { at_byte, found }, |bytes| bytes[at_byte] = found as u8);
    }
    for found in [0, 65] {
        let at_byte = accept::STRIDE_TICKS.start;
        check_refused("accept", Malformed::Count { at_byte, found }, |bytes| bytes[at_byte] = found as u8);
    }
    let at_byte = layout::command::VALUE_COUNT.start;
    check_refused("command_held", Malformed::Count { at_byte, found: 65 }, |bytes| bytes[at_byte] = 65);
    let at_byte = accept::TICK_HZ.start;
    check_refused("accept", Malformed::Count { at_byte, found: 0 }, |bytes| bytes[accept::TICK_HZ].fill(0));
    let at_byte = layout::log::TEXT_BYTES.start;
    check_refused("log", Malformed::Count { at_byte, found: 201 }, |bytes| bytes[at_byte] = 201);
}

/// Counts that are allowed but do not fit the payload are refused with the length that would.
#[test]
fn counts_that_do_not_fit_the_payload_are_refused() {
    let found_bytes = feedback::END + 2 * sample::END + CRC_BYTES;
    let needed_bytes = found_bytes - sample::END;
    let shorter = Malformed::Payload { found_bytes, needed_bytes };
    check_refused("feedback", shorter, |bytes| bytes[feedback::SAMPLE_COUNT.start] = 1);
    let needed_bytes = found_bytes + 8;
    let longer = Malformed::Payload { found_bytes, needed_bytes };
    check_refused("feedback", longer, |bytes| bytes[feedback::SAMPLE_COUNT.start] = 3);
    let with_value = Malformed::Payload { found_bytes: MIN_FRAME_BYTES + 1, needed_bytes: MIN_FRAME_BYTES };
    assert_eq!(decode(&framed(Kind::Done.number(), &[0])), Err(with_value));
}

/// A number that stands for nothing is refused with its place.
#[test]
fn named_values_that_do_not_exist_are_refused() {
    for (name, at_byte) in [
        ("accept", accept::COMMANDS.start),
        ("accept", accept::PACE.start),
        ("accept", accept::ENDLESS.start),
        ("refuse", layout::refuse::REASON.start),
        ("close", layout::close::REASON.start),
        ("phase_tuning", layout::phase::PHASE.start),
        ("result", layout::result::VERDICT.start),
        ("setting_answer", layout::setting_answer::OUTCOME.start),
        ("setting_row", layout::setting_row::WRITABLE_WHILE_ENABLED.start),
        ("hand_action", layout::hand_action::ACTION.start),
        ("hand_answer", layout::hand_answer::OUTCOME.start),
    ] {
        check_refused(name, Malformed::Value { at_byte, found: 77 }, |bytes| bytes[at_byte] = 77);
    }
}

/// Texts that are not UTF-8 or hold a control character are refused; our own side turns the latter into spaces.
#[test]
fn texts_are_one_clean_line() {
    let at_byte = layout::log::END;
    for wrong in [0xFF, 0x1B, b'\n', 0x7F] {
        check_refused("log", Malformed::Text { at_byte }, |bytes| bytes[at_byte] = wrong);
    }
    assert_eq!(Text::new("two\nlines\u{1b}[31m\u{85}").as_str(), "two lines [31m ");
    let long = Text::new(&"ä".repeat(101));
    assert_eq!((long.as_str().chars().count(), long.as_bytes().len()), (100, 200));
    assert_eq!(Text::new(&format!("x{}", "ä".repeat(100))).as_bytes().len(), 199);
}

/// The largest frame is a voltage feedback of 64 samples, and takes the room that its constant says.
#[test]
fn the_largest_frame_fills_the_room() {
    assert_eq!(bytes_of(&sample_named("voltage_feedback_largest")).len(), MAX_FRAME_BYTES);
    assert_eq!(bytes_of(&sample_named("done")).len(), MIN_FRAME_BYTES);
}

/// Every reason's key is in the list, once.
#[test]
fn keys_are_the_listed_ones() {
    let keys = std::collections::BTreeSet::from(Malformed::KEYS);
    assert_eq!(keys.len(), Malformed::KEYS.len());
    assert!(keys.contains(decode(&[]).expect_err("nothing").key()));
}

/// Changes a sample, makes its checksum anew, and expects this refusal.
fn check_refused(name: &str, expected: Malformed, change: impl Fn(&mut [u8])) {
    let mut bytes = bytes_of(&sample_named(name));
    change(&mut bytes);
    seal(&mut bytes);
    assert_eq!(decode(&bytes), Err(expected), "{name}");
    assert!(Malformed::KEYS.contains(&expected.key()), "{expected}");
}

fn sample_named(name: &str) -> Frame {
    let found = wire_samples::all().into_iter().find(|(sample, _)| *sample == name);
    found.unwrap_or_else(|| panic!("no sample {name}")).1
}

fn bytes_of(frame: &Frame) -> Vec<u8> {
    let mut out = [0xA5; MAX_FRAME_BYTES];
    let length = encode(frame, &mut out);
    out[..length].to_vec()
}

/// A header and a checksum round these bytes.
fn framed(kind: u8, payload: &[u8]) -> Vec<u8> {
    let length = (payload.len() as u16).to_le_bytes();
    let mut bytes = [&layout::MAGIC[..], &[layout::VERSION, kind], &[0; 4], &length, payload, &[0; CRC_BYTES]].concat();
    seal(&mut bytes);
    bytes
}

fn put_sequence(bytes: &mut [u8], sequence: u32) {
    bytes[header::SEQUENCE].copy_from_slice(&sequence.to_le_bytes());
    seal(bytes);
}

fn seal(bytes: &mut [u8]) {
    let end = bytes.len() - CRC_BYTES;
    let crc = checksum(&bytes[..end]);
    bytes[end..].copy_from_slice(&crc.to_le_bytes());
}

/// Where the frame's floats stand, by the tables.
fn float_fields(frame: &Frame) -> Vec<usize> {
    let (fields, tail) = layout::fields(frame.message.kind());
    let floats = |fields: &[layout::Field], start: usize| -> Vec<usize> {
        let floats = fields.iter().filter(|field| field.kind == FieldType::F64);
        floats.map(|field| start + field.range.start).collect()
    };
    let (items, count, item_fields) = match (&frame.message, tail) {
        (Message::Feedback(feedback), Tail::Samples) => (feedback::END, feedback.samples.len(), sample::FIELDS),
        (Message::Command(command), Tail::Values) => (layout::command::END, command.values.len(), value::FIELDS),
        (Message::TorqueFeedback(feedback), Tail::TorqueSamples) => {
            (layout::torque_feedback::END, feedback.samples.len(), layout::torque_sample::FIELDS)
        }
        (Message::TorqueCommand(command), Tail::TorqueValues) => {
            (layout::torque_command::END, command.values.len(), layout::torque_value::FIELDS)
        }
        (Message::VoltageFeedback(feedback), Tail::VoltageSamples) => {
            (layout::voltage_feedback::END, feedback.samples.len(), layout::voltage_sample::FIELDS)
        }
        (Message::VoltageCommand(command), Tail::VoltageValues) => {
            (layout::voltage_command::END, command.values.len(), layout::voltage_value::FIELDS)
        }
        (Message::WindingAnswer(answer), Tail::WindingSamples) => {
            (layout::winding_answer::END, answer.samples.len(), layout::winding_sample::FIELDS)
        }
        _ => (0, 0, value::FIELDS),
    };
    let item_bytes = item_fields.last().map_or(0, |field| field.range.end);
    let in_items = (0..count).flat_map(|item| floats(item_fields, items + item * item_bytes));
    floats(fields, 0).into_iter().chain(in_items).collect()
}
