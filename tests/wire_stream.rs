//! The promise of the stream: every frame comes out as it went in, however the bytes are cut into pieces and whatever
//! stood between the frames; what is no frame is thrown away and counted, and from the next zero on everything is heard
//! again. No stream makes the reader grow.
//!
//! Stuffed bytes are compared with the paper's example and with every `cobs-…` row of `data/check-values.json`, part N.
//! Everything random hangs on a seed that a failure prints.

mod wire_dice;

use plantstand::base::random::Stream;
use plantstand::wire::codec::encode;
use plantstand::wire::layout::{Kind, MAX_FRAME_BYTES};
use plantstand::wire::stream::{MAX_STREAM_BYTES, ThrownAway, Unstuffer, stream_bytes, stuff};
use serde_json::Value;
use wire_dice::Dice;

const SEED: u64 = 3;

fn stuffed(frame: &[u8]) -> Vec<u8> {
    let mut out = Vec::new();
    stuff(frame, &mut out);
    out
}

/// Reads a stream in pieces of so many bytes: the frames that came out, and what was thrown away.
fn read_in_pieces(stream: &[u8], piece_bytes: usize) -> (Vec<Vec<u8>>, ThrownAway) {
    let mut unstuffer = Unstuffer::new();
    let mut frames = Vec::new();
    for mut piece in stream.chunks(piece_bytes) {
        while let Some(frame) = unstuffer.next_frame(&mut piece) {
            frames.push(frame.to_vec());
        }
        assert!(piece.is_empty(), "everything that makes no frame yet is taken");
    }
    (frames, unstuffer.thrown_away)
}

fn read(stream: &[u8]) -> (Vec<Vec<u8>>, ThrownAway) {
    read_in_pieces(stream, stream.len().max(1))
}

fn bytes_of_hex(hex: &str) -> Vec<u8> {
    let digits: Vec<char> = hex.chars().collect();
    digits.chunks(2).map(|pair| u8::from_str_radix(&String::from_iter(pair), 16).expect("hex")).collect()
}

/// Stuffed bytes are these between two zeros, and come back.
fn check_stuffed(plain: &[u8], expected: &[u8], what: &str) {
    assert_eq!(stuffed(plain), [&[0], expected, &[0]].concat(), "{what}");
    assert!(expected.len() + 2 <= stream_bytes(plain.len()), "{what}");
    assert_eq!(read(&[expected, &[0]].concat()), (vec![plain.to_vec()], ThrownAway::default()), "{what}");
}

/// The example of Cheshire & Baker 1999, the beginning of an IP header.
#[test]
fn the_example_of_the_paper() {
    let plain = [0x45, 0x00, 0x00, 0x2C, 0x4C, 0x79, 0x00, 0x00, 0x40, 0x06, 0x4F, 0x37];
    let expected = [0x02, 0x45, 0x01, 0x04, 0x2C, 0x4C, 0x79, 0x01, 0x05, 0x40, 0x06, 0x4F, 0x37];
    check_stuffed(&plain, &expected, "the paper's example");
}

const ROWS: [&str; 13] = [
    "cobs-00", "cobs-01", "cobs-02", "cobs-03", "cobs-04", "cobs-05", "cobs-06", "cobs-07", "cobs-08", "cobs-09",
    "cobs-10", "cobs-11", "cobs-12",
];

fn rows() -> Vec<Value> {
    let file: Value = serde_json::from_str(include_str!("data/check-values.json")).expect("the file is JSON");
    let is_cobs = |row: &&Value| row["id"].as_str().is_some_and(|id| id.starts_with("cobs-"));
    file["rows"].as_array().expect("rows").iter().filter(is_cobs).cloned().collect()
}

#[test]
fn every_row_from_outside_is_stuffed_as_it_says() {
    let rows = rows();
    let names: Vec<&str> = rows.iter().filter_map(|row| row["id"].as_str()).collect();
    assert_eq!(names, ROWS);
    for row in &rows {
        let plain = bytes_of_hex(row["inputs"]["bytes_hex"].as_str().expect("hex"));
        check_stuffed(&plain, &bytes_of_hex(row["expected"].as_str().expect("hex")), &row["id"].to_string());
    }
}

