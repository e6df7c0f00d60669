//! How the keys of a section are described: name, kind of value, range with unit, whether it must be there.
//!
//! One description serves the reader, the complaints and the JSON Schema, so that they cannot differ. What it does
//! not: hold the keys themselves (`keys/`). Start reading at [`Section`].

use crate::scenario::file::Table;

/// A table in the file: the keys it may hold.
#[derive(Debug)]
pub(crate) struct Section {
    /// What it is, for the schema.
    pub(crate) what: &'static str,
    /// Every key that is built.
    pub(crate) keys: &'static [Key],
    /// Keys of later capabilities.
    pub(crate) later: &'static [&'static str],
}

/// A table whose text key `kind` picks the keys it may hold.
#[derive(Debug)]
pub(crate) struct Tagged {
    /// Every kind that is built.
    pub(crate) variants: &'static [Variant],
    /// Kinds of later capabilities.
    pub(crate) later: &'static [&'static str],
    /// The kind that a table without `kind` is of; none where it must be given.
    pub(crate) preset: Option<&'static str>,
}

/// One kind of a [`Tagged`] table.
#[derive(Debug)]
pub(crate) struct Variant {
    /// The value of `kind`.
    pub(crate) name: &'static str,
    /// The keys beside `kind`.
    pub(crate) section: Section,
}

/// One key.
#[derive(Debug)]
pub(crate) struct Key {
    /// Its name, unit included.
    pub(crate) name: &'static str,
    /// What it is, for the schema.
    pub(crate) what: &'static str,
    /// What its value may be.
    pub(crate) shape: Shape,
    /// Whether it must be there.
    pub(crate) presence: Presence,
}

/// Whether a key must be there.
#[derive(Debug)]
pub(crate) enum Presence {
    /// It must.
    Needed,
    /// It need not; what its absence means, the check says.
    Optional,
    /// Absent, it counts as this number.
    Number(f64),
    /// Absent, it counts as this whole number.
    Whole(u64),
    /// Absent, it counts as this.
    Flag(bool),
}

/// What a value may be.
#[derive(Debug)]
pub(crate) enum Shape {
    /// A finite number within a range, ends included.
    Number(Range),
    /// A whole number within a range, ends included.
    Whole {
        /// Smallest.
        low: u64,
        /// Largest.
        high: u64,
        /// Unit for people, empty for a plain count.
        unit: &'static str,
    },
    /// A whole number on either side of 0 within a range, ends included, but not 0.
    SignedWhole {
        /// Largest magnitude.
        most: u64,
        /// Unit for people.
        unit: &'static str,
    },
    /// A text that is not empty.
    Text,
    /// `true` or `false`.
    Flag,
    /// One of these texts.
    Choice {
        /// What is built.
        built: &'static [&'static str],
        /// What comes later.
        later: &'static [&'static str],
    },
    /// A list of these texts, each once at most, at least one.
    Choices(&'static [&'static str]),
    /// Two ascending numbers within a range.
    Pair(Range),
    /// A list of numbers within a range; the check says how many.
    Numbers(Range),
    /// A list of whole numbers within a range, each once at most, at least one.
    Wholes {
        /// Smallest.
        low: u64,
        /// Largest.
        high: u64,
    },
    /// A table.
    Table(&'static Section),
    /// A table with a kind.
    Tagged(&'static Tagged),
    /// An array of tables.
    Tables(&'static Section),
    /// An array of tables with a kind.
    TaggedTables(&'static Tagged),
    /// A table from names of drive settings to numbers; the check knows the names.
    Settings,
    /// A table from key paths of the machine to a change each.
    Changes,
    /// A table from names of measures to a tolerance each; the check knows the names.
    Tolerances,
    /// The scatter: `draws`, and a table from key paths of the machine to a factor each.
    Factors,
}

/// A range of numbers and its unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Range {
    /// Lowest allowed.
    pub(crate) low: f64,
    /// Highest allowed.
    pub(crate) high: f64,
    /// Unit for people, empty for a plain number.
    pub(crate) unit: &'static str,
}

impl Range {
    /// Whether a number lies in it; NaN never does.
    pub(crate) fn holds(self, number: f64) -> bool {
        self.low <= number && number <= self.high
    }

    /// `allowed 0.000001 to 10 kg·m²`.
    pub(crate) fn words(self) -> String {
        let range = format!("allowed {} to {} {}", figure(self.low), figure(self.high), self.unit);
        range.trim_end().to_owned()
    }
}

/// A number as a person would write it: plain from 1e-6 to 1e9, else with an exponent.
pub(crate) fn figure(number: f64) -> String {
    let size = number.abs();
    if size == 0.0 || (1e-6..1e9).contains(&size) || !number.is_finite() {
        format!("{number}")
    } else {
        format!("{number:e}")
    }
}

/// Without what the arithmetic left behind the twelfth digit, for people.
pub(crate) fn rounded(number: f64) -> f64 {
    format!("{number:.11e}").parse().unwrap_or(number)
}

/// `allowed "a", "b"`.
pub(crate) fn allowed_texts<'n>(names: impl Iterator<Item = &'n str>) -> String {
    let quoted: Vec<String> = names.map(|name| format!("{name:?}")).collect();
    format!("allowed {}", quoted.join(", "))
}

impl Tagged {
    /// The variant of a table, by its kind or for want of it.
    pub(crate) fn variant_of(&self, table: &Table) -> Option<&'static Variant> {
        match table.entry("kind") {
            Some(entry) => self.variant(entry.value.kind.text()?),
            None => self.variant(self.preset?),
        }
    }

    /// The variant of this kind.
    pub(crate) fn variant(&self, name: &str) -> Option<&'static Variant> {
        self.variants.iter().find(|variant| variant.name == name)
    }
}

/// A number that must be there.
pub(crate) const fn number(name: &'static str, unit: &'static str, low: f64, high: f64, what: &'static str) -> Key {
    Key { name, what, shape: Shape::Number(Range { low, high, unit }), presence: Presence::Needed }
}

/// A whole number that must be there.
pub(crate) const fn whole(name: &'static str, unit: &'static str, low: u64, high: u64, what: &'static str) -> Key {
    Key { name, what, shape: Shape::Whole { low, high, unit }, presence: Presence::Needed }
}

/// A text that must be there.
pub(crate) const fn text(name: &'static str, what: &'static str) -> Key {
    Key { name, what, shape: Shape::Text, presence: Presence::Needed }
}

/// A key of another shape that must be there.
pub(crate) const fn key(name: &'static str, shape: Shape, what: &'static str) -> Key {
    Key { name, what, shape, presence: Presence::Needed }
}

/// Two ascending numbers that must be there.
pub(crate) const fn pair(name: &'static str, unit: &'static str, low: f64, high: f64, what: &'static str) -> Key {
    Key { name, what, shape: Shape::Pair(Range { low, high, unit }), presence: Presence::Needed }
}

impl Key {
    /// The same key, when it may be left out.
    pub(crate) const fn optional(self) -> Self {
        self.or(Presence::Optional)
    }

    /// The same key, when something stands for its absence.
    pub(crate) const fn or(self, presence: Presence) -> Self {
        Self { name: self.name, what: self.what, shape: self.shape, presence }
    }
}
