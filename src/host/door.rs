//! Where methods knock, whatever carries their frames.
//!
//! What it does not: any carrier itself (`udp.rs`). Start reading at [`Door`].

use crate::bench::port::Link;

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
    fn wait(&self) -> Option<Opened>;

    /// How many were refused because somebody was in command already.
    fn refused_as_second(&self) -> u64;
}
