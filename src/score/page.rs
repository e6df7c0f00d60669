//! `MEASURES.md`, made from the table of measures.
//!
//! What it does not: write files (a test does, when asked to). Start reading at [`measures_page`].

use crate::score::measure_table::{ROWS, Row};

/// The text of `MEASURES.md`.
#[must_use]
pub fn measures_page() -> String {
    let mut page = String::from(
        "# Measures\n\nMade from `measure_table.rs` by `tests/score_page.rs`; do not edit by hand \
         (`PLANTSTAND_WRITE_PAGES=1 cargo test --release --test score_page` rewrites it).\n\n\
         Speeds are true speeds before any sensor, as motor speeds, at the load unless a limit says `side = \"motor\"`. \
         Between samples everything is linear. A window runs from its programme entry to the next one; `last_s` narrows \
         it to its end. A measure without an answer says which of `not defined`, `not settled`, `not reached`, `none`, \
         `unstable` applies; `none` holds a limit, the others miss it.\n\n\
         | measure | unit | taken from | keys of a limit | definition | edge cases | source |\n\
         | --- | --- | --- | --- | --- | --- | --- |\n",
    );
    for row in ROWS.iter().filter(|row| row.built) {
        page.push_str(&line(row));
    }
    page.push_str("\nNot built yet, and refused as such by name: ");
    let later: Vec<String> = ROWS.iter().filter(|row| !row.built).map(|row| format!("`{}`", row.name)).collect();
    page.push_str(&later.join(", "));
    page.push_str(".\n");
    page
}

/// One row of the table.
fn line(row: &Row) -> String {
    let keys: Vec<String> = row.options.iter().map(|key| format!("`{}`", key.name())).collect();
    let taken_from = if row.kind.has_window() { ", over a window" } else { "" };
    // A bar inside a cell would end it.
    let cell = |text: &str| text.replace('|', "\\|");
    format!(
        "| `{}` | {} | {}{taken_from} | {} | {} | {} | {} |\n",
        row.name,
        row.unit,
        row.kind.words(),
        keys.join(" "),
        cell(row.definition),
        cell(row.edge_cases),
        cell(row.source)
    )
}
