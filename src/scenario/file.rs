//! The TOML of a file as a tree that knows where everything stands.
//!
//! What it does not: know a key, find its way round broken lines (`mend.rs`). Start reading at [`Document::parse`].

use std::ops::Range;

use toml::de::{DeTable, DeValue};

use crate::scenario::mend;
use crate::scenario::shape::Section;

/// A parsed file: what could be read, and what could not.
#[derive(Clone, Debug)]
pub(crate) struct Document {
    /// Everything that could be read.
    pub(crate) root: Table,
    /// What is no TOML, one a line, in file order.
    pub(crate) errors: Vec<SyntaxError>,
    /// Byte offsets of the newlines.
    newlines: Vec<usize>,
}

/// One line that is no TOML.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct SyntaxError {
    /// The line, from 1.
    pub(crate) line: usize,
    /// What the parser says.
    pub(crate) message: String,
    /// What stood there: whatever it names is not missing.
    pub(crate) lost: String,
}

/// A table with its entries in file order.
#[derive(Clone, Debug, Default)]
pub(crate) struct Table {
    /// Byte offset of its header or brace.
    pub(crate) at: usize,
    /// Its keys and values.
    pub(crate) entries: Vec<Entry>,
}

/// A key and its value.
#[derive(Clone, Debug)]
pub(crate) struct Entry {
    /// The key without quotes.
    pub(crate) key: String,
    /// Byte offset of the key.
    pub(crate) at: usize,
    /// The value.
    pub(crate) value: Value,
}

/// A value and how it is written.
#[derive(Clone, Debug)]
pub(crate) struct Value {
    /// Byte offset.
    pub(crate) at: usize,
    /// As it stands in the file, shortened to one line.
    pub(crate) written: String,
    /// What it is.
    pub(crate) kind: ValueKind,
}

/// What a value is.
#[derive(Clone, Debug)]
pub(crate) enum ValueKind {
    /// A string.
    Text(String),
    /// An integer that fits.
    Whole(i64),
    /// A float, infinities and NaN included, or an integer that does not fit.
    Number(f64),
    /// A boolean.
    Flag(bool),
    /// A date or time, which no key takes.
    Date,
    /// An array.
    List(Vec<Value>),
    /// A table, inline or under a header.
    Table(Table),
}

impl ValueKind {
    /// The kind in words.
    pub(crate) fn words(&self) -> &'static str {
        match self {
            Self::Text(_) => "a text",
            Self::Whole(_) | Self::Number(_) => "a number",
            Self::Flag(_) => "true or false",
            Self::Date => "a date",
            Self::List(_) => "a list",
            Self::Table(_) => "a table",
        }
    }

    /// A number, whole or not.
    pub(crate) fn number(&self) -> Option<f64> {
        match self {
            Self::Whole(whole) => Some(*whole as f64),
            Self::Number(number) => Some(*number),
            _ => None,
        }
    }

    /// A whole number from 0 up.
    pub(crate) fn whole(&self) -> Option<u64> {
        match self {
            Self::Whole(whole) => u64::try_from(*whole).ok(),
            _ => None,
        }
    }

    /// A text.
    pub(crate) fn text(&self) -> Option<&str> {
        match self {
            Self::Text(text) => Some(text),
            _ => None,
        }
    }
}

impl Table {
    /// The entry of a key.
    pub(crate) fn entry(&self, key: &str) -> Option<&Entry> {
        self.entries.iter().find(|entry| entry.key == key)
    }

    fn new(table: &DeTable<'_>, at: usize, text: &str) -> Self {
        let mut entries: Vec<Entry> = table
            .iter()
            .map(|(key, value)| Entry {
                key: key.get_ref().to_string(),
                at: key.span().start,
                value: Value::new(value.get_ref(), value.span(), text),
            })
            .collect();
        entries.sort_by_key(|entry| entry.at);
        Self { at, entries }
    }
}

impl Value {
    fn new(value: &DeValue<'_>, span: Range<usize>, text: &str) -> Self {
        let kind = match value {
            DeValue::String(text) => ValueKind::Text(text.to_string()),
            DeValue::Integer(number) => match i64::from_str_radix(number.as_str(), number.radix()) {
                Ok(whole) => ValueKind::Whole(whole),
                Err(_) => ValueKind::Number(number.as_str().parse().unwrap_or(f64::NAN)),
            },
            DeValue::Float(number) => ValueKind::Number(number.as_str().parse().unwrap_or(f64::NAN)),
            DeValue::Boolean(flag) => ValueKind::Flag(*flag),
            DeValue::Datetime(_) => ValueKind::Date,
            DeValue::Array(list) => {
                ValueKind::List(list.iter().map(|item| Self::new(item.get_ref(), item.span(), text)).collect())
            }
            DeValue::Table(table) => ValueKind::Table(Table::new(table, span.start, text)),
        };
        Self { at: span.start, written: shortened(text.get(span).unwrap_or_default()), kind }
    }
}

/// One line of at most 40 characters.
fn shortened(written: &str) -> String {
    let line = written.lines().next().unwrap_or_default();
    if line.len() == written.len() && line.chars().count() <= 40 {
        return line.to_owned();
    }
    let mut start: String = line.chars().take(37).collect();
    start.push_str("...");
    start
}

impl Document {
    /// Reads what can be read. `root` is what the file should be: a broken header is mended by its names.
    pub(crate) fn parse(text: &str, root: &Section) -> Self {
        let (text, mut errors) = mend::mended(text, root);
        errors.sort_by_key(|error| error.line);
        let (table, _) = DeTable::parse_recoverable(&text);
        let root = Table::new(table.get_ref(), 0, &text);
        let newlines = text.bytes().enumerate().filter(|(_, byte)| *byte == b'\n').map(|(at, _)| at).collect();
        Self { root, errors, newlines }
    }

    /// Whether a name may have been swallowed by a syntax error: it stands in a line that is no TOML.
    pub(crate) fn may_hide(&self, name: &str) -> bool {
        self.errors.iter().any(|error| error.lost.contains(name))
    }

    /// Whether a complaint about this line would only repeat a syntax error.
    pub(crate) fn is_broken(&self, line: usize) -> bool {
        self.errors.iter().any(|error| error.line == line)
    }

    /// The line of a byte offset, from 1.
    pub(crate) fn line_of(&self, at: usize) -> usize {
        1 + self.newlines.partition_point(|newline| *newline < at)
    }
}
