//! What a suite may not say is refused, all of it at once, with line, key, what was found, what is allowed, and the
//! nearest known name; what it says is read as it is meant; and its JSON Schema knows the keys that the reader knows.

use plantstand::method::Carried;
use plantstand::scenario::suite::{Expect, Suite, Tolerance, Who, read, read_tolerances};
use plantstand::scenario::suite_schema;

const GOOD: &str = r#"title = "Firmware 2"
method = "firmware/linux --gain 'a b'"
tolerances = "rounding.toml"
[[trial]]
scenario = "roll.toml"
seeds = [3, 1, 2]
expect = "pass"
frames = "same"
[trial.tolerance]
overshoot_percent = 0.2
iae_rad = { relative_frac = 1e-6, absolute = 1e-9 }
[[trial]]
scenario = "roll.toml"
corner = "worn belt"
seeds = [1]
by = "hasty"
expect = "fail"
"#;

fn good() -> Suite {
    read("s.toml", GOOD).unwrap_or_else(|complaints| panic!("{complaints:?}"))
}

/// The complaints about a text, without the file's name.
fn complaints(text: &str) -> Vec<String> {
    let complaints = read("s.toml", text).expect_err("a mistake in it");
    complaints.iter().map(|complaint| complaint.to_string().replacen("s.toml:", "", 1)).collect()
}

fn check_refused(from: &str, to: &str, expected: &[&str]) {
    assert!(GOOD.contains(from), "{from} is not in the suite");
    assert_eq!(complaints(&GOOD.replacen(from, to, 1)), expected, "{from} -> {to}");
}

#[test]
fn a_suite_is_read_as_it_is_meant() {
    let suite = good();
    let [first, second] = &suite.trials[..] else { panic!("{:?}", suite.trials) };
    assert_eq!((suite.title.as_str(), suite.tolerances_file.as_deref()), ("Firmware 2", Some("rounding.toml")));
    let words = ["firmware/linux", "--gain", "a b"].map(str::to_owned).to_vec();
    assert_eq!((&first.who, &second.who), (&Who::Command(words), &Who::Carried(Carried::Hasty)));
    assert_eq!((first.name.as_str(), second.name.as_str()), ("roll", "roll, worn belt"));
    assert_eq!((&first.seeds[..], first.expect, first.frames_same), (&[3, 1, 2][..], Some(Expect::Pass), true));
    assert_eq!(
        (second.corner.as_deref(), second.expect, second.frames_same),
        (Some("worn belt"), Some(Expect::Fail), false)
    );
    let iae = Tolerance { absolute: 1e-9, relative_frac: 1e-6 };
    assert_eq!(first.tolerances.get("iae_rad"), Some(&iae));
    assert_eq!(first.tolerances.get("overshoot_percent"), Some(&Tolerance { absolute: 0.2, relative_frac: 0.0 }));
}

/// The larger of the two parts holds, and a deviation to either side of 0 is measured by its size.
#[test]
fn a_tolerance_is_the_larger_of_its_parts() {
    let tolerance = Tolerance { absolute: 0.5, relative_frac: 0.1 };
    assert_eq!([0.0, 1.0, 10.0, -10.0].map(|known| tolerance.allowed(known)), [0.5, 0.5, 1.0, 1.0]);
}

