//! UDP: the door where methods knock, the bench's link to the one that was let in, and the method's side of it.
//!
//! The door has a thread of its own, so that whoever knocks while a run lasts is answered without a tick noticing; the
//! link is a fresh socket connected to its peer, so that the system itself drops everyone else's datagrams. The thread
//! that ticks owns the link. What it does not: decide who is let in (`porter.rs`), or know the protocol. Start reading
//! at [`UdpDoor::open`].

use std::collections::BTreeMap;
use std::fmt;
use std::io::ErrorKind;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, UdpSocket};
use std::os::fd::AsRawFd;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, channel};
use std::thread::JoinHandle;
use std::time::Instant;

use nix::sys::socket::{MsgFlags, recv};

use crate::bench::port::{Gone, Link, RESEND_AFTER};
use crate::host::door::{Door, Opened};
use crate::host::files::HostError;
use crate::host::porter::{Counts, Porter, Rules};
use crate::method::client::{Transport, TransportError};

/// Waits for methods at an address.
pub struct UdpDoor {
    address: SocketAddr,
    sealed: bool,
    opened: Receiver<Opened>,
    counts: Arc<Counts>,
    closing: Arc<AtomicBool>,
    porter: Option<JoinHandle<()>>,
}

impl UdpDoor {
    /// Listens at an address (port 0: any free one) and lets in whom the rules allow.
    ///
    /// # Errors
    /// A port that is taken or not allowed, with the cure.
    pub fn open(address: SocketAddr, rules: Rules) -> Result<Self, HostError> {
        let socket = UdpSocket::bind(address).map_err(|error| cannot_listen(address, &error))?;
        let address = socket.local_addr().map_err(|error| cannot_listen(address, &error))?;
        let (entrance, opened) = channel();
        let (counts, closing) = (Arc::new(Counts::default()), Arc::new(AtomicBool::new(false)));
        let mut porter = Porter::new(socket, rules, entrance, Arc::clone(&counts));
        let told = Arc::clone(&closing);
        let thread = std::thread::spawn(move || {
            while !told.load(Ordering::Acquire) {
                porter.answer_one();
            }
        });
        Ok(Self { address, sealed: rules.sealed, opened, counts, closing, porter: Some(thread) })
    }
}

impl Door for UdpDoor {
    fn address(&self) -> String {
        Target { address: self.address, sealed: self.sealed }.to_string()
    }

    fn wait(&self) -> Result<Option<Opened>, Gone> {
        Ok(self.opened.recv_timeout(RESEND_AFTER).ok())
    }

    fn refused_as_second(&self) -> u64 {
        self.counts.second.load(Ordering::Acquire)
    }

    fn refused(&self) -> BTreeMap<&'static str, u64> {
        self.counts.refused()
    }
}

impl Drop for UdpDoor {
    fn drop(&mut self) {
        self.closing.store(true, Ordering::Release);
        if let Some(porter) = self.porter.take() {
            drop(porter.join());
        }
    }
}

fn cannot_listen(address: SocketAddr, error: &std::io::Error) -> HostError {
    let cure = match error.kind() {
        ErrorKind::AddrInUse => "; the port is taken: choose another one, or port 0 for any free one",
        ErrorKind::PermissionDenied => "; ports below 1024 are for the administrator: choose a higher one",
        ErrorKind::AddrNotAvailable => "; no network device of this machine has that address",
        _ => "",
    };
    HostError(format!("cannot listen at udp:{address}: {error}{cure}"))
}

/// The bench's socket to the one method in command.
#[derive(Debug)]
pub struct UdpLink {
    socket: UdpSocket,
}

impl UdpLink {
    /// A fresh socket of an own address to a peer, and its port; `None` where the system has none.
    #[must_use]
    pub fn connected(own: IpAddr, peer: SocketAddr) -> Option<(Self, u16)> {
        let socket = UdpSocket::bind((own, 0)).ok()?;
        socket.connect(peer).ok()?;
        socket.set_read_timeout(Some(RESEND_AFTER)).ok()?;
        let port = socket.local_addr().ok()?.port();
        Some((Self { socket }, port))
    }
}

impl Link for UdpLink {
    fn send(&mut self, frame: &[u8]) -> Result<(), Gone> {
        send(&self.socket, frame).map_err(|cause| Gone { cause })
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        receive(&self.socket, buffer).map_err(|cause| Gone { cause })
    }

    fn poll(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        match recv(self.socket.as_raw_fd(), buffer, MsgFlags::MSG_DONTWAIT).map_err(std::io::Error::from) {
            Ok(length) => Ok(Some(length)),
            Err(error) if is_passing(error.kind()) => Ok(None),
            Err(error) => Err(Gone { cause: format!("cannot be reached any more: {error}") }),
        }
    }
}

