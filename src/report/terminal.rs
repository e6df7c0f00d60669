//! The score sheet: a result for a terminal, in sentences and one table, so that it can be read aloud.
//!
//! What it does not: print, or say where the report and the replay command are (the caller knows and adds it).
//! Start reading at [`score_sheet`].

use comfy_table::{Cell, CellAlignment, ContentArrangement, LineStyle, Table, TableStyle};

use super::Style;
use super::figure::{figure, quantity, shown, with_unit};
use super::finding::{self, LimitRow};
use crate::trial::result::{LimitResult, TrialResult, Verdict};

/// Narrowest width that is obeyed; below it lines are broken by the terminal.
const NARROWEST: usize = 40;

/// The score sheet: verdict first, then the worst machine, the limits, the settings, the conduct. Ends with a newline.
#[must_use]
pub fn score_sheet(result: &TrialResult, style: Style) -> String {
    let mut sheet = Sheet::new(style);
    head(&mut sheet, result);
    further_reasons(&mut sheet, result);
    limits(&mut sheet, result);
    settings(&mut sheet, result);
    conduct(&mut sheet, result);
    link(&mut sheet, result);
    sheet.gap();
    sheet.sentence(0, finding::CAUTION);
    sheet.finish()
}

fn head(sheet: &mut Sheet, result: &TrialResult) {
    let word = finding::verdict_word(result.verdict).to_uppercase();
    let ink = match result.verdict {
        Verdict::Pass => Ink::Good,
        Verdict::Fail => Ink::Bad,
        Verdict::VoidMethod | Verdict::VoidBench => Ink::Strong,
    };
    let title = shown(&result.scenario.title);
    let method = shown(&result.method.name);
    sheet.sentence(0, &format!("{}  {title}, tuned by {method}", inked(ink, &word)));
    sheet.gap();
    sheet.sentence(0, &finding::headline(result));
    if let Some(worst) = finding::worst_sentence(result) {
        sheet.sentence(0, &worst);
    }
    sheet.sentence(0, &finding::grade_sentence(result));
}

fn further_reasons(sheet: &mut Sheet, result: &TrialResult) {
    if result.reasons.len() < 2 {
        return;
    }
    sheet.heading("Further reasons");
    for reason in &result.reasons[1..] {
        sheet.sentence(2, &finding::sentence(&reason.text));
    }
}

fn limits(sheet: &mut Sheet, result: &TrialResult) {
    let rows = finding::limit_rows(result);
    if rows.is_empty() {
        return;
    }
    sheet.heading("Limits");
    let mut table = bare_table(sheet.style);
    table.set_header(["measure", "in the entry", "allowed", "nominal", "worst corner", "grade"]);
    for row in &rows {
        table.add_row(limit_cells(row));
    }
    finish_table(&mut table);
    sheet.table(&table);
}

fn limit_cells(row: &LimitRow) -> Vec<Cell> {
    let entry = row.any.found.during.as_deref().map_or_else(|| "whole loop".to_owned(), shown);
    let worst = row.worst_corner.map_or_else(
        || "not asked".to_owned(),
        |limit| format!("{} ({})", outcome(limit), shown(&limit.found.machine)),
    );
    vec![
        Cell::new(super::measure_words::spoken(&row.any.found.measure)),
        Cell::new(entry),
        Cell::new(allowed(row)),
        Cell::new(row.nominal.map_or_else(|| "not asked".to_owned(), outcome)),
        Cell::new(worst),
        Cell::new(figure(row.grade())).set_alignment(CellAlignment::Right),
    ]
}

fn allowed(row: &LimitRow) -> String {
    let unit = &row.any.found.unit;
    let target = row.any.target.map_or_else(String::new, |target| format!(", target {}", quantity(target, unit)));
    let bound = row.worst_corner.or(row.nominal).unwrap_or(row.any);
    format!("{}{target}", finding::asked(bound))
}

fn outcome(limit: &LimitResult) -> String {
    let ink = if limit.held { Ink::Good } else { Ink::Bad };
    format!("{}, {}", inked(ink, finding::held_word(limit.held)), finding::found(limit))
}

fn settings(sheet: &mut Sheet, result: &TrialResult) {
    if result.settings.is_empty() {
        return;
    }
    let changed = finding::changed(&result.settings);
    sheet.heading("Settings stored");
    if !changed.is_empty() {
        let mut table = bare_table(sheet.style);
        table.set_header(["setting", "stored", "before"]);
        for setting in &changed {
            let before = figure(setting.initial);
            table.add_row([shown(&setting.name), quantity(setting.value, &setting.unit), before]);
        }
        finish_table(&mut table);
        sheet.table(&table);
    }
    let left = result.settings.len() - changed.len();
    sheet.sentence(2, &untouched(changed.is_empty(), left));
}

fn untouched(none_changed: bool, left: usize) -> String {
    match (none_changed, left) {
        (true, _) => "No setting differs from what the drive had before.".to_owned(),
        (false, 0) => "Every setting was changed.".to_owned(),
        (false, 1) => "One other setting is as it was.".to_owned(),
        (false, count) => format!("{count} other settings are as they were."),
    }
}

