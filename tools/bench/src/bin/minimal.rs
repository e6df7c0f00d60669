//! The smallest program with a version and one command, to compare the start of `plantstand` with.
//!
//! What it does not: anything. Start reading at [`main`].

use clap::Parser;

/// A program that does nothing.
#[derive(Parser)]
#[command(version)]
enum Minimal {
    /// Does nothing.
    Nothing,
}

fn main() {
    match Minimal::parse() {
        Minimal::Nothing => {}
    }
}
