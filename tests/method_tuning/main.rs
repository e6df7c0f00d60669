//! The promise of the carried methods: `careful` tunes the shipped machines and any others like them, treats them well
//! and holds their limits, or stops and says why; `hasty` shows what it costs to measure nothing.
//!
//! Plant, sensor and drive are the real ones, joined in one process without a link. The trials of the shipped scenarios
//! show the same over the link.

mod bench;
mod drawn;
mod examination;
mod machines;
mod shipped;
mod stages;
