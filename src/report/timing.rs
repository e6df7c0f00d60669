//! How a paced run kept the clock: in sentences, and as a picture of how many ticks were how late.
//!
//! What it does not: judge (the verdict's reasons do). Start reading at [`sentences`].

use maud::{Markup, html};

use super::axis::Axis;
use super::figure::{counted, figure, rough, shown};
use super::plot::{Band, Chart, Role, Sample};
use crate::trial::result::TimingFacts;

/// Lowest number on the axis of ticks: a bar of one tick must be seen.
const LOWEST_TICKS: f64 = 0.5;

/// Shortest lateness on the axis, in microseconds, where no tick was earlier.
const SHORTEST_US: f64 = 1.0;

/// The facts in sentences, for sheet and page.
pub fn sentences(timing: &TimingFacts) -> Vec<String> {
    let mut sentences = vec![lateness(timing), missed(timing), commands(timing)];
    sentences.extend(timing.refused.iter().map(|sentence| format!("Refused by the system: {}.", shown(sentence))));
    sentences
}

fn lateness(timing: &TimingFacts) -> String {
    let how = match timing.waiting.as_str() {
        "sleep-then-spin" => "sleep, then a spin of at most 30 µs",
        other => other,
    };
    let waiting = format!("the bench waited by {}", shown(how));
    match (timing.late_p50_us, timing.late_p99_us, timing.late_p999_us, timing.late_max_us) {
        (Some(half), Some(most), Some(nearly_all), Some(all)) => format!(
            "Half of the ticks began at most {} µs late, 99 % {} µs, 99.9 % {} µs, the latest {} µs; {waiting}.",
            rough(half),
            rough(most),
            rough(nearly_all),
            rough(all)
        ),
        _ => format!("No tick was done; {waiting}."),
    }
}

fn missed(timing: &TimingFacts) -> String {
    let share = figure(timing.missed_ticks as f64 * 1e6 / timing.ticks.max(1) as f64);
    let row = match timing.longest_run_of_misses {
        0 | 1 => String::new(),
        ticks => format!(", at most {ticks} in a row"),
    };
    let verdict = if timing.missed_too_many() { ": too many, the run cannot be trusted" } else { "" };
    format!(
        "{} of {} ticks missed, {share} in a million{row}; {} in a million are allowed{verdict}.",
        timing.missed_ticks, timing.ticks, timing.allowed_missed_per_million
    )
}

fn commands(timing: &TimingFacts) -> String {
    format!(
        "{} without a command; {} too late to act.",
        counted(timing.silent_ticks, "tick", "ticks"),
        counted(timing.stale_commands, "command", "commands")
    )
}

/// The chapter of the page.
pub fn chapter(timing: &TimingFacts, tick_hz: u32) -> Markup {
    html! {
        @for sentence in sentences(timing) { p { (sentence) } }
        @if let Some(chart) = lateness_chart(timing, tick_hz) { (chart.markup()) }
    }
}

/// Ticks over lateness, both axes by powers of ten; none without a tick.
fn lateness_chart(timing: &TimingFacts, tick_hz: u32) -> Option<Chart> {
    let (first, last) = (timing.lateness.first()?, timing.lateness.last()?);
    let tick_us = 1e6 / f64::from(tick_hz.max(1));
    let from_us = lower_edge_us(first.up_to_us).min(SHORTEST_US);
    let most = timing.lateness.iter().map(|bar| bar.ticks).max()?;
    let x = Axis::logarithmic(from_us, last.up_to_us.max(2.0 * tick_us));
    let y = Axis::logarithmic(LOWEST_TICKS, 2.0 * most as f64);
    let mut chart = Chart::new(
        "How late the ticks began".to_owned(),
        220,
        (x, "actual minus scheduled start in µs".to_owned()),
        (y, "ticks".to_owned()),
    );
    chart.y_ticks = y.ticks(0);
    let mut low_us = lower_edge_us(first.up_to_us);
    for bar in &timing.lateness {
        if 0 < bar.ticks {
            let role = Role::Nominal;
            chart.bands.push(Band { role, x: (low_us, bar.up_to_us), y: (LOWEST_TICKS, bar.ticks as f64) });
            chart.description.push_str(&format!("{} µs: {}. ", figure(bar.up_to_us), bar.ticks));
        }
        low_us = bar.up_to_us;
    }
    chart.add_key(Role::Nominal, Sample::Area, "ticks, in bars of even ratios");
    chart.add_moment(Role::Limit, tick_us, "one tick");
    Some(chart)
}

/// Where the first bar begins: bars have even ratios, ten a power of ten.
fn lower_edge_us(up_to_us: f64) -> f64 {
    0.8 * up_to_us
}
