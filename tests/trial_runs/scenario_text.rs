//! Scenario files as texts, to be changed in a line and read.
//!
//! What it does not: write them anywhere. Start reading at [`dough_sheeter`].

use plantstand::scenario::{self, Scenario};

/// The shipped dough sheeter.
pub fn dough_sheeter() -> String {
    include_str!("../../scenarios/dough-sheeter.toml").to_owned()
}

/// A scenario that has no complaints.
pub fn read(text: &str) -> Scenario {
    scenario::read("test.toml", text).unwrap_or_else(|complaints| panic!("{complaints:?}"))
}
