//! Frames on an open line: stuffed and written, read and unstuffed, without ever blocking longer than asked.
//!
//! One buffer each way, each for one frame. A frame that does not fit into the system's buffer at once waits here, and is
//! written on whenever the line is touched; a frame that is sent while the one before still waits is dropped and counted,
//! for what is late helps nobody and must not stop a tick. What it does not: know the protocol (`serial.rs`). Start
//! reading at [`Line::send`] and [`Line::next`].

use std::io::{ErrorKind, Read, Write};
use std::os::fd::AsFd;
use std::time::{Duration, Instant};

use nix::poll::{PollFd, PollFlags, PollTimeout, poll};

use crate::bench::budget::carried_bytes_per_s;
use crate::host::tty::Tty;
use crate::wire::layout::{CRC_BYTES, setting_row};
use crate::wire::stream::{MAX_STREAM_BYTES, ThrownAway, Unstuffer, stream_bytes, stuff};
use crate::wire::text::TEXT_BYTES_MAX;

/// Bytes that are taken from the system at once: what its own buffer for a line holds, usually.
const INPUT_BYTES: usize = 4096;

/// Most bytes of an answer to a request: a setting's row with its two longest texts.
const LONGEST_ANSWER_BYTES: usize = stream_bytes(setting_row::END + 2 * TEXT_BYTES_MAX + CRC_BYTES);

/// A line with its buffers.
#[derive(Debug)]
pub struct Line {
    tty: Tty,
    unstuffer: Unstuffer,
    input: Box<[u8; INPUT_BYTES]>,
    /// The part of `input` that was not looked at yet.
    unread: std::ops::Range<usize>,
    output: Vec<u8>,
    /// How much of `output` has been written.
    written: usize,
    repeated: Repeated,
    /// Frames dropped since the one before had not left.
    pub overrun: u64,
}

/// Holds back repetitions that cannot help.
///
/// On a slow line a frame may take longer than it takes to lose patience with its answer. Its repetition would stand
/// behind it in the same line, and the answer behind the repetition: the line would carry nothing else any more.
#[derive(Debug)]
struct Repeated {
    bytes_per_s: Option<f64>,
    last: Vec<u8>,
    /// Until when the last frame and its answer may be on their way.
    on_its_way: Instant,
}

impl Line {
    /// On an open device.
    #[must_use]
    pub fn new(tty: Tty) -> Self {
        let bytes_per_s = tty.baud.map(carried_bytes_per_s);
        Self {
            tty,
            unstuffer: Unstuffer::new(),
            input: Box::new([0; INPUT_BYTES]),
            unread: 0..0,
            output: Vec::with_capacity(MAX_STREAM_BYTES),
            written: 0,
            repeated: Repeated { bytes_per_s, last: Vec::new(), on_its_way: Instant::now() },
            overrun: 0,
        }
    }

    /// What was read and made no frame.
    #[must_use]
    pub fn thrown_away(&self) -> ThrownAway {
        self.unstuffer.thrown_away
    }

    /// Sends a frame as far as the system takes it now; the rest goes with the next touch of the line.
    ///
    /// # Errors
    /// A line that is gone, as a clause that names it.
    pub fn send(&mut self, frame: &[u8]) -> Result<(), String> {
        self.write_on()?;
        if self.repeated.cannot_help(frame) {
            return Ok(());
        }
        if self.written < self.output.len() {
            self.overrun += 1;
            return Ok(());
        }
        stuff(frame, &mut self.output);
        self.written = 0;
        self.write_on()
    }

