//! The section `[[load]]`.
//!
//! What it does not: draw a noise's random numbers (`plant/load_noise.rs`). Start reading at [`loads`].

use crate::base::time::TickRate;
use crate::base::units::{DEG_RAD, RPM_RAD_PER_S};
use crate::plant::load::{Harmonic, Load, LoadKind};
use crate::scenario::check::{refuse_more_than, refuse_twins};
use crate::scenario::keys::machine::{MAX_HARMONICS, MAX_LOADS};
use crate::scenario::reader::Complaints;
use crate::scenario::shape::figure;
use crate::scenario::view::View;

/// Every load.
pub(crate) fn loads(root: &View<'_>, rate: Option<TickRate>, complaints: &mut Complaints) -> Option<Vec<Load>> {
    let last = root.views("train").len();
    let views = root.views("load");
    if refuse_more_than(MAX_LOADS, "loads", &views, complaints) {
        return None;
    }
    refuse_twins(&views, complaints);
    let found: Vec<Option<Load>> =
        views.iter().enumerate().map(|(index, view)| load(view, index, last, rate, complaints)).collect();
    // A load whose kind is not sound has no view.
    if views.len() == root.given("load") { found.into_iter().collect() } else { None }
}

fn load(
    view: &View<'_>,
    index: usize,
    last: usize,
    rate: Option<TickRate>,
    complaints: &mut Complaints,
) -> Option<Load> {
    let node = if view.has("node") { usize::try_from(view.whole("node")?).ok()? } else { last };
    if last < node {
        view.refuse("node", &format!("allowed 0 to {last}, the nodes of this train"), complaints);
    }
    let kind = match view.kind()? {
        "constant" => LoadKind::Constant { torque_nm: view.number("torque_nm")? },
        "unbalanced_arm" => {
            LoadKind::UnbalancedArm { peak_nm: view.number("peak_nm")?, zero_rad: view.number("zero_deg")? * DEG_RAD }
        }
        "fan" => {
            let at_rad_per_s = view.number("at_rpm")? * RPM_RAD_PER_S;
            LoadKind::Fan { torque_nms2_per_rad2: view.number("torque_nm")? / (at_rad_per_s * at_rad_per_s) }
        }
        "harmonics" => LoadKind::Harmonics { terms: terms(view, complaints)? },
        "noise" => noise(view, index, rate, complaints)?,
        _ => LoadKind::Resisting { torque_nm: view.number("torque_nm")? },
    };
    Some(Load { node, kind })
}

fn terms(view: &View<'_>, complaints: &mut Complaints) -> Option<Vec<Harmonic>> {
    let terms = view.views("terms");
    if terms.is_empty() && view.has("terms") {
        view.refuse("terms", "at least one term belongs here", complaints);
        return None;
    }
    if refuse_more_than(MAX_HARMONICS, "terms", &terms, complaints) {
        return None;
    }
    let term = |view: &View<'_>| {
        Some(Harmonic {
            per_turn: view.count("per_turn")?,
            peak_nm: view.number("peak_nm")?,
            phase_rad: view.number("phase_deg")? * DEG_RAD,
        })
    };
    terms.iter().map(term).collect()
}

/// A corner higher than this share of the tick rate would leave out much of what happens between two ticks.
const HIGHEST_CORNER: f64 = 0.1;

fn noise(view: &View<'_>, index: usize, rate: Option<TickRate>, complaints: &mut Complaints) -> Option<LoadKind> {
    let corner_hz = view.number("corner_hz");
    let highest_hz = rate.map(|rate| HIGHEST_CORNER * f64::from(rate.hz));
    if let (Some(corner_hz), Some(highest_hz)) = (corner_hz, highest_hz)
        && highest_hz < corner_hz
    {
        let allowed = format!("allowed up to {} Hz, a tenth of timing.tick_hz", figure(highest_hz));
        view.refuse("corner_hz", &allowed, complaints);
    }
    let source = view.text("name").map_or_else(|| format!("load {index}"), |name| format!("load {name}"));
    Some(LoadKind::Noise { rms_nm: view.number("rms_nm")?, corner_hz: corner_hz?, source })
}
