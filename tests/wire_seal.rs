//! The promise: a sealed frame can be opened by whoever has the key, once, in its own direction and connection, and by
//! nobody and nothing else; no byte of it can be changed; counters never begin anew.
//!
//! What it does not: sockets (`tests/trial_sealed.rs`). Start reading at [`check_refused`].

mod wire_samples;

use plantstand::wire::checksum::checksum;
use plantstand::wire::codec::encode;
use plantstand::wire::layout::{AUTHENTICATED_KIND_BIT, CRC_BYTES, MAX_FRAME_BYTES, MAX_SEALED_FRAME_BYTES, header};
use plantstand::wire::message::Frame;
use plantstand::wire::seal::{self, Channel, Direction, Key, Nonces, Unsealed, WINDOW, Window};

const TOKEN: [u8; 16] = *b"0123456789abcdef";
const NONCES: Nonces = Nonces { challenge: [0xC7; 16], nonce: 0x0102_0304_0506_0708 };

fn plain(frame: &Frame) -> Vec<u8> {
    let mut out = [0; MAX_FRAME_BYTES];
    let length = encode(frame, &mut out);
    out[..length].to_vec()
}

/// A short frame, a command with one value.
fn command() -> Vec<u8> {
    let samples = wire_samples::all();
    plain(&samples.iter().find(|(name, _)| *name == "command_held").expect("a sample").1)
}

fn sealed(frame: &[u8], counter: u64) -> Vec<u8> {
    let mut out = [0; MAX_SEALED_FRAME_BYTES];
    let length = seal::seal(frame, &Key::new(&TOKEN), Direction::ToBench, &NONCES, counter, &mut out);
    out[..length.expect("a plain frame")].to_vec()
}

fn opened(sealed: &[u8], key: &Key, direction: Direction, nonces: &Nonces) -> Result<(u64, Vec<u8>), Unsealed> {
    let mut out = [0; MAX_FRAME_BYTES];
    let opened = seal::open(sealed, key, direction, nonces, &mut out)?;
    Ok((opened.counter, out[..opened.length].to_vec()))
}

fn opened_rightly(bytes: &[u8]) -> Result<(u64, Vec<u8>), Unsealed> {
    opened(bytes, &Key::new(&TOKEN), Direction::ToBench, &NONCES)
}

/// With a right checksum, so that only the code stands in the way.
fn with_checksum(mut bytes: Vec<u8>) -> Vec<u8> {
    let end = bytes.len() - CRC_BYTES;
    let crc = checksum(&bytes[..end]);
    bytes[end..].copy_from_slice(&crc.to_le_bytes());
    bytes
}

fn check_refused(bytes: &[u8], reason: &str, what: &str) {
    let refused = opened_rightly(bytes).expect_err(what);
    assert_eq!(refused.key(), reason, "{what}");
}

#[test]
fn every_kind_of_frame_comes_out_of_its_seal_as_it_went_in() {
    for (place, (name, frame)) in wire_samples::all().iter().enumerate() {
        let (frame, counter) = (plain(frame), place as u64 + 1);
        let sealed = sealed(&frame, counter);
        assert_eq!(sealed.len(), frame.len() + 24, "{name}");
        assert_eq!(opened_rightly(&sealed), Ok((counter, frame)), "{name}");
    }
}

#[test]
fn no_bit_of_a_sealed_frame_can_be_changed_even_with_a_right_checksum() {
    let whole = sealed(&command(), 9);
    for bit in 0..8 * (whole.len() - CRC_BYTES) {
        let mut changed = whole.clone();
        changed[bit / 8] ^= 1 << (bit % 8);
        opened_rightly(&changed).expect_err("its checksum is wrong");
        opened_rightly(&with_checksum(changed)).expect_err("its code is wrong");
    }
    let mut changed = whole;
    changed[header::END + 11] ^= 1;
    check_refused(&with_checksum(changed), "mac", "a changed payload");
}

#[test]
fn no_part_of_a_sealed_frame_is_one() {
    let whole = sealed(&command(), 9);
    for length in 0..whole.len() {
        opened_rightly(&whole[..length]).expect_err("a part");
    }
    // Code and counter cut off, length and checksum put right: the highest bit of the kind still asks for them.
    for cut in 1..=24 {
        let mut short = whole[..whole.len() - cut].to_vec();
        let payload_bytes = (short.len() - header::END - CRC_BYTES) as u16;
        short[header::PAYLOAD_BYTES].copy_from_slice(&payload_bytes.to_le_bytes());
        check_refused(&with_checksum(short), "mac", "a cut code");
    }
    check_refused(&command(), "not_sealed", "a plain frame");
    let mut bare = plain(&Frame { sequence: 1, message: plantstand::wire::message::Message::Done });
    bare[header::KIND.start] |= AUTHENTICATED_KIND_BIT;
    check_refused(&with_checksum(bare), "not_sealed", "a kind that promises a seal that is not there");
}

