//! `plantstand schema NAME`: prints the JSON Schema of a file format.
//!
//! What it does not: check files. Start reading at [`run`].

use crate::cli::Outcome;
use crate::cli::output;
use crate::report::json;
use crate::scenario;

/// Formats that have a schema.
pub const NAMES: [&str; 4] = ["scenario", "suite", "result", "suite-result"];

/// Formats of later capabilities.
const LATER: [&str; 2] = ["campaign", "exercise"];

/// Prints the schema of a format to standard output and returns the exit status: 0, or 2 for a name that has none.
#[must_use]
pub fn run(name: &str) -> u8 {
    let schema = match name {
        "scenario" => scenario::schema(),
        "suite" => scenario::suite_schema(),
        "result" => json::result_schema(),
        "suite-result" => json::suite_result_schema(),
        _ => {
            let why = if LATER.contains(&name) { "not built yet" } else { "unknown" };
            eprintln!("schema {name}: {why}; allowed {}", NAMES.join(", "));
            return 2;
        }
    };
    match output::print(&format!("{schema:#}\n")) {
        Ok(()) => 0,
        Err(_) => Outcome::Unable.status(),
    }
}
