//! A trial: tuning, power cycle, examination, verdict.
//!
//! What it does not: sockets, files, threads. Start reading at `result.rs` for what comes out.

pub mod result;
