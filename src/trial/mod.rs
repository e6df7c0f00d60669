//! A trial: tuning, power cycle, examination, verdict.
//!
//! What it does not: sockets, files, threads. Start reading at `phases.rs`, and at `result.rs` for what comes out.

pub mod bits;
pub mod conduct;
pub mod examination;
pub mod judgement;
pub mod loops;
pub mod mistake;
pub mod phases;
pub mod record;
pub mod replay;
pub mod result;
pub mod simulation;
pub mod words;
