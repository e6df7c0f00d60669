//! `plantstand check FILE...`: reads scenarios and says every complaint at once.
//!
//! What it does not: run anything. Start reading at [`run`].

use std::io::{self, ErrorKind, Write};
use std::path::{Path, PathBuf};

use crate::report::figure::shown;
use crate::scenario::{self, Scenario};

/// Checks files, prints a line for each fine one and every complaint about the others to standard output, and returns
/// the exit status: 0 all fine, 2 a complaint or no such file, 4 a file that the system does not let us read.
#[must_use]
pub fn run(files: &[PathBuf]) -> u8 {
    let mut out = io::stdout().lock();
    let outcomes: Vec<u8> = files.iter().map(|file| check(file, &mut out)).collect();
    // A complaint goes before a file that could not be read, which goes before a fine one.
    [2, 4].into_iter().find(|status| outcomes.contains(status)).unwrap_or(0)
}

fn check(file: &Path, out: &mut dyn Write) -> u8 {
    let name = file.display().to_string();
    let bytes = match std::fs::read(file) {
        Ok(bytes) => bytes,
        Err(error) => {
            eprintln!("{name}: cannot be read: {error}");
            return if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::IsADirectory) { 2 } else { 4 };
        }
    };
    let (lines, status) = judge(&name, &bytes);
    // Whoever reads has gone when this fails; the exit status still tells.
    let _ = lines.iter().try_for_each(|line| writeln!(out, "{line}"));
    status
}

/// The lines that the check of a file's bytes prints, and its exit status.
fn judge(name: &str, bytes: &[u8]) -> (Vec<String>, u8) {
    let text = match as_text(name, bytes) {
        Ok(text) => text,
        Err(complaint) => return (vec![complaint, format!("{name}: 1 complaint")], 2),
    };
    match scenario::read(name, text) {
        Ok(scenario) => (vec![format!("{name}: fine: {}", in_a_line(&scenario))], 0),
        Err(complaints) => {
            let mut lines: Vec<String> = complaints.iter().map(ToString::to_string).collect();
            lines.push(format!("{name}: {}", counted(complaints.len(), "complaint", "complaints")));
            (lines, 2)
        }
    }
}

/// A file's bytes as text.
///
/// # Errors
/// The complaint, with the line of the first byte that is none.
pub fn as_text<'a>(name: &str, bytes: &'a [u8]) -> Result<&'a str, String> {
    std::str::from_utf8(bytes).map_err(|error| {
        let line = 1 + bytes[..error.valid_up_to()].iter().filter(|byte| **byte == b'\n').count();
        format!("{name}:{line}: syntax: not UTF-8 here")
    })
}

/// `Dough sheeter, upper roll; 2 masses, 3 entries until 3.2 s, 6 limits, 2 corners`.
fn in_a_line(scenario: &Scenario) -> String {
    format!(
        "{}; {}, {} until {} s, {}, {}",
        shown(&scenario.title),
        counted(scenario.machine.plant.nodes.len(), "mass", "masses"),
        counted(scenario.programme.entries().len(), "entry", "entries"),
        scenario.timing.rate.seconds(scenario.timing.end_tick),
        counted(scenario.limits.len(), "limit", "limits"),
        counted(scenario.corners.len(), "corner", "corners"),
    )
}

/// `1 mass`, `2 masses`.
pub fn counted(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}
