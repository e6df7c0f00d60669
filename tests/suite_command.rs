//! `plantstand suite` as a shell sees it: exit statuses, known-good results that are written only when accepted, files for
//! other programs, records that stay where something is not green, past runs, and the viewer of frames.
//!
//! Start reading at [`Suite`].

use std::path::PathBuf;

use plantstand::trial::known_good::KnownGood;
use plantstand::trial::suite_result::{Change, State, SuiteResult};

#[path = "trial_runs/program.rs"]
#[expect(dead_code, reason = "other tests use the rest")]
mod program;

use program::{Ground, Ran};

/// The sluice gate is the quickest of the shipped machines.
const SCENARIO: &str = include_str!("../scenarios/sluice-gate.toml");

/// A suite in a folder of its own.
struct Suite {
    ground: Ground,
}

impl Suite {
    /// One trial, `gate`, and what stands in it besides its scenario.
    fn new(trial: &str) -> Self {
        let suite = Self { ground: Ground::new(SCENARIO) };
        suite.says(trial);
        suite
    }

    fn says(&self, trial: &str) {
        self.write(
            "suite.toml",
            &format!("title = \"Gates & <more>\"\n[[trial]]\nname = \"gate\"\nscenario = \"test.toml\"\n{trial}\n"),
        );
    }

    fn write(&self, name: &str, text: &str) {
        std::fs::write(self.path(name), text).expect("a file in the folder");
    }

    fn path(&self, name: &str) -> PathBuf {
        self.ground.path(name)
    }

