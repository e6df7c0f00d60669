//! A suite: trials that must keep giving their known-good results, as read from a TOML file; and files of tolerances.
//!
//! What it does not: run trials, compare results (`trial/known_good.rs`), open files. Start reading at [`read`].

use std::collections::BTreeMap;

use crate::method::Carried;
use crate::scenario::MAX_BYTES;
use crate::scenario::complaint::{Complaint, Kind};
use crate::scenario::file::{Document, Table, ValueKind};
use crate::scenario::keys::suite::{ROOT, TOLERANCE, TOLERANCE_RANGE, TOLERANCES_ROOT};
use crate::scenario::reader::{Complaints, join, walk};
use crate::scenario::shape::Section;
use crate::scenario::view::View;
use crate::score::measure::Measure;

/// Trials that must keep giving their known-good results.
#[derive(Clone, Debug, PartialEq)]
pub struct Suite {
    /// What it is called.
    pub title: String,
    /// File of tolerances that hold where a trial gives none, as it is named.
    pub tolerances_file: Option<String>,
    /// The trials, in file order.
    pub trials: Vec<Trial>,
}

/// One method on one scenario, with one or more seeds.
#[derive(Clone, Debug, PartialEq)]
pub struct Trial {
    /// Its name, different from every other's.
    pub name: String,
    /// The scenario's file, as it is named.
    pub scenario: String,
    /// The seeds; never empty, each once.
    pub seeds: Vec<u64>,
    /// The only corner to examine; all without.
    pub corner: Option<String>,
    /// Who is tried.
    pub who: Who,
    /// The only verdict that is not red; without it the known-good one.
    pub expect: Option<Expect>,
    /// Whether frames that differ from the known-good ones are red.
    pub frames_same: bool,
    /// Tolerances of its own.
    pub tolerances: Tolerances,
}

/// Who is tried.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Who {
    /// A carried method.
    Carried(Carried),
    /// An outside program: its command, split; never empty.
    Command(Vec<String>),
    /// Whoever connects to this link.
    Listen(String),
}

/// The verdict that a trial must give.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Expect {
    /// Pass.
    Pass,
    /// Fail.
    Fail,
}

/// What a measure may move by: the larger of two parts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Tolerance {
    /// In the measure's unit.
    pub absolute: f64,
    /// Share of the known-good value.
    pub relative_frac: f64,
}

impl Tolerance {
    /// The largest move that is within it, in the measure's unit.
    #[must_use]
    pub fn allowed(self, known: f64) -> f64 {
        self.absolute.max(self.relative_frac * known.abs())
    }
}

/// Tolerances by the name of the measure. A measure without one may not move at all.
pub type Tolerances = BTreeMap<String, Tolerance>;

/// Reads a suite. `name` is how complaints call the file.
///
/// # Errors
/// Every complaint at once, in file order.
pub fn read(name: &str, text: &str) -> Result<Suite, Vec<Complaint>> {
    read_by(name, text, &ROOT, |root, complaints| {
        let usual = who(root, &KEYS_OF_WHO, complaints);
        let trials = trials(root, usual.as_ref(), complaints);
        Some(Suite {
            title: root.text("title")?.trim().to_owned(),
            tolerances_file: root.text("tolerances").map(str::to_owned),
            trials,
        })
    })
}

/// Reads a file of tolerances.
///
/// # Errors
/// Every complaint at once, in file order.
pub fn read_tolerances(name: &str, text: &str) -> Result<Tolerances, Vec<Complaint>> {
    read_by(name, text, &TOLERANCES_ROOT, |root, complaints| Some(tolerances(root, complaints)))
}

