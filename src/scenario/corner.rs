//! Corners: named variations of the machine, checked as if each were a file of its own.
//!
//! A corner's changes are put into the tree of the file and the whole check of the machine runs again on it. What it
//! does not: random variations (`scatter.rs`). Start reading at [`corners`].

use std::collections::BTreeSet;

use crate::base::time::TickRate;
use crate::scenario::Corner;
use crate::scenario::check::{machine, refuse_more_than, refuse_twins};
use crate::scenario::complaint::Kind;
use crate::scenario::file::{Entry, Table, Value, ValueKind};
use crate::scenario::keys;
use crate::scenario::keys::examination::{CHANGE, MAX_CHANGES, MAX_CORNERS};
use crate::scenario::path::{self, Named};
use crate::scenario::reader::{Complaints, join, walk};
use crate::scenario::shape::{figure, rounded};
use crate::scenario::view::View;

/// `[[corner]]`, any number. Comes after the check of the nominal machine, whose complaints it does not repeat.
pub(crate) fn corners(root: &View<'_>, rate: Option<TickRate>, complaints: &mut Complaints) -> Option<Vec<Corner>> {
    let views = root.views("corner");
    if refuse_more_than(MAX_CORNERS, "corners", &views, complaints) {
        return None;
    }
    refuse_twins(&views, complaints);
    let nominal: BTreeSet<(String, Kind)> =
        complaints.list.iter().map(|(_, complaint)| (complaint.key.clone(), complaint.kind)).collect();
    let found: Vec<Option<Corner>> = views.iter().map(|view| corner(root, view, rate, &nominal, complaints)).collect();
    found.into_iter().collect()
}

fn corner(
    root: &View<'_>,
    view: &View<'_>,
    rate: Option<TickRate>,
    nominal: &BTreeSet<(String, Kind)>,
    complaints: &mut Complaints,
) -> Option<Corner> {
    let name = view.text("name");
    if let Some(reserved) = RESERVED.iter().find(|reserved| name == Some(reserved)) {
        view.refuse("name", &format!("{reserved} is no name for a corner: results use it"), complaints);
    }
    let set = view.table("set")?;
    if set.entries.is_empty() {
        view.refuse("set", "at least one change belongs here", complaints);
    }
    if MAX_CHANGES < set.entries.len() {
        view.refuse("set", &format!("allowed are {MAX_CHANGES} changes"), complaints);
        return None;
    }
    let before = complaints.list.len();
    let changed = changed(root, view, set, complaints);
    let mut own = Complaints::default();
    walk(&changed, &keys::ROOT, "", &mut own);
    let machine = machine::machine(&View::new(&changed, &keys::ROOT, ""), rate, &mut own);
    own.list.retain(|(_, complaint)| !nominal.contains(&(complaint.key.clone(), complaint.kind)));
    let sound = own.list.is_empty() && complaints.list.len() == before;
    for (at, mut complaint) in own.list {
        complaint.corner = Some(name.unwrap_or_default().to_owned());
        let is_change = set.entries.iter().any(|entry| entry.at == at);
        complaints.list.push((if is_change { at } else { view.table.at }, complaint));
    }
    let machine = machine.filter(|_| sound)?;
    Some(Corner { name: name?.to_owned(), machine })
}

/// The tree of the file with the corner's changes in it.
fn changed(root: &View<'_>, view: &View<'_>, set: &Table, complaints: &mut Complaints) -> Table {
    let mut changed = root.table.clone();
    for entry in &set.entries {
        let path = join(&view.path_of("set"), &entry.key);
        if let Some(value) = change(root, entry, &path, complaints) {
            path::put(&mut changed, &entry.key, value);
        }
    }
    changed
}

/// Names of machines that results use beside the corners'.
const RESERVED: [&str; 4] = ["nominal", "tuning", "power cycle", "trial"];

/// The changed value, standing where the change stands.
fn change(root: &View<'_>, entry: &Entry, path: &str, complaints: &mut Complaints) -> Option<Value> {
    let number = match path::find(root, &entry.key, (entry.at, path), complaints)? {
        Named::Number(number) | Named::Preset(number) => number,
        Named::Friction => {
            complaints.add(entry.at, Kind::Impossible, path, "names a table; a number is needed");
            return None;
        }
    };
    let ValueKind::Table(table) = &entry.value.kind else {
        let allowed = "one of { times = ... }, { to = ... }, { plus = ... } belongs here";
        complaints.add(entry.value.at, Kind::WrongType, path, allowed).found(entry.value.shown());
        return None;
    };
    walk(table, &CHANGE, path, complaints);
    let view = View::new(table, &CHANGE, path);
    let given: Vec<&str> = ["times", "to", "plus"].into_iter().filter(|key| view.has(key)).collect();
    if given.len() < table.entries.len() {
        return None;
    }
    let [one] = given.as_slice() else {
        complaints.add(entry.at, Kind::Impossible, path, "exactly one of times, to, plus belongs here");
        return None;
    };
    let by = view.number(one)?;
    let result = match *one {
        "times" => number * by,
        "to" => by,
        _ => number + by,
    };
    Some(placed(result, entry.at))
}

/// A number as a value of the tree; a whole one may stand for a count.
fn placed(number: f64, at: usize) -> Value {
    // Every whole number below 2^53 is exact.
    let is_whole = number.fract() == 0.0 && number.abs() < 9_007_199_254_740_992.0;
    let kind = if is_whole { ValueKind::Whole(number as i64) } else { ValueKind::Number(number) };
    Value { at, written: figure(rounded(number)), kind }
}

impl Table {
    /// Gives a key a value; the key stands where the value does.
    pub(crate) fn put(&mut self, key: &str, value: Value) {
        let at = value.at;
        match self.entries.iter_mut().find(|entry| entry.key == key) {
            Some(entry) => *entry = Entry { key: key.to_owned(), at, value },
            None => self.entries.push(Entry { key: key.to_owned(), at, value }),
        }
    }
}
