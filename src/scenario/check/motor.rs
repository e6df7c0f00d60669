//! How the motor makes its torque: a lag, or a winding with its current sensors, and what is printed about that.
//!
//! What it does not: inertia, friction and angle sensor (`machine.rs`). Start reading at [`kind`].

use std::f64::consts::{SQRT_2, TAU};

use crate::base::nameplate::WindingPlate;
use crate::plant::current_sensor::CurrentSensorParameters;
use crate::plant::motor::{Effects, MotorKind, Pmsm};
use crate::plant::sensor::SensorParameters;
use crate::scenario::check::winding::{self, OF_A_WINDING};
use crate::scenario::reader::Complaints;
use crate::scenario::view::View;

/// What a motor with a winding needs, and one without does not: there they are print that nobody reads.
const NEEDED_BY_PMSM: [&str; 6] =
    ["pole_pairs", "resistance_ohm", "inductance_d_h", "inductance_q_h", "flux_linkage_vs", "bus_v"];

/// How torque comes about.
pub(crate) fn kind(root: &View<'_>, complaints: &mut Complaints) -> Option<MotorKind> {
    let motor = root.view("motor")?;
    if !is_pmsm(&motor) {
        if motor.has("current_sensor") {
            motor.refuse("current_sensor", "belongs to kind = \"pmsm\"", complaints);
        }
        for key in OF_A_WINDING.into_iter().filter(|key| motor.has(key)) {
            motor.refuse(key, "belongs to kind = \"pmsm\"", complaints);
        }
        return Some(MotorKind::IdealTorque { lag_s: motor.number("lag_s")? });
    }
    if motor.has("lag_s") {
        motor.refuse("lag_s", "belongs to kind = \"ideal_torque\"", complaints);
    }
    for key in NEEDED_BY_PMSM.into_iter().filter(|key| !motor.has(key)) {
        motor.miss(key, "kind = \"pmsm\" needs it", complaints);
    }
    let pmsm = pmsm(&motor)?;
    let effects = winding::effects(&motor, &pmsm, complaints)?;
    Some(MotorKind::Pmsm(Pmsm { effects, ..pmsm }))
}

fn is_pmsm(motor: &View<'_>) -> bool {
    motor.text("kind") == Some("pmsm")
}

fn pmsm(motor: &View<'_>) -> Option<Pmsm> {
    Some(Pmsm {
        pole_pairs: motor.count("pole_pairs")?,
        resistance_ohm: motor.number("resistance_ohm")?,
        inductance_d_h: motor.number("inductance_d_h")?,
        inductance_q_h: motor.number("inductance_q_h")?,
        flux_linkage_vs: motor.number("flux_linkage_vs")?,
        rotor_offset_rad: 0.0,
        phases_swapped: motor.text("phase_order") == Some("acb"),
        bus_v: motor.number("bus_v")?,
        effects: Effects::default(),
    })
}

/// The current sensors; clean ones where the file says nothing.
pub(crate) fn current_sensor(root: &View<'_>, complaints: &mut Complaints) -> Option<CurrentSensorParameters> {
    let motor = root.view("motor")?;
    if !motor.has("current_sensor") {
        return Some(CurrentSensorParameters::CLEAN);
    }
    let view = motor.view("current_sensor")?;
    let mut of_phases = |key: &str, unless_given: [f64; 2]| {
        if !view.has(key) {
            return Some(unless_given);
        }
        let numbers = view.numbers(key)?;
        let pair = <[f64; 2]>::try_from(numbers).ok();
        if pair.is_none() {
            view.refuse(key, "two numbers belong here: phase a, phase b", complaints);
        }
        pair
    };
    Some(CurrentSensorParameters {
        gain: of_phases("gain", CurrentSensorParameters::CLEAN.gain)?,
        offset_a: of_phases("offset_a", CurrentSensorParameters::CLEAN.offset_a)?,
        noise_a_rms: view.number("noise_a_rms")?,
        resolution_a: view.number("resolution_a")?,
    })
}

/// What is printed about the winding: the truth of the nominal motor; `Some(None)` for one without. Rated current is what
/// the rated torque takes; the commutation offset is the magnet's axis where the sensor shows 0.
pub(crate) fn winding_plate(root: &View<'_>, sensor: &SensorParameters) -> Option<Option<WindingPlate>> {
    let motor = root.view("motor")?;
    if !is_pmsm(&motor) {
        return Some(None);
    }
    let pmsm = pmsm(&motor)?;
    let pole_pairs = f64::from(pmsm.pole_pairs);
    let torque_per_peak_ampere_nm = 1.5 * pole_pairs * pmsm.flux_linkage_vs;
    let offset_turns = (pmsm.rotor_offset_rad - pole_pairs * sensor.offset_rad) / TAU;
    Some(Some(WindingPlate {
        pole_pairs: pmsm.pole_pairs,
        resistance_ohm: pmsm.resistance_ohm,
        inductance_h: 0.5 * (pmsm.inductance_d_h + pmsm.inductance_q_h),
        flux_linkage_vs: pmsm.flux_linkage_vs,
        rated_current_a_rms: motor.number("rated_torque_nm")? / torque_per_peak_ampere_nm / SQRT_2,
        commutation_offset_rad: (offset_turns - offset_turns.round()) * TAU,
        bus_v: pmsm.bus_v,
    }))
}
