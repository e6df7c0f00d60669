//! What a newcomer reads: the page at the head of every file, and the map in DEVELOPERS.md, which must match the tree.
//!
//! What it does not: judge the words. Start reading at [`front_page`].

use super::tree::{Complaint, Source};

/// A page must say at least this much, in bytes: a sentence, not a placeholder.
const SHORTEST_PAGE_BYTES: usize = 40;

/// The `//!` lines that a file opens with.
fn page(source: &Source) -> String {
    let lines = source.text.lines().take_while(|line| line.starts_with("//!"));
    lines.map(|line| line.trim_start_matches("//!").trim()).collect::<Vec<_>>().join(" ")
}

/// Whether a file opens with its page: what it does; under `src/` also what it does not; and in a folder's `mod.rs`
/// where to start reading.
pub fn front_page(source: &Source) -> Vec<Complaint> {
    let page = page(source).to_lowercase();
    let mut complaints = Vec::new();
    if page.len() < SHORTEST_PAGE_BYTES {
        complaints.push(source.complaint(1, "opens with no `//!` page that says what it does"));
        return complaints;
    }
    if source.folder().is_some() && !["does not", "do not", "not:"].iter().any(|words| page.contains(words)) {
        complaints.push(source.complaint(1, "its page lacks what it does not (\"What it does not: ...\")"));
    }
    let is_entrance = source.folder().is_some() && source.path.ends_with("/mod.rs");
    if is_entrance && !page.contains("start reading") {
        complaints.push(source.complaint(1, "its page lacks where to start reading (\"Start reading at ...\")"));
    }
    complaints
}

/// The words between backticks, outside of fenced blocks, with their line numbers.
fn quoted(text: &str) -> Vec<(usize, &str)> {
    let mut fenced = false;
    let mut found = Vec::new();
    for (line, words) in text.lines().enumerate() {
        if words.trim_start().starts_with("```") {
            fenced = !fenced;
        } else if !fenced {
            found.extend(words.split('`').skip(1).step_by(2).map(|words| (line + 1, words)));
        }
    }
    found
}

/// Where the project's own files lie.
const OWN: [&str; 5] = ["src/", "tests/", "tools/", "scenarios/", ".ci/"];

/// Whether a quoted word looks like a file or folder of the project: a slash and a place among its own folders or an
/// ending, and nothing to be filled in.
fn is_path(word: &str) -> bool {
    let plain = word.chars().all(|c| c.is_ascii_alphanumeric() || "._-/".contains(c));
    let made_by_a_run = ["target/", "records/"].iter().any(|folder| word.starts_with(folder));
    let name = word.rsplit('/').next().unwrap_or(word);
    let has_ending = name.rsplit_once('.').is_some_and(|(_, ending)| !ending.is_empty());
    let is_own = OWN.iter().any(|folder| word.starts_with(folder));
    plain && !made_by_a_run && word.contains('/') && (is_own || has_ending)
}

/// Whether a page names a file or folder that does not exist. What lies under `src/` may be named from there.
pub fn dead_paths(name: &str, text: &str, entries: &[String]) -> Vec<String> {
    let exists = |word: &str| {
        let path = word.trim_end_matches('/');
        entries.iter().any(|entry| entry == path || entry.strip_prefix("src/") == Some(path)) || OWN.contains(&word)
    };
    let dead = quoted(text).into_iter().filter(|(_, word)| is_path(word) && !exists(word));
    dead.map(|(line, word)| format!("{name}:{line}: names `{word}`, which does not exist")).collect()
}

/// Folders under `src/` that a page does not name as `src/folder/`.
pub fn unnamed_folders(name: &str, text: &str, folders: &[String]) -> Vec<String> {
    let quoted = quoted(text);
    let missing = folders.iter().filter(|folder| !quoted.iter().any(|(_, word)| *word == format!("{folder}/")));
    missing.map(|folder| format!("{name}: does not name `{folder}/`")).collect()
}

/// Dependencies in a manifest that no row of a table in the page begins with, alone or in a list of names.
pub fn unexplained_dependencies(name: &str, text: &str, manifest: &str) -> Vec<String> {
    let first_cells = text.lines().filter_map(|line| line.strip_prefix("| ")?.split('|').next());
    let explained: Vec<&str> = first_cells.flat_map(|cell| cell.split([',', ' '])).collect();
    let missing = dependencies(manifest).into_iter().filter(|dependency| !explained.contains(dependency));
    missing.map(|dependency| format!("{name}: no reason for the dependency {dependency}")).collect()
}

fn dependencies(manifest: &str) -> Vec<&str> {
    let mut inside = false;
    let mut found = Vec::new();
    for line in manifest.lines() {
        if line.starts_with('[') {
            inside = line.trim_end().ends_with("dependencies]");
        } else if inside && let Some((dependency, _)) = line.split_once(" = ") {
            found.push(dependency);
        }
    }
    found
}
