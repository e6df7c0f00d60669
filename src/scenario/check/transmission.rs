//! A `[[train]]` entry as a coupling and a node of the chain: gears as they stand, belts, screws and racks turned into
//! the same.
//!
//! A way u along a line is u = R θ at the node behind, with R the way for one radian: lead / 2π of a screw, the
//! radius of a pinion or of the load's pulley. Equal power and equal energy then give, for every such coupling,
//!
//! - a force F is a torque R F, since F u' = R F θ';
//! - a mass m is an inertia m R², since m u'² / 2 = m R² θ'² / 2;
//! - a stiffness k is k R², a damping d is d R²: the force k u at the way R θ is the torque R k R θ;
//! - a free way s is a free angle s / R.
//!
//! Screw and rack: the node's angle is that of spindle or pinion, which are rigid on the node before, so the ratio is 1
//! (−1 for a left-hand thread); what gives way lies between them and the mass. Belt: its stretch is r₁ θ₁ − r₂ θ₂ =
//! r₂ (θ₁ r₁ / r₂ − θ₂), which is the twist of a coupling with ratio r₂ / r₁ times r₂, so R = r₂; its own mass moves
//! with the rim of the load's pulley. These are the textbook's reckonings of machine drives, from memory; each is
//! derived above.
//!
//! What it does not: whole trains (`train.rs`). Start reading at [`lever_m`].

use crate::base::units::{ARCMIN_RAD, TURN_RAD};
use crate::plant::friction::{Coulomb, Friction};
use crate::scenario::reader::Complaints;
use crate::scenario::shape::figure;
use crate::scenario::view::View;

const MM_M: f64 = 1e-3;

/// Below it a gear would turn thousands of times at one turn of the motor.
const MIN_RATIO: f64 = 0.001;

/// Below it a screw would need a thousand turns for a few millimetres.
const MIN_LEAD_MM: f64 = 0.01;

fn kind<'f>(view: &View<'f>) -> &'f str {
    view.kind().unwrap_or("coupling")
}

/// R: the way for one radian of the node behind, in m; `None` for a coupling, which has none, and where it is not sound.
fn lever_m(view: &View<'_>) -> Option<f64> {
    let lever_mm = match kind(view) {
        "belt" => view.number("load_pulley_radius_mm"),
        "screw" => lead_mm(view).map(|lead_mm| lead_mm.abs() / TURN_RAD),
        "rack" => view.number("pinion_radius_mm"),
        _ => None,
    };
    lever_mm.map(|lever_mm| lever_mm * MM_M)
}

fn lead_mm(view: &View<'_>) -> Option<f64> {
    view.number("lead_mm").filter(|lead_mm| MIN_LEAD_MM <= lead_mm.abs())
}

/// A value along the line times a power of R; a coupling's value as it stands.
fn turned(view: &View<'_>, rotary_key: &str, linear_key: &str, power: i32) -> Option<f64> {
    if kind(view) == "coupling" {
        return view.number(rotary_key);
    }
    let lever_m = lever_m(view)?;
    let factor = match power {
        1 => lever_m,
        -1 => 1.0 / lever_m,
        _ => lever_m * lever_m,
    };
    Some(view.number(linear_key)? * factor)
}

/// Motor-side turns per load-side turn.
pub(crate) fn ratio(view: &View<'_>) -> Option<f64> {
    match kind(view) {
        "belt" => Some(view.number("load_pulley_radius_mm")? / view.number("motor_pulley_radius_mm")?),
        "screw" => Some(1.0_f64.copysign(lead_mm(view)?)),
        "rack" => Some(1.0),
        _ => view.number("ratio").filter(|ratio| MIN_RATIO <= ratio.abs()),
    }
}

