//! A transport whose frames are sealed, for a bench on another host.
//!
//! It draws nothing itself: its maker gives it a fresh challenge. What it does not: know a socket. Start reading at
//! [`SealedTransport`].

use crate::method::client::{Transport, TransportError};
use crate::wire::codec::{decode, encode};
use crate::wire::layout::{MAX_FRAME_BYTES, MAX_SEALED_FRAME_BYTES};
use crate::wire::message::{Frame, Message, Open};
use crate::wire::seal::{Channel, Direction, Key, Nonces};

/// How many refused frames in a row are passed over in one call: a flood must not keep a method for ever.
const REFUSED_AT_ONCE: u32 = 64;

/// How far the connection has come.
#[derive(Debug)]
enum Stage {
    /// At the listening port: the bench's nonce is not known yet.
    Opening,
    /// At the new port, where the bench has not said a word yet; what was sent there last.
    Unheard(Option<Vec<u8>>),
    /// The bench has spoken: it knows that this side knows both nonces.
    Heard,
}

/// Seals what goes out over another transport, and opens what comes in.
#[derive(Debug)]
pub struct SealedTransport<T> {
    inner: T,
    key: Key,
    nonces: Nonces,
    channel: Channel,
    stage: Stage,
    /// Frames that were passed over.
    pub refused: u64,
}

impl<T: Transport> SealedTransport<T> {
    /// Over another transport. The challenge must be fresh: sixteen bytes that nobody can guess, never used before.
    pub fn new(inner: T, token: &[u8; 16], challenge: [u8; 16]) -> Self {
        let (key, nonces) = (Key::new(token), Nonces { challenge, nonce: 0 });
        let channel = Channel::new(key.clone(), Direction::ToBench, nonces);
        Self { inner, key, nonces, channel, stage: Stage::Opening, refused: 0 }
    }

    fn send_sealed(&mut self, frame: &[u8]) -> Result<(), TransportError> {
        let mut sealed = [0; MAX_SEALED_FRAME_BYTES];
        let length = self.channel.seal(frame, &mut sealed);
        let length = length.ok_or_else(|| TransportError("no frame, or no counter is left".to_owned()))?;
        self.inner.send(&sealed[..length])
    }

    /// The open with the challenge where the token would stand: whatever the caller put there, the token stays here.
    fn with_challenge(&self, frame: &[u8]) -> Option<Vec<u8>> {
        let Ok(Frame { sequence, message: Message::Open(open) }) = decode(frame) else { return None };
        let message = Message::Open(Open { token: self.nonces.challenge, ..open });
        let mut bytes = [0; MAX_FRAME_BYTES];
        let length = encode(&Frame { sequence, message }, &mut bytes);
        Some(bytes[..length].to_vec())
    }

    fn next(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, TransportError> {
        let mut sealed = [0; MAX_SEALED_FRAME_BYTES + 1];
        for _ in 0..REFUSED_AT_ONCE {
            let Some(length) = self.inner.receive(&mut sealed)? else { return Ok(None) };
            match self.channel.open(&sealed[..length], buffer) {
                Ok(length) => return Ok(Some(length)),
                Err(_) => self.refused += 1,
            }
        }
        Ok(None)
    }
}

impl<T: Transport> Transport for SealedTransport<T> {
    fn send(&mut self, frame: &[u8]) -> Result<(), TransportError> {
        match &mut self.stage {
            Stage::Opening => {
                let open = self.with_challenge(frame);
                return self.send_sealed(&open.ok_or_else(|| TransportError("the link is not open yet".to_owned()))?);
            }
            Stage::Unheard(last) => *last = Some(frame.to_vec()),
            Stage::Heard => {}
        }
        self.send_sealed(frame)
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, TransportError> {
        let came = self.next(buffer)?;
        match (&self.stage, came) {
            (Stage::Opening, Some(length)) => {
                if let Ok(Frame { message: Message::Accept(accept), .. }) = decode(&buffer[..length]) {
                    self.nonces.nonce = accept.nonce;
                }
            }
            (Stage::Unheard(_), Some(_)) => self.stage = Stage::Heard,
            // The bench lets nobody in before a frame with both nonces has reached it: that one may be lost.
            (Stage::Unheard(Some(last)), None) => {
                let last = last.clone();
                self.send_sealed(&last)?;
            }
            _ => {}
        }
        Ok(came)
    }

    fn follow(&mut self, port: u16) -> Result<(), TransportError> {
        self.channel = Channel::new(self.key.clone(), Direction::ToBench, self.nonces);
        self.stage = Stage::Unheard(None);
        self.inner.follow(port)
    }
}
