//! Friction of a node that turns.
//!
//! What it does not: friction along a line (`transmission.rs`). Start reading at [`friction`].

use crate::base::units::{RPM_RAD_PER_S, TURN_RAD};
use crate::plant::friction::{Bristle, Coulomb, Friction, PerTurn, Side, Varying, Warming};
use crate::scenario::reader::Complaints;
use crate::scenario::shape::figure;
use crate::scenario::view::View;

/// Friction of a node; none where none is given.
pub(crate) fn friction(node: &View<'_>, complaints: &mut Complaints) -> Option<Friction> {
    if !node.has("friction") {
        return Some(Friction::None);
    }
    let view = node.view("friction")?;
    match view.kind()? {
        "none" => Some(Friction::None),
        "bristle" => bristle(&view, complaints),
        _ => coulomb(&view, complaints),
    }
}

/// Kinetic and static friction by their keys, the other direction's where a key is not given.
fn refuse_static_below(
    view: &View<'_>,
    [kinetic_key, static_key]: [&str; 2],
    [kinetic_nm, static_nm]: [Option<f64>; 2],
    complaints: &mut Complaints,
) {
    if let (Some(kinetic_nm), Some(static_nm)) = (kinetic_nm, static_nm)
        && static_nm < kinetic_nm
    {
        let allowed = format!("static is not below kinetic: allowed from {} Nm ({kinetic_key})", figure(kinetic_nm));
        view.refuse(static_key, &allowed, complaints);
    }
}

fn coulomb(view: &View<'_>, complaints: &mut Complaints) -> Option<Friction> {
    let keys = ["kinetic_nm", "static_nm"];
    refuse_static_below(view, keys, keys.map(|key| view.number(key)), complaints);
    let coulomb = Coulomb {
        kinetic_nm: view.number("kinetic_nm")?,
        static_nm: view.number("static_nm")?,
        stribeck_rad_per_s: view.number("stribeck_rpm")? * RPM_RAD_PER_S,
        stribeck_exponent: view.number("stribeck_exponent")?,
        viscous_nms_per_rad: view.number("viscous_nms_per_rad")?,
    };
    let negative = negative(view, &coulomb, complaints)?;
    let (per_turn, warming) = (per_turn(view, complaints)?, warming(view)?);
    let differs = negative.kinetic_nm != coulomb.kinetic_nm
        || negative.static_nm != coulomb.static_nm
        || negative.viscous_nms_per_rad != coulomb.viscous_nms_per_rad;
    if differs || per_turn.is_some() || warming.is_some() {
        return Some(Friction::Varying(Varying { coulomb, negative, per_turn, warming }));
    }
    Some(Friction::Coulomb(coulomb))
}

/// In negative direction; where a key is not given, as in positive direction.
fn negative(view: &View<'_>, coulomb: &Coulomb, complaints: &mut Complaints) -> Option<Side> {
    let given = |key: &str, other: f64| if view.has(key) { view.number(key) } else { Some(other) };
    let kinetic_nm = given("kinetic_negative_nm", coulomb.kinetic_nm);
    let static_nm = given("static_negative_nm", coulomb.static_nm);
    let keys = ["kinetic_negative_nm", "static_negative_nm"];
    if !keys.iter().any(|key| view.has(key)) {
        let viscous_nms_per_rad = given("viscous_negative_nms_per_rad", coulomb.viscous_nms_per_rad)?;
        return Some(Side { kinetic_nm: kinetic_nm?, static_nm: static_nm?, viscous_nms_per_rad });
    }
    let kinetic_key = if view.has("kinetic_negative_nm") { "kinetic_negative_nm" } else { "kinetic_nm" };
    if view.has("static_negative_nm") {
        refuse_static_below(view, [kinetic_key, "static_negative_nm"], [kinetic_nm, static_nm], complaints);
    } else if let (Some(kinetic_nm), Some(static_nm)) = (kinetic_nm, static_nm)
        && static_nm < kinetic_nm
    {
        let allowed = format!("kinetic is not above static: allowed up to {} Nm (static_nm)", figure(static_nm));
        view.refuse("kinetic_negative_nm", &allowed, complaints);
    }
    Some(Side {
        kinetic_nm: kinetic_nm?,
        static_nm: static_nm?,
        viscous_nms_per_rad: given("viscous_negative_nms_per_rad", coulomb.viscous_nms_per_rad)?,
    })
}

/// `Some(None)` where friction is the same all round.
fn per_turn(view: &View<'_>, complaints: &mut Complaints) -> Option<Option<PerTurn>> {
    let keys = ["per_turn", "per_turn_amplitude"];
    match keys.map(|key| view.has(key)) {
        [false, false] => return Some(None),
        [true, true] => {}
        [periods, _] => {
            let [there, missing] = if periods { keys } else { [keys[1], keys[0]] };
            view.refuse(there, &format!("needs {missing} beside it"), complaints);
            return None;
        }
    }
    Some(Some(PerTurn {
        periods: view.count("per_turn")?,
        amplitude: view.number("per_turn_amplitude")?,
        phase_rad: view.number("per_turn_phase_deg")? * TURN_RAD / 360.0,
    }))
}

/// `Some(None)` where friction does not fall with warmth.
fn warming(view: &View<'_>) -> Option<Option<Warming>> {
    if !view.has("falls_with_warmth") {
        return Some(None);
    }
    let view = view.view("falls_with_warmth")?;
    Some(Some(Warming {
        fall: view.number("by")?,
        power_w: view.number("at_power_w")?,
        time_constant_s: view.number("time_constant_s")?,
    }))
}

fn bristle(view: &View<'_>, complaints: &mut Complaints) -> Option<Friction> {
    let keys = ["kinetic_nm", "static_nm"];
    refuse_static_below(view, keys, keys.map(|key| view.number(key)), complaints);
    let exponent = view.number("stribeck_exponent");
    if exponent.is_some_and(|exponent| exponent != 1.0 && exponent != 2.0) {
        view.refuse("stribeck_exponent", "bristles take 1 or 2: allowed 1 and 2", complaints);
    }
    Some(Friction::Bristle(Bristle {
        kinetic_nm: view.number("kinetic_nm")?,
        static_nm: view.number("static_nm").filter(|static_nm| view.number("kinetic_nm") <= Some(*static_nm))?,
        stribeck_rad_per_s: view.number("stribeck_rpm")? * RPM_RAD_PER_S,
        stribeck_exponent: exponent.filter(|exponent| [1.0, 2.0].contains(exponent))?,
        viscous_nms_per_rad: view.number("viscous_nms_per_rad")?,
        stiffness_nm_per_rad: view.number("bristle_stiffness_nm_per_rad")?,
        damping_nms_per_rad: view.number("bristle_damping_nms_per_rad")?,
    }))
}
