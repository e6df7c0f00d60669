//! What was sent and may be wanted again: frames as they left, and the answers to requests that come again.
//!
//! What it does not: answer (`requests.rs`). Start reading at [`Answers`].

use std::collections::VecDeque;

use crate::wire::layout::MAX_FRAME_BYTES;

/// How many answers are kept. A client asks for one thing at a time, so one would do on a line that keeps the order; a
/// datagram may also arrive late.
const ANSWERS_MAX: usize = 32;

/// The latest requests with their answers, as they crossed.
#[derive(Clone, Debug, Default)]
pub struct Answers(VecDeque<(Vec<u8>, Vec<u8>)>);

impl Answers {
    /// The answer that a request got which was bit by bit the same.
    #[must_use]
    pub fn to(&self, request: &[u8]) -> Option<&[u8]> {
        self.0.iter().find(|(asked, _)| asked == request).map(|(_, answer)| answer.as_slice())
    }

    /// Keeps an answer, and forgets the oldest where there are too many.
    pub fn keep(&mut self, request: &[u8], answer: &[u8]) {
        if self.0.len() == ANSWERS_MAX {
            self.0.pop_front();
        }
        self.0.push_back((request.to_vec(), answer.to_vec()));
    }

    /// Forgets all: the client that asked is gone.
    pub fn clear(&mut self) {
        self.0.clear();
    }
}

/// A frame as it left.
#[derive(Clone, Debug)]
pub struct Sent {
    /// Room for the longest frame.
    pub bytes: [u8; MAX_FRAME_BYTES],
    /// How much of it the frame takes; 0 before there was one.
    pub length: usize,
}

impl Sent {
    /// Before there was a frame.
    pub const NOTHING: Self = Self { bytes: [0; MAX_FRAME_BYTES], length: 0 };

    /// The frame.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.bytes[..self.length]
    }
}