    /// Waits up to `wait` for the next frame, puts it into `buffer` as far as it fits, and returns its length; `None`
    /// when none was complete by then. Without a wait it asks the system once.
    ///
    /// # Errors
    /// A line that is gone, as a clause that names it.
    pub fn next(&mut self, buffer: &mut [u8], wait: Duration) -> Result<Option<usize>, String> {
        if let Some(length) = self.take(buffer) {
            return Ok(Some(length));
        }
        if wait.is_zero() {
            self.write_on()?;
            self.read(PollFlags::empty())?;
            return Ok(self.take(buffer));
        }
        let until = Instant::now() + wait;
        loop {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(None);
            }
            self.await_bytes(left)?;
            if let Some(length) = self.take(buffer) {
                return Ok(Some(length));
            }
        }
    }

    /// The next frame among the bytes that are here.
    fn take(&mut self, buffer: &mut [u8]) -> Option<usize> {
        let mut bytes = &self.input[self.unread.clone()];
        let frame = self.unstuffer.next_frame(&mut bytes);
        self.unread.start = self.unread.end - bytes.len();
        let frame = frame?;
        let length = frame.len().min(buffer.len());
        buffer[..length].copy_from_slice(&frame[..length]);
        Some(length)
    }

    /// Waits until there is something to read, or room for what waits to be written, and sees to it.
    fn await_bytes(&mut self, wait: Duration) -> Result<(), String> {
        let mut wanted = PollFlags::POLLIN;
        wanted.set(PollFlags::POLLOUT, self.written < self.output.len());
        let mut asked = [PollFd::new(self.tty.file.as_fd(), wanted)];
        // Rounded up, so that a wait of less than a millisecond is one.
        let wait_ms = PollTimeout::try_from(wait.as_micros().div_ceil(1000)).unwrap_or(PollTimeout::MAX);
        match poll(&mut asked, wait_ms) {
            // A signal ends the wait early; whoever waits looks at the time.
            Ok(0) | Err(nix::errno::Errno::EINTR) => Ok(()),
            Ok(_) => {
                let found = asked[0].revents().unwrap_or(PollFlags::POLLERR);
                self.write_on()?;
                self.read(found)
            }
            Err(error) => Err(self.gone(&error.to_string())),
        }
    }

    /// Reads what is there. All of the input has been looked at when this is called.
    fn read(&mut self, found: PollFlags) -> Result<(), String> {
        let hung_up = found.intersects(PollFlags::POLLHUP | PollFlags::POLLERR | PollFlags::POLLNVAL);
        match (&self.tty.file).read(&mut self.input[..]) {
            // A terminal that only waits says so; the end of a file is a line that was hung up.
            Ok(0) => Err(self.gone("it hung up")),
            Ok(length) => {
                self.unread = 0..length;
                Ok(())
            }
            Err(error) if is_passing(error.kind()) && !hung_up => Ok(()),
            Err(error) if is_passing(error.kind()) => Err(self.gone("it hung up")),
            Err(error) => Err(self.gone(&error.to_string())),
        }
    }

    /// Writes on what waits, as far as the system takes it now.
    fn write_on(&mut self) -> Result<(), String> {
        while self.written < self.output.len() {
            match (&self.tty.file).write(&self.output[self.written..]) {
                Ok(0) => return Ok(()),
                Ok(length) => self.written += length,
                Err(error) if is_passing(error.kind()) => return Ok(()),
                Err(error) => return Err(self.gone(&error.to_string())),
            }
        }
        Ok(())
    }

    fn gone(&self, why: &str) -> String {
        format!("lost its line: {} is gone ({why})", self.tty.path)
    }
}

fn is_passing(kind: ErrorKind) -> bool {
    matches!(kind, ErrorKind::WouldBlock | ErrorKind::Interrupted)
}

impl Repeated {
    /// Whether this is the last frame again, before that one and its answer can have arrived. No answer is longer than
    /// the frame that it answers, but for a setting's row.
    fn cannot_help(&mut self, frame: &[u8]) -> bool {
        let Some(bytes_per_s) = self.bytes_per_s else { return false };
        let now = Instant::now();
        if frame == self.last && now < self.on_its_way {
            return true;
        }
        let bytes = 2 * stream_bytes(frame.len()) + LONGEST_ANSWER_BYTES;
        self.on_its_way = now + Duration::from_secs_f64(bytes as f64 / bytes_per_s);
        self.last.clear();
        self.last.extend_from_slice(frame);
        false
    }
}
