//! Who may see whom: a folder sees its own files and lower floors, and neighbours do not see each other.
//!
//! What it does not: follow re-exports; those that could carry a name upwards are refused at the root, and anywhere
//! else the file that re-exports must itself be allowed to see what it hands on. Start reading at [`FLOORS`].

use super::paths::{Named, named};
use super::tree::{Complaint, Source};

/// Every folder under `src/` with its floor.
pub const FLOORS: [(&str, u8); 16] = [
    ("base", 0),
    ("plant", 1),
    ("drive", 1),
    ("wire", 1),
    ("score", 1),
    ("linear", 2),
    ("method", 2),
    ("scenario", 3),
    ("bench", 3),
    ("trial", 4),
    ("exercise", 5),
    ("report", 6),
    ("host", 6),
    ("panel", 7),
    ("cli", 8),
    ("main.rs", 9),
];

/// Folders that see less than their floor would let them: a method must not read what a real drive would not show,
/// and the program's first line hands everything to `cli`.
const SEES_ONLY: [(&str, &[&str]); 2] = [("method", &["base", "wire", "score"]), ("main.rs", &["cli"])];

fn floor(folder: &str) -> Option<u8> {
    FLOORS.iter().find(|(name, _)| *name == folder).map(|(_, floor)| *floor)
}

fn may_see(from: &str, to: &str) -> bool {
    let (Some(own), Some(other)) = (floor(from), floor(to)) else { return false };
    let excepted = SEES_ONLY.iter().find(|(name, _)| *name == from);
    from == to || (other < own && excepted.is_none_or(|(_, seen)| seen.contains(&to)))
}

/// What is wrong with the imports of a file under `src/`.
pub fn check(source: &Source) -> Vec<Complaint> {
    let names = named(&source.tokens);
    let mut complaints = Vec::new();
    match source.folder() {
        Some(folder) => {
            if floor(folder).is_none() {
                complaints.push(source.complaint(1, format!("folder {folder} has no floor in tests/tidy/floors.rs")));
            }
            check_paths(source, folder, "crate", &names, &mut complaints);
        }
        None if source.path == "src/main.rs" => {
            check_paths(source, "main.rs", "plantstand", &names, &mut complaints);
            check_paths(source, "main.rs", "crate", &names, &mut complaints);
        }
        None => check_root(source, &names, &mut complaints),
    }
    check_way_up(source, &names, &mut complaints);
    complaints
}

/// The library's root only lists its modules: what it re-exported could be named past the floors.
fn check_root(source: &Source, names: &[Named], complaints: &mut Vec<Complaint>) {
    for name in names.iter().filter(|name| name.words == ["use"]) {
        complaints.push(source.complaint(name.line, "the root re-exports and imports nothing: floors would leak"));
    }
}

/// After `crate::` comes a folder that this one may see.
fn check_paths(source: &Source, from: &str, root: &str, names: &[Named], complaints: &mut Vec<Complaint>) {
    for name in names.iter().filter(|name| name.words[0] == root) {
        let Some(to) = name.words.get(1) else {
            if !name.in_visibility {
                complaints.push(source.complaint(name.line, format!("`{root}` stands alone: name the folder")));
            }
            continue;
        };
        if floor(to).is_none() {
            complaints.push(source.complaint(name.line, format!("`{root}::{to}`: after `{root}::` comes a folder")));
        } else if !may_see(from, to) {
            complaints.push(source.complaint(name.line, format!("{from} must not see {to}: see the floors")));
        }
    }
}

/// No way past the folder's own roof: not by `super`, not by a name for the crate, not by another file's text.
fn check_way_up(source: &Source, names: &[Named], complaints: &mut Vec<Complaint>) {
    let depth = depth_in_folder(&source.path);
    for (name, next) in names.iter().zip(names.iter().skip(1).map(Some).chain([None])) {
        let supers = name.words.iter().filter(|word| *word == "super").count();
        let says = if 1 < supers {
            "`super::super`: name the way from `crate::`"
        } else if supers == 1 && depth + name.inner_modules == 0 {
            "`super` leaves the folder: name the way from `crate::`"
        } else if name.words == ["extern"] && next.is_some_and(|next| next.words[0] == "crate") {
            "`extern crate` gives the library a second name"
        } else if name.words == ["include"] && name.is_macro {
            "`include!` brings another file's text: make it a module"
        } else {
            continue;
        };
        complaints.push(source.complaint(name.line, says));
    }
}

/// How many modules lie between a file and its folder: 0 for `src/plant/mod.rs`, 1 for `src/plant/train.rs`.
fn depth_in_folder(path: &str) -> usize {
    let below_src = path.trim_start_matches("src/");
    let parts = below_src.split('/').count();
    let is_entrance = below_src.ends_with("/mod.rs") || parts == 1;
    parts.saturating_sub(1 + usize::from(is_entrance))
}
