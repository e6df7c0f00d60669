//! A transport that sends more than a client asks it to.
//!
//! What it does not: lose or hold back anything. Start reading at [`Hostile`].

use plantstand::host::udp::UdpTransport;
use plantstand::method::client::{Transport, TransportError};

/// Sends more than it is asked to: before each frame what `before` makes of it, and each frame so many times.
pub struct Hostile<F> {
    /// The socket.
    pub inner: UdpTransport,
    /// Makes the frames that are sent before each frame.
    pub before: F,
    /// How often each frame is sent.
    pub times: u32,
}

impl<F: FnMut(&[u8]) -> Vec<Vec<u8>>> Transport for Hostile<F> {
    fn send(&mut self, frame: &[u8]) -> Result<(), TransportError> {
        for more in (self.before)(frame) {
            self.inner.send(&more)?;
        }
        (0..self.times).try_for_each(|_| self.inner.send(frame))
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, TransportError> {
        self.inner.receive(buffer)
    }

    fn follow(&mut self, port: u16) -> Result<(), TransportError> {
        self.inner.follow(port)
    }
}
