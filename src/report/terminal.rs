//! The score sheet: a result for a terminal, in sentences and one table, so that it can be read aloud.
//!
//! What it does not: print, or say where the report and the replay command are (the caller knows and adds it).
//! Start reading at [`score_sheet`].

use super::Style;
use super::figure::{figure, quantity, shown};
use super::finding::{self, LimitRow};
use super::measure_words::spoken;
use super::sheet::{Ink, Sheet, inked};
use super::timing;
use crate::trial::result::{LimitResult, TrialResult, Verdict};

/// Further reasons that are listed; the report has them all.
const MOST_REASONS: usize = 6;
/// A terminal narrower than this gets the limits as lines: a table's cells would break inside words.
const TABLE_WIDTH: usize = 90;

/// The score sheet: verdict first, then the worst machine, the limits, the settings, the conduct. Ends with a newline.
#[must_use]
pub fn score_sheet(result: &TrialResult, style: Style) -> String {
    let mut sheet = Sheet::new(style);
    head(&mut sheet, result);
    further_reasons(&mut sheet, result);
    limits(&mut sheet, result, style.width);
    settings(&mut sheet, result);
    conduct(&mut sheet, result);
    link(&mut sheet, result);
    clock(&mut sheet, result);
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
    let further = result.reasons.get(1..).unwrap_or_default();
    if further.is_empty() {
        return;
    }
    sheet.heading("Further reasons");
    for reason in further.iter().take(MOST_REASONS) {
        sheet.sentence(2, &finding::further_reason(reason));
    }
    if MOST_REASONS < further.len() {
        sheet.sentence(2, &format!("And {} more.", further.len() - MOST_REASONS));
    }
}

fn limits(sheet: &mut Sheet, result: &TrialResult, width: Option<usize>) {
    let rows = finding::limit_rows(result);
    if rows.is_empty() {
        return;
    }
    sheet.heading("Limits");
    if width.is_some_and(|width| width < TABLE_WIDTH) {
        rows.iter().for_each(|row| limit_lines(sheet, row));
        return;
    }
    let header = ["measure", "in the entry", "allowed", "nominal", "worst corner", "grade"];
    let cells = rows.iter().map(|row| {
        vec![
            spoken(&row.any.found.measure),
            entry(row),
            allowed(row),
            nominal(row),
            worst_corner(row),
            figure(row.grade()),
        ]
    });
    sheet.table(&header, cells.collect(), &[5]);
}

fn limit_lines(sheet: &mut Sheet, row: &LimitRow) {
    sheet.sentence(2, &format!("{}, {}: {}", spoken(&row.any.found.measure), entry(row), allowed(row)));
    let grade = figure(row.grade());
    sheet.sentence(4, &format!("nominal {}; worst corner {}; grade {grade}", nominal(row), worst_corner(row)));
}

fn entry(row: &LimitRow) -> String {
    row.any.found.during.as_deref().map_or_else(|| "whole loop".to_owned(), shown)
}

fn nominal(row: &LimitRow) -> String {
    row.nominal.map_or_else(|| "not asked".to_owned(), outcome)
}

fn worst_corner(row: &LimitRow) -> String {
    let named = |limit: &LimitResult| format!("{} ({})", outcome(limit), shown(&limit.found.machine));
    row.worst_corner.map_or_else(|| "not asked".to_owned(), named)
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
        let cells = changed
            .iter()
            .map(|setting| vec![shown(&setting.name), quantity(setting.value, &setting.unit), figure(setting.initial)]);
        sheet.table(&["setting", "stored", "before"], cells.collect(), &[]);
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
    let link = &result.link;
    if [refused, link.second_opens_refused, link.resent, link.opened_again].iter().all(|count| *count == 0) {
        return;
    }
    sheet.heading("Link");
    sheet.sentence(2, &link_sentence(result, refused));
}

fn clock(sheet: &mut Sheet, result: &TrialResult) {
    let Some(facts) = &result.timing else { return };
    sheet.heading("The clock");
    timing::sentences(facts).iter().for_each(|sentence| sheet.sentence(2, sentence));
}

fn link_sentence(result: &TrialResult, refused: u64) -> String {
    let link = &result.link;
    let by_reason: Vec<String> =
        link.refused.iter().map(|(reason, count)| format!("{} {count}", shown(reason).replace('_', " "))).collect();
    let reasons = if by_reason.is_empty() { String::new() } else { format!(" ({})", by_reason.join(", ")) };
    let again = match link.opened_again {
        0 => String::new(),
        times => format!("; opened again {times} times"),
    };
    format!(
        "{} exchanges; {} resent; {refused} frames refused{reasons}; {} opens of others refused{again}.",
        link.exchanges, link.resent, link.second_opens_refused
    )
}
