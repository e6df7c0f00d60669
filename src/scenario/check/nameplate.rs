//! The nameplate as typed in, over the truth.
//!
//! What it does not: the truth (`machine.rs`). Start reading at [`typed_in`].

use crate::base::nameplate::{Nameplate, WindingPlate};
use crate::base::units::{DEG_RAD, RPM_RAD_PER_S};
use crate::scenario::reader::Complaints;
use crate::scenario::view::View;

/// A smaller ratio the drive does not take.
const LEAST_RATIO: f64 = 1e-6;

/// `[nameplate]` over the truth; what it does not give stays. What it says of a winding is read by nobody where the motor
/// has none, as in `[motor]`.
pub(crate) fn typed_in(root: &View<'_>, truth: Nameplate, complaints: &mut Complaints) -> Option<Nameplate> {
    if !root.has("nameplate") {
        return Some(truth);
    }
    let view = root.view("nameplate")?;
    if view.number("gear_ratio").is_some_and(|ratio| ratio.abs() < LEAST_RATIO) {
        view.refuse("gear_ratio", &format!("allowed from {LEAST_RATIO} on, of either sign"), complaints);
        return None;
    }
    let or = |key: &str, truth: f64| if view.has(key) { view.number(key) } else { Some(truth) };
    let in_units =
        |key: &str, unit: f64, truth: f64| if view.has(key) { Some(view.number(key)? * unit) } else { Some(truth) };
    let winding = match truth.winding {
        Some(truth) => Some(WindingPlate {
            pole_pairs: if view.has("pole_pairs") { view.count("pole_pairs")? } else { truth.pole_pairs },
            resistance_ohm: or("resistance_ohm", truth.resistance_ohm)?,
            inductance_h: or("inductance_h", truth.inductance_h)?,
            flux_linkage_vs: or("flux_linkage_vs", truth.flux_linkage_vs)?,
            rated_current_a_rms: or("rated_current_a_rms", truth.rated_current_a_rms)?,
            commutation_offset_rad: in_units("commutation_offset_deg", DEG_RAD, truth.commutation_offset_rad)?,
            bus_v: truth.bus_v,
        }),
        None => None,
    };
    Some(Nameplate {
        rated_torque_nm: or("rated_torque_nm", truth.rated_torque_nm)?,
        rated_speed_rad_per_s: in_units("rated_speed_rpm", RPM_RAD_PER_S, truth.rated_speed_rad_per_s)?,
        motor_inertia_kgm2: or("motor_inertia_kgm2", truth.motor_inertia_kgm2)?,
        counts_per_turn: or("counts_per_turn", truth.counts_per_turn)?,
        gear_ratio: or("gear_ratio", truth.gear_ratio)?,
        sensor_sign: if view.has("sensor_sign") { view.signed("sensor_sign")? as f64 } else { truth.sensor_sign },
        winding,
        ..truth
    })
}
