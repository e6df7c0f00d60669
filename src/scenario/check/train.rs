//! The train: nodes, couplings.
//!
//! What it does not: friction (`friction.rs`), belts, screws and racks (`transmission.rs`), loads (`load.rs`), put it all together (`machine.rs`). Start reading at [`nodes`].

use std::f64::consts::PI;

use crate::base::time::TickRate;
use crate::linear::facts::resonances_hz;
use crate::plant::coupling::Coupling;
use crate::plant::friction::Friction;
use crate::plant::train::{Node, Parameters};
use crate::scenario::check::{friction::friction, refuse_more_than, refuse_twins, transmission};
use crate::scenario::complaint::Kind;
use crate::scenario::keys::machine::MAX_NODES;
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
    let inertias_kgm2 = inertias_kgm2(root);
    let frictions: Vec<Option<Friction>> = motor
        .iter()
        .chain(&trains)
        .map(|view| match transmission::is_linear(view) {
            true => transmission::friction(view, complaints),
            false => friction(view, complaints),
        })
        .collect();
    motor?;
    all_are_sound(root, &trains)?;
    let nodes = inertias_kgm2.into_iter().zip(frictions);
    nodes.map(|(inertia_kgm2, friction)| Some(Node { inertia_kgm2: inertia_kgm2?, friction: friction? })).collect()
}

/// An entry whose kind is not sound has no view; then the others have not their places in the chain.
fn all_are_sound(root: &View<'_>, trains: &[View<'_>]) -> Option<()> {
    (root.given("train") == trains.len()).then_some(())
}

/// Inertia of every node, the motor's first; what an entry fixes on the node before it counts there.
fn inertias_kgm2(root: &View<'_>) -> Vec<Option<f64>> {
    let trains = root.views("train");
    let motor_kgm2 = root.view("motor").and_then(|motor| motor.number("inertia_kgm2"));
    let own = std::iter::once(motor_kgm2).chain(trains.iter().map(transmission::inertia_kgm2));
    let fixed = trains.iter().map(transmission::inertia_before_kgm2).chain([Some(0.0)]);
    own.zip(fixed).map(|(own_kgm2, fixed_kgm2)| Some(own_kgm2? + fixed_kgm2?)).collect()
}

/// Every coupling, the motor's first.
pub(crate) fn couplings(root: &View<'_>, rate: Option<TickRate>, complaints: &mut Complaints) -> Option<Vec<Coupling>> {
    let trains = root.views("train");
    if MAX_NODES <= trains.len() {
        return None;
    }
    let inertias_kgm2 = inertias_kgm2(root);
    let found: Vec<Option<Coupling>> = trains
        .iter()
        .zip(inertias_kgm2.windows(2))
        .map(|(view, around)| coupling(view, [around[0], around[1]], rate, complaints))
        .collect();
    all_are_sound(root, &trains)?;
    found.into_iter().collect()
}

fn coupling(
    view: &View<'_>,
    inertias_kgm2: [Option<f64>; 2],
    rate: Option<TickRate>,
    complaints: &mut Complaints,
) -> Option<Coupling> {
    let ratio = transmission::ratio(view);
    transmission::refuse_near_zero(view, complaints);
    if let ([Some(before), Some(after)], Some(ratio)) = (inertias_kgm2, ratio) {
        // Both masses against each other, referred to the load side.
        let joint_kgm2 = 1.0 / (1.0 / after + 1.0 / (ratio * ratio * before));
        if let Some(key) = transmission::stiffness_key(view) {
            refuse_stiffer(view, key, stiffest_nm_per_rad(joint_kgm2, rate), complaints);
        }
    }
    Some(Coupling {
        ratio: ratio?,
        stiffness_nm_per_rad: transmission::stiffness_nm_per_rad(view)?,
        damping_nms_per_rad: transmission::damping_nms_per_rad(view)?,
        half_gap_rad: transmission::half_gap_rad(view)?,
        torque_limit_nm: torque_limit_nm(view)?,
        coupled: view.flag("coupled")?,
    })
}

/// `Some(None)` where there is no limiter.
fn torque_limit_nm(view: &View<'_>) -> Option<Option<f64>> {
    if view.has("torque_limit_nm") { view.number("torque_limit_nm").map(Some) } else { Some(None) }
}

/// The stiffness that puts the resonance of an inertia at half the tick rate: beyond it no sample would show it, and no
/// margin taken from samples would be true.
pub(crate) fn stiffest_nm_per_rad(inertia_kgm2: f64, rate: Option<TickRate>) -> Option<f64> {
    let highest_rad_per_s = PI * f64::from(rate?.hz);
    Some(highest_rad_per_s * highest_rad_per_s * inertia_kgm2)
}

/// Complains about a chain whose highest resonance no sample would show, though every two neighbours by themselves would
/// pass: a long chain of equals swings up to √2 times as fast as two of them.
pub(crate) fn refuse_stiff_chain(root: &View<'_>, plant: &Parameters, rate: TickRate, complaints: &mut Complaints) {
    let told = complaints.list.iter().any(|(_, complaint)| complaint.key.starts_with("train."));
    if plant.nodes.len() < 3 || told {
        return;
    }
    let highest_hz = resonances_hz(plant).last().copied().unwrap_or(0.0);
    let allowed_hz = f64::from(rate.hz) / 2.0;
    if allowed_hz < highest_hz {
        let allowed = format!(
            "too stiff for the tick: its highest resonance lies at {} Hz; allowed up to {} Hz, half of timing.tick_hz",
            figure(highest_hz.ceil()),
            figure(allowed_hz)
        );
        complaints.add(root.place_of("train"), Kind::Impossible, root.path_of("train"), allowed);
    }
}

/// Complains about a stiffness above the stiffest; `key` is its key, its unit and Nm/rad for one of it.
pub(crate) fn refuse_stiffer(
    view: &View<'_>,
    (key, unit, factor): (&str, &str, f64),
    stiffest_nm_per_rad: Option<f64>,
    complaints: &mut Complaints,
) {
    let stiffest = stiffest_nm_per_rad.map(|stiffest| stiffest / factor);
    if let (Some(stiffness), Some(stiffest)) = (view.number(key), stiffest)
        && stiffest < stiffness
    {
        let allowed = format!(
            "too stiff for the tick: allowed up to {} {unit}, where the resonance reaches half of timing.tick_hz",
            figure(stiffest.floor().max(1e-3))
        );
        view.refuse(key, &allowed, complaints);
    }
}
