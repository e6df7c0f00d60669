//! The firmware in C does what the program does: its codec, its framing and its controller, tried side by side, and in a
//! whole trial over UDP.
//!
//! What it does not: run it on the emulated board or on a bad line; its own tests (`make -C tools/firmware test`) do. Start
//! reading at `codec.rs`.

mod codec;
mod controller;
mod filter;
#[path = "../trial_runs/program.rs"]
mod program;
mod trial;
#[path = "../wire_dice/mod.rs"]
mod wire_dice;
#[path = "../wire_samples/mod.rs"]
mod wire_samples;
