//! `check` and `schema` as a shell sees them: lines on standard output, exit status 0 or 2. What no command can read as
//! a scenario is a mistake in what was typed, and a reader that goes away breaks no command.

use std::path::PathBuf;
use std::process::{Command, Stdio};

use plantstand::cli::score::read_scenario;
use plantstand::cli::{Stop, check, schema};

fn check_status(files: &[&str], expected: u8) {
    let files: Vec<PathBuf> = files.iter().map(PathBuf::from).collect();
    assert_eq!(check::run(&files), expected, "{files:?}");
}

/// Fine files give 0; one with a mistake among them, or one that is not there, gives 2.
#[test]
fn check_returns_the_exit_status() {
    check_status(&["scenarios/dough-sheeter.toml", "scenarios/swivel-arm.toml", "scenarios/sluice-gate.toml"], 0);
    check_status(&["scenarios/torque/dough-sheeter.toml", "scenarios/torque/swivel-arm.toml"], 0);
    check_status(&["scenarios/voltage/dough-sheeter.toml"], 0);
    check_status(&["scenarios/dough-sheeter.toml", "tests/data/scenarios/ten-mistakes.toml"], 2);
    check_status(&["scenarios/no-such.toml"], 2);
    check_status(&["scenarios"], 2);
}

/// A known format has a schema, an unknown one and one of later gives 2.
#[test]
fn schema_returns_the_exit_status() {
    assert!(schema::NAMES.into_iter().all(|name| schema::run(name) == 0));
    assert_eq!((schema::run("campaign"), schema::run("scenaro")), (2, 2));
}

fn check_refused(file: &std::path::Path, says: &str) {
    let Err(Stop::Usage(text)) = read_scenario(file) else { panic!("{} was not refused", file.display()) };
    assert!(text.contains(says), "no '{says}' in {text}");
}

/// No file, a folder, and bytes that are no text are refused in words, like any other mistake.
#[test]
fn what_is_no_text_file_is_refused_as_a_scenario() {
    let folder = tempfile::tempdir().expect("a folder for the test");
    let bytes = folder.path().join("bytes.toml");
    std::fs::write(&bytes, b"title = \"x\"\nseed = \xff\n").expect("a file in it");
    check_refused(&folder.path().join("gone.toml"), "there is no such file");
    check_refused(folder.path(), "this is a folder");
    check_refused(&bytes, "bytes.toml:2: syntax: not UTF-8 here\n");
    check_refused(&bytes, "1 complaint, nothing was run");
}

fn check_survives_a_closed_pipe(words: &[&str]) {
    let (reader, writer) = std::io::pipe().expect("a pipe");
    drop(reader);
    let mut command = Command::new(env!("CARGO_BIN_EXE_plantstand"));
    let ran = command.args(words).stdin(Stdio::null()).stdout(writer).output().expect("the program starts");
    assert_eq!((ran.status.code(), ran.stderr), (Some(0), Vec::new()), "{words:?}");
}

/// A pager that is left early closes the pipe; the exit status is what it would have been.
#[test]
fn a_reader_that_goes_away_changes_no_exit_status() {
    check_survives_a_closed_pipe(&["check", "scenarios/dough-sheeter.toml"]);
    check_survives_a_closed_pipe(&["describe", "scenarios/dough-sheeter.toml"]);
    check_survives_a_closed_pipe(&["schema", "result"]);
}
