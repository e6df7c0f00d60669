//! The operating system: clock, sockets, serial lines, child processes, files.
//!
//! What it does not: decide anything about a trial. Start reading at `udp.rs`.

pub mod child;
pub mod clock;
pub mod door;
pub mod files;
pub mod interrupt;
pub mod line;
pub mod link_name;
pub mod processor;
pub mod serial;
pub mod strike;
pub mod tty;
pub mod udp;
