//! A paced result shows how well the clock was kept, on the sheet and on the page; one in lockstep does not speak of it.

use plantstand::bench::timing::Timing;
use plantstand::report::figure::JOINING_SPACE;
use plantstand::report::{Style, html, json, terminal};
use plantstand::trial::result::TimingFacts;

use crate::fabricated::{self, Trial};

/// A thousand ticks, most 10 µs late, some 100 µs, one 300 µs and missed.
fn paced() -> Trial {
    let mut timing = Timing::new();
    (0..990).for_each(|_| timing.tick(10_000, false));
    (0..9).for_each(|_| timing.tick(100_000, false));
    timing.tick(300_000, true);
    timing.silent_ticks = 7;
    timing.stale_commands = 1;
    let mut trial = fabricated::passed();
    trial.result.pace = "real-time".to_owned();
    let refused = vec!["memory could not be locked <here>".to_owned()];
    trial.result.timing = Some(TimingFacts::of(&timing, "sleep", 200, refused));
    trial
}

const SAID: [&str; 4] = [
    "Half of the ticks began at most 10 µs late, 99 % 10 µs, 99.9 % 100 µs, the latest 300 µs",
    "1 of 1000 ticks missed, 1000 in a million; 200 in a million are allowed: too many, the run cannot be trusted.",
    "7 ticks without a command; 1 command too late to act.",
    "Refused by the system: memory could not be locked",
];

#[test]
fn sheet_and_page_say_how_late_the_ticks_were() {
    let trial = paced();
    let sheet = terminal::score_sheet(&trial.result, Style::PLAIN);
    let page = html::page(&trial.result, &trial.pictures()).replace(JOINING_SPACE, " ");
    for said in SAID {
        assert!(sheet.contains(said), "{said} in\n{sheet}");
        assert!(page.contains(said), "{said}");
    }
    assert!(page.contains("&lt;here&gt;") && !page.contains("<here>"));
}

/// A bar for each lateness that occurred, and for those who cannot see it the same in words.
#[test]
fn the_page_draws_the_histogram() {
    let trial = paced();
    let page = html::page(&trial.result, &trial.pictures());
    let start = page.find("How late the ticks began").expect("the picture's title");
    let picture = &page[start..start + page[start..].find("</figure>").expect("its end")];
    assert_eq!(picture.matches("<rect class=\"band nominal\"").count(), 3);
    for words in ["10 µs: 990.", "100 µs: 9.", "315 µs: 1.", "one tick"] {
        assert!(picture.contains(words), "{words}");
    }
}

#[test]
fn lockstep_does_not_speak_of_a_clock() {
    let trial = fabricated::passed();
    assert!(!terminal::score_sheet(&trial.result, Style::PLAIN).contains("The clock"));
    assert!(!html::page(&trial.result, &trial.pictures()).contains("The clock"));
}

#[test]
fn the_timing_reads_back_and_its_schema_names_it() {
    let result = paced().result;
    let text = json::result_json(&result).expect("every number is finite");
    assert_eq!(serde_json::from_str::<plantstand::trial::result::TrialResult>(&text).expect("it reads back"), result);
    assert!(json::result_schema().to_string().contains("allowed_missed_per_million"));
}

/// For a look at it.
#[test]
fn a_page_with_a_clock_can_be_written_for_a_look() {
    let trial = paced();
    let path = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("report-paced.html");
    std::fs::write(&path, html::page(&trial.result, &trial.pictures())).expect("the target folder can be written");
}
