//! The promise of the session: whatever frames come, in whatever order, it does not panic; a frame that is malformed
//! moves no tick; only a command that names the latest feedback does, by one exchange; every recorded number is finite;
//! memory is bounded by what was sent.
//!
//! The input is read as `frames.bin` has it. The lowest bit of each frame's tick says whether its checksum is made right,
//! the next one whether a command is made to name the latest feedback: without that hardly any would act. Start reading
//! at [`check`].

use plantstand::bench::frames;
use plantstand::bench::session::Session;
use plantstand::trial::phases;
use plantstand::wire::codec::decode;
use plantstand::wire::layout::{Kind, MAX_FRAME_BYTES, command, header};
use plantstand::wire::message::Message;

use super::{dough_sheeter, wire};

/// Kinds and words of command.
pub const WORDS: &[&str] = &["PS\u{1}", "\u{6}\0", "\u{7}\0", "\u{f}\0", "\0\0\0\0\0\0\0\0", "\u{3}"];

/// Most frames of one input that are given: more tell nothing new and take long.
const FRAMES_MAX: usize = 400;

/// A frame of the bench and what is kept of it, with room to spare: what one frame of the method may add to memory.
const ADDED_MAX_BYTES: usize = 2 * MAX_FRAME_BYTES + 64;

/// Checks the promise.
pub fn check(bytes: &[u8]) {
    let file = [frames::TITLE, bytes].concat();
    let given = frames::read(&file).expect("it has its title");
    let mut session = phases::tuning(dough_sheeter(), 7);
    let mut sent_bytes = 0;
    for (how, frame) in given.into_iter().take(FRAMES_MAX) {
        if frame.is_empty() {
            session.begin(&mut |sent| sent_bytes += sent.len());
        } else {
            give(&mut session, how, frame);
        }
        let rows = &session.taken.rows;
        assert!(rows.iter().flatten().all(|value| value.is_finite()), "a recorded number is not finite");
        session.taken.rows.clear();
        session.taken.frames.clear();
    }
}

fn give(session: &mut Session, how: u64, frame: &[u8]) {
    let frame = prepared(session, how, frame);
    let (tick, exchanges, over) = (session.tick(), session.counts.exchanges, session.end().is_some());
    let mut answered_bytes = 0;
    let heard = session.receive(&frame, &mut |sent| {
        assert!(decode(sent).is_ok(), "the bench itself speaks the protocol");
        answered_bytes += sent.len();
    });
    assert!(answered_bytes <= ADDED_MAX_BYTES, "{answered_bytes} bytes in answer to one frame");
    assert!(session.taken.frames.len() <= ADDED_MAX_BYTES, "{} bytes kept of one frame", session.taken.frames.len());
    assert!(session.log.len() <= 10_000);
    match decode(&frame).map(|frame| frame.message) {
        Err(_) => {
            assert!(!heard && answered_bytes == 0, "a malformed frame was heard");
            assert_eq!(session.tick(), tick, "a malformed frame moved the plant");
        }
        Ok(_) if over => assert_eq!(session.tick(), tick, "a frame moved the plant after the end"),
        Ok(Message::Command(_) | Message::TorqueCommand(_)) => {
            let moved = session.counts.exchanges - exchanges;
            assert!(moved <= 1 && heard == (moved == 1), "a command moved {moved} exchanges");
            assert!(moved == 1 || session.tick() == tick, "a refused command moved the plant");
        }
        // Whoever leaves has the axis brought to rest, in simulated time.
        Ok(Message::Close(_)) => assert!(session.end().is_some()),
        Ok(message) => assert_eq!(session.tick(), tick, "moved the plant: {message:?}"),
    }
}

fn prepared(session: &Session, how: u64, frame: &[u8]) -> Vec<u8> {
    let mut frame = frame.to_vec();
    let is_command = frame.get(header::KIND.start) == Some(&Kind::Command.number());
    if let Some(named) = frame.get_mut(command::EXCHANGE).filter(|_| how & 2 != 0 && is_command) {
        named.copy_from_slice(&(session.counts.exchanges as u32).to_le_bytes());
    }
    if how & 1 != 0 {
        wire::seal(&mut frame);
    }
    frame
}
