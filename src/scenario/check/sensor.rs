//! The angle sensors.
//!
//! What it does not: what is printed about them (`machine.rs`). Start reading at [`of_motor`].

use crate::base::units::{ARCSEC_RAD, DEG_RAD};
use crate::plant::sensor::{CyclicError, SensorParameters};
use crate::scenario::check::refuse_more_than;
use crate::scenario::keys::sensor::MAX_HARMONICS;
use crate::scenario::reader::Complaints;
use crate::scenario::shape::figure;
use crate::scenario::view::View;

/// Most that the slope of all cyclic errors may make of the angle's own: beyond it the counts would soon run backwards
/// where the shaft turns forwards, and no sensor is sold that does.
const STEEPEST: f64 = 0.5;

/// The sensor on the motor.
pub(crate) fn of_motor(root: &View<'_>, complaints: &mut Complaints) -> Option<SensorParameters> {
    parameters(&root.view("motor")?.view("sensor")?, complaints)
}

fn parameters(view: &View<'_>, complaints: &mut Complaints) -> Option<SensorParameters> {
    let cyclic_error = cyclic_error(view, complaints);
    let sign = if view.has("sign") { view.signed("sign")? as f64 } else { 1.0 };
    Some(SensorParameters {
        counts_per_turn: view.whole("counts_per_turn")? as f64,
        noise_counts_rms: view.number("noise_counts_rms")?,
        latency_ticks: view.count("latency_ticks")?,
        sign,
        gear: view.number("gear")?,
        offset_rad: view.number("offset_deg")? * DEG_RAD,
        cyclic_error: cyclic_error?,
    })
}

fn cyclic_error(view: &View<'_>, complaints: &mut Complaints) -> Option<Vec<CyclicError>> {
    let views = view.views("cyclic_error");
    if refuse_more_than(MAX_HARMONICS, "harmonics", &views, complaints) {
        return None;
    }
    let harmonic = |view: &View<'_>| {
        Some(CyclicError {
            per_turn: view.count("per_turn")?,
            peak_rad: view.number("peak_arcsec")? * ARCSEC_RAD,
            phase_rad: view.number("phase_deg")? * DEG_RAD,
        })
    };
    let harmonics: Vec<CyclicError> = views.iter().map(harmonic).collect::<Option<_>>()?;
    let slope: f64 = harmonics.iter().map(|one| f64::from(one.per_turn) * one.peak_rad).sum();
    if STEEPEST < slope {
        let allowed = format!(
            "the counts must follow the shaft: allowed are {} arcsec as the sum of per_turn times peak_arcsec",
            figure((STEEPEST / ARCSEC_RAD).round())
        );
        view.refuse("cyclic_error", &allowed, complaints);
        return None;
    }
    Some(harmonics)
}
