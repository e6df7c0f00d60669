//! What goes out: how the terminal looks, what a settings file holds, how long to wait, and printing.
//!
//! What it does not: write files (`host/files.rs`). Start reading at [`style`].

use std::fmt::Write as _;
use std::io::IsTerminal;
use std::time::Duration;

use crate::cli::Stop;
use crate::host::files::say;
use crate::report::Style;
use crate::report::figure::shown;
use crate::scenario::Scenario;
use crate::trial::result::TrialResult;

/// Width that a sheet gets on a terminal that does not tell its own.
const USUAL_COLUMNS: usize = 100;

/// How standard output may look: plain where it is no terminal, no colour where `NO_COLOR` is set.
#[must_use]
pub fn style() -> Style {
    if !std::io::stdout().is_terminal() {
        return Style::PLAIN;
    }
    let columns = terminal_size::terminal_size().map(|(width, _)| usize::from(width.0));
    Style {
        width: Some(columns.unwrap_or(USUAL_COLUMNS)),
        colour: std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty()),
        unicode: true,
    }
}

/// Prints to standard output. Whoever reads may have gone, such as a pager; the exit status still tells.
///
/// # Errors
/// A full disk behind a redirection, and the like.
pub fn print(text: &str) -> Result<(), Stop> {
    Ok(say(text.as_bytes())?)
}

/// How long a silent method is waited for: `--patience`, or the scenario's. `None`: for ever.
///
/// # Errors
/// Something else than a number of seconds or `off`.
pub fn patience(option: Option<&str>, scenario: &Scenario) -> Result<Option<Duration>, Stop> {
    match option {
        None => Ok(Some(Duration::from_secs_f64(scenario.timing.patience_s))),
        Some("off") => Ok(None),
        Some(text) => match text.parse::<f64>() {
            Ok(seconds) if (0.1..=86_400.0).contains(&seconds) => Ok(Some(Duration::from_secs_f64(seconds))),
            _ => Err(Stop::Usage(format!("--patience {text}; allowed: 0.1 to 86400 s, or off"))),
        },
    }
}

/// The settings as stored, as a file that reads back.
#[must_use]
pub fn settings_file(result: &TrialResult) -> String {
    let title = shown(&result.scenario.title);
    let mut text = format!("# Settings as stored, from a trial on '{title}'.\n[settings]\n");
    for setting in &result.settings {
        // Writing into a String cannot fail.
        let _ = writeln!(text, "{} = {:?}", setting.name, setting.value);
    }
    text
}
