//! Where methods knock, whatever carries their frames.
//!
//! What it does not: any carrier itself (`udp.rs`, `serial.rs`). Start reading at [`Door`].

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
}

/// Compares in a time that does not tell how many bytes were right.
pub(super) fn same(found: &[u8; 16], expected: &[u8; 16]) -> bool {
    found.iter().zip(expected).fold(0, |sum, (a, b)| sum | (a ^ b)) == 0
}
