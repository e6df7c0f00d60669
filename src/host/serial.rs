//! Serial lines: the door where a method knocks, the bench's link to the one that was let in, and the method's side.
//!
//! A line has one peer, so the door and the link are the same line one after the other, and whoever holds the cable is
//! that peer. The thread that waits at the door owns the line, then the thread that ticks; nothing stands between it and
//! a frame. What it does not: know the protocol beyond opening. Start reading at [`SerialDoor::open`].

use std::cell::RefCell;
use std::time::Duration;

use crate::bench::port::{Gone, Link, RESEND_AFTER};
use crate::host::door::{Door, Opened, same};
use crate::host::files::HostError;
use crate::host::line::Line;
use crate::host::tty::{self, Tty};
use crate::method::client::{Transport, TransportError};
use crate::wire::codec::{self, Malformed};
use crate::wire::layout::MAX_FRAME_BYTES;
use crate::wire::message::{Accept, Frame, Message, Open, Refuse, RefuseReason, Text};

/// The rate in the name of a pty's line: it has none, and a name needs one.
const PTY_BAUD: u32 = 115_200;

/// Waits for a method on a line.
pub struct SerialDoor {
    address: String,
    /// `None`: any token will do, since whoever holds the cable is the peer.
    token: Option<[u8; 16]>,
    accept: Accept,
    waiting: RefCell<Option<Waiting>>,
}

/// The line before a method was let in.
struct Waiting {
    line: Line,
    /// The other end of a pty, held so that nothing hangs up before the method has opened it, nor after: what became of
    /// a method that was started here is seen by its process.
    other_end: Option<Tty>,
    /// Pieces that came and were no open.
    skipped: u64,
}

impl SerialDoor {
    /// Opens a line. Whoever opens first, with this token where there is one, is let in; `accept` is what they are told.
    ///
    /// A board that resets when the line is opened is waited for: what it says before its open is skipped.
    ///
    /// # Errors
    /// A line that cannot be opened, with the cure.
    pub fn open(path: &str, baud: u32, token: Option<[u8; 16]>, accept: Accept) -> Result<Self, HostError> {
        let line = Line::new(tty::open(path, baud)?);
        Ok(Self::at(format!("serial:{path}:{baud}"), line, None, token, accept))
    }

    /// Makes a pty for a method that is started on this machine.
    ///
    /// # Errors
    /// A system that has no pty to give.
    pub fn pty(token: [u8; 16], accept: Accept) -> Result<Self, HostError> {
        let (ours, theirs) = tty::pair()?;
        let address = format!("serial:{}:{PTY_BAUD}", theirs.path);
        Ok(Self::at(address, Line::new(ours), Some(theirs), Some(token), accept))
    }

    fn at(address: String, line: Line, other_end: Option<Tty>, token: Option<[u8; 16]>, accept: Accept) -> Self {
        let waiting = RefCell::new(Some(Waiting { line, other_end, skipped: 0 }));
        Self { address, token, accept: Accept { port: 0, ..accept }, waiting }
    }

    /// The answer to an open, and whether it lets in.
    fn judge(&self, sequence: u32, open: &Open) -> (Frame, bool) {
        if self.token.is_some_and(|token| !same(&open.token, &token)) {
            return (self.refusal(sequence, RefuseReason::Token, "wrong token"), false);
        }
        (Frame { sequence, message: Message::Accept(self.accept) }, true)
    }

    fn refusal(&self, sequence: u32, reason: RefuseReason, detail: &str) -> Frame {
        let (version_min, version_max) = (self.accept.version_min, self.accept.version_max);
        let detail = Text::new(detail);
        Frame { sequence, message: Message::Refuse(Refuse { reason, version_min, version_max, detail }) }
    }

