//! The operating system: clock, sockets, child processes, files, the thread of a paced run.
//!
//! What it does not: decide anything about a trial. Start reading at `udp.rs`.

pub mod child;
pub mod clock;
pub mod door;
pub mod files;
pub mod idle;
pub mod interrupt;
pub mod outlet;
pub mod realtime;
pub mod spectator;
pub mod strike;
pub mod udp;
