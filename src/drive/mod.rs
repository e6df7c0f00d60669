//! The bench's own servo drive.

pub mod protection;
pub mod setting;
pub mod state;
pub mod store;
