//! The section `[scatter]`: random variations round the nominal machine, read and checked.
//!
//! What it does not: draw. Start reading at [`scatter`].

use crate::scenario::complaint::Kind;
use crate::scenario::file::{Entry, Table, ValueKind};
use crate::scenario::keys::examination::{FACTOR, SCATTER};
use crate::scenario::path;
use crate::scenario::reader::{Complaints, join, walk};
use crate::scenario::view::View;
use crate::scenario::{Factor, Scatter, Spread};

/// `[scatter]`: `Some(None)` where the file has none.
pub(crate) fn scatter(root: &View<'_>, complaints: &mut Complaints) -> Option<Option<Scatter>> {
    if !root.has("scatter") {
        return Some(None);
    }
    let table = root.table("scatter")?;
    let is_named = |entry: &&Entry| {
        let name = entry.key.as_str();
        SCATTER.keys.iter().any(|key| key.name == name) || SCATTER.later.contains(&name)
    };
    let (named, paths): (Vec<&Entry>, Vec<&Entry>) = table.entries.iter().partition(is_named);
    let named = Table { at: table.at, entries: named.into_iter().cloned().collect() };
    walk(&named, &SCATTER, "scatter", complaints);
    let draws = View::new(&named, &SCATTER, "scatter").count("draws");
    let factors: Vec<Option<Factor>> = paths.into_iter().map(|entry| factor(root, entry, complaints)).collect();
    let factors: Option<Vec<Factor>> = factors.into_iter().collect();
    Some(Some(Scatter { draws: draws?, factors: factors? }))
}

fn factor(root: &View<'_>, entry: &Entry, complaints: &mut Complaints) -> Option<Factor> {
    let path = join("scatter", &entry.key);
    path::find(root, &entry.key, (entry.at, &path), complaints)?;
    let ValueKind::Table(table) = &entry.value.kind else {
        let allowed = "one of { factor_normal = ... }, { factor_uniform = [low, high] } belongs here";
        complaints.add(entry.value.at, Kind::WrongType, path, allowed).found(entry.value.shown());
        return None;
    };
    walk(table, &FACTOR, &path, complaints);
    let view = View::new(table, &FACTOR, path.clone());
    let spread = match (view.has("factor_normal"), view.has("factor_uniform")) {
        (true, false) => Spread::Normal(view.number("factor_normal")?),
        (false, true) => {
            let [low, high] = view.pair("factor_uniform")?;
            Spread::Uniform(low, high)
        }
        _ => {
            let allowed = "exactly one of factor_normal, factor_uniform belongs here";
            complaints.add(entry.at, Kind::Impossible, path, allowed);
            return None;
        }
    };
    Some(Factor { path: entry.key.clone(), spread })
}
