//! The page is complete, needs nothing from outside, says the result's numbers and survives hostile text.

use crate::fabricated::{self, Trial};
use plantstand::base::real;
use plantstand::base::recording::{Recording, Signal};
use plantstand::report::figure::{JOINING_SPACE, figure};
use plantstand::report::{Pictures, html};
use plantstand::trial::phases::TUNING;
use std::collections::BTreeMap;

/// The pages as files, for a look at them.
#[test]
fn a_page_can_be_written_for_a_look() {
    for (name, trial) in [("passed", fabricated::passed()), ("failed", fabricated::failed())] {
        let path = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("report-{name}.html"));
        std::fs::write(&path, html::page(&trial.result, &trial.pictures())).expect("the target folder can be written");
    }
}

fn page(trial: &Trial) -> String {
    html::page(&trial.result, &trial.pictures()).replace(JOINING_SPACE, " ")
}

#[test]
fn nothing_is_fetched_and_nothing_runs() {
    let page = page(&fabricated::passed());
    for way_out in ["http:", "https:", "src=", "@import", "url(", "<script", "<link", "<iframe", "<img", " on"] {
        let found = page.match_indices(way_out).find(|(place, _)| way_out != " on" || is_handler(&page[*place..]));
        assert!(found.is_none(), "{way_out} at {found:?}");
    }
    assert!(page.contains("default-src 'none'"));
}

fn is_handler(text: &str) -> bool {
    ["onload=", "onclick=", "onerror=", "onmouseover="].iter().any(|handler| text.trim_start().starts_with(handler))
}

#[test]
fn three_machines_at_8_khz_stay_below_700_kb() {
    assert!(page(&fabricated::failed()).len() < 700_000);
}

#[test]
fn every_number_of_the_limits_and_settings_stands_on_the_page() {
    for trial in [fabricated::passed(), fabricated::failed()] {
        let page = page(&trial);
        for limit in &trial.result.limits {
            for number in
                [limit.found.value, limit.max, limit.min, limit.target, Some(limit.grade)].into_iter().flatten()
            {
                assert!(page.contains(&figure(number)), "{} of {}", figure(number), limit.found.measure);
            }
        }
        for setting in &trial.result.settings {
            assert!(page.contains(&figure(setting.value)) && page.contains(&setting.name), "{}", setting.name);
        }
    }
}

#[test]
fn hostile_text_stays_text() {
    let hostile = "<script>alert(1)</script>\"'&\u{202e}";
    let mut trial = fabricated::failed();
    trial.result.scenario.title = hostile.into();
    trial.result.scenario.about = hostile.into();
    trial.result.method.name = hostile.into();
    trial.result.reasons[0].text = hostile.into();
    trial.result.link.refused.insert(hostile.into(), 3);
    for limit in &mut trial.result.limits {
        limit.found.during = limit.found.during.as_ref().map(|_| hostile.into());
        limit.found.note = Some(hostile.into());
    }
    let mut pictures = trial.pictures();
    pictures.replay_command = Some(hostile.into());
    pictures.runs[0].entries[0].name = hostile.into();
    pictures.loops[1].machine = hostile.into();
    let page = html::page(&trial.result, &pictures);
    assert!(!page.contains("<script"));
    assert!(!page.contains('\u{202e}'));
    assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;"));
}

#[test]
fn without_pictures_the_page_says_what_is_not_there() {
    let page = html::page(&fabricated::void(), &Pictures::default());
    for words in ["The examination was not run", "No loop was computed", "No limit was judged", "not read"] {
        assert!(page.contains(words), "{words}");
    }
    assert!(page.contains("Void, because of the method, while tuning: the method exited with 1 before done."));
}

#[test]
fn every_picture_has_a_title_and_a_description() {
    let page = page(&fabricated::passed());
    let pictures = page.matches("role=\"img\"").count();
    assert!(12 <= pictures, "{pictures}");
    assert_eq!(page.matches("<desc>").count(), pictures);
    assert_eq!(page.matches("<title>").count(), pictures + 1);
    assert!(page.contains("<html lang=\"en\">"));
}

#[test]
fn limits_are_drawn_and_said_in_words() {
    let page = page(&fabricated::failed());
    for words in [
        "overshoot, at most 15 %",
        "in its band from here, 0.22 s",
        "dip, at most 45 rpm",
        "Ms at most 2.4",
        "phase margin",
        "✕ missed",
    ] {
        assert!(page.contains(words), "{words}");
    }
}

#[test]
fn tags_are_balanced() {
    let page = page(&fabricated::failed());
    for tag in ["section", "figure", "svg", "table", "tr", "td", "div", "ul", "details", "dl"] {
        let opened = page.matches(&format!("<{tag}>")).count() + page.matches(&format!("<{tag} ")).count();
        assert_eq!(opened, page.matches(&format!("</{tag}>")).count(), "{tag}");
    }
}