#[test]
fn another_key_direction_challenge_or_nonce_opens_nothing() {
    let whole = sealed(&command(), 9);
    let (key, direction) = (Key::new(&TOKEN), Direction::ToBench);
    let mut other = TOKEN;
    other[15] ^= 1;
    let mut challenge = NONCES.challenge;
    challenge[0] ^= 1;
    for (what, found) in [
        ("key", opened(&whole, &Key::new(&other), direction, &NONCES)),
        ("direction: a reflected frame", opened(&whole, &key, Direction::ToClient, &NONCES)),
        ("challenge", opened(&whole, &key, direction, &Nonces { challenge, ..NONCES })),
        ("nonce", opened(&whole, &key, direction, &Nonces { nonce: 0, ..NONCES })),
    ] {
        assert_eq!(found, Err(Unsealed::Mac), "{what}");
    }
    assert!(opened_rightly(&whole).is_ok());
}

#[test]
fn the_same_frame_sent_again_is_another_one_on_the_line_and_the_same_inside() {
    let mut client = Channel::new(Key::new(&TOKEN), Direction::ToBench, NONCES);
    let mut bench = Channel::new(Key::new(&TOKEN), Direction::ToClient, NONCES);
    let (mut first, mut second) = ([0; MAX_SEALED_FRAME_BYTES], [0; MAX_SEALED_FRAME_BYTES]);
    let frame = command();
    let length = client.seal(&frame, &mut first).expect("a plain frame");
    assert_eq!(client.seal(&frame, &mut second), Some(length));
    assert_ne!(first[..length], second[..length]);
    let mut out = [0; MAX_FRAME_BYTES];
    for sealed in [second, first] {
        // The second one overtook the first.
        let opened = bench.open(&sealed[..length], &mut out).expect("each comes once");
        assert_eq!(out[..opened], frame);
        assert_eq!(bench.open(&sealed[..length], &mut out), Err(Unsealed::Replayed));
    }
    // The bench's own frames are none for the bench.
    let length = bench.seal(&frame, &mut first).expect("a plain frame");
    assert_eq!(bench.open(&first[..length], &mut out), Err(Unsealed::Mac));
}

/// A wrong frame must not use up a counter: a forged high one would shut the right sender out.
#[test]
fn a_forged_counter_does_not_move_the_window() {
    let mut bench = Channel::new(Key::new(&TOKEN), Direction::ToClient, NONCES);
    let mut out = [0; MAX_FRAME_BYTES];
    let mut forged = sealed(&command(), 1);
    let counter = forged.len() - CRC_BYTES - 24;
    forged[counter..counter + 8].copy_from_slice(&u64::MAX.to_le_bytes());
    assert_eq!(bench.open(&with_checksum(forged), &mut out), Err(Unsealed::Mac));
    assert!(bench.open(&sealed(&command(), 1), &mut out).is_ok());
}

#[test]
fn each_counter_is_admitted_once_and_old_ones_never() {
    let mut window = Window::default();
    assert!(!window.admit(0), "the first counter is 1");
    for counter in [1, 3, 2, 64, 5] {
        assert!(window.admit(counter), "{counter} is new");
        assert!(!window.admit(counter), "{counter} came before");
    }
    assert!(window.admit(100));
    assert!(!window.admit(100 - WINDOW) && window.admit(101 - WINDOW), "the window has its width and no more");
    assert!(!window.admit(64) && !window.admit(3), "what was seen stays seen when the window moves");
    assert!(window.admit(u64::MAX) && !window.admit(u64::MAX) && !window.admit(100));
    assert!(window.admit(u64::MAX - 1));
}

/// Against a plain list of everything that came, over counters that jump forwards and back.
#[test]
fn the_window_admits_what_a_list_would() {
    let (mut window, mut seen, mut number) = (Window::default(), Vec::new(), 1_u64);
    let mut state = 0x9E37_79B9_7F4A_7C15_u64;
    for _ in 0..20_000 {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        number = (number + (state >> 60)).saturating_sub(state >> 33 & 7);
        let counter = number.saturating_sub(state >> 40 & 0x7F);
        let highest = seen.iter().max().copied().unwrap_or(0);
        let is_new = counter != 0 && highest < counter + WINDOW && !seen.contains(&counter);
        assert_eq!(window.admit(counter), is_new, "{counter} after {highest}");
        if is_new {
            seen.push(counter);
            seen.retain(|seen| counter.max(highest) < seen + 2 * WINDOW);
        }
    }
}

#[test]
fn counters_never_begin_anew() {
    let mut client = Channel::new(Key::new(&TOKEN), Direction::ToBench, NONCES);
    let mut out = [0; MAX_SEALED_FRAME_BYTES];
    client.sent = u64::MAX - 1;
    assert!(client.seal(&command(), &mut out).is_some());
    assert_eq!(client.sent, u64::MAX);
    assert_eq!(client.seal(&command(), &mut out), None, "all are used up");
    assert_eq!(client.sent, u64::MAX);
}

#[test]
fn nothing_but_plain_frames_is_sealed() {
    let mut out = [0; MAX_SEALED_FRAME_BYTES];
    let mut seal_it = |bytes: &[u8]| seal::seal(bytes, &Key::new(&TOKEN), Direction::ToBench, &NONCES, 1, &mut out);
    seal_it(b"no frame").expect_err("no frame");
    seal_it(&sealed(&command(), 1)).expect_err("sealed already");
    assert!(seal_it(&command()).is_ok());
}
