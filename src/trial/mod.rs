//! A trial: tuning, power cycle, examination, verdict.
//!
//! What it does not: sockets, files, threads. Start reading at `phases.rs`, and at `result.rs` for what comes out.

pub mod bits;
pub mod comparison;
pub mod conduct;
pub mod examination;
pub mod judgement;
pub mod known_good;
pub mod loops;
pub mod mistake;
pub mod phases;
pub mod record;
pub mod replay;
pub mod result;
pub mod sent;
pub mod simulation;
pub mod suite_history;
pub mod suite_result;
pub mod words;
