//! A suite's page: what every trial gave, what moved, the frames round the first difference, and trends over past runs.
//!
//! One HTML file that needs nothing else, as the report of a trial. What it does not: files. Start reading at [`page`].

use maud::{Markup, html};

use super::figure::{counted, figure, quantity, shown};
use super::frames_apart::Apart;
use super::html::document;
use super::suite_sheet::{frames_word, grade, known_words, summary, verdict, where_frames_differ};
use crate::trial::suite_history::{Past, PastRun};
use crate::trial::suite_result::{Change, Move, RunResult, State, SuiteResult};

/// Past runs that a trend shows: the newest.
const RUNS_SHOWN: usize = 60;

/// Measures of one run that are shown unfolded.
const MOST_MOVES: usize = 12;

/// The whole page. `apart`: for each run of the result its frames beside the known-good ones, where both are at hand.
/// `past`: oldest first, this run last.
#[must_use]
pub fn page(result: &SuiteResult, apart: &[Option<Apart>], past: &[Past]) -> String {
    let title = shown(&result.title);
    let body = html! {
        header.(class(result)) {
            div.stamp { span.word { (verdict(result).to_lowercase()) } }
            div.story {
                p.who { (shown(&result.file)) ", plantstand " (shown(&result.program_version)) }
                h1 { (title) }
                p.headline { (summary(result)) }
            }
        }
        nav aria-label="on this page" {
            a href="#runs" { "runs" }
            @if result.runs.iter().any(|run| !run.moves.is_empty() || !run.reasons.is_empty()) { a href="#moved" { "what moved" } }
            a href="#trends" { "trends" }
        }
        main {
            section.chapter id="runs" { h2 { "Runs" } (runs(result)) }
            section.chapter id="moved" {
                h2 { "What moved" }
                @for (place, run) in result.runs.iter().enumerate() {
                    (details(run, apart.get(place).and_then(Option::as_ref)))
                }
                @if result.runs.iter().all(|run| run.state == State::Same) { p { "Nothing: every measure has the same bits." } }
            }
            section.chapter id="trends" { h2 { "Trends" } (trends(result, past)) }
        }
    };
    document(&format!("{}: {title}", verdict(result).to_lowercase()), &body)
}

fn class(result: &SuiteResult) -> &'static str {
    match verdict(result) {
        "GREEN" => "pass",
        "VOID" | "UNABLE" => "void",
        _ => "fail",
    }
}

fn state(run: &RunResult) -> Markup {
    html! {
        @if run.state.is_green() { strong.held { (run.state.word()) } } @else { strong.missed { (run.state.word()) } }
    }
}

fn runs(result: &SuiteResult) -> Markup {
    html! {
        div.wide { table {
            thead { tr { th { "trial" } th { "seed" } th { "state" } th { "grade" } th { "frames" } th { "record" } } }
            tbody { @for run in &result.runs { tr {
                td { (shown(&run.trial)) }
                td { (run.seed) }
                td { (state(run)) }
                td.figure { (grade(run)) }
                td { (frames_word(run)) }
                td { @if let Some(record) = &run.record { code { (shown(record)) } } }
            } } }
        } }
    }
}

fn details(run: &RunResult, apart: Option<&Apart>) -> Markup {
    if run.state == State::Same {
        return html! {};
    }
    let outside = run.moves.iter().filter(|moved| moved.change != Change::Within).count();
    let (first, rest) = run.moves.split_at(run.moves.len().min(if outside == 0 { 0 } else { MOST_MOVES }));
    html! {
        div.entry {
            h3 { (shown(&run.trial)) ", seed " (run.seed) ": " (state(run)) }
            @if !run.reasons.is_empty() { ul.reasons { @for reason in &run.reasons { li { (shown(reason)) } } } }
            @if run.scenario_changed { p { "The scenario's file is another than the one that was accepted." } }
            @if !first.is_empty() { (moves(first)) }
            @if !rest.is_empty() {
                details {
                    summary { (counted(rest.len() as u64, "measure", "measures")) " more" @if outside <= first.len() { ", all within tolerance" } }
                    (moves(rest))
                }
            }
            @match apart {
                Some(apart) if apart.first.is_some() => { (apart.table()) }
                _ => @if let Some(words) = where_frames_differ(run) { p { (shown(&words)) "." } }
            }
        }
    }
}

