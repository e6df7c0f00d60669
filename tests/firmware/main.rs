//! The firmware in C does what the program does: its codec, its framing and its controller, tried side by side.
//!
//! What it does not: run it over a link; its own tests (`make -C tools/firmware test`) do. Start reading at `codec.rs`.

mod codec;
mod controller;
mod filter;
#[path = "../wire_dice/mod.rs"]
mod wire_dice;
#[path = "../wire_samples/mod.rs"]
mod wire_samples;
