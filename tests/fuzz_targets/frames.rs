//! The promise of the reader of `frames.bin`: any bytes are such a file or none; what it finds, kept again, is what it
//! read.
//!
//! Start reading at [`check`].

use plantstand::bench::frames::{Entry, TITLE, keep, read};
use plantstand::wire::layout::MAX_FRAME_BYTES;

/// Pieces of such a file.
pub const WORDS: &[&str] = &["plantstand frames 2: ", "\0\0\0\0\0\0\0\0\0\0", "PS\u{1}"];

/// Checks the promise, of the bytes as they are and behind the line that such a file opens with.
pub fn check(bytes: &[u8]) {
    check_as_it_is(bytes);
    check_as_it_is(&[TITLE, bytes].concat());
}

fn check_as_it_is(bytes: &[u8]) {
    let Some(found) = read(bytes) else {
        return assert!(!bytes.starts_with(TITLE), "a file with the right title is one");
    };
    let mut again = TITLE.to_vec();
    for (tick, entry) in found {
        // A frame longer than any can be is kept short when it is kept; a file may claim one.
        if matches!(entry, Entry::Frame(frame) if MAX_FRAME_BYTES < frame.len()) {
            return;
        }
        keep(&mut again, tick, entry);
    }
    assert!(bytes.starts_with(&again), "what was read is not what stands there");
    assert!(bytes.len() - again.len() < 10 + usize::from(u16::MAX), "a whole entry was left out");
}
