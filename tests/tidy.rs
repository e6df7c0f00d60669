//! The house rules that a machine can check, each on the whole project and each on snippets that must be refused: a rule
//! that passes everything would be no rule.
//!
//! What it does not: format, lint, or judge words. Start reading at `tidy/floors.rs`, the rule everything else leans on.

#[path = "tidy/floors.rs"]
mod floors;
#[path = "tidy/pages.rs"]
mod pages;
#[path = "tidy/paths.rs"]
mod paths;
#[path = "tidy/purity.rs"]
mod purity;
#[path = "tidy/refused.rs"]
mod refused;
#[path = "tidy/shape.rs"]
mod shape;
#[path = "tidy/tree.rs"]
mod tree;

use tree::{Complaint, Source};

/// Applies a rule to every Rust file of the project and fails with all that it finds.
fn check_every_file(rule: fn(&Source) -> Vec<Complaint>) {
    let complaints: Vec<String> =
        tree::sources().iter().flat_map(rule).map(|complaint| complaint.to_string()).collect();
    check_none(&complaints);
}

/// Applies a rule to the files under `src/`.
fn check_every_product_file(rule: fn(&Source) -> Vec<Complaint>) {
    let sources = tree::sources();
    let complaints = sources.iter().filter(|source| source.is_product()).flat_map(rule);
    check_none(&complaints.map(|complaint| complaint.to_string()).collect::<Vec<_>>());
}

fn check_none(complaints: &[String]) {
    assert!(complaints.is_empty(), "{} complaints\n{}\n", complaints.len(), complaints.join("\n"));
}

#[test]
fn a_folder_sees_itself_and_lower_floors_only() {
    check_every_product_file(floors::check);
}

#[test]
fn the_core_touches_nothing() {
    check_every_product_file(purity::check);
}

#[test]
fn nothing_is_unsafe_or_unfinished() {
    check_every_file(shape::leftovers);
}

#[test]
fn no_test_is_ignored_and_no_lint_silenced_without_a_reason() {
    check_every_file(shape::switched_off);
}

#[test]
fn every_file_opens_with_its_page() {
    check_every_file(pages::front_page);
}

#[test]
fn long_functions_say_why() {
    check_every_file(shape::long_functions);
}

#[test]
fn long_files_say_why() {
    let is_code = |path: &String| [".rs", ".py", ".sh"].iter().any(|ending| path.ends_with(ending));
    let code = tree::entries(&["src", "tests", "tools"]).into_iter().filter(is_code);
    check_none(&code.filter_map(|path| shape::long_file(&path, &tree::read(&path))).collect::<Vec<_>>());
}

#[test]
fn every_name_says_what_is_inside() {
    check_none(&shape::empty_names(&tree::entries(&["src", "tests", "tools", "scenarios"])));
}

#[test]
fn the_map_names_every_folder() {
    let is_folder = |path: &String| tree::top().join(path).is_dir();
    let folders: Vec<String> = tree::entries(&["src"]).into_iter().filter(is_folder).collect();
    check_none(&pages::unnamed_folders("DEVELOPERS.md", &tree::read("DEVELOPERS.md"), &folders));
}

#[test]
fn the_pages_name_no_file_that_does_not_exist() {
    let mut entries = tree::entries(&["src", "tests", "tools", "scenarios"]);
    entries.push(".ci/run".to_owned());
    let dead = ["README.md", "DEVELOPERS.md"].map(|page| pages::dead_paths(page, &tree::read(page), &entries));
    check_none(&dead.concat());
}

#[test]
fn every_dependency_has_its_reason() {
    let missing =
        pages::unexplained_dependencies("DEVELOPERS.md", &tree::read("DEVELOPERS.md"), &tree::read("Cargo.toml"));
    check_none(&missing);
}
