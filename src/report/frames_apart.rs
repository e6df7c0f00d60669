//! The frames of two runs side by side round the first in which they differ, field by field.
//!
//! What differs is marked by a word as well as by colour. What it does not: files. Start reading at [`apart`].

use maud::{Markup, html};

use super::Style;
use super::figure::{counted, shown};
use super::sheet::{Ink, Sheet, inked};
use crate::trial::sent::{Difference, Sent, first_difference};

/// Frames that are shown before and after the first that differs.
const BEFORE: usize = 2;
const AFTER: usize = 4;

/// Two runs side by side.
#[derive(Clone, Debug, PartialEq)]
pub struct Apart {
    /// Where they differ first; none when they say the same.
    pub first: Option<Difference>,
    /// Frames of each: known good, now.
    pub frames: [usize; 2],
    /// Frames that are not the same at the same place.
    pub differing: usize,
    /// A row for each field of the frames round the first difference.
    pub rows: Vec<Row>,
}

/// One field of two frames.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// The part and the tick, of the known-good frame where there is one.
    pub place: String,
    /// The field.
    pub field: String,
    /// What it held in the known-good run; empty where there is none.
    pub known: String,
    /// What it holds now.
    pub now: String,
    /// Whether they differ.
    pub differs: bool,
}

/// Puts two runs side by side.
#[must_use]
pub fn apart(known: &[Sent], now: &[Sent]) -> Apart {
    let first = first_difference(known, now);
    let length = known.len().max(now.len());
    let differing = (0..length).filter(|place| known.get(*place) != now.get(*place)).count();
    let rows = first.as_ref().map_or_else(Vec::new, |first| {
        let shown = first.place.saturating_sub(BEFORE)..(first.place + AFTER).min(length);
        shown.flat_map(|place| rows(known.get(place), now.get(place))).collect()
    });
    Apart { first, frames: [known.len(), now.len()], differing, rows }
}

fn rows(known: Option<&Sent>, now: Option<&Sent>) -> Vec<Row> {
    let place = known.or(now).map_or_else(String::new, |sent| format!("{}, tick {}", sent.part, sent.tick));
    let row = |field: String, known: String, now: String| Row {
        place: place.clone(),
        differs: known != now,
        field,
        known,
        now,
    };
    let tick_and_kind =
        |sent: Option<&Sent>| sent.map_or_else(String::new, |sent| format!("{}, tick {}", sent.kind, sent.tick));
    let mut rows = vec![row("frame".to_owned(), tick_and_kind(known), tick_and_kind(now))];
    let fields = |sent: Option<&Sent>| sent.map_or(0, |sent| sent.fields.len());
    for place in 0..fields(known).max(fields(now)) {
        let field = |sent: Option<&Sent>| sent.and_then(|sent| sent.fields.get(place).copied());
        let content = |sent| field(sent).map_or_else(String::new, |field| field.content.to_string());
        let Some(named) = field(known).or(field(now)) else { continue };
        let name = if named.place == 0 { named.name.to_owned() } else { format!("{} +{}", named.name, named.place) };
        rows.push(row(name, content(known), content(now)));
    }
    rows
}

impl Apart {
    /// One sentence on the whole.
    #[must_use]
    pub fn sentence(&self) -> String {
        let [known, now] = self.frames.map(|count| counted(count as u64, "frame", "frames"));
        match &self.first {
            None => format!("The method said the same to the bit: {known}."),
            Some(first) => format!(
                "The frames differ first in tick {} of {}, field {}: {}, was {}. {} differ of {known} then and {now} now.",
                first.tick,
                first.part,
                first.field,
                first.now,
                first.known,
                counted(self.differing as u64, "frame", "frames")
            ),
        }
    }

    /// For a terminal.
    #[must_use]
    pub fn sheet(&self, style: Style) -> String {
        let mut sheet = Sheet::new(style);
        sheet.sentence(0, &shown(&self.sentence()));
        if !self.rows.is_empty() {
            sheet.gap();
            let rows = self.rows.iter().map(|row| {
                let mark = if row.differs { inked(Ink::Bad, "differs") } else { String::new() };
                [&row.place, &row.field, &row.known, &row.now]
                    .map(|text| shown(text))
                    .into_iter()
                    .chain([mark])
                    .collect()
            });
            sheet.table(&["where", "field", "known good", "now", ""], rows.collect(), &[]);
        }
        sheet.finish()
    }

    /// For a page.
    #[must_use]
    pub fn table(&self) -> Markup {
        html! {
            p { (shown(&self.sentence())) }
            @if !self.rows.is_empty() {
                div.wide { table {
                    thead { tr { th { "where" } th { "field" } th { "known good" } th { "now" } th {} } }
                    tbody { @for row in &self.rows { tr {
                        td { (shown(&row.place)) }
                        td { code { (shown(&row.field)) } }
                        td.figure { (shown(&row.known)) }
                        td.figure { (shown(&row.now)) }
                        td { @if row.differs { strong.missed { "differs" } } }
                    } } }
                } }
            }
        }
    }
}
