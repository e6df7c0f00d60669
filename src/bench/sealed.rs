//! A link whose frames are sealed: what is not a fresh frame of the peer never gets to the session.
//!
//! What it does not: agree on nonces (whoever opens the door does). Start reading at [`SealedLink`].

use crate::bench::port::{Gone, Link};
use crate::wire::layout::MAX_SEALED_FRAME_BYTES;
use crate::wire::seal::Channel;

/// How many refused frames in a row are passed over in one call: a flood must not hold up a tick.
const REFUSED_AT_ONCE: u32 = 64;

/// Told the reason of every frame that was refused.
pub type Refused = Box<dyn FnMut(&'static str) + Send>;

/// Seals what goes out over another link, and opens what comes in.
pub struct SealedLink<L> {
    inner: L,
    channel: Channel,
    refused: Refused,
    /// A frame that came, and was opened, before somebody could take it.
    first: Option<Vec<u8>>,
}

impl<L: Link> SealedLink<L> {
    /// Over another link, with a channel that sends to the client.
    pub fn new(inner: L, channel: Channel, refused: Refused) -> Self {
        Self { inner, channel, refused, first: None }
    }

    /// Whether a fresh frame of the peer has come by now: the peer then knows both nonces. The frame stays and is what
    /// is received first. Never waits.
    ///
    /// # Errors
    /// [`Gone`] when nothing can arrive any more.
    pub fn has_come(&mut self) -> Result<bool, Gone> {
        if self.first.is_none() {
            let mut buffer = [0; MAX_SEALED_FRAME_BYTES];
            self.first = self.poll(&mut buffer)?.map(|length| buffer[..length].to_vec());
        }
        Ok(self.first.is_some())
    }

    fn next(&mut self, buffer: &mut [u8], take: Take<L>) -> Result<Option<usize>, Gone> {
        if let Some(frame) = self.first.take() {
            let place = buffer.get_mut(..frame.len());
            return Ok(place.map(|place| {
                place.copy_from_slice(&frame);
                frame.len()
            }));
        }
        // One byte more than the longest frame: what is longer is seen to be.
        let mut sealed = [0; MAX_SEALED_FRAME_BYTES + 1];
        for _ in 0..REFUSED_AT_ONCE {
            let Some(length) = take(&mut self.inner, &mut sealed)? else { return Ok(None) };
            match self.channel.open(&sealed[..length], buffer) {
                Ok(length) => return Ok(Some(length)),
                Err(unsealed) => (self.refused)(unsealed.key()),
            }
        }
        Ok(None)
    }
}

/// Takes a frame from a link, waiting or not.
type Take<L> = fn(&mut L, &mut [u8]) -> Result<Option<usize>, Gone>;

impl<L: Link> Link for SealedLink<L> {
    fn send(&mut self, frame: &[u8]) -> Result<(), Gone> {
        let mut sealed = [0; MAX_SEALED_FRAME_BYTES];
        let length = self.channel.seal(frame, &mut sealed).ok_or_else(|| Gone {
            cause: "used up its connection: no counter is left, or a frame is none".to_owned(),
        })?;
        self.inner.send(&sealed[..length])
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        self.next(buffer, L::receive)
    }

    fn poll(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        self.next(buffer, L::poll)
    }
}
