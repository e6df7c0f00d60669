//! UDP: the door where methods knock, the bench's link to the one that was let in, and the method's side of it.
//!
//! The door has a thread of its own, so that whoever knocks while a run lasts is answered without a tick noticing; the
//! link is a fresh socket connected to its peer, so that the system itself drops everyone else's datagrams. The thread
//! that ticks owns the link. What it does not: know the protocol beyond opening. Start reading at [`UdpDoor::open`].

use std::io::ErrorKind;
use std::net::{IpAddr, Ipv4Addr, SocketAddr, UdpSocket};
use std::os::fd::AsRawFd;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;

use nix::sys::socket::{MsgFlags, recv};

use crate::bench::port::{Gone, Link, RESEND_AFTER};
use crate::host::door::{Door, Opened, same};
use crate::host::files::HostError;
use crate::method::client::{Transport, TransportError};
use crate::wire::codec::{self, Malformed};
use crate::wire::layout::MAX_FRAME_BYTES;
use crate::wire::message::{Accept, Frame, Message, Open, Refuse, RefuseReason, Text};

/// Waits for methods at an address.
pub struct UdpDoor {
    address: SocketAddr,
    opened: Receiver<Opened>,
    refused: Arc<AtomicU64>,
    closing: Arc<AtomicBool>,
    porter: Option<JoinHandle<()>>,
}

impl UdpDoor {
    /// Listens at an address (port 0: any free one). Whoever opens first with the token is let in; `accept` is what they
    /// are told, its port filled in.
    ///
    /// # Errors
    /// A port that is taken or not allowed, with the cure.
    pub fn open(address: SocketAddr, token: [u8; 16], accept: Accept) -> Result<Self, HostError> {
        let socket = UdpSocket::bind(address).map_err(|error| cannot_listen(address, &error))?;
        let address = socket.local_addr().map_err(|error| cannot_listen(address, &error))?;
        socket.set_read_timeout(Some(RESEND_AFTER)).map_err(|error| cannot_listen(address, &error))?;
        let (sender, opened) = channel();
        let (refused, closing) = (Arc::new(AtomicU64::new(0)), Arc::new(AtomicBool::new(false)));
        let mut porter = Porter { socket, token, accept, sender, refused: Arc::clone(&refused), inside: None };
        let told = Arc::clone(&closing);
        let thread = std::thread::spawn(move || {
            while !told.load(Ordering::Acquire) {
                porter.answer_one();
            }
        });
        Ok(Self { address, opened, refused, closing, porter: Some(thread) })
    }
}

impl Door for UdpDoor {
    fn address(&self) -> String {
        format!("udp:{}", self.address)
    }

    fn wait(&self) -> Result<Option<Opened>, Gone> {
        Ok(self.opened.recv_timeout(RESEND_AFTER).ok())
    }

    fn refused_as_second(&self) -> u64 {
        self.refused.load(Ordering::Acquire)
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

/// What the door's thread owns.
struct Porter {
    socket: UdpSocket,
    token: [u8; 16],
    accept: Accept,
    sender: Sender<Opened>,
    refused: Arc<AtomicU64>,
    inside: Option<SocketAddr>,
}

impl Porter {
    fn answer_one(&mut self) {
        let mut buffer = [0_u8; MAX_FRAME_BYTES + 1];
        // A time-out and a peer's closed port are both nothing to answer.
        let Ok((length, peer)) = self.socket.recv_from(&mut buffer) else { return };
        match codec::decode(&buffer[..length]) {
            Ok(Frame { sequence, message: Message::Open(open) }) => self.answer_open(sequence, &open, peer),
            Err(Malformed::Version { .. }) => self.refuse(0, RefuseReason::Version, "unknown version", peer),
            // Whoever sends something else here has not been let in and gets no answer.
            Ok(_) | Err(_) => {}
        }
    }

    fn answer_open(&mut self, sequence: u32, open: &Open, peer: SocketAddr) {
        if !same(&open.token, &self.token) {
            return self.refuse(sequence, RefuseReason::Token, "wrong token", peer);
        }
        match self.inside {
            None => self.let_in(sequence, open, peer),
            // The accept was lost: say it again.
            Some(inside) if inside == peer => self.send(sequence, Message::Accept(self.accept), peer),
            Some(_) => {
                self.refused.fetch_add(1, Ordering::AcqRel);
                self.refuse(sequence, RefuseReason::Busy, "somebody is in command already", peer);
            }
        }
    }

    fn let_in(&mut self, sequence: u32, open: &Open, peer: SocketAddr) {
        let Some((link, port)) = UdpLink::connected(self.socket.local_addr().map_or(local(), |own| own.ip()), peer)
        else {
            return self.refuse(sequence, RefuseReason::Over, "the bench found no free port", peer);
        };
        self.accept.port = port;
        self.inside = Some(peer);
        self.send(sequence, Message::Accept(self.accept), peer);
        // The bench may have stopped waiting; then nobody is let in any more.
        drop(self.sender.send(Opened { link: Box::new(link), name: open.name.as_str().to_owned() }));
    }

    fn refuse(&self, sequence: u32, reason: RefuseReason, detail: &str, peer: SocketAddr) {
        let (version_min, version_max) = (self.accept.version_min, self.accept.version_max);
        self.send(
            sequence,
            Message::Refuse(Refuse { reason, version_min, version_max, detail: Text::new(detail) }),
            peer,
        );
    }

    fn send(&self, sequence: u32, message: Message, peer: SocketAddr) {
        let mut bytes = [0; MAX_FRAME_BYTES];
        let length = codec::encode(&Frame { sequence, message }, &mut bytes);
        // Over UDP a datagram may be lost anyway; the other side asks again.
        let _ = self.socket.send_to(&bytes[..length], peer);
    }
}

fn local() -> IpAddr {
    IpAddr::V4(Ipv4Addr::LOCALHOST)
}

/// The bench's socket to the one method in command.
#[derive(Debug)]
pub struct UdpLink {
    socket: UdpSocket,
}

impl UdpLink {
    fn connected(own: IpAddr, peer: SocketAddr) -> Option<(Self, u16)> {
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
    bench: IpAddr,
}

impl UdpTransport {
    /// A socket towards the bench's door.
    ///
    /// # Errors
    /// Says what the system refused.
    pub fn towards(door: SocketAddr) -> Result<Self, HostError> {
        let failed = |error: std::io::Error| HostError(format!("cannot reach udp:{door}: {error}"));
        let any = if door.is_ipv4() { local() } else { IpAddr::V6(std::net::Ipv6Addr::LOCALHOST) };
        let socket = UdpSocket::bind((any, 0)).map_err(failed)?;
        socket.connect(door).map_err(failed)?;
        socket.set_read_timeout(Some(RESEND_AFTER)).map_err(failed)?;
        Ok(Self { socket, bench: door.ip() })
    }
}

impl Transport for UdpTransport {
    fn send(&mut self, frame: &[u8]) -> Result<(), TransportError> {
        send(&self.socket, frame).map_err(TransportError)
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, TransportError> {
        receive(&self.socket, buffer).map_err(TransportError)
    }

    fn follow(&mut self, port: u16) -> Result<(), TransportError> {
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
