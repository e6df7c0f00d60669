//! A suite's result for a terminal: a word on the whole, a line for each run, and what moved in those that are not green.
//!
//! What it does not: print. Start reading at [`suite_sheet`].

use super::Style;
use super::figure::{counted, figure, figures_apart, quantity, shown, with_unit};
use super::sheet::{Ink, Sheet, inked};
use crate::trial::known_good::Known;
use crate::trial::suite_result::{Change, Move, RunResult, State, SuiteResult};

/// Measures of one run that are listed unless all are asked for.
const MOST_MOVES: usize = 8;

/// The sheet. `all`: every measure that moved, also within its tolerance, as before known-good results are rewritten.
#[must_use]
pub fn suite_sheet(result: &SuiteResult, all: bool, style: Style) -> String {
    let mut sheet = Sheet::new(style);
    sheet.sentence(0, &format!("{}: {}", verdict(result), shown(&result.title)));
    sheet.sentence(0, &summary(result));
    sheet.heading("Runs");
    let rows = result.runs.iter().map(|run| {
        let word =
            if run.state.is_green() { inked(Ink::Good, run.state.word()) } else { inked(Ink::Bad, run.state.word()) };
        vec![shown(&run.trial), run.seed.to_string(), word, grade(run), frames_word(run).to_owned()]
    });
    sheet.table(&["trial", "seed", "state", "grade", "frames"], rows.collect(), &[]);
    for run in result.runs.iter().filter(|run| !run.state.is_green() || (all && !run.moves.is_empty())) {
        details(&mut sheet, run, all);
    }
    sheet.finish()
}

/// `GREEN` or the gravest state.
#[must_use]
pub fn verdict(result: &SuiteResult) -> &'static str {
    let gravest = [State::Unable, State::Void, State::Red, State::New];
    gravest.into_iter().find(|state| result.runs.iter().any(|run| run.state == *state)).map_or("GREEN", State::word)
}

/// `9 runs: 6 same, 1 within, 2 red; 180 measures compared.`
#[must_use]
pub fn summary(result: &SuiteResult) -> String {
    let states = [State::Same, State::Within, State::Red, State::New, State::Void, State::Unable];
    let of = |state: &State| result.runs.iter().filter(|run| run.state == *state).count();
    let counts: Vec<String> = states
        .iter()
        .filter(|state| 0 < of(state))
        .map(|state| format!("{} {}", of(state), state.word().to_lowercase()))
        .collect();
    let compared: usize = result.runs.iter().map(|run| run.compared).sum();
    let runs = counted(result.runs.len() as u64, "run", "runs");
    format!("{runs}: {}; {} compared.", counts.join(", "), counted(compared as u64, "measure", "measures"))
}

/// The grade, beside the known-good one where that is another.
#[must_use]
pub fn grade(run: &RunResult) -> String {
    match (run.grade_percent, run.known_grade_percent) {
        (None, _) => "none".to_owned(),
        (Some(now), Some(known)) if now.to_bits() != known.to_bits() => {
            let (before, after) = figures_apart(known, now);
            format!("{after}, was {before}")
        }
        (Some(now), _) => figure(now),
    }
}

/// `same`, `differ`, or `-` where there is nothing to compare with.
#[must_use]
pub fn frames_word(run: &RunResult) -> &'static str {
    match run.frames.differ {
        None => "-",
        Some(false) => "same",
        Some(true) => "differ",
    }
}

fn details(sheet: &mut Sheet, run: &RunResult, all: bool) {
    sheet.heading(&format!("{}, seed {}", shown(&run.trial), run.seed));
    for reason in &run.reasons {
        let end = if reason.ends_with('?') { "" } else { "." };
        sheet.sentence(2, &first_letter_up(&format!("{}{end}", shown(reason))));
    }
    if run.scenario_changed {
        sheet.sentence(2, "The scenario's file is another than the one that was accepted.");
    }
    let listed: Vec<&Move> = run.moves.iter().filter(|moved| all || moved.change != Change::Within).collect();
    let most = if all { listed.len() } else { MOST_MOVES };
    for moved in listed.iter().take(most) {
        sheet.sentence(4, &move_sentence(moved));
    }
    if most < listed.len() {
        sheet.sentence(4, &format!("and {} more; --json has them all.", listed.len() - most));
    }
    if let Some(words) = where_frames_differ(run) {
        sheet.sentence(2, &first_letter_up(&format!("{words}.")));
    }
    if let Some(record) = &run.record {
        sheet.sentence(2, &format!("Its record: {}", shown(record)));
    }
}

fn first_letter_up(sentence: &str) -> String {
    let mut letters = sentence.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// `worse: iae_rad on nominal, step up: 1.234 rad, was 1.211 rad (+1.9 %; allowed ±0.0001 rad)`.
#[must_use]
pub fn move_sentence(moved: &Move) -> String {
    let during = if moved.during == "-" { String::new() } else { format!(", {}", shown(&moved.during)) };
    let place = format!("{}: {} on {}{during}", moved.change.word(), shown(&moved.measure), shown(&moved.machine));
    match (moved.known, moved.now) {
        (Some(Known::Number(before)), Some(Known::Number(after))) => {
            let (old, new) = figures_apart(before, after);
            let by =
                if before == 0.0 { String::new() } else { format!("{} %; ", signed(100.0 * (after / before - 1.0))) };
            format!(
                "{place}: {}, was {} ({by}allowed ±{})",
                with_unit(&new, &moved.unit),
                with_unit(&old, &moved.unit),
                quantity(moved.allowed, &moved.unit)
            )
        }
        (before, after) => {
            format!("{place}: {}, was {}", known_words(after, &moved.unit), known_words(before, &moved.unit))
        }
    }
}

fn signed(number: f64) -> String {
    let figure = super::figure::rough(number);
    if 0.0 < number { format!("+{figure}") } else { figure }
}

/// What a measure gave, in words.
#[must_use]
pub fn known_words(known: Option<Known>, unit: &str) -> String {
    match known {
        Some(Known::Number(number)) => quantity(number, unit),
        Some(Known::Without(reason)) => reason.words().to_owned(),
        None => "absent".to_owned(),
    }
}

/// Where frames differ first; `None` where they do not.
#[must_use]
pub fn where_frames_differ(run: &RunResult) -> Option<String> {
    let first = run.frames.first.as_ref()?;
    let fields = first.fields.join(", ");
    let [from, to] = first.ticks;
    if let (Some(known), Some(now)) = (&first.known, &first.now) {
        let at_s = figure(first.at_s[0]);
        return Some(format!(
            "frames differ first in tick {from} ({at_s} s) of {}, field {fields}: {now}, was {known}",
            first.part
        ));
    }
    Some(format!(
        "frames differ first in {fields} of {}, within ticks {from} to {to} ({} s to {} s); the exact tick is named where \
         the known-good frames are at hand",
        first.part,
        figure(first.at_s[0]),
        figure(first.at_s[1])
    ))
}
