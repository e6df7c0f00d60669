//! The plant against the check values of friction, play, end stops, quantisation and count noise
//! (`tests/data/check-values.json`, whose rows name their source). Every test names the row that it checks.
//!
//! Rows of these parts that no test here names, and why:
//! - `lugre-steady`, `lugre-presliding`: friction's torque at an instant is no output of the plant; what it takes at a
//!   steady speed is checked beside the trajectories.
//! - `limit-cycle-harmonic-balance`: the solution of an equation of harmonic balance, which no part of the program
//!   forms;   the describing functions that stand in it are checked.
//! - `sine-offset`, `sine-gain`, `sine-quadrature`: scenarios give the harmonics of an angle's error, not the tracks that
//!   make them.
//! - `noise-through-lag`, `total-variation`, `stick-slip-ratio`: they concern filters and measures, not the plant.
//!
//! Start reading at [`rows::Row`].

mod current_sensor;
mod edges;
mod friction;
mod play;
mod rows;
mod sensor;
mod stops;
