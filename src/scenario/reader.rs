//! Reading a table by its description: a complaint about every key that the description does not allow.
//!
//! What it does not: relations between keys (`check/`), values (`view.rs`). Start reading at [`walk`].

use std::borrow::Cow;

use crate::scenario::complaint::{Complaint, Kind};
use crate::scenario::file::{Document, Table, Value, ValueKind};
use crate::scenario::shape::{Presence, Section, Shape, Tagged, allowed_texts};

/// Complaints as they come up, each with the byte offset it belongs to.
#[derive(Clone, Debug, Default)]
pub(crate) struct Complaints {
    /// File and line are filled in at the end.
    pub(crate) list: Vec<(usize, Complaint)>,
}

impl Complaints {
    /// Adds a complaint about a key and gives it back, for what was found and the nearest name.
    pub(crate) fn add(
        &mut self,
        at: usize,
        kind: Kind,
        key: impl Into<String>,
        allowed: impl Into<String>,
    ) -> &mut Complaint {
        let complaint = Complaint::new(kind, key.into(), allowed.into());
        self.list.push((at, complaint));
        let last = self.list.len() - 1;
        &mut self.list[last].1
    }

    /// Whether another key was meant to be this one, misspelt: then it has its complaint and is not missing besides.
    pub(crate) fn tell_of_misspelt(&self, path: &str, name: &str) -> bool {
        let misspelt = |complaint: &Complaint| {
            let beside = complaint.key.strip_prefix(path).and_then(|rest| rest.strip_prefix('.'));
            complaint.kind == Kind::UnknownKey && complaint.nearest.as_deref() == Some(name) && beside.is_some()
        };
        self.list.iter().any(|(_, complaint)| misspelt(complaint))
    }

    /// The complaints in file order with file and line, without those that only follow from a syntax error.
    pub(crate) fn placed(self, name: &str, document: &Document) -> Vec<Complaint> {
        let syntax = document.errors.iter().map(|error| (error.line, Complaint::of_syntax(&error.message)));
        let others = self.list.into_iter().map(|(at, complaint)| (document.line_of(at), at, complaint));
        let mut others: Vec<(usize, usize, Complaint)> = others
            .filter(|(line, _, complaint)| !document.is_broken(*line) && !complaint.is_lost_in(document))
            .collect();
        others.sort_by_key(|(_, at, _)| *at);
        let mut all: Vec<(usize, Complaint)> =
            syntax.chain(others.into_iter().map(|(line, _, complaint)| (line, complaint))).collect();
        all.sort_by_key(|(line, _)| *line);
        all.into_iter().map(|(line, complaint)| Complaint { file: name.to_owned(), line, ..complaint }).collect()
    }
}

/// The last name of a path.
fn last_name(path: &str) -> &str {
    path.rsplit('.').next().unwrap_or(path).trim_matches('"')
}

impl Complaint {
    fn new(kind: Kind, key: String, allowed: String) -> Self {
        Self { file: String::new(), line: 0, key, kind, found: None, allowed, nearest: None, corner: None }
    }

    /// The only complaint about a file that is too long to look at.
    pub(crate) fn too_long(name: &str, found_bytes: usize, allowed_bytes: usize) -> Self {
        let allowed = format!("{found_bytes} bytes; allowed up to {allowed_bytes}");
        Self { file: name.to_owned(), line: 1, ..Self::new(Kind::Impossible, String::new(), allowed) }
    }

    fn of_syntax(message: &str) -> Self {
        Self::new(Kind::Syntax, String::new(), format!("syntax: {message}"))
    }

    /// Whether what it misses stands in a line that is no TOML.
    fn is_lost_in(&self, document: &Document) -> bool {
        match (self.kind, &self.found) {
            (Kind::Missing, _) | (Kind::UnknownName, None) => document.may_hide(last_name(&self.key)),
            (Kind::UnknownName, Some(found)) => document.may_hide(found),
            _ => false,
        }
    }

    /// The same complaint with what was found.
    pub(crate) fn found(&mut self, found: Option<&str>) -> &mut Self {
        self.found = found.map(str::to_owned);
        self
    }

    /// The same complaint with the known name nearest to a name: at most a third of the longer one's letters differ.
    pub(crate) fn near<'n>(&mut self, name: &str, known: impl Iterator<Item = &'n str>) -> &mut Self {
        self.nearest = known
            .map(|known| (strsim::osa_distance(name, known), known))
            .filter(|(distance, known)| 3 * distance <= name.chars().count().max(known.chars().count()))
            .min_by_key(|(distance, _)| *distance)
            .map(|(_, known)| known.to_owned());
        self
    }
}

/// The path of a key within a path.
pub(crate) fn join(path: &str, key: &str) -> String {
    let key = if key.is_empty() || key.contains(['.', ' ']) { Cow::from(format!("{key:?}")) } else { Cow::from(key) };
    if path.is_empty() { key.into_owned() } else { format!("{path}.{key}") }
}

/// Complains about everything in a table that its description does not allow, and about what is missing.
pub(crate) fn walk(table: &Table, section: &Section, path: &str, complaints: &mut Complaints) {
    walk_keys(table, &Keys { tag: None, section }, path, complaints);
}

