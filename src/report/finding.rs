//! What a result says in sentences: the verdict, the worst limit, how far, where; the conduct.
//!
//! Sheet and page speak these same sentences. What it does not: layout, colour, judging (`held` and `grade` come from
//! the result). Start reading at [`headline`] and [`worst_sentence`].

use super::figure::{counted, figure, figures_apart, quantity, rough, shown, with_unit};
use super::measure_words::spoken;
use crate::score::measure::{Kind, Measure};
use crate::trial::examination::NOMINAL;
use crate::trial::phases::{POWER_CYCLE, TRIAL, TUNING};
use crate::trial::result::{Conduct, LimitResult, MeasureResult, NoNumber, Reason, SettingFact, TrialResult, Verdict};

/// One limit of the scenario: what the nominal machine and the worst corner made of it.
#[derive(Clone, Copy, Debug)]
pub struct LimitRow<'a> {
    /// Any of its results: measure, window and bounds are the same on every machine.
    pub any: &'a LimitResult,
    /// The nominal machine's; none when the limit asks for corners only.
    pub nominal: Option<&'a LimitResult>,
    /// The corner with the least reserve; none when the limit asks for the nominal machine only.
    pub worst_corner: Option<&'a LimitResult>,
}

impl LimitRow<'_> {
    /// The worse of both grades.
    #[must_use]
    pub fn grade(&self) -> f64 {
        [self.nominal, self.worst_corner].into_iter().flatten().map(|found| found.grade).fold(1.0, f64::min)
    }

    /// Whether it held on the nominal machine and in the worst corner.
    #[must_use]
    pub fn held(&self) -> bool {
        [self.nominal, self.worst_corner].into_iter().flatten().all(|found| found.held)
    }
}

/// The scenario's limits in its order.
#[must_use]
pub fn limit_rows(result: &TrialResult) -> Vec<LimitRow<'_>> {
    let mut places: Vec<usize> = result.limits.iter().map(|limit| limit.limit).collect();
    places.sort_unstable();
    places.dedup();
    places.into_iter().filter_map(|place| limit_row(result, place)).collect()
}

fn limit_row(result: &TrialResult, place: usize) -> Option<LimitRow<'_>> {
    let mine = || result.limits.iter().filter(move |limit| limit.limit == place);
    Some(LimitRow {
        any: mine().next()?,
        nominal: mine().find(|limit| !is_in_corner(limit)),
        worst_corner: mine().filter(|limit| is_in_corner(limit)).min_by(|a, b| least_reserve(a, b)),
    })
}

/// Tuning takes place on the nominal machine.
fn is_in_corner(limit: &LimitResult) -> bool {
    ![NOMINAL, TUNING].contains(&limit.found.machine.as_str())
}

fn least_reserve(a: &LimitResult, b: &LimitResult) -> std::cmp::Ordering {
    a.reserve_frac().total_cmp(&b.reserve_frac()).then(a.grade.total_cmp(&b.grade))
}

/// The limit with the least reserve of all; a missed one when any is missed.
#[must_use]
pub fn worst(result: &TrialResult) -> Option<&LimitResult> {
    result.limits.iter().min_by(|a, b| a.held.cmp(&b.held).then(least_reserve(a, b)))
}

/// The corner that came off worst; none when no limit was asked for in a corner.
#[must_use]
pub fn worst_corner(result: &TrialResult) -> Option<&str> {
    worst_of_corners(&result.limits)
}

/// The corner with the least reserve among some limits; one that missed before any that held.
#[must_use]
pub fn worst_of_corners<'a>(limits: impl IntoIterator<Item = &'a LimitResult>) -> Option<&'a str> {
    let corners = limits.into_iter().filter(|limit| is_in_corner(limit));
    corners.min_by(|a, b| a.held.cmp(&b.held).then(least_reserve(a, b))).map(|limit| limit.found.machine.as_str())
}

/// The verdict as one word.
#[must_use]
pub fn verdict_word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "pass",
        Verdict::Fail => "fail",
        Verdict::VoidMethod | Verdict::VoidBench => "void",
    }
}

/// The verdict in one sentence with the gravest reason and the machine that it concerns.
#[must_use]
pub fn headline(result: &TrialResult) -> String {
    let opening = match result.verdict {
        Verdict::Pass => return format!("Passed: {}.", all_held(result)),
        Verdict::Fail => "Failed",
        Verdict::VoidMethod => "Void, because of the method",
        Verdict::VoidBench => "Void, because of the bench",
    };
    match result.reasons.first() {
        Some(reason) => format!("{opening}{}: {}", place(reason), sentence(&reason.text)),
        None => format!("{opening}: no reason was given."),
    }
}

