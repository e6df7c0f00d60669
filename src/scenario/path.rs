//! Paths of the machine's numbers, `train.0.inertia_kgm2`, as corners and scatter name them.
//!
//! What it does not: change anything by itself. Start reading at [`find`].

use crate::scenario::complaint::Kind;
use crate::scenario::file::{Table, Value, ValueKind};
use crate::scenario::reader::Complaints;
use crate::scenario::view::View;

/// What a path names.
pub(crate) enum Named {
    /// A number that stands in the file.
    Number(f64),
    /// A number that the file leaves at this.
    Preset(f64),
    /// A friction that can be scaled as a whole.
    Friction,
}

/// Keys of `[motor]` that are printed on it and no part of the machine.
const NAMEPLATE: [&str; 9] = [
    "rated_torque_nm",
    "peak_torque_nm",
    "rated_speed_rpm",
    "pole_pairs",
    "resistance_ohm",
    "inductance_d_h",
    "inductance_q_h",
    "flux_linkage_vs",
    "bus_v",
];

/// Whether the path lies in the part of the file that describes the machine.
fn is_machine(path: &str) -> bool {
    ["motor.", "train.", "load.", "axis.stops."].iter().any(|start| path.starts_with(start))
}

/// What a path names in a file; `None` beside a complaint at `at` about `key`.
pub(crate) fn find(
    root: &View<'_>,
    path: &str,
    (at, key): (usize, &str),
    complaints: &mut Complaints,
) -> Option<Named> {
    let value = value_at(root.table, path);
    let nameplate = path.strip_prefix("motor.").is_some_and(|name| NAMEPLATE.contains(&name));
    if nameplate {
        complaints.add(at, Kind::Impossible, key, "is printed on the motor: only the machine itself can differ");
        return None;
    }
    if !is_machine(path) && value.is_some() {
        let allowed = "is no part of the machine: allowed are motor, train, load and axis.stops";
        complaints.add(at, Kind::Impossible, key, allowed);
        return None;
    }
    match value.map(|value| &value.kind) {
        Some(ValueKind::Table(_)) if path.ends_with(".friction") => Some(Named::Friction),
        Some(kind) => {
            let number = kind.number();
            if number.is_none() {
                complaints.add(at, Kind::Impossible, key, format!("names {}; a number is needed", kind.words()));
            }
            number.map(Named::Number)
        }
        None => {
            let (preset, is_missing) = if is_machine(path) { absent(root, path) } else { (None, false) };
            // A needed key that is absent has its complaint already, as missing or as misspelt.
            if preset.is_none() && !is_missing {
                let known = numbers(root.table);
                complaints
                    .add(at, Kind::UnknownName, key, "names nothing in this file")
                    .near(path, known.iter().map(String::as_str));
            }
            preset.map(Named::Preset)
        }
    }
}

fn value_at<'t>(table: &'t Table, path: &str) -> Option<&'t Value> {
    let (name, rest) = path.split_once('.').map_or((path, None), |(name, rest)| (name, Some(rest)));
    within(&table.entry(name)?.value, rest)
}

fn within<'t>(value: &'t Value, rest: Option<&str>) -> Option<&'t Value> {
    let Some(rest) = rest else { return Some(value) };
    match &value.kind {
        ValueKind::Table(table) => value_at(table, rest),
        ValueKind::List(list) => {
            let (index, rest) = rest.split_once('.').map_or((rest, None), |(index, rest)| (index, Some(rest)));
            within(list.get(index.parse::<usize>().ok()?)?, rest)
        }
        _ => None,
    }
}

/// What stands for a number that the file leaves out, and whether it may not be left out.
fn absent(root: &View<'_>, path: &str) -> (Option<f64>, bool) {
    let Some((section, name)) = path.rsplit_once('.') else { return (None, false) };
    section_at(root, section).map_or((None, false), |view| (view.preset(name), view.needs(name)))
}

fn section_at<'f>(root: &View<'f>, section: &str) -> Option<View<'f>> {
    let mut view = root.clone();
    let mut names = section.split('.');
    while let Some(name) = names.next() {
        view = match view.lists(name) {
            true => view.view_at(name, names.next()?.parse().ok()?)?,
            false => view.view(name)?,
        };
    }
    Some(view)
}

/// The table that a path's last name belongs to, for writing.
fn table_of<'t>(table: &'t mut Table, section: &str) -> Option<&'t mut Table> {
    let (name, rest) = section.split_once('.').map_or((section, None), |(name, rest)| (name, Some(rest)));
    let entry = table.entries.iter_mut().find(|entry| entry.key == name)?;
    let (table, rest) = match &mut entry.value.kind {
        ValueKind::Table(table) => (table, rest),
        ValueKind::List(list) => {
            let (index, rest) = rest?.split_once('.').map_or((rest?, None), |(index, rest)| (index, Some(rest)));
            match &mut list.get_mut(index.parse::<usize>().ok()?)?.kind {
                ValueKind::Table(table) => (table, rest),
                _ => return None,
            }
        }
        _ => return None,
    };
    match rest {
        Some(rest) => table_of(table, rest),
        None => Some(table),
    }
}

/// Puts a value where a path points, which [`find`] has looked at.
pub(crate) fn put(table: &mut Table, path: &str, value: Value) {
    let Some((section, name)) = path.rsplit_once('.') else { return };
    if let Some(table) = table_of(table, section) {
        table.put(name, value);
    }
}

/// Paths of all numbers and frictions of the machine in the file.
fn numbers(table: &Table) -> Vec<String> {
    let mut paths = Vec::new();
    for entry in &table.entries {
        collect(&entry.value, &entry.key, &mut paths);
    }
    paths.retain(|path| is_machine(path));
    paths
}

fn collect(value: &Value, path: &str, paths: &mut Vec<String>) {
    match &value.kind {
        ValueKind::Table(table) => {
            if path.ends_with(".friction") {
                paths.push(path.to_owned());
            }
            for entry in &table.entries {
                collect(&entry.value, &format!("{path}.{}", entry.key), paths);
            }
        }
        ValueKind::List(list) => {
            for (index, item) in list.iter().enumerate() {
                collect(item, &format!("{path}.{index}"), paths);
            }
        }
        kind if kind.number().is_some() => paths.push(path.to_owned()),
        _ => {}
    }
}