/// WCAG 2.2, 1.4.3 and 1.4.11: 4.5 to 1 for text, 3 to 1 for what a picture is made of, in light, dark and on paper.
#[test]
fn colours_have_contrast_in_every_scheme() {
    let page = page(&fabricated::passed());
    let schemes: Vec<BTreeMap<&str, f64>> = page.split(":root {").skip(1).map(luminances).collect();
    assert_eq!(schemes.len(), 3);
    for scheme in schemes {
        for (ink, papers, least) in [
            ("ink", vec!["paper", "raised"], 4.5),
            ("soft", vec!["paper", "raised"], 4.5),
            ("held", vec!["paper", "held-wash"], 4.5),
            ("missed", vec!["paper", "missed-wash", "raised"], 4.5),
            ("void", vec!["void-wash"], 4.5),
            ("limit", vec!["raised"], 4.5),
            ("nominal", vec!["raised"], 4.5),
            ("happening", vec!["raised"], 4.5),
            ("corner", vec!["raised"], 4.5),
            ("setpoint", vec!["raised"], 3.0),
        ] {
            for paper in papers {
                let (low, high) = (scheme[ink].min(scheme[paper]), scheme[ink].max(scheme[paper]));
                let contrast = (high + 0.05) / (low + 0.05);
                assert!(least <= contrast, "{ink} on {paper}: {contrast}");
            }
        }
    }
}

/// The relative luminance of every colour of a style sheet's block (WCAG 2.2, relative luminance).
fn luminances(block: &str) -> BTreeMap<&str, f64> {
    let end = block.find('}').expect("a block ends");
    let rows = block[..end].split(';').filter_map(|row| row.trim().strip_prefix("--")?.split_once(": #"));
    let linear = |part: f64| if part <= 0.040_45 { part / 12.92 } else { real::pow((part + 0.055) / 1.055, 2.4) };
    let channel =
        |hex: &str, at: usize| linear(f64::from(u8::from_str_radix(&hex[at..at + 2], 16).expect("hex")) / 255.0);
    rows.map(|(name, hex)| (name, 0.2126 * channel(hex, 0) + 0.7152 * channel(hex, 2) + 0.0722 * channel(hex, 4)))
        .collect()
}

#[test]
fn a_run_that_ends_early_or_is_not_finite_still_makes_a_page() {
    let trial = fabricated::failed();
    let mut pictures = trial.pictures();
    let empty = Recording::with_capacity(fabricated::RATE, 0);
    let mut broken = Recording::with_capacity(fabricated::RATE, 3000);
    for tick in 0..3000 {
        broken.push(&[if tick < 2000 { 1.0 } else { f64::NAN }; Signal::ALL.len()]);
    }
    broken.push(&[f64::INFINITY; Signal::ALL.len()]);
    pictures.runs[0].recording = &broken;
    pictures.runs[1].recording = &empty;
    pictures.loops[0].points.clear();
    pictures.loops[2].stable = false;
    pictures.loops[2].sensitivity_peak = None;
    let page = html::page(&trial.result, &pictures);
    for no_number in ["NaN", "inf%", "inf\""] {
        assert!(!page.contains(no_number), "{no_number}");
    }
    assert!(page.contains("trip: speed deviation") && page.contains("unstable"));
}

#[test]
fn a_long_programme_stays_small_and_says_what_is_not_drawn() {
    let trial = fabricated::passed();
    let mut pictures = trial.pictures();
    for run in &mut pictures.runs {
        let entry = run.entries[0].clone();
        run.entries = vec![entry; 90];
    }
    let page = html::page(&trial.result, &pictures);
    assert!(page.len() < 700_000, "{}", page.len());
    assert!(page.contains("more entries are not drawn."));
}

/// The last of the cautions is about the bench itself.
#[test]
fn the_page_warns_of_drives_that_can_move_machinery() {
    let page = page(&fabricated::passed());
    assert!(page.contains("<li>Never connect this bench's link to a drive that can move real machinery.</li>"));
}

/// A limit of conduct is asked while tuning, and of no corner.
#[test]
fn a_limit_of_conduct_is_asked_while_tuning() {
    let mut trial = fabricated::passed();
    trial.result.limits.truncate(1);
    let found = &mut trial.result.limits[0].found;
    (found.measure, found.machine, found.during) = ("moves".into(), TUNING.into(), None);
    let page = page(&trial);
    let row = page.split("<tr").find(|row| row.contains(">moves<small>")).expect("a row of the moves");
    assert!(row.contains("<small>while tuning</small>"), "{row}");
    assert!(row.contains("data-label=\"worst corner\">not asked"), "{row}");
}