/// Where a reason belongs, when its own words do not say so.
fn place(reason: &Reason) -> String {
    let machine = shown(&reason.machine);
    match machine.as_str() {
        name if reason.text.contains(name) => String::new(),
        NOMINAL => ", on the nominal machine".to_owned(),
        TUNING => ", while tuning".to_owned(),
        POWER_CYCLE => ", at the power cycle".to_owned(),
        TRIAL => String::new(),
        name => format!(", in the corner “{name}”"),
    }
}

/// A further reason: its sentence, and machine and time where its own words do not say them.
#[must_use]
pub fn further_reason(reason: &Reason) -> String {
    let text = shown(&reason.text);
    let machine = shown(&reason.machine);
    let time =
        reason.at_s.map(|at_s| format!("at {}", quantity(at_s, "s"))).filter(|time| !text.contains(&shown(time)));
    let machine = Some(machine).filter(|machine| machine != TRIAL && !text.contains(machine.as_str()));
    let remarks: Vec<String> = machine.into_iter().chain(time).collect();
    let remark = if remarks.is_empty() { String::new() } else { format!(" ({})", remarks.join(", ")) };
    format!("{}{remark}.", text.trim_end_matches('.'))
}

fn all_held(result: &TrialResult) -> String {
    let limits = match limit_rows(result).len() {
        0 => return "there was no limit to miss".to_owned(),
        1 => "the one limit".to_owned(),
        count => format!("all {count} limits"),
    };
    match corner_count(result) {
        0 => format!("{limits} held on the nominal machine"),
        1 => format!("{limits} held, on the nominal machine and in its corner"),
        count => format!("{limits} held, on the nominal machine and in {count} corners"),
    }
}

