//! The way out of a paced run: chunks of what was recorded go round between the thread that ticks and the one that
//! writes.
//!
//! All chunks exist before the run. A full one goes out through a wait-free queue, an emptied one comes back through
//! another; when none is empty the giver is told so at once. No lock, no system call, no allocation on the side that
//! ticks. What it does not: write anything, or end a run. Start reading at [`round`].

use rtrb::{Consumer, Producer, RingBuffer};

use crate::base::recording::Row;
use crate::bench::port::Outlet;
use crate::bench::session::Taken;

/// How much room there is between the thread that ticks and the one that writes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Room {
    /// Chunks that go round, at least 1.
    pub chunks: usize,
    /// Rows that a chunk holds without growing.
    pub rows: usize,
    /// Bytes of frames that a chunk holds without growing.
    pub frame_bytes: usize,
}

impl Default for Room {
    /// Eight seconds at 8 kHz when a chunk is given away every 256 ticks: longer than a disk hesitates, in 16 MB.
    fn default() -> Self {
        Self { chunks: 256, rows: 320, frame_bytes: 1 << 15 }
    }
}

/// The end that the thread which ticks holds.
#[derive(Debug)]
pub struct Giver {
    full: Producer<Taken>,
    empty: Consumer<Taken>,
}

/// The end of the thread that writes.
#[derive(Debug)]
pub struct Taker {
    full: Consumer<Taken>,
    empty: Producer<Taken>,
}

/// Both ends, with all chunks made, touched and empty.
#[must_use]
pub fn round(room: Room) -> (Giver, Taker) {
    let (mut back, empty) = RingBuffer::new(room.chunks);
    let (full, out) = RingBuffer::new(room.chunks);
    for _ in 0..room.chunks {
        // There is room for as many as there are.
        drop(back.push(chunk(room)));
    }
    (Giver { full, empty }, Taker { full: out, empty: back })
}

/// An empty chunk with its room. Every page is written to once, so that none is missing when the run needs it.
#[must_use]
pub fn chunk(room: Room) -> Taken {
    let mut taken = Taken::default();
    taken.rows.resize(room.rows, Row::default());
    taken.frames.resize(room.frame_bytes, 0xFF);
    empty(&mut taken);
    taken
}

fn empty(taken: &mut Taken) {
    taken.rows.clear();
    taken.frames.clear();
}

impl Outlet for Giver {
    fn give(&mut self, taken: &mut Taken) -> bool {
        let Ok(empty) = self.empty.pop() else { return false };
        let full = std::mem::replace(taken, empty);
        // As many chunks as places: there is one.
        self.full.push(full).is_ok()
    }
}

impl Taker {
    /// Hands what has come so far to `with`, chunk by chunk in order, and sends the chunks back empty. Never waits; how
    /// many there were.
    pub fn drain(&mut self, mut with: impl FnMut(&mut Taken)) -> usize {
        let mut chunks = 0;
        while let Ok(mut taken) = self.full.pop() {
            with(&mut taken);
            empty(&mut taken);
            // As many chunks as places; the giver may have gone, and then nobody needs it.
            drop(self.empty.push(taken));
            chunks += 1;
        }
        chunks
    }

    /// Whether the other end is gone: after one more [`Taker::drain`] nothing will come any more.
    #[must_use]
    pub fn is_over(&self) -> bool {
        self.full.is_abandoned()
    }
}
