//! The machine: a chain of inertias with couplings, friction, stops and loads, its angle sensor, and the stepper that
//! moves it through one control tick at a time.
//!
//! What it does not: control anything (see `drive`), know a scenario's keys, or meet a clock. Start reading at
//! [`train::Parameters`], what a machine is, then [`stepper::Plant`], how it moves. How right it is stands in ACCURACY.md.

pub mod brake;
pub mod counting;
pub mod coupling;
pub mod current_sensor;
pub mod edge;
pub mod energy;
pub mod event;
pub mod friction;
pub mod load;
pub mod load_noise;
pub mod motor;
pub mod sensor;
pub mod stepper;
pub mod stops;
pub mod train;

mod bristle;
mod chain;
mod dry;
mod effect_series;
mod effects;
mod effort;
mod expansion;
mod flux;
mod heat;
mod joint;
mod lane;
mod limiter;
mod pattern;
mod rubbing;
mod search;
mod series;
mod slaving;
mod weakening;
mod winding;
