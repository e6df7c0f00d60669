//! The machine: a chain of inertias with couplings, friction, stops and loads, its angle sensor, and the stepper that
//! moves it through one control tick at a time.
//!
//! What it does not: control anything (see `drive`), know a scenario's keys, or meet a clock. Start reading at
//! [`train::Parameters`], what a machine is, then [`stepper::Plant`], how it moves.

mod chain;
pub mod coupling;
mod dry;
pub mod energy;
pub mod event;
mod expansion;
pub mod friction;
mod lane;
pub mod load;
mod pattern;
mod search;
pub mod sensor;
mod series;
pub mod stepper;
pub mod stops;
pub mod train;
mod weakening;
