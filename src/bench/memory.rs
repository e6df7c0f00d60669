//! A link inside the process: the method's transport calls the session directly, with no socket and no waiting.
//!
//! The same session, the same frames, the same bits as over a socket; time on the wall does not exist, so silence does
//! not either. What it does not: loss (nothing is lost here). Start reading at [`Direct`].

use std::collections::VecDeque;

use crate::bench::session::Session;
use crate::method::client::{Transport, TransportError};
use crate::wire::codec::{decode, encode};
use crate::wire::layout::MAX_FRAME_BYTES;
use crate::wire::message::{Accept, Frame, Message};

/// A session that a client in the same process talks to.
#[derive(Clone, Debug)]
pub struct Direct {
    /// The session; read its end and what it recorded when the method has returned.
    pub session: Session,
    accept: Accept,
    waiting: VecDeque<Vec<u8>>,
}

impl Direct {
    /// A link to a session before its first tick; `accept` answers the open.
    #[must_use]
    pub fn new(session: Session, accept: Accept) -> Self {
        Self { session, accept, waiting: VecDeque::new() }
    }

    fn let_in(&mut self, sequence: u32) {
        let mut bytes = [0; MAX_FRAME_BYTES];
        let length = encode(&Frame { sequence, message: Message::Accept(self.accept) }, &mut bytes);
        self.waiting.push_back(bytes[..length].to_vec());
    }
}

impl Transport for Direct {
    fn send(&mut self, frame: &[u8]) -> Result<(), TransportError> {
        if let Ok(Frame { sequence, message: Message::Open(_) }) = decode(frame) {
            self.let_in(sequence);
            return Ok(());
        }
        let Self { session, waiting, .. } = self;
        session.receive(frame, &mut |sent| waiting.push_back(sent.to_vec()));
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, TransportError> {
        let Some(frame) = self.waiting.pop_front() else {
            // Nothing more will ever come: a client that goes on waiting would wait for ever.
            return match self.session.end() {
                Some(end) => Err(TransportError(format!("the run is over: {end:?}"))),
                None => Ok(None),
            };
        };
        let place = buffer.get_mut(..frame.len()).ok_or_else(|| TransportError("the buffer is too small".into()))?;
        place.copy_from_slice(&frame);
        Ok(Some(frame.len()))
    }

    fn follow(&mut self, _port: u16) -> Result<(), TransportError> {
        let Self { session, waiting, .. } = self;
        session.begin(&mut |sent| waiting.push_back(sent.to_vec()));
        Ok(())
    }
}
