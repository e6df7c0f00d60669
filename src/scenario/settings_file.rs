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
    let mut complaints = Vec::new();
    for (key, value) in table {
        match one(key, value, bounds) {
            Ok((setting, value)) => settings.set(setting, value),
            Err(complaint) => complaints.push(format!("{name}: {complaint}")),
        }
    }
    if complaints.is_empty() { Ok(settings) } else { Err(complaints) }
}

fn one(key: &str, value: &Value, bounds: &Bounds) -> Result<(Setting, f64), String> {
    let setting = Setting::from_name(key).ok_or_else(|| format!("{key} is no setting of the drive"))?;
    let number = value.as_float().or_else(|| value.as_integer().map(|whole| whole as f64));
    let number = number.ok_or_else(|| format!("{key} is a {}; allowed: a number", value.type_str()))?;
    bounds.check(setting, number).map(|number| (setting, number)).map_err(|refusal| refusal.to_string())
}
