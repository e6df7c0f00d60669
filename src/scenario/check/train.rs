//! The train: nodes with their friction, couplings, loads.
//!
//! What it does not: put them together (`machine.rs`). Start reading at [`nodes`].

use std::f64::consts::PI;

use crate::base::time::TickRate;
use crate::base::units::{ARCMIN_RAD, DEG_RAD, RPM_RAD_PER_S};
use crate::plant::coupling::Coupling;
use crate::plant::friction::{Coulomb, Friction};
use crate::plant::load::{Load, LoadKind};
use crate::plant::train::Node;
use crate::scenario::check::{refuse_more_than, refuse_twins};
use crate::scenario::file::ValueKind;
use crate::scenario::keys::machine::{MAX_LOADS, MAX_NODES};
use crate::scenario::reader::Complaints;
use crate::scenario::shape::figure;
use crate::scenario::view::View;

/// Every node, the motor first.
pub(crate) fn nodes(root: &View<'_>, complaints: &mut Complaints) -> Option<Vec<Node>> {
    let motor = root.view("motor");
    let trains = root.views("train");
    // The motor is a node too.
    if refuse_more_than(MAX_NODES - 1, "nodes behind the motor", &trains, complaints) {
        return None;
    }
    refuse_twins(&trains, complaints);
    let found: Vec<Option<Node>> = motor.iter().chain(&trains).map(|view| node(view, complaints)).collect();
    motor?;
    found.into_iter().collect()
}

fn node(view: &View<'_>, complaints: &mut Complaints) -> Option<Node> {
    let friction = friction(view, complaints);
    Some(Node { inertia_kgm2: view.number("inertia_kgm2")?, friction: friction? })
}

fn friction(node: &View<'_>, complaints: &mut Complaints) -> Option<Friction> {
    if !node.has("friction") {
        return Some(Friction::None);
    }
    let view = node.view("friction")?;
    if view.kind()? == "none" {
        return Some(Friction::None);
    }
    let (kinetic_nm, static_nm) = (view.number("kinetic_nm"), view.number("static_nm"));
    if let (Some(kinetic_nm), Some(static_nm)) = (kinetic_nm, static_nm)
        && static_nm < kinetic_nm
    {
        let allowed = format!("static is not below kinetic: allowed from {} Nm (kinetic_nm)", figure(kinetic_nm));
        view.refuse("static_nm", &allowed, complaints);
    }
    Some(Friction::Coulomb(Coulomb {
        kinetic_nm: kinetic_nm?,
        static_nm: static_nm?,
        stribeck_rad_per_s: view.number("stribeck_rpm")? * RPM_RAD_PER_S,
        stribeck_exponent: view.number("stribeck_exponent")?,
        viscous_nms_per_rad: view.number("viscous_nms_per_rad")?,
    }))
}

/// Every coupling, the motor's first.
pub(crate) fn couplings(root: &View<'_>, rate: Option<TickRate>, complaints: &mut Complaints) -> Option<Vec<Coupling>> {
    let trains = root.views("train");
    if MAX_NODES <= trains.len() {
        return None;
    }
    let mut before_kgm2 = root.view("motor").and_then(|motor| motor.number("inertia_kgm2"));
    let mut found = Vec::new();
    for view in &trains {
        let after_kgm2 = view.number("inertia_kgm2");
        found.push(coupling(view, [before_kgm2, after_kgm2], rate, complaints));
        before_kgm2 = after_kgm2;
    }
    found.into_iter().collect()
}

fn coupling(
    view: &View<'_>,
    inertias_kgm2: [Option<f64>; 2],
    rate: Option<TickRate>,
    complaints: &mut Complaints,
) -> Option<Coupling> {
    let ratio = view.number("ratio").filter(|ratio| MIN_RATIO <= ratio.abs());
    if ratio.is_none() && view.number("ratio").is_some() {
        view.refuse("ratio", &format!("allowed -10000 to 10000, but not nearer to 0 than {MIN_RATIO}"), complaints);
    }
    if let ([Some(before), Some(after)], Some(ratio)) = (inertias_kgm2, ratio) {
        // Both masses against each other, referred to the load side.
        let joint_kgm2 = 1.0 / (1.0 / after + 1.0 / (ratio * ratio * before));
        refuse_stiffer(view, stiffest_nm_per_rad(joint_kgm2, rate), complaints);
    }
    Some(Coupling {
        ratio: ratio?,
        stiffness_nm_per_rad: view.number("stiffness_nm_per_rad")?,
        damping_nms_per_rad: view.number("damping_nms_per_rad")?,
        half_gap_rad: view.number("backlash_arcmin")? * ARCMIN_RAD / 2.0,
    })
}

/// Below it a gear would turn thousands of times at one turn of the motor.
const MIN_RATIO: f64 = 0.001;

/// The stiffness that puts the resonance of an inertia at half the tick rate: beyond it no sample would show it, and no
/// margin taken from samples would be true.
pub(crate) fn stiffest_nm_per_rad(inertia_kgm2: f64, rate: Option<TickRate>) -> Option<f64> {
    let highest_rad_per_s = PI * f64::from(rate?.hz);
    Some(highest_rad_per_s * highest_rad_per_s * inertia_kgm2)
}

/// Complains about a stiffness above the stiffest.
pub(crate) fn refuse_stiffer(view: &View<'_>, stiffest: Option<f64>, complaints: &mut Complaints) {
    if let (Some(stiffness), Some(stiffest)) = (view.number("stiffness_nm_per_rad"), stiffest)
        && stiffest < stiffness
    {
        let allowed = format!(
            "too stiff for the tick: allowed up to {} Nm/rad, where the resonance reaches half of timing.tick_hz",
            figure(stiffest.floor().max(1e-3))
        );
        view.refuse("stiffness_nm_per_rad", &allowed, complaints);
    }
}

/// Every load.
pub(crate) fn loads(root: &View<'_>, complaints: &mut Complaints) -> Option<Vec<Load>> {
    let last = root.views("train").len();
    let views = root.views("load");
    if refuse_more_than(MAX_LOADS, "loads", &views, complaints) {
        return None;
    }
    let given = match root.table.entry("load").map(|entry| &entry.value.kind) {
        Some(ValueKind::List(list)) => list.len(),
        _ => 0,
    };
    let found: Vec<Option<Load>> = views.iter().map(|view| load(view, last, complaints)).collect();
    // A load whose kind is not sound has no view.
    if views.len() == given { found.into_iter().collect() } else { None }
}

fn load(view: &View<'_>, last: usize, complaints: &mut Complaints) -> Option<Load> {
    let node = if view.has("node") { usize::try_from(view.whole("node")?).ok()? } else { last };
    if last < node {
        view.refuse("node", &format!("allowed 0 to {last}, the nodes of this train"), complaints);
    }
    let kind = match view.kind()? {
        "constant" => LoadKind::Constant { torque_nm: view.number("torque_nm")? },
        "unbalanced_arm" => {
            LoadKind::UnbalancedArm { peak_nm: view.number("peak_nm")?, zero_rad: view.number("zero_deg")? * DEG_RAD }
        }
        _ => LoadKind::Resisting { torque_nm: view.number("torque_nm")? },
    };
    Some(Load { node, kind })
}
