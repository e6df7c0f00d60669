//! The readers of outside bytes under a coverage-guided fuzzer, by hand: the same promises as `tests/fuzz_readers.rs`.
//!
//! Which one is in the environment, as `run.sh` sets it. What it does not: run in `tools/check`. Start reading at
//! [`target`].

#![no_main]

use std::sync::OnceLock;

use libfuzzer_sys::fuzz_target;

#[path = "../../../tests/fuzz_targets/mod.rs"]
#[expect(dead_code, reason = "words and folders are for the dice of the tests")]
mod fuzz_targets;

use fuzz_targets::{TARGETS, Target};

/// The reader that the environment names.
fn target() -> &'static Target {
    static CHOSEN: OnceLock<Target> = OnceLock::new();
    CHOSEN.get_or_init(|| {
        let name = std::env::var("PLANTSTAND_FUZZ_TARGET").unwrap_or_default();
        let found = TARGETS.into_iter().find(|target| target.name == name);
        found.unwrap_or_else(|| panic!("no target '{name}'; see run.sh"))
    })
}

fuzz_target!(|bytes: &[u8]| (target().check)(bytes));