#[test]
fn each_mistake_is_named_with_its_cure() {
    check_refused("title = \"Firmware 2\"\n", "", &["1: title: missing; a text belongs here"]);
    check_refused(
        "expect = \"pass\"",
        "expect = \"pas\"",
        &["7: trial.0.expect = \"pas\"; allowed \"pass\", \"fail\"; did you mean pass?"],
    );
    check_refused(
        "seeds = [3, 1, 2]",
        "seeds = [3, 1, 3]",
        &["6: trial.0.seeds = [3, 1, 3]; a list of whole numbers, each once, allowed 0 to 9223372036854775807"],
    );
    check_refused("seeds = [3, 1, 2]", "seed = 3", &["6: trial.0.seed: unknown key; did you mean seeds?"]);
    check_refused(
        "overshoot_percent = 0.2",
        "overshoot_procent = 0.2",
        &["10: trial.0.tolerance.overshoot_procent: no measure has this name; did you mean overshoot_percent?"],
    );
    check_refused(
        "overshoot_percent = 0.2",
        "overshoot_percent = -0.2",
        &["10: trial.0.tolerance.overshoot_percent = -0.2; allowed 0 to 1e9, or a table of absolute and relative_frac"],
    );
    check_refused(
        "relative_frac = 1e-6",
        "relative_fract = 1",
        &["11: trial.0.tolerance.iae_rad.relative_fract: unknown key; did you mean relative_frac?"],
    );
    check_refused(
        "by = \"hasty\"",
        "by = \"hastey\"",
        &["16: trial.1.by = \"hastey\"; allowed \"careful\", \"hasty\", \"pi\", \"current_pi\"; did you mean hasty?"],
    );
    check_refused("by = \"hasty\"", "listen = \"udp:127.0.0.1:7000\"", &["16: trial.1.listen: unknown key"]);
    check_refused(
        "corner = \"worn belt\"\n",
        "",
        &["13: trial.1.scenario = \"roll.toml\"; another trial is called \"roll\"; give each a name"],
    );
    check_refused(
        "method = \"firmware/linux --gain 'a b'\"",
        "method = \"firmware 'a\"",
        &["2: method = \"firmware 'a\"; no command: a quote is open"],
    );
    check_refused(
        "tolerances =",
        "by = \"hasty\"\ntolerances =",
        &["3: by = \"hasty\"; method says who is tried already; one of them goes"],
    );
    check_refused(
        "method = \"firmware/linux --gain 'a b'\"\n",
        "",
        &["3: trial.0.method: missing; name who is tried, here or for the whole suite: method or by (or listen there)"],
    );
}

/// Every mistake of a file is named, also round a line that is no TOML.
#[test]
fn every_mistake_is_named_at_once() {
    let text = "titel = 1\n[[trial]\nscenario = 5\nseeds = []\nframes = \"all\"\n[trial.tolerance]\niae = 1\n";
    let found = complaints(text);
    let keys = ["titel", "syntax", "trial.0.scenario", "trial.0.seeds", "trial.0.frames", "trial.0.tolerance.iae"];
    for key in keys {
        assert!(found.iter().any(|complaint| complaint.contains(key)), "no complaint about {key}: {found:#?}");
    }
    assert!(complaints("title = \"x\"\ntrial = []\nby = \"hasty\"\n")[0].contains("at least one table"));
}

#[test]
fn a_file_of_tolerances_is_read_and_refused_alike() {
    let text = "about = \"20 seeds\"\n[tolerance]\niae_rad = { relative_frac = 4e-6 }\n";
    let tolerances = read_tolerances("t.toml", text).expect("no complaint");
    assert_eq!(tolerances.get("iae_rad"), Some(&Tolerance { absolute: 0.0, relative_frac: 4e-6 }));
    let refused = read_tolerances("t.toml", "[tolerance]\niae_rad = true\nisee = 1\n").expect_err("two mistakes");
    let lines: Vec<String> = refused.iter().map(ToString::to_string).collect();
    assert_eq!(
        lines,
        [
            "t.toml:2: tolerance.iae_rad = true; allowed 0 to 1e9, or a table of absolute and relative_frac",
            "t.toml:3: tolerance.isee: no measure has this name",
        ]
    );
}

/// Every key that the schema knows is read, and what it requires is missed when it is left out.
#[test]
fn the_schema_knows_the_keys_that_are_read() {
    let schema = suite_schema();
    let trial = &schema["properties"]["trial"]["items"];
    let names = |of: &serde_json::Value| -> Vec<String> {
        of["properties"].as_object().expect("properties").keys().cloned().collect()
    };
    let mut root = names(&schema);
    let mut row = names(trial);
    root.sort();
    row.sort();
    assert_eq!(root, ["by", "listen", "method", "title", "tolerances", "trial"]);
    assert_eq!(row, ["by", "corner", "expect", "frames", "method", "name", "scenario", "seeds", "tolerance"]);
    assert_eq!(
        (&schema["required"], &trial["required"]),
        (&serde_json::json!(["title", "trial"]), &serde_json::json!(["scenario", "seeds"]))
    );
    let tolerance = &trial["properties"]["tolerance"]["properties"]["iae_rad"]["anyOf"];
    assert_eq!(tolerance[0]["type"], "number");
    assert_eq!(tolerance[1]["additionalProperties"], false);
}
