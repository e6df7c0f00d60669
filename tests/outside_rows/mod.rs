//! Rows of `tests/data/check-values.json`: values from textbooks and outside libraries, each with its own tolerance.
//!
//! What it does not: compute. Start reading at [`check`].

use serde_json::Value;

/// Hands the inputs of a row (with those of the row it refers to by `as_in`) to `compute` and compares what comes back,
/// entry by entry, with what the row expects. `None` stands for "has no value", which the row writes as null.
pub fn check(id: &str, compute: impl FnOnce(&dyn Fn(&str) -> f64) -> Vec<Option<f64>>) {
    let text = include_str!("../data/check-values.json");
    let all: Value = serde_json::from_str(text).expect("the rows are JSON");
    let find = |id: &str| all["rows"].as_array().and_then(|rows| rows.iter().find(|row| row["id"] == id));
    let row = find(id).unwrap_or_else(|| panic!("no row {id}"));
    let referred = row["inputs"]["as_in"].as_str().and_then(find);
    let input = |key: &str| {
        let own = row["inputs"][key].as_f64();
        let value = own.or_else(|| referred.and_then(|row| row["inputs"][key].as_f64()));
        value.unwrap_or_else(|| panic!("{id}: no input {key}"))
    };
    let found = compute(&input);
    let expected = flat(&row["expected"]);
    assert_eq!(found.len(), expected.len(), "{id}: number of values");
    let tolerances = flat(&row["tolerance"]["value"]);
    let largest = expected.iter().flatten().fold(0.0, |most: f64, value| most.max(value.abs()));
    for (place, (found, expected)) in found.iter().zip(&expected).enumerate() {
        let (Some(found), Some(expected)) = (found, expected) else {
            assert_eq!(found, expected, "{id}[{place}] ({})", row["source"]);
            continue;
        };
        let tolerance = tolerances.get(place).or(tolerances.first()).copied().flatten().unwrap_or(0.0);
        let allowed = match row["tolerance"]["kind"].as_str() {
            Some("rel") => tolerance * expected.abs(),
            Some("rel_largest") => tolerance * largest,
            _ => tolerance,
        };
        let off = (found - expected).abs();
        assert!(
            off <= allowed,
            "{id}[{place}] ({}): {found} is off {expected} by {off:e} > {allowed:e}",
            row["source"]
        );
    }
}

/// Numbers of a nested array in reading order, null as `None`.
fn flat(value: &Value) -> Vec<Option<f64>> {
    match value {
        Value::Array(entries) => entries.iter().flat_map(flat).collect(),
        other => vec![other.as_f64()],
    }
}
