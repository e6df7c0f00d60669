//! Every row of `tests/data/check-values.json` is a test that names it, or later work with its reason, listed here.
//!
//! A row counts as tested when its id stands in quotes in another file of `tests/`. What it does not: run those tests.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Rows of capabilities that are not built yet: prefix of the id, and why. A prefix ends at the end of the id or at '-'.
const LATER: &[(&str, &str)] = &[
    ("lowpass1-tustin", "no filter of the drive: its low-passes are exponential"),
    ("lowpass2-butterworth", "no filter of the drive: its low-passes are exponential"),
    ("notch-deep", "no filter of the drive: its notch has a finite depth"),
    (
        "lugre-steady",
        "the same is checked at other numbers through the energy that friction takes: no output of the plant is its torque",
    ),
    ("lugre-presliding", "friction's torque at an instant is no output of the plant"),
    ("limit-cycle-harmonic-balance", "an equation of harmonic balance, which no part of the program forms"),
    ("torque-constant", "the motor's electrical side comes with the whole plant"),
    ("torque-saliency", "the motor's electrical side comes with the whole plant"),
    ("locked-rotor-step", "the motor's electrical side comes with the whole plant"),
    ("steady-voltage", "the motor's electrical side comes with the whole plant"),
    ("base-speed", "the motor's electrical side comes with the whole plant"),
    ("power-balance", "the motor's electrical side comes with the whole plant"),
    ("dq-transient", "the motor's electrical side comes with the whole plant"),
    ("most-torque-per-ampere", "the motor's electrical side comes with the whole plant"),
    ("winding-heating", "the winding's temperature comes with the whole plant"),
    ("sine", "scenarios give the harmonics of an angle's error, not the tracks that make them"),
    ("stick-slip-ratio", "measures of low speed are not built yet"),
    ("a-weighting", "whine_db is not built yet"),
    ("whine", "whine_db is not built yet"),
    ("h1", "measured frequency responses are not built yet"),
    ("coherence", "measured frequency responses are not built yet"),
    ("chirp", "measured frequency responses are not built yet"),
    ("multisine-schroeder", "measured frequency responses are not built yet"),
    ("wilson", "statistics come with campaigns"),
    ("no-failure-in-n", "statistics come with campaigns"),
];

/// The ids of all rows, in the order of the file.
fn row_ids() -> Vec<String> {
    let all: serde_json::Value =
        serde_json::from_str(include_str!("data/check-values.json")).expect("the rows are JSON");
    let rows = all["rows"].as_array().expect("there are rows");
    rows.iter().map(|row| row["id"].as_str().expect("a row has an id").to_owned()).collect()
}

/// The sources of all tests but this one, by path.
fn test_sources(folder: &Path, found: &mut BTreeMap<String, String>) {
    for entry in std::fs::read_dir(folder).expect("the folder of tests can be read") {
        let path = entry.expect("an entry can be read").path();
        let name = path.display().to_string();
        if path.is_dir() {
            test_sources(&path, found);
        } else if name.ends_with(".rs") && !name.ends_with("check_rows.rs") {
            found.insert(name, std::fs::read_to_string(&path).expect("a test can be read"));
        }
    }
}

fn is_later(id: &str) -> bool {
    LATER.iter().any(|(prefix, _)| id.strip_prefix(prefix).is_some_and(|rest| rest.is_empty() || rest.starts_with('-')))
}

/// Rows that some test names.
fn tested() -> BTreeSet<String> {
    let mut sources = BTreeMap::new();
    test_sources(Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/tests")), &mut sources);
    let named = |id: &String| sources.values().any(|text| text.contains(&format!("\"{id}\"")));
    row_ids().into_iter().filter(named).collect()
}

#[test]
fn every_row_is_tested_or_later_work() {
    let tested = tested();
    let missing: Vec<String> = row_ids().into_iter().filter(|id| !tested.contains(id) && !is_later(id)).collect();
    assert!(missing.is_empty(), "neither tested nor listed as later work: {missing:#?}");
}

#[test]
fn what_is_listed_as_later_work_is_a_row_and_not_tested() {
    let (ids, tested) = (row_ids(), tested());
    for (prefix, reason) in LATER {
        let of_prefix =
            |id: &&String| id.strip_prefix(prefix).is_some_and(|rest| rest.is_empty() || rest.starts_with('-'));
        let rows: Vec<&String> = ids.iter().filter(of_prefix).collect();
        assert!(!rows.is_empty(), "{prefix} ({reason}) is no row");
        for id in rows {
            assert!(!tested.contains(id), "{id} is tested: take {prefix} ({reason}) off the list");
        }
    }
}
