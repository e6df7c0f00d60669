//! The operating system: clock, sockets, serial lines, child processes, files, the thread of a paced run.
//!
//! What it does not: decide anything about a trial. Start reading at `udp.rs`.

pub mod child;
pub mod clock;
pub mod door;
pub mod files;
pub mod idle;
pub mod interrupt;
pub mod line;
pub mod link_name;
pub mod outlet;
pub mod porter;
pub mod processor;
pub mod realtime;
pub mod serial;
pub mod spectator;
pub mod strike;
pub mod succession;
pub mod tty;
pub mod udp;
