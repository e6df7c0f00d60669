//! The operating system: clock, sockets, child processes, files.
//!
//! What it does not: decide anything about a trial. Start reading at `udp.rs`.

pub mod child;
pub mod clock;
pub mod door;
pub mod files;
pub mod interrupt;
pub mod processor;
pub mod strike;
pub mod udp;
