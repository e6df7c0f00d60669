//! Frames on a stream of bytes, as a serial line carries them: Consistent Overhead Byte Stuffing, with a zero on either
//! side of each frame.
//!
//! Stuffing takes every zero out of a frame, at the cost of one byte in 254, so that a zero can only be a border between
//! frames: whoever comes in late, or meets bytes that were spoilt on their way, is in step again at the next one. Source:
//! S. Cheshire and M. Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Transactions on Networking 7(2), 1999. A last
//! block of exactly 254 bytes without a zero is sent without a code byte behind it; both forms are read. What it does
//! not: judge what is in a frame (`codec.rs`) or touch a line (`host/serial.rs`). Start reading at [`stuff`] and
//! [`Unstuffer`].

use cobs::{DecodeResult, DecoderState};

use super::layout::MAX_FRAME_BYTES;

/// Bytes between two code bytes at most.
const BLOCK_BYTES: usize = 254;

/// Most bytes that a frame of so many takes on a stream: a code byte per block begun, one at least, and a zero on either
/// side.
#[must_use]
pub const fn stream_bytes(frame_bytes: usize) -> usize {
    let blocks = frame_bytes.div_ceil(BLOCK_BYTES);
    let codes = if blocks == 0 { 1 } else { blocks };
    1 + codes + frame_bytes + 1
}

/// Most bytes that any frame takes on a stream.
pub const MAX_STREAM_BYTES: usize = stream_bytes(MAX_FRAME_BYTES);

/// Puts a frame into `out`, in place of what was there, as it goes over a stream.
///
/// The zero before it closes whatever was left on the line before: noise, or the first half of a frame of somebody who
/// was reset.
pub fn stuff(frame: &[u8], out: &mut Vec<u8>) {
    out.clear();
    out.resize(stream_bytes(frame.len()), 0);
    let stuffed_bytes = cobs::encode(frame, &mut out[1..]);
    out.truncate(1 + stuffed_bytes);
    out.push(0);
}

/// What was thrown away, in pieces between two zeros.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ThrownAway {
    /// Longer than any frame.
    pub too_long: u64,
    /// Ended before its last code byte says so.
    pub bad_code: u64,
}

/// Finds frames in a stream of bytes that comes in pieces of any size. It never holds more than one frame.
#[derive(Debug)]
pub struct Unstuffer {
    /// What was thrown away so far.
    pub thrown_away: ThrownAway,
    state: DecoderState,
    frame: [u8; MAX_FRAME_BYTES],
    length: usize,
    /// Whether what comes belongs to a piece that was too long, up to the next zero.
    skipping: bool,
}

impl Unstuffer {
    /// In front of a stream's first byte.
    #[must_use]
    pub fn new() -> Self {
        Self {
            thrown_away: ThrownAway::default(),
            state: DecoderState::default(),
            frame: [0; MAX_FRAME_BYTES],
            length: 0,
            skipping: false,
        }
    }

    /// Takes bytes off the front of `bytes`, up to and with the zero that ends the next frame, and returns that frame;
    /// `None` when all were taken and no frame ended. Two zeros in a row have nothing between them, not an empty frame.
    pub fn next_frame(&mut self, bytes: &mut &[u8]) -> Option<&[u8]> {
        while let Some((byte, rest)) = bytes.split_first() {
            *bytes = rest;
            if self.skipping {
                self.skipping = *byte != 0;
                continue;
            }
            match self.state.feed(*byte) {
                Ok(DecodeResult::NoData) => {}
                Ok(DecodeResult::DataStart) => self.length = 0,
                Ok(DecodeResult::DataContinue(byte)) => self.keep(byte),
                Ok(DecodeResult::DataComplete) => return Some(&self.frame[..self.length]),
                Err(_) => self.thrown_away.bad_code += 1,
            }
        }
        None
    }

    fn keep(&mut self, byte: u8) {
        if let Some(place) = self.frame.get_mut(self.length) {
            *place = byte;
            self.length += 1;
        } else {
            self.thrown_away.too_long += 1;
            self.state = DecoderState::default();
            self.skipping = true;
        }
    }
}

impl Default for Unstuffer {
    fn default() -> Self {
        Self::new()
    }
}
