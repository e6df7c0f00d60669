//! Loads, limiter, brake, coupling by hand and long chains of the plant against formulas: fan, harmonics, load noise,
//! slipping limiter, holding brake, coupled and uncoupled, belts, screws and racks, 64 nodes against their eigen-solution.
//!
//! What must hold: closed forms within rounding, no event missed and none invented, energy closed within 1e-9 of the
//! work done. What it does not: trajectories from outside (`plant_trajectories`). Start reading at [`machine`].

mod brake;
mod hand;
mod limiter;
mod lines;
mod long_chain;
mod machine;
mod noise;
mod turning;