fn moves(moves: &[Move]) -> Markup {
    html! {
        div.wide { table {
            thead { tr { th { "measure" } th { "machine" } th { "during" } th { "known good" } th { "now" } th { "allowed" } th {} } }
            tbody { @for moved in moves { tr {
                td { code { (shown(&moved.measure)) } }
                td { (shown(&moved.machine)) }
                td { (shown(&moved.during)) }
                td.figure { (known_words(moved.known, &moved.unit)) }
                td.figure { (known_words(moved.now, &moved.unit)) }
                td { "±" (quantity(moved.allowed, &moved.unit)) }
                td { @if moved.change == Change::Within { "within" } @else { strong.missed { (moved.change.word()) } } }
            } } }
        } }
    }
}

/// For each trial and seed the grade and the limits' measures over the past runs.
fn trends(result: &SuiteResult, past: &[Past]) -> Markup {
    let past = &past[past.len().saturating_sub(RUNS_SHOWN)..];
    let (Some(first), Some(last)) = (past.first(), past.last()) else {
        return html! { p { "No past runs are kept." } };
    };
    html! {
        p { (counted(past.len() as u64, "run", "runs")) ", from " (shown(&first.at)) " to " (shown(&last.at))
            ". A ring marks a run that was not green; a gap one that gave no number." }
        @for run in &result.runs {
            @let of = series_of(past, run);
            div.entry {
                h3 { (shown(&run.trial)) ", seed " (run.seed) }
                div.wide { table {
                    thead { tr { th { "" } th { "trend" } th { "lowest" } th { "highest" } th { "last" } } }
                    tbody {
                        (trend("grade", "%", &of, |run| run.grade_percent))
                        @for limit in &run.limits {
                            (trend(&limit.what, &limit.unit, &of, |run| run.limits.get(&limit.what).copied()))
                        }
                    }
                } }
            }
        }
    }
}

fn series_of<'p>(past: &'p [Past], run: &RunResult) -> Vec<Option<&'p PastRun>> {
    let same = |one: &&PastRun| one.trial == run.trial && one.seed == run.seed;
    past.iter().map(|past| past.runs.iter().find(same)).collect()
}

fn trend(what: &str, unit: &str, past: &[Option<&PastRun>], value: impl Fn(&PastRun) -> Option<f64>) -> Markup {
    let points: Vec<Option<(f64, bool)>> =
        past.iter().map(|run| run.and_then(|run| value(run).map(|value| (value, run.state.is_green())))).collect();
    let numbers: Vec<f64> = points.iter().flatten().map(|(value, _)| *value).collect();
    let low = numbers.iter().copied().fold(f64::INFINITY, f64::min);
    let high = numbers.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    html! {
        tr {
            td { (shown(what)) }
            @if let Some(last) = numbers.last() {
                td { (spark(&points, low, high)) }
                td.figure { (quantity(low, unit)) }
                td.figure { (quantity(high, unit)) }
                td.figure { (quantity(*last, unit)) }
            } @else { td { "no number" } td {} td {} td {} }
        }
    }
}

/// Width and height of a trend, in CSS pixels.
const SPARK: [f64; 2] = [180.0, 28.0];

/// A small line through the numbers, oldest left.
fn spark(points: &[Option<(f64, bool)>], low: f64, high: f64) -> Markup {
    let [width, height] = SPARK;
    let step = if points.len() < 2 { 0.0 } else { (width - 12.0) / (points.len() - 1) as f64 };
    let place = |index: usize, value: f64| {
        let share = if low < high { (value - low) / (high - low) } else { 0.5 };
        (6.0 + step * index as f64, height - 5.0 - share * (height - 10.0))
    };
    let mut path = String::new();
    let mut rings: Vec<(f64, f64)> = Vec::new();
    let mut pen_down = false;
    for (index, point) in points.iter().enumerate() {
        let Some((value, green)) = point else {
            pen_down = false;
            continue;
        };
        let (x, y) = place(index, *value);
        path.push_str(&format!("{}{x:.1} {y:.1}", if pen_down { "L" } else { "M" }));
        // A lone point is a dot: a line of no length with round ends.
        if !pen_down {
            path.push_str(&format!("L{x:.1} {y:.1}"));
        }
        pen_down = true;
        if !green {
            rings.push((x, y));
        }
    }
    let words = format!("from {} to {} over {} runs", figure(low), figure(high), points.len());
    html! {
        svg.spark viewBox=(format!("0 0 {width} {height}")) width=(width) height=(height) role="img" aria-label=(words) {
            path.trace.nominal d=(path) stroke-linecap="round" {}
            @for (x, y) in rings { circle.ring cx=(format!("{x:.1}")) cy=(format!("{y:.1}")) r="4" {} }
        }
    }
}
