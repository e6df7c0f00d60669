//! The score sheet's paper: sentences and tables that keep to a terminal's width, and ink that becomes colour.
//!
//! What it does not: know a result. Start reading at [`Sheet`].

use comfy_table::{Cell, CellAlignment, ContentArrangement, LineStyle, Table, TableStyle};

use super::Style;
use super::figure::{JOINING_SPACE, quantity};

/// Narrowest width that is obeyed; below it lines are broken by the terminal.
const NARROWEST: usize = 40;
/// Columns that a table stands in from the left.
const TABLE_INDENT: usize = 2;

/// A text that grows line by line.
pub struct Sheet {
    style: Style,
    text: String,
}

impl Sheet {
    pub fn new(style: Style) -> Self {
        Self { style, text: String::new() }
    }

    /// An empty line, except at the top.
    pub fn gap(&mut self) {
        if !self.text.is_empty() {
            self.text.push('\n');
        }
    }

    pub fn heading(&mut self, words: &str) {
        self.gap();
        self.sentence(0, &inked(Ink::Strong, words));
    }

    /// A sentence, broken between words where the terminal ends; what follows is indented by two more.
    pub fn sentence(&mut self, indent: usize, words: &str) {
        let words = self.spelt(words);
        let room = self.style.width.map_or(usize::MAX, |width| width.max(NARROWEST) - indent - 2);
        let mut line = String::new();
        let mut deeper = 0;
        for word in words.split(' ') {
            if !line.is_empty() && room < width(&line) + 1 + width(word) {
                self.line(indent + deeper, &line);
                line.clear();
                deeper = 2;
            }
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
        self.line(indent + deeper, &line);
    }

    /// A table without a frame: columns by spaces, one line under the header. `right` names columns of numbers.
    pub fn table(&mut self, header: &[&str], rows: Vec<Vec<String>>, right: &[usize]) {
        let mut table = Table::new();
        let line = if self.style.unicode { '─' } else { '-' };
        table.load_style(TableStyle::new().header_separator(LineStyle::none().fill(line).junction(line)));
        match self.style.width {
            Some(width) => {
                let room = (width.max(NARROWEST) - TABLE_INDENT).min(usize::from(u16::MAX));
                table.set_content_arrangement(ContentArrangement::Dynamic).set_width(room as u16);
            }
            None => {
                table.set_content_arrangement(ContentArrangement::Disabled);
            }
        }
        table.set_header(header.iter().map(|words| self.spelt(words)));
        table.add_rows(rows.iter().map(|row| row.iter().map(|words| Cell::new(self.spelt(words)))));
        for (place, column) in table.column_iter_mut().enumerate() {
            column.set_padding((0, 2));
            if right.contains(&place) {
                column.set_cell_alignment(CellAlignment::Right);
            }
        }
        for row in table.lines() {
            self.line(TABLE_INDENT, &row);
        }
    }

    pub fn finish(self) -> String {
        let spaced = self.text.replace(JOINING_SPACE, " ");
        INKS.iter().fold(spaced, |text, (mark, code)| text.replace(*mark, if self.style.colour { code } else { "" }))
    }

    fn line(&mut self, indent: usize, words: &str) {
        self.text.push_str(&" ".repeat(indent));
        self.text.push_str(words.trim_end());
        self.text.push('\n');
    }

    /// The words in characters that the terminal can show.
    fn spelt(&self, words: &str) -> String {
        if self.style.unicode { words.to_owned() } else { ascii(words) }
    }
}

/// What a word is marked for; the word says the same.
#[derive(Clone, Copy)]
pub enum Ink {
    Good,
    Bad,
    Strong,
}

/// Marks of no width round inked words, which `figure::shown` takes out of any text from outside. They become colour
/// at the end, so that lines and tables are measured without it.
const INKS: [(char, &str); 4] =
    [('\u{2061}', "\u{1b}[1;36m"), ('\u{2062}', "\u{1b}[1;35m"), ('\u{2063}', "\u{1b}[1m"), ('\u{2064}', "\u{1b}[0m")];

pub fn inked(ink: Ink, words: &str) -> String {
    format!("{}{words}{}", INKS[ink as usize].0, INKS[3].0)
}

fn is_ink(c: char) -> bool {
    INKS.iter().any(|(mark, _)| *mark == c)
}

fn width(text: &str) -> usize {
    text.chars().filter(|c| !is_ink(*c)).count()
}

fn ascii(text: &str) -> String {
    let mut plain = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '“' | '”' => plain.push('"'),
            '’' => plain.push('\''),
            '°' => plain.push_str(" deg"),
            '·' => plain.push('*'),
            '²' => plain.push('2'),
            '−' | '–' => plain.push('-'),
            '×' => plain.push('x'),
            '±' => plain.push_str("+-"),
            'µ' => plain.push('u'),
            c if c.is_ascii() || is_ink(c) || c == JOINING_SPACE => plain.push(c),
            _ => plain.push('?'),
        }
    }
    plain
}

/// A number in a cell, with its unit; `none` where there is none.
pub fn optional(value: Option<f64>, unit: &str) -> String {
    value.map_or_else(|| "none".to_owned(), |value| quantity(value, unit))
}
