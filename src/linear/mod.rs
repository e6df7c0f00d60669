//! The machine and its drive as a linear model: exact, discrete, all delays included.
//!
//! Every node slips on its viscous friction only, gravity's gradient is left out, gaps are closed or open. What it does
//! not: simulate a run or find parameters from one. Start reading at `model.rs` for the loop, at `facts.rs` for what a
//! machine is like.

pub mod chain;
pub mod discretise;
pub mod facts;
pub mod margins;
pub mod model;
pub mod poles;
pub mod reach;
pub mod sensing;
pub mod shapes;

mod resolvent;
