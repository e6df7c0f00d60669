//! The score sheet says the verdict first, in words that can be read aloud, and keeps to the terminal.

use crate::fabricated;
use plantstand::base::impairment::Impairment;
use plantstand::report::Style;
use plantstand::report::figure::figure;
use plantstand::report::finding;
use plantstand::report::terminal::score_sheet;
use plantstand::trial::phases::TUNING;
use plantstand::trial::result::{Fault, ImpairmentFacts, MeasureResult, NoNumber, TrialResult};

fn terminal(width: usize) -> Style {
    Style { width: Some(width), colour: false, unicode: true }
}

fn check_lines(sheet: &str, lines: &[&str]) {
    for line in lines {
        assert!(sheet.lines().any(|found| found == *line), "no line {line:?} in\n{sheet}");
    }
}

#[test]
fn a_pass_says_so_and_what_was_nearest_to_its_limit() {
    let sheet = score_sheet(&fabricated::passed().result, Style::PLAIN);
    assert!(
        sheet.starts_with("PASS  Dough sheeter, upper roll, tuned by careful\n\nPassed: all 6 limits held, on the ")
    );
    assert!(sheet.contains("Nearest to a limit: the corner “big roll”. Torque noise in “stand still” was "));
    assert!(sheet.contains(" percentage points to spare.\nGrade 71.3 of 100.\n"));
    check_lines(
        &sheet,
        &[
            "  2 other settings are as they were.",
            "  Tuning took 21.4 s of the 60 s allowed, with 17 moves.",
            "  The load was between -498.2° and 514.4°, 1013° in all; -720° to 720° is allowed.",
            "  It moved through 8312° of the 20000° allowed.",
            "  No stop was struck.",
            "  No protection tripped.",
            "  A power cycle brought the tuned settings back.",
        ],
    );
    assert!(sheet.ends_with("\nA pass here is no proof that a machine is safe or that settings suit it.\n"));
}

#[test]
fn a_fail_names_machine_measure_excess_and_moment() {
    let trial = fabricated::failed();
    let sheet = score_sheet(&trial.result, Style::PLAIN);
    let first = &trial.result.limits[0];
    let value = first.found.value.expect("the overshoot has a number");
    let start = format!(
        "FAIL  Dough sheeter, upper roll, tuned by hasty\n\nFailed, on the nominal machine: overshoot in “step to 400 \
         rpm” was {} % where at most 15 % is allowed, ",
        figure(value)
    );
    assert!(sheet.starts_with(&start), "{sheet}");
    check_lines(&sheet, &["That is the farthest beyond a limit.", "Grade 0 of 100.", "  And 6 more."]);
    let row = sheet.lines().find(|line| line.starts_with("  overshoot  ")).expect("a row of the overshoot");
    assert!(row.contains("at most 15 %, target 5 %") && row.contains("missed, ") && row.ends_with(" 0"), "{row}");
}

#[test]
fn the_worst_limit_is_named_when_the_gravest_reason_is_another() {
    let mut result = fabricated::failed().result;
    result.reasons[0].text = "a stop was struck".into();
    result.reasons[0].machine = TUNING.into();
    let sheet = score_sheet(&result, Style::PLAIN);
    assert!(
        sheet.contains("\nFailed, while tuning: a stop was struck.\nFarthest beyond a limit: the nominal machine. Ov")
    );
}

#[test]
fn a_void_has_its_cause_and_no_grade() {
    let sheet = score_sheet(&fabricated::void(), Style::PLAIN);
    assert!(sheet.starts_with("VOID  "));
    check_lines(
        &sheet,
        &[
            "Void, because of the method, while tuning: the method exited with 1 before done.",
            "No grade.",
            "  The power cycle was not reached.",
        ],
    );
    assert!(!sheet.contains("Limits"));
}

#[test]
fn no_line_is_wider_than_the_terminal() {
    for result in [fabricated::passed().result, fabricated::failed().result, fabricated::void()] {
        for width in [48, 60, 80, 90, 100, 120, 200] {
            for unicode in [false, true] {
                let sheet = score_sheet(&result, Style { unicode, ..terminal(width) });
                for line in sheet.lines() {
                    assert!(line.chars().count() <= width, "{width}: {line}");
                    assert!(unicode || line.is_ascii(), "{line}");
                }
            }
        }
    }
}

#[test]
fn a_narrow_terminal_gets_the_limits_as_lines() {
    let sheet = score_sheet(&fabricated::failed().result, terminal(80));
    check_lines(&sheet, &["  phase margin, whole loop: at least 30°"]);
    assert!(sheet.contains("    nominal missed, 20."));
}

#[test]
fn colour_adds_nothing_but_colour() {
    let result = fabricated::failed().result;
    let plain = score_sheet(&result, terminal(100));
    let mut coloured = score_sheet(&result, Style { colour: true, ..terminal(100) });
    assert!(coloured.contains("\u{1b}["));
    for code in ["\u{1b}[1;36m", "\u{1b}[1;35m", "\u{1b}[1m", "\u{1b}[0m"] {
        coloured = coloured.replace(code, "");
    }
    assert_eq!(coloured, plain);
}

#[test]
fn text_from_outside_cannot_steer_the_terminal() {
    let mut result = fabricated::failed().result;
    result.scenario.title = "gate\u{1b}[2J\r\nPASS \u{2062}\u{202e}".into();
    result.reasons[1].text = "bell\u{7}".into();
    let sheet = score_sheet(&result, terminal(100));
    assert!(sheet.starts_with("FAIL  gate [2J PASS, tuned by hasty\n"), "{sheet}");
    assert!(sheet.chars().all(|c| c == '\n' || !c.is_control()));
}