fn read_by<T>(
    name: &str,
    text: &str,
    section: &'static Section,
    check: impl FnOnce(&View<'_>, &mut Complaints) -> Option<T>,
) -> Result<T, Vec<Complaint>> {
    if MAX_BYTES < text.len() {
        return Err(vec![Complaint::too_long(name, text.len(), MAX_BYTES)]);
    }
    let document = Document::parse(text, section);
    let mut complaints = Complaints::default();
    walk(&document.root, section, "", &mut complaints);
    let found = check(&View::new(&document.root, section, ""), &mut complaints);
    let complaints = complaints.placed(name, &document);
    match found {
        Some(found) if complaints.is_empty() => Ok(found),
        _ => Err(complaints),
    }
}

fn trials(root: &View<'_>, usual: Option<&Who>, complaints: &mut Complaints) -> Vec<Trial> {
    let mut trials: Vec<Trial> = Vec::new();
    for view in root.views("trial") {
        let own = who(&view, &KEYS_OF_A_TRIALS_WHO, complaints);
        let names_one = KEYS_OF_A_TRIALS_WHO.iter().any(|key| view.has(key));
        let root_names_one = KEYS_OF_WHO.iter().any(|key| root.has(key));
        if !names_one && !root_names_one {
            view.miss(
                "method",
                "name who is tried, here or for the whole suite: method or by (or listen there)",
                complaints,
            );
        }
        let Some(trial) = trial(&view, own.or_else(|| usual.cloned()), complaints) else { continue };
        if trials.iter().any(|earlier| earlier.name == trial.name) {
            let key = if view.has("name") { "name" } else { "scenario" };
            view.refuse(key, &format!("another trial is called {:?}; give each a name", trial.name), complaints);
        }
        trials.push(trial);
    }
    let lists_none = matches!(root.table.entry("trial").map(|entry| &entry.value.kind), Some(ValueKind::List(list)) if list.is_empty());
    if lists_none {
        root.refuse("trial", "at least one table belongs here", complaints);
    }
    trials
}

fn trial(view: &View<'_>, who: Option<Who>, complaints: &mut Complaints) -> Option<Trial> {
    let tolerances = tolerances(view, complaints);
    let scenario = view.text("scenario")?.to_owned();
    let corner = view.text("corner").map(str::to_owned);
    let file = scenario.rsplit(['/', '\\']).next().unwrap_or(&scenario);
    let stem = file.strip_suffix(".toml").unwrap_or(file);
    let usual_name = corner.as_ref().map_or_else(|| stem.to_owned(), |corner| format!("{stem}, {corner}"));
    Some(Trial {
        name: view.text("name").map_or(usual_name, |name| name.trim().to_owned()),
        seeds: view.wholes("seeds")?,
        who: who?,
        expect: match view.text("expect") {
            Some("pass") => Some(Expect::Pass),
            Some("fail") => Some(Expect::Fail),
            _ => None,
        },
        frames_same: view.text("frames") == Some("same"),
        scenario,
        corner,
        tolerances,
    })
}

/// Keys that say who is tried.
const KEYS_OF_WHO: [&str; 3] = ["method", "by", "listen"];

/// Those of one trial: whoever connects is told once, for all of them.
const KEYS_OF_A_TRIALS_WHO: [&str; 2] = ["method", "by"];

/// Who is tried, where a table says so; complains about two answers and about words that are none.
fn who(view: &View<'_>, keys: &[&'static str], complaints: &mut Complaints) -> Option<Who> {
    let given: Vec<&str> = keys.iter().copied().filter(|key| view.has(key)).collect();
    if let [first, second, ..] = given[..] {
        view.refuse(second, &format!("{first} says who is tried already; one of them goes"), complaints);
    }
    match *given.first()? {
        "method" => command(view, complaints),
        "by" => carried(view, complaints),
        _ => view.text("listen").map(|link| Who::Listen(link.to_owned())),
    }
}

fn command(view: &View<'_>, complaints: &mut Complaints) -> Option<Who> {
    let words = shlex::split(view.text("method")?).filter(|words| !words.is_empty());
    if words.is_none() {
        view.refuse("method", "no command: a quote is open", complaints);
    }
    words.map(Who::Command)
}

fn carried(view: &View<'_>, complaints: &mut Complaints) -> Option<Who> {
    let name = view.text("by")?;
    let method = Carried::from_name(name);
    if method.is_none() {
        let names = Carried::ALL.map(Carried::name);
        let allowed = crate::scenario::shape::allowed_texts(names.into_iter());
        let found = view.table.entry("by").and_then(|entry| entry.value.shown());
        let complaint = complaints.add(view.place_of("by"), Kind::UnknownName, view.path_of("by"), allowed);
        complaint.found(found).near(name, names.into_iter());
    }
    method.map(Who::Carried)
}

fn tolerances(view: &View<'_>, complaints: &mut Complaints) -> Tolerances {
    let Some(table) = view.table("tolerance") else { return Tolerances::new() };
    let path = view.path_of("tolerance");
    let mut tolerances = Tolerances::new();
    for entry in &table.entries {
        let path = join(&path, &entry.key);
        if Measure::from_name(&entry.key).is_none() {
            let names = Measure::all().map(Measure::name);
            complaints.add(entry.at, Kind::UnknownName, path, "no measure has this name").near(&entry.key, names);
            continue;
        }
        let tolerance = match &entry.value.kind {
            ValueKind::Table(table) => in_parts(table, path, complaints),
            kind => match kind.number().filter(|number| TOLERANCE_RANGE.holds(*number)) {
                Some(absolute) => Tolerance { absolute, relative_frac: 0.0 },
                None => {
                    let allowed = format!("{}, or a table of absolute and relative_frac", TOLERANCE_RANGE.words());
                    let sort = if kind.number().is_some() { Kind::Impossible } else { Kind::WrongType };
                    complaints.add(entry.value.at, sort, path, allowed).found(entry.value.shown());
                    continue;
                }
            },
        };
        tolerances.insert(entry.key.clone(), tolerance);
    }
    tolerances
}

fn in_parts(table: &Table, path: String, complaints: &mut Complaints) -> Tolerance {
    walk(table, &TOLERANCE, &path, complaints);
    let view = View::new(table, &TOLERANCE, path);
    let part = |key| view.number(key).unwrap_or(0.0);
    Tolerance { absolute: part("absolute"), relative_frac: part("relative_frac") }
}
