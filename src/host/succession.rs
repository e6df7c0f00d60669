//! A link in whose place another one may come: a method that lost its socket has opened again.
//!
//! The door's thread hands the new link over; the thread that ticks takes it when it next looks for a frame. What it
//! does not: decide who may come back (`porter.rs`). Start reading at [`Succession`].

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};

use crate::bench::port::{Gone, Link};
use crate::wire::codec::encode;
use crate::wire::layout::MAX_FRAME_BYTES;
use crate::wire::message::{Close, CloseReason, Frame, Message, Open, Text};

/// A link that one thread can hand to another.
pub type AnyLink = Box<dyn Link + Send>;

/// The link in command, and the place where its successor is laid.
pub struct Succession {
    current: AnyLink,
    heirs: Receiver<(AnyLink, Text)>,
    waiting: Arc<AtomicBool>,
}

/// Where the door lays a successor.
pub struct Heirloom {
    heirs: SyncSender<(AnyLink, Text)>,
    waiting: Arc<AtomicBool>,
}

impl Succession {
    /// A link without a successor yet, and the place for one.
    pub fn of(current: AnyLink) -> (Self, Heirloom) {
        let (sender, heirs) = sync_channel(1);
        let waiting = Arc::new(AtomicBool::new(false));
        (Self { current, heirs, waiting: Arc::clone(&waiting) }, Heirloom { heirs: sender, waiting })
    }

    /// Lets a successor take over. The old peer is told; the session hears it as an open with number 0 and no token.
    fn succeed(&mut self, buffer: &mut [u8]) -> Option<usize> {
        // One load when nobody waits, which is nearly always: this stands in every tick's way.
        if !self.waiting.load(Ordering::Acquire) || !self.waiting.swap(false, Ordering::AcqRel) {
            return None;
        }
        let (heir, name) = self.heirs.try_recv().ok()?;
        let told = framed(Message::Close(Close { reason: CloseReason::Replaced }));
        // The old peer may be gone: that is why there is a new one.
        drop(self.current.send(&told));
        self.current = heir;
        let open = framed(Message::Open(Open { token: [0; 16], name }));
        buffer.get_mut(..open.len())?.copy_from_slice(&open);
        Some(open.len())
    }
}

impl Heirloom {
    /// Lays a successor down.
    ///
    /// # Errors
    /// The link back when one lies there already, or when the run is over.
    pub fn lay(&self, link: AnyLink, name: Text) -> Result<(), AnyLink> {
        match self.heirs.try_send((link, name)) {
            Ok(()) => {
                self.waiting.store(true, Ordering::Release);
                Ok(())
            }
            Err(TrySendError::Full((link, _)) | TrySendError::Disconnected((link, _))) => Err(link),
        }
    }
}

fn framed(message: Message) -> Vec<u8> {
    let mut bytes = [0; MAX_FRAME_BYTES];
    let length = encode(&Frame { sequence: 0, message }, &mut bytes);
    bytes[..length].to_vec()
}

impl Link for Succession {
    fn send(&mut self, frame: &[u8]) -> Result<(), Gone> {
        self.current.send(frame)
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        match self.succeed(buffer) {
            Some(length) => Ok(Some(length)),
            None => self.current.receive(buffer),
        }
    }

    fn poll(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        match self.succeed(buffer) {
            Some(length) => Ok(Some(length)),
            None => self.current.poll(buffer),
        }
    }
}
