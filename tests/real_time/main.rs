//! Promises of real time: deadlines never drift, lateness is counted to the tick, nothing makes a paced run wait, a probe
//! tells what a link can carry.
//!
//! Most of it runs on a clock of the test's own, so that a busy machine changes nothing. Start reading at `stalls.rs`.

mod probe;
mod probe_command;
#[path = "../trial_runs/scenario_text.rs"]
mod scenario_text;
mod stalls;
mod thread;
mod ticks;
mod timing;
