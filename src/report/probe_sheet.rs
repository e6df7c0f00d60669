//! What a link can carry, for a terminal: round trips, then a row for each rhythm that was tried.
//!
//! What it does not: measure (`bench/probing.rs`), print. Start reading at [`probe_sheet`].

use super::Style;
use super::figure::{figure, rough};
use super::sheet::{Ink, Sheet, inked};

/// What was found, as the sheet and `--json` show it.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct ProbeFacts {
    /// The link, as a client finds it.
    pub link: String,
    /// What answered.
    pub client: String,
    /// How the bench waited for a tick: `sleep` or `sleep-then-spin`.
    pub waiting: String,
    /// Round trips per second, each probe sent when the echo before had come.
    pub round_trips_per_s: f64,
    /// Round trip that half of the probes did not exceed; none without an echo.
    pub round_trip_p50_us: Option<f64>,
    /// The same for 99 %.
    pub round_trip_p99_us: Option<f64>,
    /// The same for 99.9 %.
    pub round_trip_p999_us: Option<f64>,
    /// The longest round trip.
    pub round_trip_max_us: Option<f64>,
    /// Probes of these that had no echo.
    pub lost: u64,
    /// Bytes per second each way that the line is known to carry; none where nothing bounds them.
    pub line_bytes_per_s: Option<f64>,
    /// A rhythm each.
    pub rhythms: Vec<RhythmFacts>,
    /// What the system refused, a sentence each, with the command that grants it.
    pub refused: Vec<String>,
}

/// What was found at one rhythm.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct RhythmFacts {
    /// Ticks per second.
    pub tick_hz: u32,
    /// Ticks per exchange.
    pub stride: u32,
    /// Lateness of a tick that half of them did not exceed.
    pub late_p50_us: Option<f64>,
    /// The same for 99.9 %.
    pub late_p999_us: Option<f64>,
    /// The latest tick.
    pub late_max_us: Option<f64>,
    /// Ticks missed in a million.
    pub missed_per_million: f64,
    /// Probes sent, one an exchange.
    pub sent: u64,
    /// Echoes that were there when the next tick began, in percent of them.
    pub in_time_percent: f64,
    /// Probes without an echo.
    pub lost: u64,
    /// Frames of an exchange where the outside commands speed, and whether the rhythm suits them.
    pub speed: CommandFacts,
    /// The same where it commands torque.
    pub torque: CommandFacts,
}

/// One exchange of a kind, and whether it fits.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct CommandFacts {
    /// Bytes of a feedback.
    pub feedback_bytes: usize,
    /// Bytes of a command with a value for each tick.
    pub command_bytes: usize,
    /// Bytes per second both ways together.
    pub bytes_per_s: f64,
    /// Why the rhythm does not suit; none when it does.
    pub objection: Option<String>,
}

/// The sheet. Ends with a newline.
#[must_use]
pub fn probe_sheet(facts: &ProbeFacts, style: Style) -> String {
    let mut sheet = Sheet::new(style);
    sheet.sentence(0, &format!("{}: {} answers", facts.link, facts.client));
    sheet.sentence(0, &round_trips(facts));
    sheet.heading("On the clock, a probe an exchange");
    let header = [
        "ticks/s",
        "stride",
        "late p50 µs",
        "p99.9 µs",
        "max µs",
        "missed ppm",
        "in time %",
        "lost",
        "speed",
        "torque",
    ];
    let cells = facts.rhythms.iter().map(row).collect();
    sheet.table(&header, cells, &[0, 1, 2, 3, 4, 5, 6, 7]);
    objections(&mut sheet, facts);
    sheet.gap();
    sheet.sentence(0, &conclusion("speed", facts, |rhythm| &rhythm.speed));
    sheet.sentence(0, &conclusion("torque", facts, |rhythm| &rhythm.torque));
    for refused in &facts.refused {
        sheet.sentence(0, &format!("Refused by the system: {refused}."));
    }
    sheet.finish()
}

fn round_trips(facts: &ProbeFacts) -> String {
    let number = |value: Option<f64>| value.map_or_else(|| "none".to_owned(), rough);
    format!(
        "{} round trips a second; half of them took at most {} µs, 99 % {} µs, 99.9 % {} µs, the longest {} µs; {} lost.",
        figure(facts.round_trips_per_s.round()),
        number(facts.round_trip_p50_us),
        number(facts.round_trip_p99_us),
        number(facts.round_trip_p999_us),
        number(facts.round_trip_max_us),
        facts.lost
    )
}

fn row(rhythm: &RhythmFacts) -> Vec<String> {
    let number = |value: Option<f64>| value.map_or_else(|| "none".to_owned(), rough);
    vec![
        rhythm.tick_hz.to_string(),
        rhythm.stride.to_string(),
        number(rhythm.late_p50_us),
        number(rhythm.late_p999_us),
        number(rhythm.late_max_us),
        figure(rhythm.missed_per_million.round()),
        format!("{:.2}", rhythm.in_time_percent),
        rhythm.lost.to_string(),
        fits(&rhythm.speed),
        fits(&rhythm.torque),
    ]
}

fn fits(facts: &CommandFacts) -> String {
    if facts.objection.is_none() { inked(Ink::Good, "fits") } else { inked(Ink::Bad, "does not") }
}

/// Each reason once a rhythm; both kinds of command mostly share it.
fn objections(sheet: &mut Sheet, facts: &ProbeFacts) {
    for rhythm in &facts.rhythms {
        let place = format!("{} ticks/s, stride {}", rhythm.tick_hz, rhythm.stride);
        match (&rhythm.speed.objection, &rhythm.torque.objection) {
            (None, None) => {}
            (Some(speed), Some(torque)) if speed == torque => sheet.sentence(2, &format!("{place}: {speed}")),
            (speed, torque) => {
                for (name, why) in [("speed", speed), ("torque", torque)] {
                    if let Some(why) = why {
                        sheet.sentence(2, &format!("{place}, {name}: {why}"));
                    }
                }
            }
        }
    }
}

/// The rhythms that suit, in a sentence.
fn conclusion(name: &str, facts: &ProbeFacts, of: impl Fn(&RhythmFacts) -> &CommandFacts) -> String {
    let suits = facts.rhythms.iter().filter(|rhythm| of(rhythm).objection.is_none());
    let words: Vec<String> = suits.map(|rhythm| format!("{} × {}", rhythm.tick_hz, rhythm.stride)).collect();
    if words.is_empty() {
        return format!("With commands = \"{name}\" in real time none of these fits; lockstep does, at its own pace.");
    }
    format!("With commands = \"{name}\" in real time fit (ticks/s × stride): {}.", words.join(", "))
}
