//! What every reader of outside bytes promises, as functions that take any bytes and panic when the promise is broken.
//!
//! The tests feed them with seeded changes of the corpus in `tests/data/corpus/`; a coverage-guided fuzzer feeds them by
//! hand (`tools/fuzz/`). A new reader gets a file here, a folder in the corpus, a row in [`TARGETS`]. What it does not:
//! throw dice (`tests/fuzz_dice/`). Start reading at [`TARGETS`].

pub mod frames;
pub mod replay;
pub mod result;
pub mod scenario;
pub mod session;
pub mod settings;
pub mod stream;
pub mod torque;
pub mod wire;

use std::sync::OnceLock;

use plantstand::scenario::Scenario;

/// A reader with its promise.
#[derive(Clone, Copy)]
pub struct Target {
    /// Its name, which is its folder in the corpus too.
    pub name: &'static str,
    /// Other folders from the project's top whose files it starts from.
    pub folders: &'static [&'static str],
    /// Panics when these bytes make the reader break its promise.
    pub check: fn(&[u8]),
    /// Pieces that mean something to the reader.
    pub words: &'static [&'static str],
}

/// Every reader of outside bytes.
pub const TARGETS: [Target; 9] = [
    Target { name: "wire", folders: &[], check: wire::check, words: wire::WORDS },
    Target { name: "stream", folders: &["tests/data/corpus/wire"], check: stream::check, words: stream::WORDS },
    Target { name: "session", folders: &[], check: session::check, words: session::WORDS },
    Target { name: "frames", folders: &[], check: frames::check, words: frames::WORDS },
    Target { name: "replay", folders: &["tests/data/corpus/session"], check: replay::check, words: replay::WORDS },
    Target { name: "settings", folders: &[], check: settings::check, words: settings::WORDS },
    Target {
        name: "scenario",
        folders: &["tests/data/scenarios", "scenarios", "scenarios/torque"],
        check: scenario::check,
        words: scenario::WORDS,
    },
    Target { name: "torque", folders: &[], check: torque::check, words: torque::WORDS },
    Target { name: "result", folders: &[], check: result::check, words: result::WORDS },
];

/// Bytes as the text that a reader of files would get: what is no UTF-8 never reaches it.
fn text(bytes: &[u8]) -> Option<&str> {
    std::str::from_utf8(bytes).ok()
}

/// The shipped scenario that readers which need a machine are given.
fn dough_sheeter() -> &'static Scenario {
    static READ: OnceLock<Scenario> = OnceLock::new();
    READ.get_or_init(|| scenario_of(include_str!("../../scenarios/dough-sheeter.toml")))
}

const TORQUE: &str = include_str!("../../scenarios/torque/dough-sheeter.toml");

/// The same machine, its speed loop closed outside.
fn torque_roll() -> &'static Scenario {
    static READ: OnceLock<Scenario> = OnceLock::new();
    READ.get_or_init(|| scenario_of(TORQUE))
}

/// The same again, on the clock, with little time: a record may let all of it pass.
fn torque_roll_on_the_clock() -> &'static Scenario {
    static READ: OnceLock<Scenario> = OnceLock::new();
    let clocked = || TORQUE.replacen("[timing]\n", "[timing]\npace = \"real-time\"\n", 1);
    READ.get_or_init(|| scenario_of(&clocked().replacen("time_s = 60 ", "time_s = 0.5 ", 1)))
}

fn scenario_of(text: &str) -> Scenario {
    plantstand::scenario::read("x.toml", text).unwrap_or_else(|complaints| panic!("{complaints:?}"))
}