    /// Takes one frame off the line; the name of the method and the open with its answer, when it was let in.
    fn take_one(&self, waiting: &mut Waiting) -> Result<Option<(Open, Answered)>, String> {
        let mut buffer = [0; MAX_FRAME_BYTES];
        let Some(length) = waiting.line.next(&mut buffer, RESEND_AFTER)? else { return Ok(None) };
        let asked = &buffer[..length];
        let (answer, let_in) = match codec::decode(asked) {
            Ok(Frame { sequence, message: Message::Open(open) }) => {
                let (answer, let_in) = self.judge(sequence, &open);
                (answer, let_in.then_some(open))
            }
            Err(Malformed::Version { .. }) => (self.refusal(0, RefuseReason::Version, "unknown version"), None),
            // What a board says while it starts, or what is left of a run before.
            Ok(_) | Err(_) => {
                waiting.skipped += 1;
                return Ok(None);
            }
        };
        let answer = encoded(&answer);
        waiting.line.send(&answer)?;
        Ok(let_in.map(|open| (open, Answered { asked: asked.to_vec(), answer })))
    }
}

impl Door for SerialDoor {
    fn address(&self) -> String {
        self.address.clone()
    }

    fn wait(&self) -> Result<Option<Opened>, Gone> {
        let mut place = self.waiting.borrow_mut();
        // The line has gone with the one who was let in: nobody else will come.
        let Some(waiting) = place.as_mut() else { return Ok(None) };
        let Some((open, answered)) = self.take_one(waiting).map_err(|cause| Gone { cause })? else { return Ok(None) };
        let name = open.name.as_str().to_owned();
        let link = place.take().map(|Waiting { line, other_end, skipped }| {
            Box::new(SerialLink { line, _other_end: other_end, opening: Some(answered), skipped })
        });
        Ok(link.map(|link| Opened { link, name }))
    }

    fn refused_as_second(&self) -> u64 {
        0
    }
}

/// An open and what was answered.
#[derive(Debug)]
struct Answered {
    asked: Vec<u8>,
    answer: Vec<u8>,
}

/// The bench's end of the line to the one method in command.
#[derive(Debug)]
pub struct SerialLink {
    line: Line,
    _other_end: Option<Tty>,
    /// The open that was let in, until something else comes: then its sender has heard the accept. The same open after
    /// that is one of a board that was reset, and goes to the session like any frame.
    opening: Option<Answered>,
    skipped: u64,
}

impl SerialLink {
    fn take(&mut self, buffer: &mut [u8], wait: Duration) -> Result<Option<usize>, Gone> {
        let gone = |cause| Gone { cause };
        while let Some(length) = self.line.next(buffer, wait).map_err(gone)? {
            match &self.opening {
                // The accept was lost, or crossed this open on its way: say it again.
                Some(opening) if opening.asked == buffer[..length] => self.line.send(&opening.answer).map_err(gone)?,
                _ => {
                    self.opening = None;
                    return Ok(Some(length));
                }
            }
        }
        Ok(None)
    }
}

impl Link for SerialLink {
    fn send(&mut self, frame: &[u8]) -> Result<(), Gone> {
        self.line.send(frame).map_err(|cause| Gone { cause })
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        self.take(buffer, RESEND_AFTER)
    }

    fn poll(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        self.take(buffer, Duration::ZERO)
    }

    fn thrown_away(&self) -> Vec<(&'static str, u64)> {
        let pieces = self.line.thrown_away();
        let all = [
            ("stream_too_long", pieces.too_long),
            ("stream_code", pieces.bad_code),
            ("before_open", self.skipped),
            ("line_overrun", self.line.overrun),
        ];
        all.into_iter().filter(|(_, count)| *count != 0).collect()
    }
}

/// The method's end of a line.
#[derive(Debug)]
pub struct SerialTransport {
    line: Line,
}

impl SerialTransport {
    /// Opens the line to the bench.
    ///
    /// # Errors
    /// A line that cannot be opened, with the cure.
    pub fn open(path: &str, baud: u32) -> Result<Self, HostError> {
        Ok(Self { line: Line::new(tty::open(path, baud)?) })
    }
}

impl Transport for SerialTransport {
    fn send(&mut self, frame: &[u8]) -> Result<(), TransportError> {
        self.line.send(frame).map_err(TransportError)
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, TransportError> {
        self.line.next(buffer, RESEND_AFTER).map_err(TransportError)
    }

    fn follow(&mut self, _port: u16) -> Result<(), TransportError> {
        // A line has one other end.
        Ok(())
    }
}

fn encoded(frame: &Frame) -> Vec<u8> {
    let mut bytes = [0; MAX_FRAME_BYTES];
    let length = codec::encode(frame, &mut bytes);
    bytes[..length].to_vec()
}