fn conduct(sheet: &mut Sheet, result: &TrialResult) {
    sheet.heading("Conduct while tuning");
    for fact in finding::conduct_facts(&result.conduct) {
        let broken = if fact.broken { format!(" {}", inked(Ink::Bad, "Rule broken.")) } else { String::new() };
        sheet.sentence(2, &format!("{}{broken}", fact.text));
    }
}

fn link(sheet: &mut Sheet, result: &TrialResult) {
    let refused: u64 = result.link.refused.values().sum();
    if refused == 0 && result.link.second_opens_refused == 0 && result.link.resent == 0 {
        return;
    }
    sheet.heading("Link");
    sheet.sentence(2, &link_sentence(result, refused));
}

fn link_sentence(result: &TrialResult, refused: u64) -> String {
    let link = &result.link;
    let by_reason: Vec<String> =
        link.refused.iter().map(|(reason, count)| format!("{} {count}", shown(reason).replace('_', " "))).collect();
    let reasons = if by_reason.is_empty() { String::new() } else { format!(" ({})", by_reason.join(", ")) };
    format!(
        "{} exchanges; {} resent; {refused} frames refused{reasons}; {} opens of others refused.",
        link.exchanges, link.resent, link.second_opens_refused
    )
}

/// A table without a frame: columns by spaces, one line under the header.
pub(super) fn bare_table(style: Style) -> Table {
    let mut table = Table::new();
    let line = if style.unicode { '─' } else { '-' };
    table.load_style(TableStyle::new().header_separator(LineStyle::none().fill(line).junction(line)));
    match style.width {
        Some(width) => {
            let inside = width.max(NARROWEST).min(usize::from(u16::MAX)) - 2;
            table.set_content_arrangement(ContentArrangement::Dynamic).set_width(inside as u16);
        }
        None => {
            table.set_content_arrangement(ContentArrangement::Disabled);
        }
    }
    table
}

/// Two spaces between columns, none before the first.
pub(super) fn finish_table(table: &mut Table) {
    for column in table.column_iter_mut() {
        column.set_padding((0, 2));
    }
}

/// A text that grows line by line.
pub(super) struct Sheet {
    style: Style,
    text: String,
}

impl Sheet {
    pub(super) fn new(style: Style) -> Self {
        Self { style, text: String::new() }
    }

    pub(super) fn gap(&mut self) {
        if !self.text.is_empty() {
            self.text.push('\n');
        }
    }

    pub(super) fn heading(&mut self, words: &str) {
        self.gap();
        self.line(0, &inked(Ink::Strong, words));
    }

    pub(super) fn line(&mut self, indent: usize, words: &str) {
        self.text.push_str(&" ".repeat(indent));
        self.text.push_str(words.trim_end());
        self.text.push('\n');
    }

    /// A sentence, broken between words where the terminal ends; what follows is indented by two more.
    pub(super) fn sentence(&mut self, indent: usize, words: &str) {
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

    pub(super) fn table(&mut self, table: &Table) {
        for row in table.lines() {
            self.line(2, &row);
        }
    }

    pub(super) fn finish(self) -> String {
        let coloured = painted(&self.text, self.style.colour);
        if self.style.unicode { coloured } else { ascii(&coloured) }
    }
}

/// What a word is marked for; the word says the same.
#[derive(Clone, Copy)]
pub(super) enum Ink {
    Good,
    Bad,
    Strong,
}

/// Marks of no width round inked words, which [`shown`] takes out of any text from outside. They become colour at the
/// end, so that lines and tables are measured without it.
const INKS: [(char, &str); 4] =
    [('\u{2061}', "\u{1b}[1;36m"), ('\u{2062}', "\u{1b}[1;35m"), ('\u{2063}', "\u{1b}[1m"), ('\u{2064}', "\u{1b}[0m")];

pub(super) fn inked(ink: Ink, words: &str) -> String {
    format!("{}{words}{}", INKS[ink as usize].0, INKS[3].0)
}

fn painted(text: &str, colour: bool) -> String {
    INKS.iter().fold(text.to_owned(), |text, (mark, code)| text.replace(*mark, if colour { code } else { "" }))
}

fn width(text: &str) -> usize {
    text.chars().filter(|c| INKS.iter().all(|(mark, _)| mark != c)).count()
}

/// The text for a terminal that shows ASCII only.
fn ascii(text: &str) -> String {
    let mut plain = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '“' | '”' => plain.push('"'),
            '’' => plain.push('\''),
            '°' => plain.push_str(" deg"),
            '·' => plain.push('*'),
            '²' => plain.push('2'),
            '−' | '–' | '─' => plain.push('-'),
            '±' => plain.push_str("+-"),
            '→' => plain.push_str("->"),
            c if c.is_ascii() => plain.push(c),
            _ => plain.push('?'),
        }
    }
    plain
}

/// A number in a cell, with its unit; `none` where there is none.
pub(super) fn optional(value: Option<f64>, unit: &str) -> String {
    value.map_or_else(|| "none".to_owned(), |value| with_unit(&figure(value), unit))
}
