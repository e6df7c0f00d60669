//! The firmware's codec in C takes what ours takes, refuses what ours refuses for the same reason, and writes the same
//! bytes; its framing for lines of bytes gives every frame back, whatever stood between.
//!
//! What it does not: kinds that only a tuning method needs, which the firmware refuses. Everything random hangs on a seed
//! that a failure prints.

use std::path::Path;

use plantstand::base::random::Stream;
use plantstand::wire::checksum::checksum;
use plantstand::wire::codec::{Malformed, decode, encode};
use plantstand::wire::layout::{CRC_BYTES, Kind, MAX_FRAME_BYTES, header};
use plantstand::wire::message::Frame;

use crate::filter::filtered;
use crate::wire_dice::Dice;
use crate::wire_samples;

const SEED: u64 = 33;

/// Kinds that only a tuning method needs.
const NOT_IN_FIRMWARE: [Kind; 9] = [
    Kind::Feedback,
    Kind::Command,
    Kind::HandAction,
    Kind::HandAnswer,
    Kind::VoltageFeedback,
    Kind::VoltageCommand,
    Kind::WindingTest,
    Kind::WindingRead,
    Kind::WindingAnswer,
];

/// Two thousand random frames of each kind are taken and written again to the same bytes.
#[test]
fn every_frame_comes_back_as_it_went() {
    let mut dice = Dice(Stream::new(SEED, "frames"));
    check_same_decisions(
        known().iter().flat_map(|kind| (0..2000).map(|_| *kind)).map(|kind| bytes_of(&dice.frame(kind))),
    );
}

/// The same frames with a byte of their payload replaced, or their payload cut or lengthened, under a checksum that fits.
#[test]
fn a_changed_payload_gets_the_same_answer() {
    let mut dice = Dice(Stream::new(SEED, "changed payloads"));
    let kinds = known();
    let changed = (0..60_000).map(|round| {
        let bytes = bytes_of(&dice.frame(kinds[round % kinds.len()]));
        let payload = header::END..bytes.len() - CRC_BYTES;
        let mut changed = bytes[..payload.end].to_vec();
        match dice.below(8) {
            0 => changed.truncate(header::END + dice.below(payload.len() + 1)),
            1 => changed.extend(dice.bytes(1)),
            // The first bytes hold what is named and counted: they are changed more often than the others.
            choice if !payload.is_empty() => {
                let length = if choice < 5 { payload.len().min(24) } else { payload.len() };
                let place = payload.start + dice.below(length);
                changed[place] = if dice.below(2) == 0 { dice.below(256) as u8 } else { dice.below(4) as u8 };
            }
            _ => {}
        }
        sealed(changed)
    });
    check_same_decisions(changed);
}

/// Every value in every one of the first bytes of a payload, where what is named and counted stands.
#[test]
fn every_value_of_every_byte_gets_the_same_answer() {
    let samples = wire_samples::all().into_iter().filter(|(_, frame)| known().contains(&frame.message.kind()));
    check_same_decisions(samples.flat_map(|(_, frame)| {
        let bytes = bytes_of(&frame);
        let payload_end = bytes.len() - CRC_BYTES;
        let places = header::END..payload_end.min(header::END + 80);
        let changed = places.flat_map(move |place| {
            let payload = bytes[..payload_end].to_vec();
            (0..=u8::MAX).map(move |value| {
                let mut changed = payload.clone();
                changed[place] = value;
                sealed(changed)
            })
        });
        changed.collect::<Vec<_>>()
    }));
}

/// Every prefix and every single flipped bit of a frame of each kind.
#[test]
fn every_prefix_and_every_flipped_bit_gets_the_same_answer() {
    let samples = wire_samples::all().into_iter().filter(|(_, frame)| known().contains(&frame.message.kind()));
    let broken = samples.flat_map(|(_, frame)| {
        let bytes = bytes_of(&frame);
        let prefixes = (0..=bytes.len()).map(|length| bytes[..length].to_vec()).collect::<Vec<_>>();
        let flipped = (0..8 * bytes.len()).map(|bit| {
            let mut flipped = bytes.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            flipped
        });
        prefixes.into_iter().chain(flipped.collect::<Vec<_>>())
    });
    check_same_decisions(broken);
}

