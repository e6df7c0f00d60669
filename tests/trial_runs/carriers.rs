//! Transports that carry badly: one sends back what comes, one loses what opens a link.
//!
//! What it does not: change a byte. Start reading at [`Mirror`].

use plantstand::host::udp::UdpTransport;
use plantstand::method::client::{Transport, TransportError};

/// Sends whatever comes back to where it came from.
pub struct Mirror {
    /// The socket.
    pub inner: UdpTransport,
}

impl Transport for Mirror {
    fn send(&mut self, frame: &[u8]) -> Result<(), TransportError> {
        self.inner.send(frame)
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, TransportError> {
        let came = self.inner.receive(buffer)?;
        came.map_or(Ok(()), |length| self.inner.send(&buffer[..length]))?;
        Ok(came)
    }

    fn follow(&mut self, port: u16) -> Result<(), TransportError> {
        self.inner.follow(port)
    }
}

/// Loses the first frames of each way, at the door and at the new port.
pub struct Lossy {
    inner: UdpTransport,
    out: u32,
    back: u32,
}

impl Lossy {
    const EACH: u32 = 2;

    /// Over a socket.
    pub fn new(inner: UdpTransport) -> Self {
        Self { inner, out: Self::EACH, back: Self::EACH }
    }
}

impl Transport for Lossy {
    fn send(&mut self, frame: &[u8]) -> Result<(), TransportError> {
        self.out = self.out.saturating_sub(1);
        if self.out == 0 { self.inner.send(frame) } else { Ok(()) }
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, TransportError> {
        let came = self.inner.receive(buffer)?;
        if came.is_some() {
            self.back = self.back.saturating_sub(1);
        }
        Ok(came.filter(|_| self.back == 0))
    }

    fn follow(&mut self, port: u16) -> Result<(), TransportError> {
        (self.out, self.back) = (Self::EACH, Self::EACH);
        self.inner.follow(port)
    }
}
