//! The opened loop in pictures: gain, phase and sensitivity, with the margins drawn in, and a table of all machines.
//!
//! The nominal machine is shown beside the corner that came off worst in the loop's limits; with play, in the state of
//! the gaps that counts. What it does not: compute margins. Start reading at [`loops`].

use maud::{Markup, html};

use super::axis::Axis;
use super::figure::{figure, quantity, rough, shown};
use super::finding;
use super::plot::{Chart, Dot, Role, Rule, Sample};
use super::sheet::optional;
use super::{BodePoint, LoopPicture, Pictures};
use crate::base::real;
use crate::trial::examination::NOMINAL;
use crate::trial::result::{LimitResult, TrialResult};

/// Gains beyond this many dB from 0 say nothing about stability and would flatten the rest.
const MOST_GAIN_DB: f64 = 50.0;
/// Phase is drawn down to here, or to a quarter turn below the lowest crossover; it falls on towards half the tick rate.
const LOWEST_PHASE_DEG: f64 = -300.0;
/// Sensitivity below this is good and of no further interest.
const LOWEST_SENSITIVITY_DB: f64 = -30.0;

/// The section's content; a sentence where there is nothing to draw.
pub fn loops(result: &TrialResult, pictures: &Pictures) -> Markup {
    let drawn = drawn_loops(result, &pictures.loops);
    let Some(x) = frequency_axis(&drawn) else {
        return html! { p { "No loop was computed: the trial did not get so far, or the speed loop was closed outside." } };
    };
    let limits: Vec<&LimitResult> = result.limits.iter().filter(|limit| limit.found.during.is_none()).collect();
    html! {
        (gain_chart(&drawn, x).markup())
        (phase_chart(&drawn, x, &limits).markup())
        (sensitivity_chart(&drawn, x, &limits).markup())
        (all_loops(&pictures.loops))
    }
}

/// A loop and what it stands for.
type Drawn<'a> = (Role, &'a LoopPicture);

fn drawn_loops<'a>(result: &'a TrialResult, loops: &'a [LoopPicture]) -> Vec<Drawn<'a>> {
    let of_the_loop = result.limits.iter().filter(|limit| limit.found.during.is_none());
    let named = finding::worst_of_corners(of_the_loop).or_else(|| finding::worst_corner(result));
    let corner = named
        .and_then(|name| worst_loop(loops, |machine| machine == name))
        .or_else(|| worst_loop(loops, |machine| machine != NOMINAL));
    let nominal = worst_loop(loops, |machine| machine == NOMINAL);
    let both = [(Role::Nominal, nominal), (Role::Corner, corner)];
    both.into_iter().filter_map(|(role, found)| found.map(|found| (role, found))).collect()
}

/// Of a machine's states of the gaps the one that counts: unstable before stable, then the larger Ms.
fn worst_loop(loops: &[LoopPicture], is_mine: impl Fn(&str) -> bool) -> Option<&LoopPicture> {
    let peak = |picture: &LoopPicture| match picture.sensitivity_peak {
        Some(peak) if picture.stable => peak.ratio,
        _ => f64::INFINITY,
    };
    let mine = loops.iter().filter(|picture| is_mine(&picture.machine) && !picture.points.is_empty());
    mine.reduce(|worst, next| if peak(worst) < peak(next) { next } else { worst })
}

fn frequency_axis(drawn: &[Drawn]) -> Option<Axis> {
    let ends = drawn.iter().filter_map(|(_, picture)| Some((picture.points.first()?.hz, picture.points.last()?.hz)));
    let (low, high) = ends.reduce(|all, one| (all.0.min(one.0), all.1.max(one.1)))?;
    Some(Axis::logarithmic(low, high))
}

fn loop_words(picture: &LoopPicture) -> String {
    let gaps = if picture.gaps_open { ", gaps open" } else { "" };
    let stable = if picture.stable { "" } else { ", unstable" };
    match picture.machine.as_str() {
        NOMINAL => format!("nominal{gaps}{stable}"),
        name => format!("corner “{}”{gaps}{stable}", shown(name)),
    }
}

fn frequency(x: Axis) -> (Axis, String) {
    (x, "frequency in Hz".to_owned())
}

