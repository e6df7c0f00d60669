//! The JSON Schema and the reader agree: each knows every key that the other knows, good files please both, bad files
//! neither.

use std::collections::BTreeSet;
use std::path::PathBuf;

use plantstand::scenario::{read, schema};
use serde_json::{Value, json};
use toml::de::{DeTable, DeValue};

/// The scenario files of the tests and those that ship, by the beginning of their names.
fn files(start: &str, folder: &str) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).expect("the folder is there");
    let mut files: Vec<PathBuf> = entries.map(|entry| entry.expect("an entry").path()).collect();
    files.retain(|file| {
        let name = file.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        name.starts_with(start) && name.ends_with(".toml")
    });
    files.sort();
    assert!(!files.is_empty(), "{folder}/{start}*");
    files
}

fn text_of(file: &PathBuf) -> String {
    std::fs::read_to_string(file).expect("the file can be read")
}

/// A TOML file as the JSON that a schema sees.
fn as_json(text: &str) -> Value {
    table_as_json(DeTable::parse(text).expect("the file is TOML").get_ref())
}

fn table_as_json(table: &DeTable<'_>) -> Value {
    table.iter().map(|(key, value)| (key.get_ref().to_string(), value_as_json(value.get_ref()))).collect()
}

fn value_as_json(value: &DeValue<'_>) -> Value {
    match value {
        DeValue::String(text) => json!(text),
        DeValue::Integer(number) => json!(number.as_str().parse::<i64>().expect("an integer")),
        DeValue::Float(number) => json!(number.as_str().parse::<f64>().expect("a float")),
        DeValue::Boolean(flag) => json!(flag),
        DeValue::Datetime(date) => json!(date.to_string()),
        DeValue::Array(list) => list.iter().map(|item| value_as_json(item.get_ref())).collect(),
        DeValue::Table(table) => table_as_json(table),
    }
}

/// Whether a value obeys a schema, as far as the schema of scenarios goes.
fn obeys(value: &Value, schema: &Value) -> bool {
    let one_of = schema["oneOf"].as_array().is_none_or(|all| all.iter().filter(|one| obeys(value, one)).count() == 1);
    let listed = schema["enum"].as_array().is_none_or(|all| all.contains(value));
    let constant = schema.get("const").is_none_or(|constant| constant == value);
    let refused = schema.get("not").is_some_and(|other| obeys(value, other));
    let otherwise = match (schema.get("if"), schema.get("else")) {
        (Some(condition), Some(otherwise)) => obeys(value, condition) || obeys(value, otherwise),
        _ => true,
    };
    one_of
        && listed
        && constant
        && !refused
        && otherwise
        && schema["type"].as_str().is_none_or(|kind| obeys_type(value, schema, kind))
}

fn obeys_type(value: &Value, schema: &Value, kind: &str) -> bool {
    let count = |key: &str| schema[key].as_u64();
    match kind {
        "object" => value.as_object().is_some_and(|table| {
            let required = schema["required"].as_array().into_iter().flatten().filter_map(Value::as_str);
            let length = table.len() as u64;
            required.into_iter().all(|key| table.contains_key(key))
                && count("minProperties").is_none_or(|least| least <= length)
                && count("maxProperties").is_none_or(|most| length <= most)
                && table.iter().all(|(key, value)| match schema["properties"].get(key) {
                    Some(property) => obeys(value, property),
                    None => {
                        schema["additionalProperties"] != json!(false) && obeys(value, &schema["additionalProperties"])
                    }
                })
        }),
        "array" => value.as_array().is_some_and(|list| {
            let length = list.len() as u64;
            count("minItems").is_none_or(|least| least <= length)
                && count("maxItems").is_none_or(|most| length <= most)
                && list.iter().all(|item| obeys(item, &schema["items"]))
        }),
        "number" | "integer" => value.as_f64().is_some_and(|number| {
            (kind == "number" || value.is_u64() || value.is_i64())
                && schema["minimum"].as_f64().is_none_or(|low| low <= number)
                && schema["maximum"].as_f64().is_none_or(|high| number <= high)
        }),
        "string" => value.as_str().is_some_and(|text| !text.trim().is_empty()),
        "boolean" => value.is_boolean(),
        other => panic!("the schema has a type {other}"),
    }
}

/// Paths of all keys of a schema, list items and kinds left out of the path.
fn keys_of_schema(schema: &Value, path: &str, keys: &mut BTreeSet<String>) {
    for one in schema["oneOf"].as_array().into_iter().flatten() {
        keys_of_schema(one, path, keys);
    }
    for (key, property) in schema["properties"].as_object().into_iter().flatten() {
        let path = format!("{path}/{key}");
        keys_of_schema(property, &path, keys);
        keys_of_schema(&property["items"], &path, keys);
        keys.insert(path);
    }
    if schema["additionalProperties"].is_object() {
        keys_of_schema(&schema["additionalProperties"], &format!("{path}/*"), keys);
    }
}

/// Paths of all keys of a file; keys that are paths of the machine themselves show as `*`.
fn keys_of_file(value: &Value, path: &str, keys: &mut BTreeSet<String>) {
    for item in value.as_array().into_iter().flatten() {
        keys_of_file(item, path, keys);
    }
    for (key, inner) in value.as_object().into_iter().flatten() {
        let is_path = key.contains('.');
        let path = if is_path { format!("{path}/*") } else { format!("{path}/{key}") };
        keys_of_file(inner, &path, keys);
        if !is_path {
            keys.insert(path);
        }
    }
}

/// The good files of the tests load, and together they have every key of the schema and no other.
#[test]
fn schema_and_reader_know_the_same_keys() {
    let (mut in_schema, mut in_files) = (BTreeSet::new(), BTreeSet::new());
    keys_of_schema(&schema(), "", &mut in_schema);
    for file in files("good-", "tests/data/scenarios") {
        let text = text_of(&file);
        let complaints = read("x.toml", &text).err();
        assert!(complaints.is_none(), "{}: {complaints:#?}", file.display());
        keys_of_file(&as_json(&text), "", &mut in_files);
    }
    let differences: Vec<&String> = in_schema.symmetric_difference(&in_files).collect();
    assert!(differences.is_empty(), "{differences:#?}");
}

/// What ships and the good files of the tests please both.
#[test]
fn good_files_please_reader_and_schema() {
    let schema = schema();
    for file in [files("good-", "tests/data/scenarios"), files("", "scenarios"), files("", "scenarios/torque")].concat()
    {
        let text = text_of(&file);
        assert!(read("x.toml", &text).is_ok(), "{}", file.display());
        assert!(obeys(&as_json(&text), &schema), "{}", file.display());
    }
}

/// A file with a mistake that shows in a single key pleases neither, and draws one complaint.
#[test]
fn bad_files_please_neither_reader_nor_schema() {
    let schema = schema();
    for file in files("bad-", "tests/data/scenarios") {
        let text = text_of(&file);
        let complaints = read("x.toml", &text).expect_err("the file is bad");
        assert_eq!(complaints.len(), 1, "{}: {complaints:#?}", file.display());
        assert!(!obeys(&as_json(&text), &schema), "{}", file.display());
    }
}