/// The keys a table may hold: those of its section and, of a table with a kind, `kind` itself.
struct Keys<'s> {
    /// `kind` and its value.
    tag: Option<(&'static str, &'static str)>,
    section: &'s Section,
}

impl Keys<'_> {
    fn unknown(&self) -> String {
        self.tag.map_or("unknown key".to_owned(), |(tag, kind)| format!("unknown key beside {tag} = {kind:?}"))
    }
}

fn walk_keys(table: &Table, keys: &Keys<'_>, path: &str, complaints: &mut Complaints) {
    let section = keys.section;
    let mut meant: Vec<String> = Vec::new();
    for entry in &table.entries {
        let name = entry.key.as_str();
        let path = join(path, name);
        if let Some(key) = section.keys.iter().find(|key| key.name == name) {
            walk_value(&entry.value, &key.shape, &path, complaints);
        } else if section.later.contains(&name) {
            complaints.add(entry.at, Kind::NotBuiltYet, path, "not built yet");
        } else if keys.tag.is_none_or(|(tag, _)| tag != name) {
            let known = section
                .keys
                .iter()
                .map(|key| key.name)
                .chain(section.later.iter().copied())
                .chain(keys.tag.map(|(tag, _)| tag));
            let unknown = complaints.add(entry.at, Kind::UnknownKey, path, keys.unknown()).near(name, known);
            meant.extend(unknown.nearest.clone());
        }
    }
    for key in section.keys {
        // A key that another one was meant to be is there, if misspelt.
        let is_there = table.entry(key.name).is_some() || meant.iter().any(|meant| meant == key.name);
        if matches!(key.presence, Presence::Needed) && !is_there {
            let allowed = format!("missing; {}", key.shape.words());
            complaints.add(table.at, Kind::Missing, join(path, key.name), allowed);
        }
    }
}

fn walk_value(value: &Value, shape: &Shape, path: &str, complaints: &mut Complaints) {
    match (shape, &value.kind) {
        (Shape::Table(section), ValueKind::Table(table)) => walk(table, section, path, complaints),
        (Shape::Tagged(tagged), ValueKind::Table(table)) => walk_tagged(table, tagged, path, complaints),
        (Shape::Tables(section), ValueKind::List(list)) => {
            walk_list(list, path, complaints, |table, path, complaints| walk(table, section, path, complaints));
        }
        (Shape::TaggedTables(tagged), ValueKind::List(list)) => {
            walk_list(list, path, complaints, |table, path, complaints| walk_tagged(table, tagged, path, complaints));
        }
        // Their keys are names and paths, which the checks know.
        (Shape::Settings | Shape::Changes | Shape::Tolerances | Shape::Factors, ValueKind::Table(_)) => {}
        _ => {
            if let Some((kind, allowed)) = shape.objection(&value.kind) {
                let known = shape.known_names();
                let name = if let ValueKind::Text(text) = &value.kind { text.as_str() } else { "" };
                let complaint = complaints.add(value.at, kind, path, allowed).found(value.shown());
                if kind != Kind::NotBuiltYet {
                    complaint.near(name, known);
                }
            }
        }
    }
}

fn walk_list(
    list: &[Value],
    path: &str,
    complaints: &mut Complaints,
    mut each: impl FnMut(&Table, &str, &mut Complaints),
) {
    for (index, item) in list.iter().enumerate() {
        let path = format!("{path}.{index}");
        match &item.kind {
            ValueKind::Table(table) => each(table, &path, complaints),
            other => {
                let allowed = format!("{} where a table belongs", other.words());
                complaints.add(item.at, Kind::WrongType, path, allowed).found(item.shown());
            }
        }
    }
}

fn walk_tagged(table: &Table, tagged: &'static Tagged, path: &str, complaints: &mut Complaints) {
    let path_of_kind = join(path, "kind");
    let names = || tagged.variants.iter().map(|variant| variant.name);
    let allowed = allowed_texts(names());
    let Some(entry) = table.entry("kind") else {
        if let Some(variant) = tagged.variant_of(table) {
            walk_keys(table, &Keys { tag: None, section: &variant.section }, path, complaints);
            return;
        }
        complaints.add(table.at, Kind::Missing, path_of_kind, format!("missing; {allowed}"));
        return;
    };
    let (at, shown) = (entry.value.at, entry.value.shown());
    let ValueKind::Text(kind) = &entry.value.kind else {
        let allowed = format!("{} where a text belongs; {allowed}", entry.value.kind.words());
        complaints.add(at, Kind::WrongType, path_of_kind, allowed).found(shown);
        return;
    };
    if let Some(variant) = tagged.variant(kind) {
        walk_keys(table, &Keys { tag: Some(("kind", variant.name)), section: &variant.section }, path, complaints);
    } else if tagged.later.contains(&kind.as_str()) {
        complaints.add(at, Kind::NotBuiltYet, path_of_kind, format!("not built yet; {allowed}")).found(shown);
    } else {
        let known = names().chain(tagged.later.iter().copied());
        complaints.add(at, Kind::Impossible, path_of_kind, allowed).found(shown).near(kind, known);
    }
}

impl Value {
    /// How a complaint shows it: as it is written, except for what is longer than a line.
    pub(crate) fn shown(&self) -> Option<&str> {
        (!matches!(self.kind, ValueKind::Table(_))).then_some(self.written.as_str())
    }
}
