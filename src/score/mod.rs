//! Numbers that judge: measures of a recorded run, of a loop and of conduct; limits, grades, verdicts.
//!
//! Everything here is a pure function of slices and closures. What it does not: run anything, read a scenario, know a
//! plant or a drive. Start reading at `measure.rs` for what there is, at `window.rs` for what a measure reads.

pub mod answer;
pub mod conduct;
pub mod effort;
pub mod integral;
pub mod limit;
pub mod load_step;
pub mod margins;
pub mod measure;
pub mod measure_table;
pub mod noise;
pub mod page;
pub mod response_grid;
pub mod smoothness;
pub mod step;
pub mod verdict;
pub mod window;

pub use answer::{Answer, Found, NoNumber};
