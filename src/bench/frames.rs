//! Frames as a record keeps them: each with the tick at whose start it was read.
//!
//! The file opens with a line of text that says what it is; then, little-endian, the tick (u64), the length (u16) and the
//! bytes of every frame that reached the session, in order; past a megabyte of them, those that were refused are left out.
//! An open is left out too: it moves nothing and holds the token. What the bench sent is not kept: it follows from these
//! to the bit, which a replay shows. What it does not: files. Start reading at [`keep`].

use crate::wire::layout::MAX_FRAME_BYTES;

/// The line that the file opens with.
pub const TITLE: &[u8] = b"plantstand frames 1: tick u64, length u16, bytes; little-endian\n";

/// Stands for the moment at which the session began; no frame is empty.
pub const BEGIN: &[u8] = &[];

/// Adds a frame.
pub fn keep(out: &mut Vec<u8>, tick: u64, frame: &[u8]) {
    // What is longer than a frame can be was refused for its length: its first bytes are enough to be refused again.
    let kept = &frame[..frame.len().min(MAX_FRAME_BYTES + 1)];
    out.extend_from_slice(&tick.to_le_bytes());
    out.extend_from_slice(&(kept.len() as u16).to_le_bytes());
    out.extend_from_slice(kept);
}

/// The frames of such a file with their ticks, up to the first that was cut off; `None` when it is no such file.
#[must_use]
pub fn read(bytes: &[u8]) -> Option<Vec<(u64, &[u8])>> {
    let mut rest = bytes.strip_prefix(TITLE)?;
    let mut frames = Vec::new();
    while let Some((tick, after)) = rest.split_first_chunk::<8>() {
        let Some((length, after)) = after.split_first_chunk::<2>() else { break };
        let Some((frame, after)) = after.split_at_checked(usize::from(u16::from_le_bytes(*length))) else { break };
        frames.push((u64::from_le_bytes(*tick), frame));
        rest = after;
    }
    Some(frames)
}
