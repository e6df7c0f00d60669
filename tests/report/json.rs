//! `result.json` carries every number or is refused, reads back to the same bits, and has a schema; so does the settings
//! file that lies beside it, but for the schema.

use crate::fabricated;
use plantstand::cli::output::settings_file;
use plantstand::report::json::{result_json, result_schema};
use plantstand::trial::result::TrialResult;

#[test]
fn what_is_written_reads_back_equal() {
    for result in [fabricated::passed().result, fabricated::failed().result, fabricated::void()] {
        let text = result_json(&result).expect("every number is finite");
        assert!(text.ends_with("}\n"));
        assert_eq!(serde_json::from_str::<TrialResult>(&text).expect("our own writing can be read"), result);
    }
}

#[test]
fn keys_come_in_a_fixed_order() {
    let text = result_json(&fabricated::passed().result).expect("every number is finite");
    let top: Vec<&str> = text.lines().filter_map(|line| line.strip_prefix("  \"")?.split('"').next()).collect();
    let expected = [
        "schema_version",
        "program",
        "scenario",
        "method",
        "pace",
        "verdict",
        "reasons",
        "grade_percent",
        "settings",
        "tuning_ended",
        "machines",
        "limits",
        "measures",
        "conduct",
        "link",
        "timing",
        "bits_sha256",
    ];
    assert_eq!(top, expected);
}

fn check_refused(change: fn(&mut TrialResult), place: &str) {
    let mut result = fabricated::failed().result;
    change(&mut result);
    let refused = result_json(&result).expect_err(place);
    assert_eq!(refused.place, place);
    assert_eq!(refused.to_string(), format!("the result's {place} is not a finite number"));
}

#[test]
fn numbers_that_are_not_finite_are_refused_by_place() {
    check_refused(|result| result.limits[3].found.value = Some(f64::NAN), "limits[3].value");
    check_refused(|result| result.limits[1].found.window_s = Some([0.0, f64::INFINITY]), "limits[1].window_s[1]");
    check_refused(|result| result.grade_percent = Some(f64::NEG_INFINITY), "grade_percent");
    check_refused(|result| result.settings[0].value = f64::NAN, "settings[0].value");
    check_refused(|result| result.conduct.window_allowed_deg[0] = f64::NAN, "conduct.window_allowed_deg[0]");
}

#[test]
fn the_schema_names_every_key_that_is_written() {
    let schema = result_schema();
    let value = serde_json::to_value(fabricated::failed().result).expect("a result is plain data");
    let keys = |value: &serde_json::Value| -> Vec<String> {
        value.as_object().into_iter().flatten().map(|(k, _)| k.clone()).collect()
    };
    assert_eq!(keys(&schema["properties"]), keys(&value));
    assert_eq!(keys(&schema["$defs"]["LimitResult"]["properties"]), keys(&value["limits"][0]));
    assert_eq!(keys(&schema["$defs"]["Conduct"]["properties"]), keys(&value["conduct"]));
}

/// A title may hold anything; the settings file stays one comment and one table, which reads back to the same bits.
#[test]
fn a_settings_file_reads_back_whatever_the_title_holds() {
    let mut result = fabricated::passed().result;
    result.scenario.title = "a\n[settings]\nspeed_gain_nms_per_rad = 9".into();
    let file: toml::Table = settings_file(&result).parse().expect("it is TOML");
    for setting in &result.settings {
        let value = file["settings"][setting.name.as_str()].as_float().map(f64::to_bits);
        assert_eq!(value, Some(setting.value.to_bits()), "{}", setting.name);
    }
}