/// Random bytes, and headers of any version and kind round random payloads.
#[test]
fn random_bytes_get_the_same_answer() {
    let mut dice = Dice(Stream::new(SEED, "bytes"));
    let random = (0..30_000).map(|round| {
        let length = dice.below(300);
        let payload = dice.bytes(length);
        if round % 3 == 0 {
            return payload;
        }
        let version = if dice.below(4) == 0 { dice.below(256) as u8 } else { 1 };
        let length = (payload.len() as u16).to_le_bytes();
        let head = [&b"PS"[..], &[version, dice.below(40) as u8], &dice.bytes(4), &length].concat();
        sealed([head, payload].concat())
    });
    check_same_decisions(random);
}

/// Texts at the edges of UTF-8 and of what is a control character.
#[test]
fn texts_get_the_same_answer() {
    let mut dice = Dice(Stream::new(SEED, "texts"));
    let edges = [0x00, 0x1F, 0x20, 0x7E, 0x7F, 0x80, 0x9F, 0xA0, 0xBF, 0xC0, 0xC1, 0xC2, 0xDF, 0xE0, 0xED, 0xEF, 0xF0];
    let more_edges = [0xF4, 0xF5, 0xFF, 0x90, 0x8F, b'a'];
    let texts = (0..60_000).map(|_| {
        let text: Vec<u8> = (0..dice.below(6))
            .map(|_| {
                let place = dice.below(edges.len() + more_edges.len());
                edges.iter().chain(&more_edges).nth(place).copied().unwrap_or_default()
            })
            .collect();
        let payload = [&[text.len() as u8][..], &text].concat();
        let length = (payload.len() as u16).to_le_bytes();
        sealed([&b"PS\x01"[..], &[Kind::Log.number()], &[0; 4], &length, &payload].concat())
    });
    check_same_decisions(texts);
}

/// The frames that a client's own tests are given.
#[test]
fn the_stored_frames_are_taken() {
    let text = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/frames.json"));
    let stored: serde_json::Value = serde_json::from_str(&text.expect("the stored frames")).expect("JSON");
    let bytes = |frame: &serde_json::Value| {
        let hex = frame["hex"].as_str().expect("hex").as_bytes().chunks(2);
        hex.map(|pair| u8::from_str_radix(std::str::from_utf8(pair).expect("digits"), 16).expect("a byte")).collect()
    };
    let frames: Vec<Vec<u8>> = stored["frames"].as_array().expect("a list").iter().map(bytes).collect();
    assert!(30 < frames.len());
    check_same_decisions(frames.into_iter());
}

/// What goes on a line of bytes comes back, for every length, with long runs without a zero among them.
#[test]
fn a_line_of_bytes_gives_every_frame_back() {
    let mut dice = Dice(Stream::new(SEED, "line"));
    let lengths = (1..=600).chain((0..300).map(|_| 1 + dice.below(2079)).collect::<Vec<_>>());
    let frames: Vec<Vec<u8>> = lengths
        .enumerate()
        .map(|(round, length)| {
            let mut frame = dice.bytes(length);
            if round % 2 == 0 {
                frame.iter_mut().filter(|byte| **byte == 0).for_each(|byte| *byte = 7);
            }
            frame
        })
        .collect();
    let line = filtered("cobs", &blocks(&frames));
    let pieces: Vec<&[u8]> = line.split(|byte| *byte == 0).filter(|piece| !piece.is_empty()).collect();
    assert_eq!(pieces.len(), frames.len(), "one piece between zeros for each frame");
    for (piece, frame) in pieces.iter().zip(&frames) {
        assert_eq!(&unstuffed(piece), frame, "seed {SEED}, {} bytes", frame.len());
    }
    assert!(unblocked(&filtered("line", &line)) == frames, "seed {SEED}: the C side reads its line otherwise");
    // A last block of 254 bytes is sent without a code byte behind it; the form with one is taken too.
    let full = vec![9; 254];
    let short_form = [vec![0, 0xFF], full.clone(), vec![0]].concat();
    let long_form = [vec![0, 0xFF], full.clone(), vec![1, 0]].concat();
    assert_eq!(filtered("cobs", &blocks(std::slice::from_ref(&full))), short_form);
    assert_eq!(unblocked(&filtered("line", &[short_form, long_form].concat())), [full.clone(), full]);
}