#[test]
fn broken_rules_are_said() {
    let mut result = fabricated::failed().result;
    result.conduct.stop_strikes = 2;
    result.conduct.stop_energy_j = 0.37;
    result.conduct.overspeed_percent = 4.0;
    result.conduct.travel_overrun_deg = 11.5;
    result.conduct.settings_kept = Some(false);
    result.conduct.faults = vec![Fault { name: "overspeed".into(), at_s: 3.25 }];
    check_lines(
        &score_sheet(&result, Style::PLAIN),
        &[
            "  Stops were struck 2 times, with up to 0.37 J. Rule broken.",
            "  The axis' highest speed was exceeded by 4 %. Rule broken.",
            "  The load was between -498.2° and 514.4°, 1013° in all; -720° to 720° is allowed, 11.5° beyond it. Rule broken.",
            "  Tripped: overspeed at 3.25 s.",
            "  A power cycle lost tuned settings: they were not stored. Rule broken.",
        ],
    );
}

/// A number just beyond its limit is never printed as the limit itself.
#[test]
fn a_miss_by_a_hair_can_be_seen() {
    let mut result = fabricated::passed().result;
    let limit = &mut result.limits[0];
    (limit.found.value, limit.held, limit.grade) = (Some(15.000_03), false, 0.0);
    assert_eq!(finding::found(limit), "15.00003\u{a0}%");
    assert_eq!(finding::asked(limit), "at most 15\u{a0}%");
}

#[test]
fn a_missing_number_ranks_as_the_worst_and_says_why() {
    let mut result: TrialResult = fabricated::failed().result;
    let limit = &mut result.limits[4];
    (limit.found.value, limit.found.no_number, limit.found.at_s) = (None, Some(NoNumber::NotSettled), None);
    let machine = limit.found.machine.clone();
    (limit.held, limit.grade) = (false, 0.0);
    let worst = finding::worst(&result).expect("there are limits");
    assert_eq!((worst.found.no_number, &worst.found.machine), (Some(NoNumber::NotSettled), &machine));
    let sentence = finding::worst_sentence(&result).expect("there are limits").replace('\u{a0}', " ");
    assert!(sentence.ends_with("Settling time in “step to 400 rpm” was not settled where at most 0.22 s is allowed."));
}

/// Where a limit asks for the undershoot, the sheet says which of the two excursions it was, machine by machine.
#[test]
fn the_kind_of_an_undershoot_is_named() {
    let mut result = fabricated::passed().result;
    for (place, note) in [(0, "short of the final value after its first crossing"), (2, "beyond the initial value")] {
        let found = &mut result.limits[place].found;
        (found.measure, found.note) = ("undershoot_percent".into(), Some(note.into()));
    }
    let machine = result.limits[2].found.machine.clone();
    let remark = format!(
        "Undershoot in “step to 400 rpm”: short of the final value after its first crossing (nominal); beyond the initial \
         value ({machine})."
    );
    check_lines(&score_sheet(&result, Style::PLAIN), &[&format!("  {remark}")]);
    let narrow = score_sheet(&result, terminal(60));
    let joined: String = narrow.lines().map(str::trim).collect::<Vec<_>>().join(" ");
    assert!(joined.contains(&remark), "{narrow}");
}

/// A limit of conduct is asked of the tuning, which is no corner: neither in its row nor where corners are counted.
#[test]
fn a_limit_of_conduct_is_asked_of_the_tuning() {
    let mut result = fabricated::passed().result;
    let mut limit = result.limits[0].clone();
    (limit.limit, limit.max, limit.target, limit.grade) = (6, Some(9000.0), None, 1.0);
    limit.found = MeasureResult {
        measure: "travel_path_deg".into(),
        unit: "°".into(),
        machine: TUNING.into(),
        during: None,
        window_s: None,
        value: Some(8999.0),
        no_number: None,
        at_s: None,
        note: None,
    };
    result.limits.push(limit);
    let sheet = score_sheet(&result, Style::PLAIN);
    assert!(sheet.contains("Passed: all 7 limits held, on the nominal machine and in 2 corners."), "{sheet}");
    assert!(
        sheet.contains("Nearest to a limit: the nominal machine while tuning. Travel path was 8999° where "),
        "{sheet}"
    );
    let row = sheet.lines().find(|line| line.starts_with("  travel path  ")).expect("a row of the path");
    let cells: Vec<&str> = row.split("  ").map(str::trim).filter(|cell| !cell.is_empty()).collect();
    assert_eq!(cells, ["travel path", "while tuning", "at most 9000°", "held, 8999°", "not asked", "1"]);
    assert_eq!(finding::worst_corner(&result).map(|corner| corner == TUNING), Some(false));
}

/// What was done to the link on purpose stands with what the link did.
#[test]
fn an_impaired_link_is_said() {
    let mut result = fabricated::passed().result;
    assert!(!score_sheet(&result, Style::PLAIN).contains("on purpose"));
    let asked = Impairment { loss_frac: 0.01, delay_ticks: 2, ..Impairment::default() };
    result.impairment = Some(ImpairmentFacts { frames_lost: 1, ..ImpairmentFacts::of(&asked) });
    let line = "  Impaired on purpose with loss=1,delay=2: 1 frame lost, 0 sent twice, 0 corrupted.";
    check_lines(&score_sheet(&result, Style::PLAIN), &["Link", line]);
    result.impairment = Some(ImpairmentFacts::of(&Impairment { loss_frac: 0.0, ..asked }));
    check_lines(&score_sheet(&result, Style::PLAIN), &["  Impaired on purpose with delay=2."]);
}