/// Complains about a ratio or a lead that is too near to 0.
pub(crate) fn refuse_near_zero(view: &View<'_>, complaints: &mut Complaints) {
    let (key, range, least) = match kind(view) {
        "screw" => ("lead_mm", "-1000 to 1000 mm", MIN_LEAD_MM),
        "coupling" => ("ratio", "-10000 to 10000", MIN_RATIO),
        _ => return,
    };
    if view.number(key).is_some_and(|number| number.abs() < least) {
        view.refuse(key, &format!("allowed {range}, but not nearer to 0 than {least}"), complaints);
    }
}

/// Stiffness in Nm/rad.
pub(crate) fn stiffness_nm_per_rad(view: &View<'_>) -> Option<f64> {
    turned(view, "stiffness_nm_per_rad", "stiffness_n_per_m", 2)
}

/// The stiffness's key, its unit, and Nm/rad for one of it.
pub(crate) fn stiffness_key(view: &View<'_>) -> Option<(&'static str, &'static str, f64)> {
    if kind(view) == "coupling" {
        return Some(("stiffness_nm_per_rad", "Nm/rad", 1.0));
    }
    lever_m(view).map(|lever_m| ("stiffness_n_per_m", "N/m", lever_m * lever_m))
}

/// Damping in Nm·s/rad.
pub(crate) fn damping_nms_per_rad(view: &View<'_>) -> Option<f64> {
    turned(view, "damping_nms_per_rad", "damping_ns_per_m", 2)
}

/// Half of the free angle in rad.
pub(crate) fn half_gap_rad(view: &View<'_>) -> Option<f64> {
    match kind(view) {
        "belt" => Some(turned(view, "", "slack_mm", -1)? * MM_M / 2.0),
        "screw" | "rack" => Some(turned(view, "", "backlash_mm", -1)? * MM_M / 2.0),
        _ => Some((view.number("backlash_arcmin")? + view.number("slack_arcmin")?) * ARCMIN_RAD / 2.0),
    }
}

/// Inertia of the node behind, in kg·m².
pub(crate) fn inertia_kgm2(view: &View<'_>) -> Option<f64> {
    match kind(view) {
        "belt" => {
            let lever_m = lever_m(view)?;
            Some(view.number("inertia_kgm2")? + view.number("belt_mass_kg")? * lever_m * lever_m)
        }
        _ => turned(view, "inertia_kgm2", "mass_kg", 2),
    }
}

/// Inertia of what this entry fixes rigidly on the node before, in kg·m².
pub(crate) fn inertia_before_kgm2(view: &View<'_>) -> Option<f64> {
    match kind(view) {
        "screw" => view.number("spindle_inertia_kgm2"),
        "rack" => view.number("pinion_inertia_kgm2"),
        _ => Some(0.0),
    }
}

/// Whether friction is written in N along a line.
pub(crate) fn is_linear(view: &View<'_>) -> bool {
    matches!(kind(view), "screw" | "rack")
}

/// Friction along a line, at the node.
pub(crate) fn friction(node: &View<'_>, complaints: &mut Complaints) -> Option<Friction> {
    if !node.has("friction") {
        return Some(Friction::None);
    }
    let view = node.view("friction")?;
    if view.kind()? == "none" {
        return Some(Friction::None);
    }
    let (kinetic_n, static_n) = (view.number("kinetic_n"), view.number("static_n"));
    if let (Some(kinetic_n), Some(static_n)) = (kinetic_n, static_n)
        && static_n < kinetic_n
    {
        let allowed = format!("static is not below kinetic: allowed from {} N (kinetic_n)", figure(kinetic_n));
        view.refuse("static_n", &allowed, complaints);
    }
    let lever_m = lever_m(node)?;
    Some(Friction::Coulomb(Coulomb {
        kinetic_nm: kinetic_n? * lever_m,
        static_nm: static_n? * lever_m,
        stribeck_rad_per_s: view.number("stribeck_m_per_s")? / lever_m,
        stribeck_exponent: view.number("stribeck_exponent")?,
        viscous_nms_per_rad: view.number("viscous_ns_per_m")? * lever_m * lever_m,
    }))
}
