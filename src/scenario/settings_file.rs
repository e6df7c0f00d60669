//! A settings file: the drive's settings under `[settings]`, as a trial leaves them and `describe` reads them.
//!
//! What it does not: open files, or decide what a drive takes (`drive/store.rs`). Start reading at [`read`].

use toml::{Table, Value};

use crate::drive::setting::{Setting, Settings};
use crate::drive::store::Bounds;

/// Reads a settings file on top of other settings: what it does not name stays. `name` is how complaints call it.
///
/// # Errors
/// Every complaint at once, a line each.
pub fn read(name: &str, text: &str, bounds: &Bounds, onto: Settings) -> Result<Settings, Vec<String>> {
    let tree: Table = text.parse().map_err(|error: toml::de::Error| vec![format!("{name}: {}", error.message())])?;
    let Some(table) = tree.get("settings").and_then(Value::as_table) else {
        return Err(vec![format!("{name}: holds no [settings]")]);
    };
    let mut settings = onto;
    let mut complaints: Vec<(usize, String)> = Vec::new();
    for table in tree.keys().filter(|table| !TABLES.contains(&table.as_str())) {
        complaints.push((line_of(text, table), format!("{table}: unknown table; allowed {}", TABLES.join(", "))));
    }
    for (key, value) in table {
        match one(key, value, bounds) {
            Ok((setting, value)) => settings.set(setting, value),
            Err(complaint) => complaints.push((line_of(text, key), complaint)),
        }
    }
    complaints.sort();
    let worded = |(line, complaint): &(usize, String)| format!("{name}:{line}: {complaint}");
    if complaints.is_empty() { Ok(settings) } else { Err(complaints.iter().map(worded).collect()) }
}

/// Tables that such a file may have; only the settings are read.
const TABLES: [&str; 3] = ["settings", "nameplate", "about"];

/// The line on which a key or a table of this name stands first; 1 when it is written in some unusual way.
fn line_of(text: &str, key: &str) -> usize {
    let stands = |line: &str| line.trim_start_matches([' ', '\t', '[', '"']).starts_with(key);
    1 + text.lines().position(stands).unwrap_or(0)
}

/// The known name that this one is nearest to, within a third of its length.
fn nearest(key: &str) -> Option<&'static str> {
    let names = Setting::ALL.into_iter().map(|setting| (strsim::osa_distance(key, setting.name()), setting.name()));
    names.min().filter(|(distance, _)| 3 * distance <= key.len()).map(|(_, name)| name)
}

fn one(key: &str, value: &Value, bounds: &Bounds) -> Result<(Setting, f64), String> {
    let setting = Setting::from_name(key).ok_or_else(|| {
        let hint = nearest(key).map_or_else(String::new, |name| format!("; did you mean {name}?"));
        format!("{key}: no setting of the drive{hint}")
    })?;
    let number = value.as_float().or_else(|| value.as_integer().map(|whole| whole as f64));
    let number = number.ok_or_else(|| format!("{key} is a {}; allowed: a number", value.type_str()))?;
    bounds.check(setting, number).map(|number| (setting, number)).map_err(|refusal| refusal.to_string())
}