/// A closed port on the other side looks like a lost datagram: only silence tells that nobody is there.
fn send(socket: &UdpSocket, frame: &[u8]) -> Result<(), String> {
    match socket.send(frame) {
        Ok(_) => Ok(()),
        Err(error) if is_passing(error.kind()) => Ok(()),
        Err(error) => Err(format!("cannot be reached any more: {error}")),
    }
}

fn receive(socket: &UdpSocket, buffer: &mut [u8]) -> Result<Option<usize>, String> {
    match socket.recv(buffer) {
        Ok(length) => Ok(Some(length)),
        Err(error) if is_passing(error.kind()) => Ok(None),
        Err(error) => Err(format!("cannot be reached any more: {error}")),
    }
}

fn is_passing(kind: ErrorKind) -> bool {
    matches!(kind, ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted | ErrorKind::ConnectionRefused)
}

/// The method's side: a socket that first talks to the door and then to the port named there.
#[derive(Debug)]
pub struct UdpTransport {
    socket: UdpSocket,
    at_the_door: bool,
    bench: IpAddr,
}

impl UdpTransport {
    /// A socket towards the bench's door.
    ///
    /// # Errors
    /// Says what the system refused.
    pub fn towards(door: SocketAddr) -> Result<Self, HostError> {
        let failed = |error: std::io::Error| HostError(format!("cannot reach udp:{door}: {error}"));
        let any = match (door.ip().is_loopback(), door.is_ipv4()) {
            (true, true) => IpAddr::V4(Ipv4Addr::LOCALHOST),
            (true, false) => IpAddr::V6(Ipv6Addr::LOCALHOST),
            (false, true) => IpAddr::V4(Ipv4Addr::UNSPECIFIED),
            (false, false) => IpAddr::V6(Ipv6Addr::UNSPECIFIED),
        };
        let socket = UdpSocket::bind((any, 0)).map_err(failed)?;
        socket.connect(door).map_err(failed)?;
        socket.set_read_timeout(Some(RESEND_AFTER)).map_err(failed)?;
        Ok(Self { socket, at_the_door: true, bench: door.ip() })
    }
}

impl Transport for UdpTransport {
    fn send(&mut self, frame: &[u8]) -> Result<(), TransportError> {
        send(&self.socket, frame).map_err(TransportError)
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, TransportError> {
        let began = Instant::now();
        let came = receive(&self.socket, buffer).map_err(TransportError)?;
        if came.is_none() && self.at_the_door {
            // A door where nobody listens yet is refused at once; a client counts its empty waits as tenths of a second.
            std::thread::sleep(RESEND_AFTER.saturating_sub(began.elapsed()));
        }
        Ok(came)
    }

    fn follow(&mut self, port: u16) -> Result<(), TransportError> {
        self.at_the_door = false;
        self.socket.connect((self.bench, port)).map_err(|error| TransportError(format!("cannot follow: {error}")))
    }
}

/// The address in `udp:HOST:PORT` (`udp:[::1]:7000` for IPv6). A host's name is looked up; its first address counts.
///
/// # Errors
/// Says what was found and what is allowed.
pub fn parse_link(link: &str) -> Result<SocketAddr, String> {
    use std::net::ToSocketAddrs;
    let allowed = "allowed: udp:HOST:PORT, such as udp:127.0.0.1:7000 or udp:[::1]:0";
    let Some(address) = link.strip_prefix("udp:") else {
        return Err(format!("link '{link}'; {allowed}"));
    };
    let found = address.to_socket_addrs().ok().and_then(|mut all| all.next());
    found.ok_or_else(|| format!("link '{link}' names no address; {allowed}"))
}

/// Where a link leads, and whether its frames are sealed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Target {
    /// The address.
    pub address: SocketAddr,
    /// Whether frames are sealed: always beyond this machine, and on it where `sealed-udp:` says so.
    pub sealed: bool,
}

/// The beginning of a link whose frames are sealed although it stays on this machine.
const SEALED: &str = "sealed-";

impl Target {
    /// What `udp:HOST:PORT` or `sealed-udp:HOST:PORT` leads to.
    ///
    /// # Errors
    /// Says what was found and what is allowed.
    pub fn parse(link: &str) -> Result<Self, String> {
        let plain = link.strip_prefix(SEALED);
        let address = parse_link(plain.unwrap_or(link))?;
        Ok(Self { address, sealed: plain.is_some() || !address.ip().is_loopback() })
    }
}

impl fmt::Display for Target {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let said = self.sealed && self.address.ip().is_loopback();
        write!(out, "{}udp:{}", if said { SEALED } else { "" }, self.address)
    }
}