/// After noise, a cut frame or one that is far too long, the next whole frame is there.
#[test]
fn a_line_of_bytes_is_in_step_again_after_noise() {
    let mut dice = Dice(Stream::new(SEED, "noise"));
    for round in 0..20 {
        let frame = bytes_of(&dice.frame(Kind::TorqueFeedback));
        let line = filtered("cobs", &blocks(std::slice::from_ref(&frame)));
        let noise_bytes = dice.below(5000);
        let cut = dice.below(line.len());
        let noise = [dice.bytes(noise_bytes), line[..cut].to_vec(), vec![5; 4000]].concat();
        let found = unblocked(&filtered("line", &[noise, line].concat()));
        assert_eq!(found.last(), Some(&frame), "seed {SEED}, round {round}");
    }
}

/// Asks the C side about all of these and compares each with our own decision.
fn check_same_decisions(cases: impl Iterator<Item = Vec<u8>>) {
    let cases: Vec<Vec<u8>> = cases.collect();
    let answers = filtered("frames", &blocks(&cases));
    let mut rest = &answers[..];
    let mut taken = 0;
    for bytes in &cases {
        let ([reason, low, high], after) = rest.split_first_chunk().expect("an answer to each");
        let (again, after) = after.split_at(usize::from(u16::from_le_bytes([*low, *high])));
        rest = after;
        let hex = || bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
        assert_eq!(key_of(*reason), expected(bytes), "seed {SEED}, {}", hex());
        if *reason == 0 {
            let ours = bytes_of(&decode(bytes).expect("both took it"));
            assert_eq!(again, ours, "seed {SEED}, written again otherwise: {}", hex());
            taken += 1;
        }
    }
    assert!(rest.is_empty(), "more answers than questions");
    println!("{} cases, {taken} of them frames", cases.len());
}

/// Our own decision; where the kind is one that firmware leaves out, or one with an authentication code, what firmware
/// says of it.
fn expected(bytes: &[u8]) -> &'static str {
    let decision = decode(bytes).map_or_else(|why| why.key(), |_| "taken");
    let whole = ["too_short", "magic", "length", "crc", "version"].contains(&decision);
    match bytes.get(header::KIND.start) {
        Some(kind) if !whole && *kind & 0x80 != 0 => "kind_reserved",
        Some(kind) if !whole && NOT_IN_FIRMWARE.iter().any(|left| left.number() == *kind) => "kind",
        _ => decision,
    }
}

fn key_of(reason: u8) -> &'static str {
    match reason {
        0 => "taken",
        reason => Malformed::KEYS.get(usize::from(reason) - 1).copied().unwrap_or("no reason at all"),
    }
}

fn known() -> Vec<Kind> {
    Kind::ALL.iter().copied().filter(|kind| !NOT_IN_FIRMWARE.contains(kind)).collect()
}

fn bytes_of(frame: &Frame) -> Vec<u8> {
    let mut out = [0; MAX_FRAME_BYTES];
    let length = encode(frame, &mut out);
    out[..length].to_vec()
}

/// A header with its payload, under a length and a checksum that fit it.
fn sealed(mut bytes: Vec<u8>) -> Vec<u8> {
    let length = (bytes.len() - header::END) as u16;
    bytes[header::PAYLOAD_BYTES].copy_from_slice(&length.to_le_bytes());
    let crc = checksum(&bytes);
    bytes.extend(crc.to_le_bytes());
    bytes
}

/// COBS read by its definition, apart from the code under test.
fn unstuffed(piece: &[u8]) -> Vec<u8> {
    let mut frame = Vec::new();
    let mut rest = piece;
    while let Some((code, after)) = rest.split_first() {
        let (block, after) = after.split_at(usize::from(*code) - 1);
        frame.extend(block);
        if *code != 255 && !after.is_empty() {
            frame.push(0);
        }
        rest = after;
    }
    frame
}

fn blocks(frames: &[Vec<u8>]) -> Vec<u8> {
    frames.iter().flat_map(|frame| [&(frame.len() as u16).to_le_bytes()[..], frame].concat()).collect()
}

fn unblocked(mut bytes: &[u8]) -> Vec<Vec<u8>> {
    let mut frames = Vec::new();
    while let Some((length, after)) = bytes.split_first_chunk() {
        let (frame, after) = after.split_at(usize::from(u16::from_le_bytes(*length)));
        frames.push(frame.to_vec());
        bytes = after;
    }
    frames
}
