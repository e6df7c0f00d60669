//! The JSON Schemas of a scenario file and of a suite, made from the same descriptions that the reader goes by.
//!
//! It says what each key may be by itself; what keys mean together only the reader knows. Keys of later capabilities
//! are not in it. What it does not: read files. Start reading at [`schema`].

use serde_json::{Map, Value, json};

use crate::drive::setting::Setting;
use crate::scenario::keys;
use crate::scenario::keys::examination::{CHANGE, FACTOR, SCATTER};
use crate::scenario::shape::{Key, Presence, Range, Section, Shape, Tagged, Variant};
use crate::score::measure::Measure;

/// The JSON Schema (2020-12) of a scenario, the file taken as JSON.
#[must_use]
pub fn schema() -> Value {
    let mut schema = section(&keys::ROOT, None);
    schema["$schema"] = json!("https://json-schema.org/draft/2020-12/schema");
    schema["title"] = json!("plantstand scenario");
    schema["properties"]["limit"]["items"]["properties"]["measure"]["enum"] =
        Measure::all().filter(|measure| measure.is_built()).map(Measure::name).collect();
    // Where the outside closes the speed loop, or the current loop too, the drive's own needs no settings.
    schema["if"] = json!({
        "type": "object",
        "properties": { "commands": { "enum": ["torque", "voltage"] } },
        "required": ["commands"],
    });
    schema["else"] = json!({
        "type": "object",
        "properties": { "drive": { "type": "object", "properties": { "settings": {
            "type": "object",
            "required": keys::NEEDED_SPEED_SETTINGS,
        } } } },
    });
    schema
}

/// The JSON Schema (2020-12) of a suite, the file taken as JSON.
#[must_use]
pub fn suite_schema() -> Value {
    let mut schema = section(&keys::suite::ROOT, None);
    schema["$schema"] = json!("https://json-schema.org/draft/2020-12/schema");
    schema["title"] = json!("plantstand suite");
    schema
}

/// A table whose keys are these and no others; of a table with a kind, `kind` among them.
fn section(section: &Section, kind: Option<&str>) -> Value {
    kind_section(section, kind, false)
}

/// The same; where `is_preset`, `kind` may be left out.
fn kind_section(section: &Section, kind: Option<&str>, is_preset: bool) -> Value {
    let mut properties: Map<String, Value> =
        section.keys.iter().map(|key| (key.name.to_owned(), property(key))).collect();
    let mut required: Vec<&str> =
        section.keys.iter().filter(|key| matches!(key.presence, Presence::Needed)).map(|key| key.name).collect();
    if let Some(kind) = kind {
        properties.insert("kind".to_owned(), json!({ "const": kind }));
        if !is_preset {
            required.insert(0, "kind");
        }
    }
    json!({
        "type": "object",
        "description": section.what,
        "properties": properties,
        "required": required,
        "additionalProperties": false,
    })
}

fn property(key: &Key) -> Value {
    let mut property = shape(&key.shape);
    property["description"] = match key.shape.unit() {
        "" => json!(key.what),
        unit => json!(format!("{} In {unit}.", key.what)),
    };
    match key.presence {
        Presence::Number(preset) => property["default"] = json!(preset),
        Presence::Whole(preset) => property["default"] = json!(preset),
        Presence::Flag(preset) => property["default"] = json!(preset),
        Presence::Needed | Presence::Optional => {}
    }
    property
}

fn shape(shape: &Shape) -> Value {
    match shape {
        Shape::Number(range) => number(*range),
        Shape::Whole { low, high, .. } => json!({ "type": "integer", "minimum": low, "maximum": high }),
        Shape::SignedWhole { most, .. } => {
            let most = i64::try_from(*most).unwrap_or(i64::MAX);
            json!({ "type": "integer", "minimum": -most, "maximum": most, "not": { "const": 0 } })
        }
        Shape::Text => json!({ "type": "string", "pattern": "\\S" }),
        Shape::Flag => json!({ "type": "boolean" }),
        Shape::Choice { built, .. } => json!({ "enum": built }),
        Shape::Choices(names) => {
            json!({ "type": "array", "items": { "enum": names }, "minItems": 1, "uniqueItems": true })
        }
        Shape::Pair(range) => {
            json!({ "type": "array", "items": number(*range), "minItems": 2, "maxItems": 2 })
        }
        Shape::Numbers(range) => json!({ "type": "array", "items": number(*range) }),
        Shape::Wholes { low, high } => json!({
            "type": "array",
            "items": { "type": "integer", "minimum": low, "maximum": high },
            "minItems": 1,
            "uniqueItems": true,
        }),
        Shape::Table(inner) => section(inner, None),
        Shape::Tagged(inner) => tagged(inner),
        Shape::Tables(inner) => json!({ "type": "array", "items": section(inner, None) }),
        Shape::TaggedTables(inner) => json!({ "type": "array", "items": tagged(inner) }),
        Shape::Settings => settings(),
        Shape::Tolerances => tolerances(),
        Shape::Changes => {
            json!({ "type": "object", "minProperties": 1, "additionalProperties": one_of_its_keys(&CHANGE) })
        }
        Shape::Factors => {
            let mut factors = section(&SCATTER, None);
            factors["additionalProperties"] = one_of_its_keys(&FACTOR);
            factors
        }
    }
}

fn number(range: Range) -> Value {
    json!({ "type": "number", "minimum": range.low, "maximum": range.high })
}

fn tagged(tagged: &Tagged) -> Value {
    let variant =
        |variant: &Variant| kind_section(&variant.section, Some(variant.name), tagged.preset == Some(variant.name));
    let variants: Vec<Value> = tagged.variants.iter().map(variant).collect();
    json!({ "oneOf": variants })
}

fn one_of_its_keys(inner: &Section) -> Value {
    let mut one = section(inner, None);
    one["minProperties"] = json!(1);
    one["maxProperties"] = json!(1);
    one
}

fn tolerances() -> Value {
    let one = section(&keys::suite::TOLERANCE, None);
    let property = |measure: Measure| {
        let mut property = json!({ "anyOf": [number(keys::suite::TOLERANCE_RANGE), one] });
        property["description"] = json!(format!("A number is meant in {}.", in_words(measure.unit())));
        (measure.name().to_owned(), property)
    };
    let properties: Map<String, Value> = Measure::all().map(property).collect();
    json!({ "type": "object", "properties": properties, "additionalProperties": false })
}

fn in_words(unit: &str) -> &str {
    if unit.is_empty() { "plain numbers" } else { unit }
}

fn settings() -> Value {
    let property = |setting: &Setting| {
        let (low, high) = setting.range();
        let mut property = number(Range { low, high, unit: "" });
        let unit = if setting.unit().is_empty() { String::new() } else { format!(", in {}", setting.unit()) };
        property["description"] = json!(format!("{}{unit}", setting.what()));
        (setting.name().to_owned(), property)
    };
    let properties: Map<String, Value> = Setting::ALL.iter().map(property).collect();
    json!({
        "type": "object",
        "properties": properties,
        "required": keys::NEEDED_SETTINGS,
        "additionalProperties": false,
    })
}

impl Shape {
    fn unit(&self) -> &'static str {
        match self {
            Self::Number(range) | Self::Pair(range) | Self::Numbers(range) => range.unit,
            Self::Whole { unit, .. } | Self::SignedWhole { unit, .. } => unit,
            _ => "",
        }
    }
}
