//! A section of the file beside its description: typed access to what is sound.
//!
//! What it does not: complain about a single key (`reader.rs` has done that). Start reading at [`View`].

use crate::scenario::complaint::Kind;
use crate::scenario::file::{Entry, Table, Value, ValueKind};
use crate::scenario::reader::{Complaints, join};
use crate::scenario::shape::{Key, Presence, Section, Shape};

/// A section of the file beside its description: the values that are sound, `None` for those that are not.
#[derive(Clone, Debug)]
pub(crate) struct View<'f> {
    /// The table in the file.
    pub(crate) table: &'f Table,
    /// The path of the section.
    pub(crate) path: String,
    section: &'static Section,
}

impl<'f> View<'f> {
    /// A view of a table.
    pub(crate) fn new(table: &'f Table, section: &'static Section, path: impl Into<String>) -> Self {
        Self { table, path: path.into(), section }
    }

    /// The path of a key.
    pub(crate) fn path_of(&self, key: &str) -> String {
        join(&self.path, key)
    }

    /// The place of a key, or of the section where the key is absent.
    pub(crate) fn place_of(&self, key: &str) -> usize {
        self.table.entry(key).map_or(self.table.at, |entry| entry.at)
    }

    /// Whether the key is there, sound or not.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.table.entry(key).is_some()
    }

    /// Complains that a value cannot be, whatever its own range allows.
    pub(crate) fn refuse(&self, key: &str, allowed: &str, complaints: &mut Complaints) {
        let found = self.table.entry(key).and_then(|entry| entry.value.shown());
        complaints.add(self.place_of(key), Kind::Impossible, self.path_of(key), allowed).found(found);
    }

    /// Complains that a key must be there, where other keys make it needed.
    pub(crate) fn miss(&self, key: &str, why: &str, complaints: &mut Complaints) {
        if !complaints.tell_of_misspelt(&self.path, key) {
            complaints.add(self.table.at, Kind::Missing, self.path_of(key), format!("missing; {why}"));
        }
    }

    fn described(&self, name: &str) -> Option<&'static Key> {
        self.section.keys.iter().find(|key| key.name == name)
    }

    /// A key that a check asks for by a name of its own: one that the description does not list is our mistake.
    fn key(&self, name: &str) -> &'static Key {
        match self.described(name) {
            Some(key) => key,
            None => panic!("the check asks for {name}, which {:?} does not list", self.section.what),
        }
    }

    fn sound(&self, name: &str) -> (&'static Key, Option<&'f Entry>) {
        let key = self.key(name);
        let entry = self.table.entry(name);
        (key, entry.filter(|entry| key.shape.objection(&entry.value.kind).is_none()))
    }

    /// A number, or what stands for its absence.
    pub(crate) fn number(&self, name: &str) -> Option<f64> {
        match (self.sound(name), self.has(name)) {
            ((_, Some(entry)), _) => entry.value.kind.number(),
            ((Key { presence: Presence::Number(preset), .. }, None), false) => Some(*preset),
            _ => None,
        }
    }

    /// A whole number, or what stands for its absence.
    pub(crate) fn whole(&self, name: &str) -> Option<u64> {
        match (self.sound(name), self.has(name)) {
            ((_, Some(entry)), _) => entry.value.kind.whole(),
            ((Key { presence: Presence::Whole(preset), .. }, None), false) => Some(*preset),
            _ => None,
        }
    }

    /// A whole number that fits 32 bits.
    pub(crate) fn count(&self, name: &str) -> Option<u32> {
        self.whole(name).and_then(|whole| u32::try_from(whole).ok())
    }

    /// A whole number of either sign.
    pub(crate) fn signed(&self, name: &str) -> Option<i64> {
        match self.sound(name).1.map(|entry| &entry.value.kind) {
            Some(ValueKind::Whole(whole)) => Some(*whole),
            _ => None,
        }
    }

    /// Yes or no, or what stands for its absence.
    pub(crate) fn flag(&self, name: &str) -> Option<bool> {
        match (self.sound(name), self.has(name)) {
            ((_, Some(Entry { value: Value { kind: ValueKind::Flag(flag), .. }, .. })), _) => Some(*flag),
            ((Key { presence: Presence::Flag(preset), .. }, None), false) => Some(*preset),
            _ => None,
        }
    }

    /// A text.
    pub(crate) fn text(&self, name: &str) -> Option<&'f str> {
        match self.sound(name).1.map(|entry| &entry.value.kind) {
            Some(ValueKind::Text(text)) => Some(text),
            _ => None,
        }
    }

    /// The texts of a list.
    pub(crate) fn texts(&self, name: &str) -> Option<Vec<&'f str>> {
        match self.sound(name).1.map(|entry| &entry.value.kind) {
            Some(ValueKind::List(list)) => Some(list.iter().filter_map(|item| item.kind.text()).collect()),
            _ => None,
        }
    }

    /// The numbers of a list.
    pub(crate) fn numbers(&self, name: &str) -> Option<Vec<f64>> {
        match self.sound(name).1.map(|entry| &entry.value.kind) {
            Some(ValueKind::List(list)) => Some(list.iter().filter_map(|item| item.kind.number()).collect()),
            _ => None,
        }
    }

    /// The whole numbers of a list.
    pub(crate) fn wholes(&self, name: &str) -> Option<Vec<u64>> {
        match self.sound(name).1.map(|entry| &entry.value.kind) {
            Some(ValueKind::List(list)) => Some(list.iter().filter_map(|item| item.kind.whole()).collect()),
            _ => None,
        }
    }

    /// Two ascending numbers.
    pub(crate) fn pair(&self, name: &str) -> Option<[f64; 2]> {
        self.numbers(name).and_then(|numbers| <[f64; 2]>::try_from(numbers).ok())
    }

    /// The table of a key whose keys the check knows.
    pub(crate) fn table(&self, name: &str) -> Option<&'f Table> {
        match &self.table.entry(name)?.value.kind {
            ValueKind::Table(table) => Some(table),
            _ => None,
        }
    }

    /// A section within this one.
    pub(crate) fn view(&self, name: &str) -> Option<View<'f>> {
        view_of(&self.table.entry(name)?.value, &self.described(name)?.shape, self.path_of(name))
    }

    /// The sections of an array of tables; the kind is sound in each.
    pub(crate) fn views(&self, name: &str) -> Vec<View<'f>> {
        let shape = match &self.key(name).shape {
            Shape::Tables(section) => &Shape::Table(section),
            Shape::TaggedTables(tagged) => &Shape::Tagged(tagged),
            other => other,
        };
        let Some(Entry { value: Value { kind: ValueKind::List(list), .. }, .. }) = self.table.entry(name) else {
            return Vec::new();
        };
        let path = self.path_of(name);
        list.iter().enumerate().filter_map(|(index, item)| view_of(item, shape, format!("{path}.{index}"))).collect()
    }

    /// How many items stand in a list, sound or not; 0 where there is none.
    pub(crate) fn given(&self, name: &str) -> usize {
        match self.table.entry(name).map(|entry| &entry.value.kind) {
            Some(ValueKind::List(list)) => list.len(),
            _ => 0,
        }
    }

    /// Whether a key takes an array of tables.
    pub(crate) fn lists(&self, name: &str) -> bool {
        self.described(name).is_some_and(|key| matches!(key.shape, Shape::Tables(_) | Shape::TaggedTables(_)))
    }

    /// The section at this place of an array of tables.
    pub(crate) fn view_at(&self, name: &str, index: usize) -> Option<View<'f>> {
        let path = format!("{}.{index}", self.path_of(name));
        self.views(name).into_iter().find(|view| view.path == path)
    }

    /// Whether a key must be there.
    pub(crate) fn needs(&self, name: &str) -> bool {
        self.described(name).is_some_and(|key| matches!(key.presence, Presence::Needed))
    }

    /// What stands for the absence of a number.
    pub(crate) fn preset(&self, name: &str) -> Option<f64> {
        match self.described(name)?.presence {
            Presence::Number(preset) => Some(preset),
            Presence::Whole(preset) => Some(preset as f64),
            _ => None,
        }
    }

    /// The kind of a table that has one.
    pub(crate) fn kind(&self) -> Option<&'f str> {
        self.table.entry("kind")?.value.kind.text()
    }
}

fn view_of<'f>(value: &'f Value, shape: &Shape, path: String) -> Option<View<'f>> {
    let ValueKind::Table(table) = &value.kind else { return None };
    match shape {
        Shape::Table(section) => Some(View::new(table, section, path)),
        Shape::Tagged(tagged) => Some(View::new(table, &tagged.variant_of(table)?.section, path)),
        _ => None,
    }
}
