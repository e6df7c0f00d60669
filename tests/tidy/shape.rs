//! Names, sizes and leftovers: nothing unsafe, nothing unfinished, nothing switched off, nothing called by a name that
//! says nothing, and a reason in front of whatever is long.
//!
//! What it does not: format or lint; rustfmt and clippy do. Start reading at the public functions.

use proc_macro2::{Ident, TokenStream, TokenTree};
use syn::spanned::Spanned;
use syn::visit::{self, Visit};

use super::paths::named;
use super::tree::{Complaint, Source};

/// Lines above which a file says why.
const FILE_LINES: usize = 500;
/// Lines above which a function says why.
const FUNCTION_LINES: usize = 70;
/// How that comment begins, after `//` or `#`; the reason follows.
const REASON: &str = "Long because ";
/// Names that say nothing about what is inside.
const EMPTY_NAMES: [&str; 7] = ["util", "utils", "common", "helper", "helpers", "misc", "types"];

/// `unsafe`, and macros that stand for work not done.
pub fn leftovers(source: &Source) -> Vec<Complaint> {
    let found = named(&source.tokens).into_iter().filter_map(|name| {
        let last = name.words.last()?.as_str();
        let says = match last {
            "unsafe" => "`unsafe`: find a crate whose safe interface does it",
            "todo" | "unimplemented" if name.is_macro => "unfinished: build it, or say in the result what is not built",
            _ => return None,
        };
        Some(source.complaint(name.line, says))
    });
    found.collect()
}

/// Attributes that switch a test or a lint off. Tests are never ignored; a lint is silenced with its reason, and the
/// root lifts the core's bans for the shell.
pub fn switched_off(source: &Source) -> Vec<Complaint> {
    let mut complaints = Vec::new();
    for (line, words) in attributes(&source.tokens) {
        let text: String = words.to_string().split_whitespace().collect();
        let silences = text.starts_with("allow(") || text.starts_with("expect(");
        let lifts_for_shell = source.path == "src/lib.rs" && text.contains("clippy::disallowed_");
        if text.starts_with("ignore") {
            complaints.push(source.complaint(line, "an ignored test keeps no promise: make it run, or delete it"));
        } else if silences && !text.contains("reason=") && !lifts_for_shell {
            complaints.push(source.complaint(line, "a lint silenced without `reason = \"...\"`"));
        }
    }
    complaints
}

/// The insides of every `#[...]` and `#![...]`, with their lines.
fn attributes(tokens: &TokenStream) -> Vec<(usize, TokenStream)> {
    let mut found = Vec::new();
    let mut after_sharp = false;
    for token in tokens.clone() {
        match &token {
            TokenTree::Punct(punct) => after_sharp = punct.as_char() == '#' || (after_sharp && punct.as_char() == '!'),
            TokenTree::Group(group) if after_sharp => {
                found.push((group.span().start().line, group.stream()));
                after_sharp = false;
            }
            TokenTree::Group(group) => found.extend(attributes(&group.stream())),
            _ => after_sharp = false,
        }
    }
    found
}

/// A file or folder whose name says nothing.
pub fn empty_names(entries: &[String]) -> Vec<String> {
    let says_nothing = |entry: &&String| {
        let name = entry.rsplit('/').next().unwrap_or(entry);
        let stem = name.split('.').next().unwrap_or(name);
        stem.split(['_', '-']).any(|word| EMPTY_NAMES.contains(&word))
    };
    entries.iter().filter(says_nothing).map(|entry| format!("{entry}: its name does not say what is inside")).collect()
}

/// A long file without a reason among its first lines, up to the first one that is neither comment nor empty.
pub fn long_file(path: &str, text: &str) -> Option<String> {
    let lines = text.lines().count();
    let mut head =
        text.lines().take_while(|line| line.trim().is_empty() || line.starts_with("//") || line.starts_with('#'));
    let reasoned = head.any(is_reason);
    (FILE_LINES < lines && !reasoned).then(|| format!("{path}: {lines} lines and no \"{REASON}...\" at its head"))
}

/// Long functions without a reason on the line above them (or above their documentation and attributes).
pub fn long_functions(source: &Source) -> Vec<Complaint> {
    let file = syn::parse_file(&source.text).unwrap_or_else(|error| panic!("{}: {error}", source.path));
    let mut lengths = Lengths::default();
    lengths.visit_file(&file);
    let lines: Vec<&str> = source.text.lines().collect();
    let long = lengths.found.into_iter().filter(|f| FUNCTION_LINES < f.lines && !has_reason_above(&lines, f.line));
    long.map(|f| source.complaint(f.line, format!("{} has {} lines and no \"// {REASON}...\" above", f.name, f.lines)))
        .collect()
}

fn has_reason_above(lines: &[&str], line: usize) -> bool {
    let mut above = lines[..line - 1].iter().rev();
    above.by_ref().find(|line| !is_documentation(line)).is_some_and(|line| is_reason(line))
        || lines[..line - 1].last().is_some_and(|line| is_reason(line))
}

fn is_documentation(line: &str) -> bool {
    let line = line.trim_start();
    line.starts_with("///") || line.starts_with("#[")
}

fn is_reason(line: &str) -> bool {
    let comment = line.trim_start().trim_start_matches(['/', '#']).trim_start();
    comment.strip_prefix(REASON).is_some_and(|reason| !reason.trim().is_empty())
}

struct Function {
    name: String,
    line: usize,
    lines: usize,
}

#[derive(Default)]
struct Lengths {
    found: Vec<Function>,
}

impl Lengths {
    fn add(&mut self, name: &Ident, first: usize, block: &syn::Block) {
        let last = block.span().end().line;
        self.found.push(Function { name: name.to_string(), line: first, lines: last + 1 - first });
    }
}

impl<'ast> Visit<'ast> for Lengths {
    fn visit_item_fn(&mut self, item: &'ast syn::ItemFn) {
        self.add(&item.sig.ident, item.sig.span().start().line, &item.block);
        visit::visit_item_fn(self, item);
    }

    fn visit_impl_item_fn(&mut self, item: &'ast syn::ImplItemFn) {
        self.add(&item.sig.ident, item.sig.span().start().line, &item.block);
        visit::visit_impl_item_fn(self, item);
    }

    fn visit_trait_item_fn(&mut self, item: &'ast syn::TraitItemFn) {
        if let Some(block) = &item.default {
            self.add(&item.sig.ident, item.sig.span().start().line, block);
        }
        visit::visit_trait_item_fn(self, item);
    }
}
