//! How long `plantstand --version` takes beside a minimal clap program, and a whole trial by the carried method `careful`.
//!
//! usage: start PLANTSTAND SCENARIO. What it does not: look inside. Start reading at [`main`].

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use plantstand_bench::{Asked, alternate, median, row};

/// Pairs of starts: a start takes a millisecond, and its time scatters by as much.
const STARTS: usize = 400;
const TRIALS: usize = 5;

fn main() {
    let arguments: Vec<PathBuf> = std::env::args_os().skip(1).map(PathBuf::from).collect();
    let [plantstand, scenario] = &arguments[..] else { panic!("usage: start PLANTSTAND SCENARIO") };
    let minimal = std::env::current_exe().expect("a program knows its place").with_file_name("minimal");

    let version = [OsStr::new("--version")];
    let paired = alternate(STARTS, || seconds(plantstand, &version), || seconds(&minimal, &version));
    let ms = |seconds: &[f64]| seconds.iter().map(|s| 1e3 * s).collect::<Vec<_>>();
    let ratio = median(&paired.first) / median(&paired.second);
    println!("{}", row("`plantstand --version`", "ms", &ms(&paired.first), 2, Asked::Nothing));
    println!("{}", row("minimal clap program `--version`", "ms", &ms(&paired.second), 2, Asked::Nothing));
    println!("{}", row("ratio of the two medians", "", &[ratio], 2, Asked::AtMost(1.3)));

    let score = [OsStr::new("score"), scenario.as_os_str(), OsStr::new("--no-record")];
    let trials: Vec<f64> = (0..TRIALS).map(|_| seconds(plantstand, &score)).collect();
    println!(
        "{}",
        row("`score` of the first scenario by `careful`, corners included", "s", &trials, 2, Asked::AtMost(10.0))
    );
}

/// Wall time of one run, in s; it must end with 0.
fn seconds(program: &Path, arguments: &[&OsStr]) -> f64 {
    let mut command = Command::new(program);
    command.args(arguments).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    let started = Instant::now();
    let status = command.status().unwrap_or_else(|error| panic!("{} does not start: {error}", program.display()));
    let seconds = started.elapsed().as_secs_f64();
    assert!(status.success(), "{} {arguments:?} ended with {status}", program.display());
    seconds
}
