//! A serial cable without a bench at its end: a pseudo-terminal whose path a bench can be given, and our end of it.
//!
//! What it does not: speak by itself. Start reading at [`Cable::new`].

use std::io::Write;
use std::time::Duration;

use plantstand::host::line::Line;
use plantstand::host::tty::{self, Tty};
use plantstand::method::client::{Transport, TransportError};
use plantstand::wire::codec::decode;
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::Message;

use super::framed;

/// Longest wait for anything: only a test that fails waits for so long.
const FAIL_AFTER: Duration = Duration::from_secs(20);

/// Our end of a cable.
pub struct Cable {
    /// Where the bench finds the other end.
    pub path: String,
    line: Line,
    raw: std::fs::File,
    /// The bench's end, held so that nothing hangs up before the bench has opened it.
    _theirs: Tty,
}

impl Cable {
    /// With nobody at the other end yet.
    pub fn new() -> Self {
        let (ours, theirs) = tty::pair().expect("this system has ptys");
        let raw = ours.file.try_clone().expect("a second handle");
        Self { path: ours.path.clone(), line: Line::new(ours), raw, _theirs: theirs }
    }

    /// The link's name for the bench.
    pub fn link(&self) -> String {
        format!("serial:{}:115200", self.path)
    }

    /// Bytes as they are.
    pub fn say_bytes(&mut self, bytes: &[u8]) {
        self.raw.write_all(bytes).expect("the cable takes it");
    }

    /// A frame.
    pub fn say(&mut self, sequence: u32, message: Message) {
        self.line.send(&framed(sequence, message)).expect("the cable takes it");
    }

    /// The next message from the bench.
    pub fn heard(&mut self) -> Message {
        let mut buffer = [0; MAX_FRAME_BYTES];
        let length = self.line.next(&mut buffer, FAIL_AFTER).expect("the bench holds its end").expect("it speaks");
        decode(&buffer[..length]).expect("it speaks the protocol").message
    }
}

impl Transport for Cable {
    fn send(&mut self, frame: &[u8]) -> Result<(), TransportError> {
        self.line.send(frame).map_err(TransportError)
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, TransportError> {
        self.line.next(buffer, Duration::from_millis(100)).map_err(TransportError)
    }

    fn follow(&mut self, port: u16) -> Result<(), TransportError> {
        assert_eq!(port, 0, "a line has no second port");
        Ok(())
    }
}
