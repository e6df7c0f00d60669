//! The bench: plant, sensor and drive run tick by tick, in step with an outside method.
//!
//! What it does not: read scenarios (`scenario`), open sockets (`host`), judge (`trial`). Start reading at `tick.rs`.

pub mod budget;
pub mod frames;
pub mod hand;
pub mod impairment;
pub mod memory;
pub mod pacing;
pub mod port;
pub mod probing;
pub mod requests;
pub mod run;
pub mod sealed;
pub mod sent;
pub mod session;
pub mod site;
pub mod standing;
pub mod terms;
pub mod tick;
pub mod timing;
pub mod winding_record;
