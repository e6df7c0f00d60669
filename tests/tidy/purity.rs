//! The core computes and touches nothing: no clock, socket, file, environment, thread or screen, no order that differs
//! from run to run, and no function whose bits differ from processor to processor.
//!
//! `clippy.toml` bans the same by type, which no alias passes; this reads tokens, which sees code that is compiled
//! elsewhere or not at all. What it does not: know types. So `.exp()` is refused on any value, a matrix or a complex
//! number too: their functions end in the platform's. Start reading at [`check`].

use super::paths::{Named, named};
use super::tree::{Complaint, Source};

/// The folders that may touch the machine.
const SHELL: [&str; 3] = ["host", "panel", "cli"];

/// Names, alone or within a path, and what to use instead.
const NAMES: [(&str, &str); 10] = [
    ("Instant", "the core reads no clock: take a tick number as an argument"),
    ("SystemTime", "the core reads no clock: take the time of day as an argument"),
    ("HashMap", "its order differs from run to run: use BTreeMap or a sorted Vec"),
    ("HashSet", "its order differs from run to run: use BTreeSet or a sorted Vec"),
    ("tokio", "the operating system belongs to host"),
    ("nix", "the operating system belongs to host"),
    ("tempfile", "files belong to host"),
    ("indicatif", "progress belongs to cli"),
    ("clap", "the command line belongs to cli"),
    ("humantime", "people's times of day belong to cli"),
];

/// Beginnings of paths, and what to use instead.
const PATHS: [(&[&str], &str); 8] = [
    (&["std", "net"], "sockets belong to host: take bytes, or a Link of bench/port.rs"),
    (&["std", "fs"], "files belong to host: take or return bytes"),
    (&["std", "env"], "the environment belongs to cli: take the value as an argument"),
    (&["std", "thread"], "threads belong to host: return the work as a list of jobs"),
    (&["std", "process"], "processes belong to host"),
    (&["io", "stdin"], "standard input belongs to cli: take bytes"),
    (&["io", "stdout"], "standard output belongs to cli: return text"),
    (&["io", "stderr"], "standard error belongs to cli: return text"),
];

/// Macros that write to the screen.
const PRINTS: [&str; 5] = ["print", "println", "eprint", "eprintln", "dbg"];

/// Methods of a number that the platform computes. `log` is left to clippy.toml: other things are logged too.
const PLATFORM: [&str; 22] = [
    "sin", "cos", "sin_cos", "tan", "asin", "acos", "atan", "atan2", "sinh", "cosh", "tanh", "exp", "exp2", "exp_m1",
    "ln", "ln_1p", "log2", "log10", "powf", "powi", "cbrt", "mul_add",
];

/// What a core file touches that it must not.
pub fn check(source: &Source) -> Vec<Complaint> {
    let Some(folder) = source.folder() else { return Vec::new() };
    if SHELL.contains(&folder) {
        return Vec::new();
    }
    named(&source.tokens)
        .iter()
        .filter_map(|name| refusal(name).map(|says| source.complaint(name.line, says)))
        .collect()
}

fn refusal(name: &Named) -> Option<String> {
    let last = name.words.last()?.as_str();
    let written = name.words.join("::");
    if let Some((_, instead)) = NAMES.iter().find(|(banned, _)| name.words.iter().any(|word| word == banned)) {
        return Some(format!("`{written}`: {instead}"));
    }
    if let Some((_, instead)) = PATHS.iter().find(|(banned, _)| name.words.windows(2).any(|pair| pair == *banned)) {
        return Some(format!("`{written}`: {instead}"));
    }
    if name.words == ["std", "*"] || name.words == ["std", "time", "*"] || name.words == ["std", "collections", "*"] {
        return Some(format!("`{written}`: name what is used, so that one sees it"));
    }
    if name.is_macro && PRINTS.contains(&last) {
        return Some(format!("`{written}!`: the screen belongs to cli: return text"));
    }
    let is_of_a_number = matches!(name.words[0].as_str(), "f64" | "f32") || name.is_method_call;
    if is_of_a_number && PLATFORM.contains(&last) {
        return Some(format!("`{last}` of the platform has other bits on other processors: use base::real"));
    }
    None
}
