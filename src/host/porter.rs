//! The porter at a UDP door: answers whoever opens, lets the first one in, and lets a method that lost its socket come
//! back.
//!
//! At a plain door the token in an open decides. At a sealed one nothing but a sealed open is answered, each at most
//! once, and nobody is let in before a frame with both nonces came from the new port: who repeats an open of somebody
//! else gets no further. What it does not: tick, or carry frames once somebody is inside. Start reading at
//! [`Porter::answer_one`].

use std::collections::{BTreeMap, VecDeque};
use std::net::{IpAddr, Ipv4Addr, SocketAddr, UdpSocket};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::Sender;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use crate::bench::port::RESEND_AFTER;
use crate::bench::sealed::SealedLink;
use crate::host::door::{Opened, same};
use crate::host::files::fresh_token;
use crate::host::succession::{AnyLink, Heirloom, Succession};
use crate::host::udp::UdpLink;
use crate::wire::codec::{self, Malformed};
use crate::wire::layout::{MAX_FRAME_BYTES, MAX_SEALED_FRAME_BYTES};
use crate::wire::message::{Accept, Close, CloseReason, Frame, Message, Open, Refuse, RefuseReason, Text};
use crate::wire::seal::{self, Channel, Direction, Key, Nonces, Unsealed, Window};

/// Who may come in.
#[derive(Clone, Copy, Debug)]
pub struct Rules {
    /// The run's token.
    pub token: [u8; 16],
    /// What a method is told; port and nonce are filled in for each connection.
    pub accept: Accept,
    /// Whether every frame must be sealed.
    pub sealed: bool,
    /// Whether a method that lost its socket may open again.
    pub may_open_again: bool,
}

/// What happened at the door and on its sealed links; shared with whoever asks.
#[derive(Debug, Default)]
pub struct Counts {
    /// Opens refused because somebody was in command.
    pub second: AtomicU64,
    refused: Mutex<BTreeMap<&'static str, u64>>,
}

impl Counts {
    /// Counts a frame that was refused.
    pub fn refuse(&self, reason: &'static str) {
        if let Ok(mut refused) = self.refused.lock() {
            *refused.entry(reason).or_insert(0) += 1;
        }
    }

    /// Frames refused so far, by reason.
    #[must_use]
    pub fn refused(&self) -> BTreeMap<&'static str, u64> {
        self.refused.lock().map(|refused| refused.clone()).unwrap_or_default()
    }
}

/// Most openings that wait for their first frame with both nonces; the oldest makes room.
const PENDING_MAX: usize = 8;

/// How long such an opening waits: a client gives up after fifteen seconds.
const PENDING_FOR: Duration = Duration::from_secs(15);

/// How often pending openings are looked at.
const PENDING_LOOK: Duration = Duration::from_millis(2);

/// Challenges that are remembered, so that an open that comes twice is known. They take 48 bytes each.
const CHALLENGES_MAX: usize = 1024;

/// What the door's thread owns.
pub struct Porter {
    socket: UdpSocket,
    rules: Rules,
    key: Key,
    entrance: Sender<Opened>,
    counts: Arc<Counts>,
    inside: Option<Inside>,
    challenges: VecDeque<([u8; 16], Window)>,
    pending: VecDeque<Pending>,
}

/// The method in command.
struct Inside {
    peer: SocketAddr,
    name: Text,
    accept: Accept,
    heirloom: Heirloom,
}

/// A sealed open that was answered, and has not yet shown that it heard the answer.
struct Pending {
    peer: SocketAddr,
    name: Text,
    challenge: [u8; 16],
    accept: Accept,
    /// Seals what leaves from the listening port.
    door: Channel,
    link: SealedLink<UdpLink>,
    since: Instant,
}

impl Porter {
    /// At this socket, which must have a time limit; who is let in goes to the entrance.
    pub fn new(socket: UdpSocket, rules: Rules, entrance: Sender<Opened>, counts: Arc<Counts>) -> Self {
        let (challenges, pending) = (VecDeque::new(), VecDeque::new());
        let key = Key::new(&rules.token);
        Self { socket, rules, key, entrance, counts, inside: None, challenges, pending }
    }

    /// Waits a moment for a datagram and deals with it.
    pub fn answer_one(&mut self) {
        self.look_at_pending();
        let wait = if self.pending.is_empty() { RESEND_AFTER } else { PENDING_LOOK };
        let mut buffer = [0_u8; MAX_SEALED_FRAME_BYTES + 1];
        // A time-out and a peer's closed port are both nothing to answer.
        let Ok((length, peer)) =
            self.socket.set_read_timeout(Some(wait)).and_then(|()| self.socket.recv_from(&mut buffer))
        else {
            return;
        };
        if self.rules.sealed {
            self.answer_sealed(&buffer[..length], peer)
        } else {
            self.answer_plain(&buffer[..length], peer)
        }
    }

