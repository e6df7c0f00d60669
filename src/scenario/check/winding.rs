//! What a real motor has beside the textbook's, from `[motor]`.
//!
//! What it does not: the textbook's motor (`motor.rs`). Start reading at [`effects`].

use std::f64::consts::{PI, SQRT_2};

use crate::base::units::DEG_RAD;
use crate::plant::load::{Harmonic, Load, LoadKind};
use crate::plant::motor::{DeadTime, Effects, FluxHarmonic, Pmsm, Saturation, WindingTemperature};
use crate::scenario::check::refuse_more_than;
use crate::scenario::keys::winding::MAX_TERMS;
use crate::scenario::reader::Complaints;
use crate::scenario::shape::figure;
use crate::scenario::view::View;

/// What belongs to a motor with a winding only.
pub(crate) const OF_A_WINDING: [&str; 5] =
    ["torque_ripple", "saturation", "winding_temperature", "inverter_dead_time", "phase_order"];

/// 0 °C.
const ZERO_DEGC_K: f64 = 273.15;
/// Dead time may take this share of a switching period: beyond it no inverter works.
const LONGEST_DEAD_TIME: f64 = 0.1;

/// Cogging as a load on the motor, which counts against motion: half a turn of phase makes it the motor's torque.
pub(crate) fn cogging(root: &View<'_>, complaints: &mut Complaints) -> Option<Option<Load>> {
    let motor = root.view("motor")?;
    let views = motor.views("cogging");
    if refuse_more_than(MAX_TERMS, "terms", &views, complaints) {
        return None;
    }
    let term = |view: &View<'_>| {
        Some(Harmonic {
            per_turn: view.count("per_turn")?,
            peak_nm: view.number("peak_nm")?,
            phase_rad: view.number("phase_deg")? * DEG_RAD + PI,
        })
    };
    let terms: Vec<Harmonic> = views.iter().map(term).collect::<Option<_>>()?;
    Some((!terms.is_empty()).then_some(Load { node: 0, kind: LoadKind::Harmonics { terms } }))
}

/// The effects of a synchronous motor that is otherwise known.
pub(crate) fn effects(motor: &View<'_>, pmsm: &Pmsm, complaints: &mut Complaints) -> Option<Effects> {
    let flux_ripple = flux_ripple(motor, complaints);
    let saturation = if motor.has("saturation") { saturation(motor, pmsm, complaints).map(Some) } else { Some(None) };
    let temperature = if motor.has("winding_temperature") { temperature(motor).map(Some) } else { Some(None) };
    let dead_time =
        if motor.has("inverter_dead_time") { dead_time(motor, pmsm.bus_v, complaints).map(Some) } else { Some(None) };
    Some(Effects {
        saturation: saturation?,
        flux_ripple: flux_ripple?,
        dead_time: dead_time?,
        temperature: temperature?,
    })
}

fn flux_ripple(motor: &View<'_>, complaints: &mut Complaints) -> Option<Vec<FluxHarmonic>> {
    let views = motor.views("torque_ripple");
    if refuse_more_than(MAX_TERMS, "terms", &views, complaints) {
        return None;
    }
    let term = |view: &View<'_>| {
        Some(FluxHarmonic {
            per_electrical_turn: view.count("per_electrical_turn")?,
            share: 0.01 * view.number("share_percent")?,
            phase_rad: view.number("phase_deg")? * DEG_RAD,
        })
    };
    let terms: Vec<FluxHarmonic> = views.iter().map(term).collect::<Option<_>>()?;
    if 1.0 <= terms.iter().map(|one| one.share).sum::<f64>() {
        motor.refuse("torque_ripple", "the torque must not turn round: allowed are less than 100 % in all", complaints);
    }
    Some(terms)
}

fn saturation(motor: &View<'_>, pmsm: &Pmsm, complaints: &mut Complaints) -> Option<Saturation> {
    let view = motor.view("saturation")?;
    let saturation = Saturation {
        current_a: SQRT_2 * view.number("current_a_rms")?,
        share_d: 0.01 * view.number("left_d_percent")?,
        share_q: 0.01 * view.number("left_q_percent")?,
        share_cross: 0.01 * view.number("left_across_percent")?,
    };
    let inductance_h = [pmsm.inductance_d_h, pmsm.inductance_q_h];
    if !saturation.is_convex(inductance_h) {
        let least_percent = 100.0 * saturation.least_share_cross(inductance_h);
        let allowed = format!("an inductance would fall to 0: allowed from {} %", figure(least_percent.ceil()));
        view.refuse("left_across_percent", &allowed, complaints);
        return None;
    }
    Some(saturation)
}

fn temperature(motor: &View<'_>) -> Option<WindingTemperature> {
    let view = motor.view("winding_temperature")?;
    let ambient_k = view.number("ambient_degc")? + ZERO_DEGC_K;
    let start_k = if view.has("start_degc") { view.number("start_degc")? + ZERO_DEGC_K } else { ambient_k };
    Some(WindingTemperature {
        ambient_k,
        start_k,
        thermal_resistance_k_per_w: view.number("thermal_resistance_k_per_w")?,
        time_constant_s: view.number("time_constant_s")?,
        resistance_per_k: 0.01 * view.number("resistance_percent_per_k")?,
        flux_per_k: 0.01 * view.number("flux_percent_per_k")?,
    })
}

fn dead_time(motor: &View<'_>, bus_v: f64, complaints: &mut Complaints) -> Option<DeadTime> {
    let view = motor.view("inverter_dead_time")?;
    let (dead_time_us, switching_hz) = (view.number("dead_time_us")?, view.number("switching_hz")?);
    let share = 1e-6 * dead_time_us * switching_hz;
    if LONGEST_DEAD_TIME < share {
        let longest_us = 1e6 * LONGEST_DEAD_TIME / switching_hz;
        let allowed = format!("allowed up to {} µs, a tenth of a switching period", figure(longest_us));
        view.refuse("dead_time_us", &allowed, complaints);
    }
    Some(DeadTime { error_v: share * bus_v, knee_a: view.number("knee_a")? })
}