#[test]
fn a_last_block_of_254_bytes_is_read_with_and_without_a_code_byte_behind_it() {
    for blocks in 1..=3 {
        let plain = vec![7; 254 * blocks];
        let without = stuffed(&plain);
        assert_eq!(without.len(), stream_bytes(plain.len()));
        let with = [&without[..without.len() - 1], &[1, 0]].concat();
        for form in [without, with] {
            assert_eq!(read(&form), (vec![plain.clone()], ThrownAway::default()));
        }
    }
}

/// Frames of every kind, one behind the other, with or without a zero before each.
fn frames(count: usize, with_first_zero: bool) -> (Vec<Vec<u8>>, Vec<u8>) {
    let mut dice = Dice(Stream::new(SEED, "stream"));
    let mut stream = Vec::new();
    let mut frames = Vec::new();
    for turn in 0..count {
        let mut bytes = [0; MAX_FRAME_BYTES];
        let length = encode(&dice.frame(Kind::ALL[turn % Kind::ALL.len()]), &mut bytes);
        frames.push(bytes[..length].to_vec());
        let stuffed = stuffed(&bytes[..length]);
        assert!(stuffed.len() <= stream_bytes(length) && stuffed.len() <= MAX_STREAM_BYTES);
        assert!(!stuffed[1..stuffed.len() - 1].contains(&0), "seed {SEED}: a zero within frame {turn}");
        stream.extend_from_slice(if with_first_zero { &stuffed } else { &stuffed[1..] });
    }
    (frames, stream)
}

#[test]
fn every_frame_comes_out_however_the_stream_is_cut() {
    for with_first_zero in [true, false] {
        let (frames, stream) = frames(200, with_first_zero);
        for piece_bytes in [1, 2, 3, 64, 255, 4096, stream.len()] {
            let read = read_in_pieces(&stream, piece_bytes);
            assert!(read == (frames.clone(), ThrownAway::default()), "seed {SEED}, pieces of {piece_bytes}");
        }
    }
}

#[test]
fn any_bytes_come_back_at_any_length() {
    let mut dice = Dice(Stream::new(SEED, "bytes"));
    for length in (0..600).chain([762, 763, 1016, MAX_FRAME_BYTES]) {
        // Few different values, so that zeros are frequent in one and rare in the other.
        for most in [2, 256, 4000] {
            let plain: Vec<u8> = (0..length).map(|_| dice.below(most).min(255) as u8).collect();
            assert_eq!(read(&stuffed(&plain)), (vec![plain], ThrownAway::default()), "seed {SEED}, {length}, {most}");
        }
    }
}

#[test]
fn noise_before_the_first_zero_and_between_frames_costs_no_frame() {
    let mut dice = Dice(Stream::new(SEED, "noise"));
    for round in 0..300 {
        let length = dice.below(400);
        let noise = dice.bytes(length);
        let stream = [noise.clone(), stuffed(b"one"), noise, stuffed(b"two")].concat();
        let (frames, _) = read(&stream);
        let ours: Vec<&Vec<u8>> = frames.iter().filter(|frame| *frame == b"one" || *frame == b"two").collect();
        assert_eq!(ours, [b"one", b"two"], "seed {SEED}, round {round}");
    }
}

#[test]
fn a_frame_that_was_cut_is_counted_and_the_next_one_heard() {
    let cut = &stuffed(b"cut off")[..5];
    let (frames, thrown_away) = read(&[cut, &stuffed(b"whole")].concat());
    assert_eq!((frames, thrown_away), (vec![b"whole".to_vec()], ThrownAway { too_long: 0, bad_code: 1 }));
}

#[test]
fn what_is_longer_than_any_frame_is_counted_once_and_the_next_frame_heard() {
    for bytes in [MAX_FRAME_BYTES + 20, 10 * MAX_FRAME_BYTES, 1 << 20] {
        for filling in [vec![1; bytes], vec![0xFF; bytes]] {
            let (frames, thrown_away) = read(&[&filling, &stuffed(b"whole")[..]].concat());
            assert_eq!(frames, [b"whole"]);
            assert_eq!(thrown_away, ThrownAway { too_long: 1, bad_code: 0 });
        }
    }
    let longest = vec![9; MAX_FRAME_BYTES];
    assert_eq!(read(&stuffed(&longest)), (vec![longest], ThrownAway::default()));
}

#[test]
fn zeros_alone_are_nothing() {
    assert_eq!(read(&[0; 1000]), (Vec::new(), ThrownAway::default()));
}

#[test]
fn the_reader_holds_one_frame_and_no_more() {
    assert!(size_of::<Unstuffer>() < MAX_FRAME_BYTES + 64);
}
