//! The report's tables of limits and measures.
//!
//! On a narrow screen each row becomes a card; roles are written out so that it stays a table for a screen reader.
//! What it does not: judge. Start reading at [`limits`].

use maud::{Markup, html};

use super::bars::limit_bar;
use super::figure::{figure, quantity, shown};
use super::finding::{self, LimitRow};
use super::measure_words::spoken;
use crate::trial::examination::NOMINAL;
use crate::trial::phases::TUNING;
use crate::trial::result::{LimitResult, MeasureResult, TrialResult};

/// The limits, one row each, nominal beside the worst corner; behind a fold every limit on every machine.
pub fn limits(result: &TrialResult) -> Markup {
    let rows = finding::limit_rows(result);
    if rows.is_empty() {
        return html! { p { "No limit was judged." } };
    }
    html! {
        table.cards role="table" {
            thead role="rowgroup" { tr role="row" {
                @for head in ["measure", "allowed", "nominal", "worst corner", "grade"] {
                    th scope="col" role="columnheader" { (head) }
                }
            } }
            tbody role="rowgroup" { @for row in &rows { (limit_row(row)) } }
        }
        p.legend {
            "Each bar runs from 0 to the number found; the tall line is the limit, the short one the target, and the "
            "shaded stretch is allowed. "
            "A grade is 1 at the target or better, 0 at the limit, and the worst machine's counts."
        }
        details {
            summary { "Every limit on every machine" }
            (every_limit(&result.limits))
        }
    }
}

fn limit_row(row: &LimitRow) -> Markup {
    let judged = row.worst_corner.or(row.nominal).unwrap_or(row.any);
    html! {
        tr role="row" {
            th scope="row" role="rowheader" {
                (spoken(&row.any.found.measure))
                small { (finding::window(&row.any.found)) }
            }
            td role="cell" data-label="allowed" {
                (finding::asked(judged)) (band(judged))
                @if let Some(target) = row.any.target {
                    small { "target " (quantity(target, &row.any.found.unit)) }
                }
            }
            (outcome_cell("nominal", row.nominal))
            (outcome_cell("worst corner", row.worst_corner))
            td.grade role="cell" data-label="grade" {
                (figure(row.grade()))
                @if row.any.weight != 1.0 { small { "weight " (figure(row.any.weight)) } }
            }
        }
    }
}

fn band(limit: &LimitResult) -> Markup {
    html! {
        @if let Some(rpm) = limit.band_rpm { small { "band ± " (figure(rpm)) " rpm" } }
        @else if let Some(percent) = limit.band_percent { small { "band ± " (figure(percent)) " %" } }
    }
}

fn outcome_cell(label: &str, limit: Option<&LimitResult>) -> Markup {
    html! {
        td role="cell" data-label=(label) {
            @if let Some(limit) = limit {
                (verdict(limit.held)) " " span.figure { (finding::found(limit)) }
                @if ![NOMINAL, TUNING].contains(&limit.found.machine.as_str()) {
                    small { (shown(&limit.found.machine)) }
                }
                (limit_bar(limit))
                @if !limit.held {
                    @if let Some(distance) = finding::distance(limit) { small.missed { (distance) } }
                }
            } @else { "not asked" }
        }
    }
}

/// `held` or `missed` as a word with a sign of its own shape.
pub fn verdict(held: bool) -> Markup {
    html! { strong.held[held].missed[!held] { @if held { "✓ " } @else { "✕ " } (finding::held_word(held)) } }
}

fn every_limit(limits: &[LimitResult]) -> Markup {
    html! {
        div.wide { table {
            thead { tr {
                @for head in ["measure", "in the entry", "machine", "found", "allowed", "at", "outcome", "grade"] {
                    th scope="col" { (head) }
                }
            } }
            tbody { @for limit in limits { tr {
                th scope="row" { (spoken(&limit.found.measure)) }
                td { (finding::window(&limit.found)) }
                td { (shown(&limit.found.machine)) }
                td { (finding::found(limit)) (note(&limit.found)) }
                td { (finding::asked(limit)) }
                td { (moment(&limit.found)) }
                td { (verdict(limit.held)) }
                td { (figure(limit.grade)) }
            } } }
        } }
    }
}

/// Measures without a limit, behind a fold.
pub fn other_measures(measures: &[MeasureResult]) -> Markup {
    html! {
        @if !measures.is_empty() {
            details {
                summary { "Measures without a limit" }
                div.wide { table {
                    thead { tr {
                        @for head in ["measure", "in the entry", "machine", "found", "at"] { th scope="col" { (head) } }
                    } }
                    tbody { @for found in measures { tr {
                        th scope="row" { (spoken(&found.measure)) }
                        td { (finding::window(found)) }
                        td { (shown(&found.machine)) }
                        td { (finding::measured(found)) (note(found)) }
                        td { (moment(found)) }
                    } } }
                } }
            }
        }
    }
}

fn note(found: &MeasureResult) -> Markup {
    html! { @if let Some(note) = &found.note { small { (shown(note)) } } }
}

fn moment(found: &MeasureResult) -> String {
    found.at_s.map_or_else(String::new, |at_s| quantity(at_s, "s"))
}