    fn answer_plain(&mut self, bytes: &[u8], peer: SocketAddr) {
        match codec::decode(bytes) {
            Ok(Frame { sequence, message: Message::Open(open) }) => {
                let answer = self.answer_open(&open, peer);
                self.send(sequence, answer, peer);
            }
            Err(Malformed::Version { .. }) => {
                let answer = self.refusal(RefuseReason::Version, "unknown version");
                self.send(0, answer, peer);
            }
            // Whoever sends something else here has not been let in and gets no answer.
            Ok(_) | Err(_) => {}
        }
    }

    fn answer_open(&mut self, open: &Open, peer: SocketAddr) -> Message {
        if !same(&open.token, &self.rules.token) {
            return self.refusal(RefuseReason::Token, "wrong token");
        }
        // The accept was lost: say it again.
        if let Some(inside) = self.inside.as_ref().filter(|inside| inside.peer == peer) {
            return Message::Accept(inside.accept);
        }
        if let Some(refusal) = self.second(&open.name) {
            return refusal;
        }
        match self.connected(peer) {
            None => self.refusal(RefuseReason::Over, "the bench found no free port"),
            Some((link, accept)) => match self.seat(peer, open.name, accept, Box::new(link)) {
                Ok(()) => Message::Accept(accept),
                Err(_) => self.refusal(RefuseReason::Busy, "somebody has just come back"),
            },
        }
    }

    /// The refusal of somebody who comes while another one is in command; `None` for the first, and for the same method
    /// that comes back.
    fn second(&self, name: &Text) -> Option<Message> {
        let inside = self.inside.as_ref()?;
        if inside.name != *name {
            self.counts.second.fetch_add(1, Ordering::AcqRel);
            return Some(self.refusal(RefuseReason::Busy, "somebody is in command already"));
        }
        let forbidden = "this scenario forbids a method to open again";
        (!self.rules.may_open_again).then(|| self.refusal(RefuseReason::OpenAgain, forbidden))
    }

    /// A fresh socket to a peer, and what the peer is told.
    fn connected(&self, peer: SocketAddr) -> Option<(UdpLink, Accept)> {
        let own = self.socket.local_addr().map_or(IpAddr::V4(Ipv4Addr::LOCALHOST), |own| own.ip());
        let (link, port) = UdpLink::connected(own, peer)?;
        Some((link, Accept { port, nonce: fresh_nonce()?, ..self.rules.accept }))
    }

    /// Gives somebody the seat: the first one, or the same method again. The link comes back when one who came back
    /// before has not been noticed yet, as while machines are examined.
    fn seat(&mut self, peer: SocketAddr, name: Text, accept: Accept, link: AnyLink) -> Result<(), AnyLink> {
        if let Some(inside) = &mut self.inside {
            inside.heirloom.lay(link, name)?;
            (inside.peer, inside.accept) = (peer, accept);
            return Ok(());
        }
        let (succession, heirloom) = Succession::of(link);
        self.inside = Some(Inside { peer, name, accept, heirloom });
        // The bench may have stopped waiting; then nobody is let in any more.
        drop(self.entrance.send(Opened { link: Box::new(succession), name: name.as_str().to_owned() }));
        Ok(())
    }

    fn refusal(&self, reason: RefuseReason, detail: &str) -> Message {
        let Accept { version_min, version_max, .. } = self.rules.accept;
        Message::Refuse(Refuse { reason, version_min, version_max, detail: Text::new(detail) })
    }

    fn send(&self, sequence: u32, message: Message, peer: SocketAddr) {
        self.send_bytes(&framed(sequence, message), peer);
    }

    fn send_bytes(&self, bytes: &[u8], peer: SocketAddr) {
        // Over UDP a datagram may be lost anyway; the other side asks again.
        let _ = self.socket.send_to(bytes, peer);
    }

    fn answer_sealed(&mut self, bytes: &[u8], peer: SocketAddr) {
        match self.opened(bytes) {
            Ok((sequence, open)) => self.answer_sealed_open(sequence, &open, peer),
            // Nobody who cannot seal gets an answer, not even a refusal.
            Err(unsealed) => self.counts.refuse(unsealed.key()),
        }
    }

