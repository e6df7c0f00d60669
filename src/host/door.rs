//! Where methods knock, whatever carries their frames.
//!
//! What it does not: any carrier itself (`udp.rs`, `serial.rs`). Start reading at [`Door`].

use std::collections::BTreeMap;

use ctutils::CtEq;

use crate::bench::port::{Gone, Link};

/// A method that was let in.
pub struct Opened {
    /// The link to it. The thread that ticks owns it.
    pub link: Box<dyn Link + Send>,
    /// What it calls itself.
    pub name: String,
}

/// Waits for methods at a place, and answers whoever knocks while a run lasts.
pub trait Door {
    /// The place, as a method finds it in `PLANTSTAND_LINK`.
    fn address(&self) -> String;

    /// The method that was let in, once there is one; waits up to [`crate::bench::port::RESEND_AFTER`].
    ///
    /// # Errors
    /// [`Gone`] when nobody can come any more.
    fn wait(&self) -> Result<Option<Opened>, Gone>;

    /// How many were refused because somebody was in command already.
    fn refused_as_second(&self) -> u64;

    /// Frames that were refused before anybody read them, by reason: where frames are sealed, those that are not, or not
    /// rightly. None where they are plain.
    fn refused(&self) -> BTreeMap<&'static str, u64> {
        BTreeMap::new()
    }
}

/// Compares in a time that does not tell how many bytes were right.
pub(super) fn same(found: &[u8; 16], expected: &[u8; 16]) -> bool {
    found.ct_eq(expected).into()
}
