//! The link's frames: what crosses between the bench and the outside, and how it stands in bytes.
//!
//! `PROTOCOL.md` beside this file is the page for someone who writes a client and has nothing else; its tables and
//! frames are rendered from `layout.rs` and `codec.rs` by a test. What it does not: sockets, waiting, sending again
//! (the run loop and the clients do), or the meaning of a setting's number (the drive owns its rows). Start reading at
//! `message.rs`, then `layout.rs`.

pub mod checksum;
pub mod codec;
pub mod layout;
pub mod malformed;
pub mod message;
mod numbered;
mod read;
pub mod seal;
pub mod series;
pub mod stream;
pub mod text;
mod write;