fn corner_count(result: &TrialResult) -> usize {
    let corners = result.limits.iter().filter(|limit| is_in_corner(limit));
    let mut names: Vec<&str> = corners.map(|limit| limit.found.machine.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    names.len()
}

/// The grade in words; a void run has none.
#[must_use]
pub fn grade_sentence(result: &TrialResult) -> String {
    result.grade_percent.map_or_else(|| "No grade.".to_owned(), |grade| format!("Grade {} of 100.", figure(grade)))
}

/// Which machine was worst, in what, by how much and where in time; none without limits.
#[must_use]
pub fn worst_sentence(result: &TrialResult) -> Option<String> {
    let limit = worst(result)?;
    let said = |reason: &Reason| {
        shown(&reason.text).contains(&shown(&limit_sentence(limit))) || reason.text.starts_with(&limit.found.measure)
    };
    if result.reasons.first().is_some_and(|reason| reason.machine == limit.found.machine && said(reason)) {
        return Some("That is the farthest beyond a limit.".to_owned());
    }
    let opening = if limit.held { "Nearest to a limit" } else { "Farthest beyond a limit" };
    let machine = match limit.found.machine.as_str() {
        NOMINAL => "the nominal machine".to_owned(),
        TUNING => "the nominal machine while tuning".to_owned(),
        name => format!("the corner “{}”", shown(name)),
    };
    Some(format!("{opening}: {machine}. {}.", capital(&limit_sentence(limit))))
}

/// What was found against what was allowed, by how much and when, without a capital or a full stop:
/// `settling time in “step to 400 rpm” was 0.271 s where at most 0.22 s is allowed, 0.051 s too much, at 0.471 s`.
#[must_use]
pub fn limit_sentence(limit: &LimitResult) -> String {
    let (value, bound) = found_and_bound(limit);
    let distance = distance(limit).map_or_else(String::new, |distance| format!(", {distance}"));
    let at = limit.found.at_s.map_or_else(String::new, |at_s| format!(", at {}", quantity(at_s, "s")));
    format!("{} was {value} where {bound} is allowed{distance}{at}", subject(&limit.found))
}

fn capital(text: &str) -> String {
    let mut rest = text.chars();
    rest.next().map_or_else(String::new, |first| first.to_uppercase().chain(rest).collect())
}

/// The measure and its window: `settling time in “step to 400 rpm”`.
#[must_use]
pub fn subject(found: &MeasureResult) -> String {
    let measure = spoken(&found.measure);
    found.during.as_ref().map_or(measure.clone(), |entry| format!("{measure} in “{}”", shown(entry)))
}

/// The window of a measure: its programme entry, or what stands for one.
#[must_use]
pub fn window(found: &MeasureResult) -> String {
    let stands_for_one = match Measure::from_name(&found.measure).map(Measure::kind) {
        Some(Kind::Loop) => "whole loop",
        Some(Kind::Conduct) => "while tuning",
        _ => "whole run",
    };
    found.during.as_deref().map_or_else(|| stands_for_one.to_owned(), shown)
}

/// What belongs beside the numbers of a row, which excursion an undershoot is for one; none where nothing does.
#[must_use]
pub fn remark(row: &LimitRow) -> Option<String> {
    let noted = [row.nominal, row.worst_corner].into_iter().flatten().filter_map(|limit| {
        let note = shown(limit.found.note.as_deref()?);
        Some(format!("{note} ({})", shown(&limit.found.machine)))
    });
    let noted: Vec<String> = noted.collect();
    (!noted.is_empty()).then(|| format!("{}: {}.", capital(&subject(&row.any.found)), noted.join("; ")))
}

/// The limit in words: `at most 15 %`, `at least 30°`.
#[must_use]
pub fn asked(limit: &LimitResult) -> String {
    found_and_bound(limit).1
}

/// What was found: a number with its unit, or why there is none.
#[must_use]
pub fn found(limit: &LimitResult) -> String {
    found_and_bound(limit).0
}

/// A measure's number with its unit, or why there is none.
#[must_use]
pub fn measured(found: &MeasureResult) -> String {
    match (found.value, found.no_number) {
        (Some(value), _) => quantity(value, &found.unit),
        (None, why) => why.unwrap_or(NoNumber::NotReached).words().to_owned(),
    }
}

/// Both with enough digits to tell a missed limit from a held one.
fn found_and_bound(limit: &LimitResult) -> (String, String) {
    let unit = limit.found.unit.as_str();
    let apart = |bound: f64| match limit.found.value {
        Some(value) => figures_apart(value, bound),
        None => (String::new(), figure(bound)),
    };
    let value = |number: String| {
        if number.is_empty() { measured(&limit.found) } else { with_unit(&number, unit) }
    };
    match (limit.min, limit.max) {
        (Some(min), Some(max)) => {
            let asked = format!("{} to {}", figure(min), quantity(max, unit));
            (measured(&limit.found), asked)
        }
        (Some(min), None) => {
            let (number, bound) = apart(min);
            (value(number), format!("at least {}", with_unit(&bound, unit)))
        }
        (None, Some(max)) => {
            let (number, bound) = apart(max);
            (value(number), format!("at most {}", with_unit(&bound, unit)))
        }
        (None, None) => (measured(&limit.found), "anything".to_owned()),
    }
}

/// How far a number is from its limit, on which side; none without a number.
#[must_use]
pub fn distance(limit: &LimitResult) -> Option<String> {
    let value = limit.found.value?;
    let above = limit.max.map(|max| max - value);
    let below = limit.min.map(|min| value - min);
    let room = above.unwrap_or(f64::INFINITY).min(below.unwrap_or(f64::INFINITY));
    if !room.is_finite() {
        return None;
    }
    let amount = match limit.found.unit.as_str() {
        "%" => format!("{} percentage points", rough(room.abs())),
        unit => with_unit(&rough(room.abs()), unit),
    };
    Some(match (limit.held, room < 0.0, above.is_some_and(|above| above == room)) {
        (true, ..) if room == 0.0 => "exactly the limit".to_owned(),
        (true, ..) => format!("{amount} to spare"),
        (false, true, true) => format!("{amount} too much"),
        (false, true, false) => format!("{amount} too little"),
        (false, false, _) => return None,
    })
}

/// `held` or `missed`.
#[must_use]
pub fn held_word(held: bool) -> &'static str {
    if held { "held" } else { "missed" }
}

/// Settings whose stored value is not what was there before the method came.
#[must_use]
pub fn changed(settings: &[SettingFact]) -> Vec<&SettingFact> {
    settings.iter().filter(|setting| setting.value.to_bits() != setting.initial.to_bits()).collect()
}

/// One fact of conduct in a sentence, and whether it breaks a rule.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConductFact {
    /// What it is about, in a word or two.
    pub name: &'static str,
    /// The sentence.
    pub text: String,
    /// Whether a rule was broken.
    pub broken: bool,
}