    fn text(&self, name: &str) -> String {
        std::fs::read_to_string(self.path(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
    }

    fn run(&self, words: &[&str], status: i32) -> Ran {
        let ran = self.ground.run(&[&["suite", "suite.toml"], words].concat());
        assert_eq!(ran.status, Some(status), "{words:?}: {}{}", ran.out, ran.error);
        ran
    }

    fn result(&self, words: &[&str], status: i32) -> SuiteResult {
        let ran = self.run(&[words, &["--json", "-"]].concat(), status);
        serde_json::from_str(&ran.out).unwrap_or_else(|error| panic!("{error}: {}", ran.out))
    }

    fn known_good(&self) -> KnownGood {
        KnownGood::read("k", &self.text("suite.known-good.toml")).unwrap_or_else(|complaint| panic!("{complaint}"))
    }
}

/// New results are red until a person accepts them; then the same run is green, leaves no record, and writes nothing.
#[test]
fn a_result_is_known_good_once_it_is_accepted() {
    let suite = Suite::new("by = \"hasty\"\nseeds = [2, 1]\nexpect = \"fail\"\nframes = \"same\"");
    let fresh = suite.result(&[], 1);
    assert_eq!(
        fresh.runs.iter().map(|run| (run.seed, run.state)).collect::<Vec<_>>(),
        [(2, State::New), (1, State::New)]
    );
    assert!(!suite.path("suite.known-good.toml").exists(), "nothing is written unasked");
    let shown = suite.run(&["--accept", "--records", "all"], 0);
    assert!(shown.out.starts_with("NEW: Gates & <more>\n"), "what moved is shown first: {}", shown.out);
    assert_eq!(suite.known_good().run.iter().map(|run| run.seed).collect::<Vec<_>>(), [2, 1]);
    let text = suite.text("suite.known-good.toml");
    std::fs::remove_dir_all(suite.path("records")).expect("records of new runs stayed");
    let again = suite.run(&["--csv", "columns"], 0);
    assert!(again.out.starts_with("GREEN: Gates & <more>\n2 runs: 2 same; "), "{}", again.out);
    assert_eq!(suite.text("suite.known-good.toml"), text);
    assert!(!suite.path("records").join("suite-suite").exists());
    let records = std::fs::read_dir(suite.path("records")).map_or(0, Iterator::count);
    assert_eq!(records, 0, "green runs leave no record");
    let rows = suite.text("columns/gate-seed-1-nominal.csv");
    assert!(
        rows.starts_with("tick,time_s,motor_angle_rad,")
            && rows.lines().nth(2).is_some_and(|row| row.starts_with("1,0.000125,"))
    );
    suite.run(&["--accept"], 0);
    assert_eq!(suite.text("suite.known-good.toml"), text, "the same results are the same text");
}

/// Another method stands for other firmware: what got better and what got worse is told apart, and both are red.
#[test]
fn a_change_is_red_in_either_direction_and_told_apart() {
    let suite = Suite::new("by = \"hasty\"\nseeds = [1]");
    suite.run(&["--accept"], 0);
    suite.says("by = \"careful\"\nseeds = [1]");
    let words = ["--junit", "junit.xml", "--html", "page.html", "--records", "kept"];
    let better = suite.result(&words, 1);
    let run = &better.runs[0];
    assert_eq!((run.state, run.record.as_deref()), (State::Red, Some("kept/gate-seed-1")));
    assert!(run.reasons[0].contains("verdict is pass; known good is fail"), "{:?}", run.reasons);
    assert!(run.moves.iter().any(|moved| moved.change == Change::Better));
    assert!(run.moves.iter().any(|moved| moved.change == Change::Worse));
    let first = run.frames.first.as_ref().expect("the frames differ");
    assert!(first.known.is_some() && first.ticks[0] == first.ticks[1], "the known-good frames are at hand: {first:?}");
    check_junit(&suite.text("junit.xml"), "<failure");
    let page = suite.text("page.html");
    for part in ["Gates &amp; &lt;more&gt;", "better: accept?", "differs", "Trends", "<svg", "known good"] {
        assert!(page.contains(part), "no {part} in the page");
    }
    assert!(!page.contains("<script") && !page.contains("://"), "the page needs nothing else");
    // On a machine that has only the repository, block and field are named.
    std::fs::remove_dir_all(suite.path("suite.known-good")).expect("the known-good frames");
    let block = suite.result(&[], 1).runs.remove(0).frames.first.expect("the frames differ");
    assert!(block.known.is_none() && block.ticks[0] <= first.ticks[0] && first.ticks[0] <= block.ticks[1], "{block:?}");
    assert!(block.fields.contains(&first.fields[0]), "{block:?} {first:?}");
    suite.run(&["--accept"], 0);
    suite.run(&[], 0);
}

/// Well formed, and each test case as a CI server reads it; there is no time in it, so it repeats to the byte.
fn check_junit(text: &str, status: &str) {
    assert!(
        text.starts_with("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<testsuites name=\"plantstand\" tests=\"1\""),
        "{text}"
    );
    assert!(text.contains("<testcase name=\"gate, seed 1\" classname=\"Gates &amp; &lt;more&gt;\">"), "{text}");
    assert!(text.contains(status) && !text.contains("time=") && !text.contains("timestamp="), "{text}");
}

/// Void is 3, whatever else is red; its known-good result stays as it was, and cannot be accepted away.
#[test]
fn a_void_run_is_3_and_never_known_good() {
    let suite = Suite::new("by = \"hasty\"\nseeds = [1]");
    suite.run(&["--accept"], 0);
    let known = suite.text("suite.known-good.toml");
    suite.says("method = \"false\"\nseeds = [1, 2]");
    let void = suite.run(&["--accept", "--junit", "junit.xml"], 3);
    assert!(void.out.starts_with("VOID: "), "{}", void.out);
    assert!(suite.text("junit.xml").contains("<error"));
    assert_eq!(suite.text("suite.known-good.toml"), known);
}

/// What is wrong is said before anything runs, every complaint of every file: 2; what the machine refuses is 4.
#[test]
fn mistakes_end_before_anything_runs() {
    let suite = Suite::new("by = \"hasty\"\nseeds = [1]\n[trial.tolerance]\niae = 1\n");
    let ran = suite.run(&[], 2);
    assert!(ran.error.contains("suite.toml:8: trial.0.tolerance.iae: no measure has this name"), "{}", ran.error);
    suite.write("bad.toml", &SCENARIO.replace("tick_hz", "tick_hx"));
    suite.says("by = \"hasty\"\nseeds = [1]\n[[trial]]\nscenario = \"gone.toml\"\nby = \"hasty\"\nseeds = [1]\n[[trial]]\nscenario = \"bad.toml\"\nby = \"hasty\"\nseeds = [1]");
    let ran = suite.run(&[], 2);
    assert!(ran.error.contains("gone.toml: there is no such file") && ran.error.contains("tick_hx"), "{}", ran.error);
    suite.says("by = \"hasty\"\nseeds = [1]\ncorner = \"nowhere\"");
    assert!(suite.run(&[], 2).error.contains("--corner names none"));
    suite.says("by = \"hasty\"\nseeds = [1]");
    suite.run(&["--junit", "no/such/folder.xml"], 4);
    suite.run(&["--junit", "-", "--json", "-"], 2);
    suite.write("suite.known-good.toml", "schema_version = 1\nruns = 3\n");
    assert!(suite.run(&[], 2).error.contains("suite.known-good.toml:2: "));
    assert!(!suite.path("records").exists(), "nothing ran");
    let unstarted = Suite::new("method = \"no-such-program\"\nseeds = [1]");
    unstarted.run(&[], 2);
}

/// Each run adds a line; a line that is none is left out and said; the page shows as many runs as there were.
#[test]
fn past_runs_are_kept_a_line_each() {
    let suite = Suite::new("by = \"hasty\"\nseeds = [1]");
    suite.run(&["--accept", "--history", "past.jsonl"], 0);
    std::fs::write(suite.path("past.jsonl"), suite.text("past.jsonl") + "no json\n").expect("a broken line");
    let ran = suite.run(&["--history", "past.jsonl", "--html", "page.html"], 0);
    assert!(ran.error.contains("past.jsonl: 1 lines are no past runs"), "{}", ran.error);
    assert_eq!(suite.text("past.jsonl").lines().count(), 3);
    let page = suite.text("page.html");
    assert!(page.contains("2 runs, from "), "two runs are in the trend");
    assert!(page.contains("A ring marks a run that was not green") && page.contains("class=\"ring\""));
}

/// The viewer: 0 when two records say the same, 1 with the first tick and field when not, 2 for what holds no frames.
#[test]
fn the_viewer_shows_the_first_frames_that_differ() {
    let other = "[[trial]]\nname = \"other\"\nscenario = \"test.toml\"\nby = \"careful\"\nseeds = [1]";
    let suite = Suite::new(&format!("by = \"hasty\"\nseeds = [1]\n{other}"));
    suite.run(&["--accept", "--records", "r"], 0);
    let view = |one: &str, other: &str| suite.ground.run(&["suite", "--show-frames", one, other]);
    let same = view("r/gate-seed-1", "suite.known-good/gate-seed-1.frames.bin");
    assert_eq!(
        (same.status, same.out.starts_with("The method said the same to the bit")),
        (Some(0), true),
        "{}",
        same.out
    );
    let apart = view("r/gate-seed-1", "r/other-seed-1");
    assert_eq!(apart.status, Some(1));
    assert!(
        apart.out.starts_with("The frames differ first in tick ") && apart.out.contains("differs"),
        "{}",
        apart.out
    );
    assert_eq!(view("r", "r/other-seed-1").status, Some(2));
}