    /// A sealed open that comes for the first time; its token's place holds the challenge.
    fn opened(&mut self, bytes: &[u8]) -> Result<(u32, Open), Unsealed> {
        let challenge = seal::challenge_of(bytes).ok_or(Unsealed::NotSealed)?;
        let mut buffer = [0; MAX_FRAME_BYTES];
        let nonces = Nonces { challenge, nonce: 0 };
        let opened = seal::open(bytes, &self.key, Direction::ToBench, &nonces, &mut buffer)?;
        if !self.admit(challenge, opened.counter) {
            return Err(Unsealed::Replayed);
        }
        match codec::decode(&buffer[..opened.length])? {
            Frame { sequence, message: Message::Open(open) } => Ok((sequence, open)),
            Frame { .. } => Err(Unsealed::NotSealed),
        }
    }

    /// Whether this open is new: each counter once for each challenge.
    fn admit(&mut self, challenge: [u8; 16], counter: u64) -> bool {
        if let Some((_, window)) = self.challenges.iter_mut().find(|(known, _)| *known == challenge) {
            return window.admit(counter);
        }
        if self.challenges.len() == CHALLENGES_MAX {
            self.challenges.pop_front();
        }
        let mut window = Window::default();
        let is_new = window.admit(counter);
        self.challenges.push_back((challenge, window));
        is_new
    }

    fn answer_sealed_open(&mut self, sequence: u32, open: &Open, peer: SocketAddr) {
        let challenge = open.token;
        if let Some(place) = self.pending.iter().position(|pending| pending.challenge == challenge) {
            if self.pending[place].peer == peer {
                return self.say_accept(place, sequence);
            }
            // The same client from elsewhere: what was sent to the other place may have been drawn there by a stranger.
            self.pending.remove(place);
        }
        let nonces = Nonces { challenge, nonce: 0 };
        let mut door = Channel::new(self.key.clone(), Direction::ToClient, nonces);
        if let Some(refusal) = self.second(&open.name) {
            return self.send_sealed(&mut door, sequence, refusal, peer);
        }
        // Without a free port or fresh numbers there is no answer; the client asks again.
        let Some((link, accept)) = self.connected(peer) else { return };
        let nonces = Nonces { challenge, nonce: accept.nonce };
        let channel = Channel::new(self.key.clone(), Direction::ToClient, nonces);
        let counts = Arc::clone(&self.counts);
        let link = SealedLink::new(link, channel, Box::new(move |reason| counts.refuse(reason)));
        if self.pending.len() == PENDING_MAX {
            self.pending.pop_front();
        }
        let since = Instant::now();
        self.pending.push_back(Pending { peer, name: open.name, challenge, accept, door, link, since });
        self.say_accept(self.pending.len() - 1, sequence);
    }

    fn say_accept(&mut self, place: usize, sequence: u32) {
        let pending = &mut self.pending[place];
        let mut sealed = [0; MAX_SEALED_FRAME_BYTES];
        let length = pending.door.seal(&framed(sequence, Message::Accept(pending.accept)), &mut sealed);
        let peer = pending.peer;
        if let Some(length) = length {
            self.send_bytes(&sealed[..length], peer);
        }
    }

    fn send_sealed(&self, door: &mut Channel, sequence: u32, message: Message, peer: SocketAddr) {
        let mut sealed = [0; MAX_SEALED_FRAME_BYTES];
        if let Some(length) = door.seal(&framed(sequence, message), &mut sealed) {
            self.send_bytes(&sealed[..length], peer);
        }
    }

    /// Seats whoever has shown that they know both nonces; forgets who has not for too long.
    fn look_at_pending(&mut self) {
        self.pending.retain(|pending| pending.since.elapsed() < PENDING_FOR);
        let known = |pending: &mut Pending| pending.link.has_come().unwrap_or(false);
        let Some(place) = self.pending.iter_mut().position(known) else { return };
        let Some(Pending { peer, name, accept, link, .. }) = self.pending.remove(place) else { return };
        let link: AnyLink = Box::new(link);
        let seated = if self.second(&name).is_some() { Err(link) } else { self.seat(peer, name, accept, link) };
        if let Err(mut link) = seated {
            // Somebody else was faster.
            drop(link.send(&framed(0, Message::Close(Close { reason: CloseReason::Over }))));
        }
    }
}

/// A number that nobody can guess and that is not 0.
fn fresh_nonce() -> Option<u64> {
    let drawn = fresh_token().ok()?;
    let nonce = u64::from_le_bytes(std::array::from_fn(|place| drawn[place]));
    (nonce != 0).then_some(nonce)
}

fn framed(sequence: u32, message: Message) -> Vec<u8> {
    let mut bytes = [0; MAX_FRAME_BYTES];
    let length = codec::encode(&Frame { sequence, message }, &mut bytes);
    bytes[..length].to_vec()
}