/// The conduct in sentences, in the order of a tuning.
#[must_use]
pub fn conduct_facts(conduct: &Conduct) -> Vec<ConductFact> {
    let fact = |name, broken, text| ConductFact { name, text, broken };
    let [low, high] = conduct.window_allowed_deg;
    vec![
        fact(
            "time",
            conduct.time_allowed_s < conduct.tuning_time_s,
            format!(
                "Tuning took {} s of the {} s allowed, with {}.",
                figure(conduct.tuning_time_s),
                figure(conduct.time_allowed_s),
                counted(u64::from(conduct.moves), "move", "moves")
            ),
        ),
        fact(
            "travel",
            0.0 < conduct.travel_overrun_deg,
            format!(
                "The load was between {}° and {}°, {}° in all; {}° to {}° is allowed{}.",
                figure(conduct.travel_min_deg),
                figure(conduct.travel_max_deg),
                figure(conduct.travel_window_deg),
                figure(low),
                figure(high),
                beyond(conduct.travel_overrun_deg, "°")
            ),
        ),
        fact(
            "path",
            conduct.path_allowed_deg < conduct.travel_path_deg,
            format!(
                "It moved through {}° of the {}° allowed.",
                figure(conduct.travel_path_deg),
                figure(conduct.path_allowed_deg)
            ),
        ),
        fact("stops", conduct.stop_strikes_allowed < conduct.stop_strikes, strikes(conduct)),
        fact("speed", 0.0 < conduct.overspeed_percent, overspeed(conduct)),
        // A protection that trips has done its work: no rule forbids it while tuning.
        fact("trips", false, trips(conduct)),
        fact(
            "torque",
            false,
            format!(
                "Torque was {} % of rated in the mean (rms) and {} % at its peak, at its limit for {} % of the time.",
                figure(conduct.torque_rms_percent),
                figure(conduct.torque_peak_percent),
                figure(conduct.time_at_limit_percent)
            ),
        ),
        fact("power cycle", conduct.settings_kept == Some(false), kept(conduct).to_owned()),
    ]
}

fn beyond(overrun: f64, unit: &str) -> String {
    if 0.0 < overrun { format!(", {}{unit} beyond it", figure(overrun)) } else { String::new() }
}

fn strikes(conduct: &Conduct) -> String {
    let energy = figure(conduct.stop_energy_j);
    match conduct.stop_strikes {
        0 => "No stop was struck.".to_owned(),
        1 => format!("A stop was struck once, with {energy} J."),
        times => format!("Stops were struck {times} times, with up to {energy} J."),
    }
}

fn overspeed(conduct: &Conduct) -> String {
    if 0.0 < conduct.overspeed_percent {
        format!("The axis' highest speed was exceeded by {} %.", figure(conduct.overspeed_percent))
    } else {
        "The axis' highest speed was kept.".to_owned()
    }
}

fn trips(conduct: &Conduct) -> String {
    if conduct.faults.is_empty() {
        return "No protection tripped.".to_owned();
    }
    let named: Vec<String> =
        conduct.faults.iter().map(|fault| format!("{} at {} s", shown(&fault.name), figure(fault.at_s))).collect();
    format!("Tripped: {}.", named.join(", "))
}

fn kept(conduct: &Conduct) -> &'static str {
    match conduct.settings_kept {
        Some(true) => "A power cycle brought the tuned settings back.",
        Some(false) => "A power cycle lost tuned settings: they were not stored.",
        None => "The power cycle was not reached.",
    }
}

/// What was done to the link on purpose; none where it was left alone.
#[must_use]
pub fn impairment_sentence(result: &TrialResult) -> Option<String> {
    let facts = result.impairment.as_ref()?;
    let (lost, repeated) = (counted(facts.frames_lost, "frame", "frames"), facts.frames_repeated);
    let harmed = format!(": {lost} lost, {repeated} sent twice, {} corrupted", facts.copies_corrupted);
    let harmed = if facts.asked().touches_frames() { harmed } else { String::new() };
    Some(format!("Impaired on purpose with {}{harmed}.", facts.asked()))
}

/// A reason made a sentence: one line, a capital is kept, one full stop at the end.
#[must_use]
pub fn sentence(text: &str) -> String {
    let line = shown(text);
    format!("{}.", line.trim_end_matches('.'))
}

/// What stands on every rendering.
pub const CAUTION: &str = "A pass here is no proof that a machine is safe or that settings suit it.";
