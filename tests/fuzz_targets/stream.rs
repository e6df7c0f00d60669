//! The promise of the decoder of a serial line's bytes: whatever comes, in pieces of whatever size, it finds the same
//! frames, none longer than a frame may be; what was stuffed comes back as it went, whatever stood on the line before.
//!
//! Start reading at [`check`].

use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::stream::{Unstuffer, stream_bytes, stuff};

/// Code bytes and borders.
pub const WORDS: &[&str] = &["\0", "\u{1}", "\u{1}\u{1}\0", "\u{2}x\0", "PS\u{1}", "\0\0"];

/// Checks the promise.
pub fn check(bytes: &[u8]) {
    let found = frames(bytes, bytes.len().max(1));
    for piece_bytes in [1, 7, 255] {
        assert_eq!(frames(bytes, piece_bytes), found, "in pieces of {piece_bytes}");
    }
    assert!(found.iter().all(|frame| frame.len() <= MAX_FRAME_BYTES), "a frame is too long");
    let frame = &bytes[..bytes.len().min(MAX_FRAME_BYTES)];
    if !frame.is_empty() {
        check_stuffed(frame, bytes);
    }
}

fn check_stuffed(frame: &[u8], before: &[u8]) {
    let mut stuffed = Vec::new();
    stuff(frame, &mut stuffed);
    assert!(stuffed.len() <= stream_bytes(frame.len()), "{} bytes on the line", stuffed.len());
    let inner = &stuffed[1..stuffed.len() - 1];
    assert!(stuffed[0] == 0 && stuffed[stuffed.len() - 1] == 0 && !inner.contains(&0), "a border inside");
    let line = [before, &stuffed].concat();
    assert_eq!(frames(&line, 64).last().map(Vec::as_slice), Some(frame));
}

/// The frames in these bytes, given in pieces of a size.
fn frames(bytes: &[u8], piece_bytes: usize) -> Vec<Vec<u8>> {
    let mut unstuffer = Unstuffer::new();
    let mut found = Vec::new();
    for mut piece in bytes.chunks(piece_bytes) {
        while let Some(frame) = unstuffer.next_frame(&mut piece) {
            found.push(frame.to_vec());
        }
    }
    found
}
