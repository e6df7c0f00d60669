//! The TOML of a scenario file as a tree that knows where everything stands.
//!
//! The parser goes on after a syntax error, so that every complaint can be made at once. What it does not: know a key.
//! Start reading at [`Document::parse`].

use std::ops::Range;

use toml::de::{DeTable, DeValue};

/// A parsed file: what could be read, and what could not.
#[derive(Clone, Debug)]
pub(crate) struct Document {
    /// Everything that could be read.
    pub(crate) root: Table,
    /// What is no TOML, in file order.
    pub(crate) errors: Vec<SyntaxError>,
    /// Bytes whose meaning a syntax error made doubtful: whole lines, and the whole section under a broken header.
    damaged: Vec<Range<usize>>,
}

/// One place that is no TOML.
#[derive(Clone, Debug)]
pub(crate) struct SyntaxError {
    /// Byte offset.
    pub(crate) at: usize,
    /// What the parser says.
    pub(crate) message: String,
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
    /// Reads what can be read.
    pub(crate) fn parse(text: &str) -> Self {
        let (table, found) = DeTable::parse_recoverable(text);
        let mut errors: Vec<SyntaxError> = found
            .iter()
            .map(|error| SyntaxError {
                at: error.span().map_or(0, |span| span.start.min(text.len())),
                message: error.message().to_owned(),
            })
            .collect();
        errors.sort_by_key(|error| error.at);
        let damaged = errors.iter().map(|error| damage(text, error.at)).collect();
        Self { root: Table::new(table.get_ref(), 0, text), errors, damaged }
    }

    /// Whether a complaint about this place would only repeat a syntax error.
    pub(crate) fn is_damaged(&self, at: usize) -> bool {
        self.damaged.iter().any(|range| range.contains(&at))
    }

    /// Whether a name stands in the text as a word of its own at a place where the tree knows no key: then a syntax
    /// error may have swallowed it, and it must not be called missing.
    pub(crate) fn may_hide(&self, text: &str, name: &str) -> bool {
        if self.errors.is_empty() {
            return false;
        }
        let is_word =
            |byte: Option<&u8>| byte.is_some_and(|byte| byte.is_ascii_alphanumeric() || matches!(byte, b'_' | b'-'));
        text.match_indices(name).any(|(at, _)| {
            let before = at.checked_sub(1).and_then(|at| text.as_bytes().get(at));
            let whole_word = !is_word(before) && !is_word(text.as_bytes().get(at + name.len()));
            whole_word && !has_key_at(&self.root, at)
        })
    }
}

/// What a syntax error at this place makes doubtful: its line, and after a broken header everything up to the next one.
fn damage(text: &str, at: usize) -> Range<usize> {
    let bytes = text.as_bytes();
    let start = bytes[..at].iter().rposition(|byte| *byte == b'\n').map_or(0, |newline| newline + 1);
    let line_end = |from: usize| bytes[from..].iter().position(|byte| *byte == b'\n').map_or(bytes.len(), |n| from + n + 1);
    let is_header = |from: usize| text.get(from..).is_some_and(|rest| rest.trim_start_matches([' ', '\t']).starts_with('['));
    let mut end = line_end(at);
    if is_header(start) {
        while end < bytes.len() && !is_header(end) {
            end = line_end(end);
        }
    }
    start..end
}

fn has_key_at(table: &Table, at: usize) -> bool {
    table.entries.iter().any(|entry| entry.at == at || value_has_key_at(&entry.value, at))
}

fn value_has_key_at(value: &Value, at: usize) -> bool {
    match &value.kind {
        ValueKind::Table(table) => has_key_at(table, at),
        ValueKind::List(list) => list.iter().any(|item| value_has_key_at(item, at)),
        _ => false,
    }
}

/// The line of a byte offset, from 1.
pub(crate) fn line_of(text: &str, at: usize) -> usize {
    1 + text.as_bytes().iter().take(at).filter(|byte| **byte == b'\n').count()
}