fn gain_chart(drawn: &[Drawn], x: Axis) -> Chart {
    let points = drawn.iter().flat_map(|(_, picture)| &picture.points);
    let gains = points.map(|point| point.magnitude_db.clamp(-MOST_GAIN_DB, MOST_GAIN_DB)).chain([0.0]);
    let y = Axis::linear_round(gains, 0.05);
    let mut chart = Chart::new("Gain of the opened loop".to_owned(), 250, frequency(x), (y, "dB".to_owned()));
    chart.add_level(Role::Reference, 0.0, "0 dB");
    for (role, picture) in drawn {
        let curve: Vec<_> = picture.points.iter().map(|point| (point.hz, point.magnitude_db)).collect();
        chart.add_points(*role, &curve, &loop_words(picture));
        if let Some(first) = picture.crossovers_hz.first() {
            let count = picture.crossovers_hz.len();
            chart.dots.extend(picture.crossovers_hz.iter().map(|hz| Dot { role: *role, at: (*hz, 0.0) }));
            let more = if 1 < count { format!(", {count} crossings in all") } else { String::new() };
            say(&mut chart, *role, &format!("crossover {}{more}", quantity(*first, "Hz")), &picture.machine);
        }
        if let Some(margin) = picture.gain_margin.filter(|_| picture.stable) {
            let gain_db = nearest(&picture.points, margin.hz).map_or(-margin.db, |point| point.magnitude_db);
            let end_db = if gain_db < 0.0 { -margin.db } else { margin.db };
            let words_left = 0.7 < x.place_frac(margin.hz);
            arrow(&mut chart, *role, ((margin.hz, 0.0), (margin.hz, end_db)), "gain margin", words_left);
            let words = format!("gain margin {} at {}", quantity(margin.db, "dB"), quantity(margin.hz, "Hz"));
            say(&mut chart, *role, &words, &picture.machine);
        }
    }
    chart
}

fn phase_chart(drawn: &[Drawn], x: Axis, limits: &[&LimitResult]) -> Chart {
    let phases: Vec<Vec<f64>> = drawn.iter().map(|(_, picture)| unwrapped(&picture.points)).collect();
    let lowest = lowest_phase(drawn, &phases);
    let all = phases.iter().flatten().map(|deg| deg.max(lowest)).chain([-180.0]);
    let y = Axis::linear_round(all, 0.05);
    let mut chart = Chart::new("Phase of the opened loop".to_owned(), 250, frequency(x), (y, "degrees".to_owned()));
    chart.y_ticks = y.linear_ticks(if y.high - y.low < 360.0 { 45.0 } else { 90.0 });
    for turn in -4..=1 {
        let level = -180.0 + 360.0 * f64::from(turn);
        if y.holds(level) {
            chart.add_level(Role::Reference, level, &format!("{level}°"));
        }
    }
    for ((role, picture), phase) in drawn.iter().zip(&phases) {
        let curve: Vec<_> = picture.points.iter().zip(phase).map(|(point, deg)| (point.hz, *deg)).collect();
        chart.add_points(*role, &curve, &loop_words(picture));
        let Some(margin) = picture.phase_margin.filter(|_| picture.stable) else { continue };
        let there = curve.iter().min_by(|a, b| apart(a.0, margin.hz).total_cmp(&apart(b.0, margin.hz)));
        if let Some((_, deg)) = there {
            let line = critical_line(*deg);
            let end = if *deg < line { line - margin.deg } else { line + margin.deg };
            let words_left = 0.2 < x.place_frac(margin.hz);
            arrow(&mut chart, *role, ((margin.hz, line), (margin.hz, end)), "phase margin", words_left);
        }
        let words = format!("phase margin {} at {}", quantity(margin.deg, "°"), quantity(margin.hz, "Hz"));
        say(&mut chart, *role, &words, &picture.machine);
    }
    if let Some(min) = limits.iter().find(|l| l.found.measure == "phase_margin_deg").and_then(|l| l.min) {
        for line in [-180.0, -540.0].into_iter().filter(|line| y.holds(*line)) {
            let band = super::plot::Band { role: Role::Happening, x: (x.low, x.high), y: (line - min, line + min) };
            chart.bands.push(band);
        }
        let words = format!("closer than {}° to -180°: no crossover may lie here", figure(min));
        chart.add_key(Role::Happening, Sample::Area, &words);
    }
    chart
}

fn lowest_phase(drawn: &[Drawn], phases: &[Vec<f64>]) -> f64 {
    let mut lowest = LOWEST_PHASE_DEG;
    for ((_, picture), phase) in drawn.iter().zip(phases) {
        let above_unity = picture.points.iter().zip(phase).filter(|(point, _)| 0.0 <= point.magnitude_db);
        lowest = above_unity.fold(lowest, |lowest, (_, deg)| lowest.min(deg - 90.0));
    }
    lowest
}

