//! `check` and `schema` as a shell sees them: lines on standard output, exit status 0 or 2.

use std::path::PathBuf;

use plantstand::cli::{check, schema};

fn check_status(files: &[&str], expected: u8) {
    let files: Vec<PathBuf> = files.iter().map(PathBuf::from).collect();
    assert_eq!(check::run(&files), expected, "{files:?}");
}

/// Fine files give 0; one with a mistake among them, or one that is not there, gives 2.
#[test]
fn check_returns_the_exit_status() {
    check_status(&["scenarios/dough-sheeter.toml", "scenarios/swivel-arm.toml", "scenarios/sluice-gate.toml"], 0);
    check_status(&["scenarios/dough-sheeter.toml", "tests/data/scenarios/ten-mistakes.toml"], 2);
    check_status(&["scenarios/no-such.toml"], 2);
    check_status(&["scenarios"], 2);
}

/// A known format has a schema, an unknown one and one of later gives 2.
#[test]
fn schema_returns_the_exit_status() {
    assert!(schema::NAMES.into_iter().all(|name| schema::run(name) == 0));
    assert_eq!((schema::run("suite"), schema::run("scenaro")), (2, 2));
}
