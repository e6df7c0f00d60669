//! Frames as a record keeps them: each with the tick at whose start it was read.
//!
//! The file opens with a line of text that says what it is; then, little-endian, the tick (u64), the length (u16) and the
//! bytes of every frame that reached the session, in order; past a megabyte of them, those that were refused are left out.
//! A length of 0 marks where a phase begins and where it ends. An open is left out, since it holds the token: where a
//! client opened again in mid-run stands the length 65 535 and no bytes. What the bench sent is not kept: it follows from
//! these to the bit, which a replay shows. What it does not: files. Start reading at [`keep`].

use crate::wire::layout::MAX_FRAME_BYTES;

/// The line that the file opens with.
pub const TITLE: &[u8] = b"plantstand frames 2: tick u64, length u16, bytes; little-endian\n";

/// The length that stands for a client that opened again.
const OPENED_AGAIN: u16 = u16::MAX;

/// One entry of the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Entry<'a> {
    /// A phase begins or, when one runs, ends.
    Mark,
    /// The client opened again in mid-run.
    OpenedAgain,
    /// A frame that came; never empty.
    Frame(&'a [u8]),
}

/// Adds an entry.
pub fn keep(out: &mut Vec<u8>, tick: u64, entry: Entry<'_>) {
    let (length, bytes): (u16, &[u8]) = match entry {
        Entry::Mark => (0, &[]),
        Entry::OpenedAgain => (OPENED_AGAIN, &[]),
        // What is longer than a frame can be was refused for its length: its first bytes are enough to be refused again.
        Entry::Frame(frame) => {
            let kept = &frame[..frame.len().min(MAX_FRAME_BYTES + 1)];
            (kept.len() as u16, kept)
        }
    };
    out.extend_from_slice(&tick.to_le_bytes());
    out.extend_from_slice(&length.to_le_bytes());
    out.extend_from_slice(bytes);
}

/// The entries of such a file with their ticks, up to the first that was cut off; `None` when it is no such file.
#[must_use]
pub fn read(bytes: &[u8]) -> Option<Vec<(u64, Entry<'_>)>> {
    let mut rest = bytes.strip_prefix(TITLE)?;
    let mut entries = Vec::new();
    while let Some((tick, after)) = rest.split_first_chunk::<8>() {
        let Some((length, after)) = after.split_first_chunk::<2>() else { break };
        let (entry, after) = match u16::from_le_bytes(*length) {
            0 => (Entry::Mark, after),
            OPENED_AGAIN => (Entry::OpenedAgain, after),
            length => match after.split_at_checked(usize::from(length)) {
                Some((frame, after)) => (Entry::Frame(frame), after),
                None => break,
            },
        };
        entries.push((u64::from_le_bytes(*tick), entry));
        rest = after;
    }
    Some(entries)
}
