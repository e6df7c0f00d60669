//! Words that every floor uses.
//!
//! What it does not: anything about a machine, a controller or a link. Start reading at `signal.rs`.

pub mod faults;
pub mod impairment;
pub mod nameplate;
pub mod random;
pub mod real;
pub mod recording;
pub mod safeguard;
pub mod signal;
pub mod time;
pub mod units;
pub mod waveform;