fn sensitivity_chart(drawn: &[Drawn], x: Axis, limits: &[&LimitResult]) -> Chart {
    let limit = limits.iter().find(|limit| limit.found.measure == "sensitivity_peak");
    let max_db = limit.and_then(|limit| limit.max).filter(|max| 0.0 < *max).map(|max| (max, 20.0 * real::log10(max)));
    let points = drawn.iter().flat_map(|(_, picture)| &picture.sensitivity);
    let curve = points.map(|point| point.magnitude_db.clamp(LOWEST_SENSITIVITY_DB, MOST_GAIN_DB));
    let y = Axis::linear_round(curve.chain([0.0]).chain(max_db.map(|(_, db)| db)), 0.1);
    let title = "Sensitivity |S| = |1/(1 + L)|".to_owned();
    let mut chart = Chart::new(title, 210, frequency(x), (y, "dB".to_owned()));
    chart.add_level(Role::Reference, 0.0, "");
    if let Some((max, db)) = max_db {
        chart.add_level(Role::Limit, db, &format!("Ms at most {}, {} dB", figure(max), rough(db)));
    }
    for (role, picture) in drawn {
        let curve: Vec<_> = picture.sensitivity.iter().map(|point| (point.hz, point.magnitude_db)).collect();
        chart.add_points(*role, &curve, &loop_words(picture));
        if let Some(peak) = picture.sensitivity_peak.filter(|peak| picture.stable && 0.0 < peak.ratio) {
            chart.dots.push(Dot { role: *role, at: (peak.hz, 20.0 * real::log10(peak.ratio)) });
            let words = format!("Ms {} at {}", figure(peak.ratio), quantity(peak.hz, "Hz"));
            say(&mut chart, *role, &words, &picture.machine);
        }
    }
    chart
}

/// Says a finding in the key and to those who cannot see the picture.
fn say(chart: &mut Chart, role: Role, words: &str, machine: &str) {
    let words = format!("{}: {words}", shown(machine));
    chart.add_key(role, Sample::Dot, &words);
    chart.description.push_str(&format!("{words}. "));
}

/// A margin as a line with two heads; the nominal machine's carries words.
fn arrow(chart: &mut Chart, role: Role, (from, to): ((f64, f64), (f64, f64)), words: &str, words_left: bool) {
    let words = if role == Role::Nominal { words.to_owned() } else { String::new() };
    chart.rules.push(Rule { role, from, to, words, arrows: true, words_left });
}

fn nearest(points: &[BodePoint], hz: f64) -> Option<&BodePoint> {
    points.iter().min_by(|a, b| apart(a.hz, hz).total_cmp(&apart(b.hz, hz)))
}

fn apart(a_hz: f64, b_hz: f64) -> f64 {
    (a_hz - b_hz).abs()
}

/// The nearest of -180° and its repetitions every turn.
fn critical_line(phase_deg: f64) -> f64 {
    ((phase_deg + 180.0) / 360.0).round() * 360.0 - 180.0
}

/// Phase without jumps of a whole turn, beginning between -360° and 0°.
#[must_use]
pub fn unwrapped(points: &[BodePoint]) -> Vec<f64> {
    let mut last: Option<f64> = None;
    points
        .iter()
        .map(|point| {
            let turns = match last {
                None => (point.phase_deg / 360.0).ceil(),
                Some(last) => ((point.phase_deg - last) / 360.0).round(),
            };
            let deg = point.phase_deg - 360.0 * turns;
            last = Some(deg);
            deg
        })
        .collect()
}

fn all_loops(loops: &[LoopPicture]) -> Markup {
    html! {
        div.wide {
            table {
                caption { "Every loop, opened at the torque command" }
                thead { tr {
                    @for head in ["machine", "gaps", "closed loop", "crossovers", "phase margin", "gain margin", "Ms"] {
                        th scope="col" { (head) }
                    }
                } }
                tbody { @for picture in loops { (loop_row(picture)) } }
            }
        }
    }
}

fn loop_row(picture: &LoopPicture) -> Markup {
    let crossovers: Vec<String> = picture.crossovers_hz.iter().map(|hz| quantity(*hz, "Hz")).collect();
    let margin = |text: String| if picture.stable { text } else { "unstable".to_owned() };
    html! {
        tr {
            th scope="row" { (shown(&picture.machine)) }
            td { @if picture.gaps_open { "open" } @else { "closed" } }
            td { @if picture.stable { "stable" } @else { strong.missed { "unstable" } } }
            td { @if crossovers.is_empty() { "none" } @else { (crossovers.join(", ")) } }
            td { (margin(optional(picture.phase_margin.map(|margin| margin.deg), "°"))) }
            td { (margin(optional(picture.gain_margin.map(|margin| margin.db), "dB"))) }
            td { (margin(optional(picture.sensitivity_peak.map(|peak| peak.ratio), ""))) }
        }
    }
}
