//! The promise: every prefix and every single flipped bit of every sample frame, its checksum left wrong or made right,
//! given to a running session, leaves the bits of every row as they would have been, unless what came is itself a whole
//! frame that a method may send: then it does what that frame says and no more.
//!
//! What it does not: frames drawn at random (`fuzz_readers.rs`). Start reading at [`check`].

use plantstand::wire::codec::decode;
use plantstand::wire::message::{Frame, Message};

use super::peer::{Peer, command, framed, speed};
use super::{STRIDE, seal, wire_samples};

/// The exchange that waits for its answer. One flipped bit makes the sample command that answers exchange 0 answer this
/// one, so that a command in turn is among what is tried.
const EXCHANGE: u32 = 8;

/// A session in which the axis turns, and what its next exchange comes to.
struct Running {
    peer: Peer,
    next: Vec<u8>,
    rows: Vec<u64>,
}

impl Running {
    fn at(exchange: u32) -> Self {
        let mut peer = Peer::begun();
        peer.enable();
        while peer.feedback().exchange < exchange {
            peer.command(0x0F, &[speed(10.0)]);
        }
        peer.session.taken.rows.clear();
        peer.session.taken.frames.clear();
        peer.heard.clear();
        let next = framed(500_000, command(exchange, 0x0F, &[speed(12.0)]));
        let rows = rows_after(peer.clone(), &next);
        Self { peer, next, rows }
    }
}

/// The bits of the rows of the next exchange.
fn rows_after(mut peer: Peer, next: &[u8]) -> Vec<u64> {
    assert!(peer.give(next), "the next command was refused: {:?}", peer.session.counts);
    peer.bits()
}

/// What bytes turned out to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Found {
    Refused,
    Frame,
    CommandInTurn,
}

/// Gives bytes to a copy of the session and compares with what the frame in them, if it is one, may do.
fn check(running: &Running, case: &str, bytes: &[u8]) -> Found {
    let mut peer = running.peer.clone();
    let heard = peer.give(bytes);
    let rows = peer.session.taken.rows.len() as u64;
    let Ok(Frame { message, .. }) = decode(bytes) else {
        assert!(!heard && peer.heard.is_empty(), "{case}: a malformed frame was heard");
        assert!(rows == 0 && rows_after(peer, &running.next) == running.rows, "{case}: the rows differ");
        return Found::Refused;
    };
    match message {
        Message::Command(_) if heard => {
            assert_eq!((rows, peer.session.counts.exchanges), (STRIDE, running.peer.session.counts.exchanges + 1));
            return Found::CommandInTurn;
        }
        // The axis that nobody commands any more is brought to rest.
        Message::Close(_) => assert!(peer.session.end().is_some() && !peer.session.bench().drive.torque_may_act()),
        Message::Done => assert!(rows == 0 && peer.session.end().is_some()),
        // May change how the drive goes on; takes no tick.
        Message::SettingWrite(_) | Message::HandAction(_) | Message::WindingTest(_) => assert_eq!(rows, 0, "{case}"),
        _ => assert!(rows == 0 && rows_after(peer, &running.next) == running.rows, "{case}: the rows differ"),
    }
    Found::Frame
}

#[test]
fn every_prefix_and_every_flipped_bit_of_every_sample_is_refused_by_a_running_session() {
    let running = Running::at(EXCHANGE);
    for (name, frame) in wire_samples::all() {
        let bytes = framed(frame.sequence, frame.message);
        for length in 0..bytes.len() {
            assert_eq!(check(&running, &format!("{name} cut to {length}"), &bytes[..length]), Found::Refused);
        }
        for bit in 0..8 * bytes.len() {
            let mut flipped = bytes.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(check(&running, &format!("{name}, bit {bit}"), &flipped), Found::Refused);
        }
    }
}

#[test]
fn a_flipped_bit_under_a_right_checksum_does_what_the_frame_says_and_no_more() {
    let running = Running::at(EXCHANGE);
    let mut found = Vec::new();
    for (name, frame) in wire_samples::all() {
        let bytes = framed(frame.sequence, frame.message);
        for bit in 0..8 * (bytes.len() - 4) {
            let mut flipped = bytes.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            seal(&mut flipped);
            found.push(check(&running, &format!("{name}, bit {bit}, sealed"), &flipped));
        }
    }
    let count = |wanted| found.iter().filter(|found| **found == wanted).count();
    let counts = [Found::Refused, Found::Frame, Found::CommandInTurn].map(count);
    assert!(1000 < counts[0] && 1000 < counts[1] && 0 < counts[2], "{counts:?}: something was hardly tried");
}
