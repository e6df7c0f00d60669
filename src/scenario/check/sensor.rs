//! The angle sensors.
//!
//! What it does not: what is printed about them (`machine.rs`). Start reading at [`of_motor`] and
//! [`of_load`].

use crate::base::time::TickRate;
use crate::base::units::{ARCSEC_RAD, DEG_RAD};
use crate::plant::counting::{IndexMark, LossTime, Losses};
use crate::plant::sensor::{CyclicError, SensorParameters};
use crate::scenario::check::refuse_more_than;
use crate::scenario::keys::sensor::MAX_HARMONICS;
use crate::scenario::reader::Complaints;
use crate::scenario::shape::figure;
use crate::scenario::view::View;

/// Most that the slope of all cyclic errors may make of the angle's own: beyond it the counts would soon run backwards
/// where the shaft turns forwards, and no sensor is sold that does.
const STEEPEST: f64 = 0.5;

/// A timer that is not several times faster than the tick times nothing.
const LEAST_TIMER_TICKS: f64 = 10.0;

/// The sensor on the motor.
pub(crate) fn of_motor(
    root: &View<'_>,
    rate: Option<TickRate>,
    complaints: &mut Complaints,
) -> Option<SensorParameters> {
    let view = root.view("motor")?.view("sensor")?;
    let timer_hz = timer_hz(&view, rate, complaints);
    let parameters = parameters(&view, complaints)?;
    Some(SensorParameters { timer_hz: timer_hz?, ..parameters })
}

/// The sensor at the load; `Some(None)` where the file has none.
pub(crate) fn of_load(root: &View<'_>, complaints: &mut Complaints) -> Option<Option<SensorParameters>> {
    let views = root.views("train");
    let (last, others) = views.split_last().map_or((None, [].as_slice()), |(last, others)| (Some(last), others));
    for view in others.iter().filter(|view| view.has("sensor")) {
        view.refuse("sensor", "allowed at the last coupling only", complaints);
    }
    match last.filter(|view| view.has("sensor")) {
        Some(view) => parameters(&view.view("sensor")?, complaints).map(Some),
        None => Some(None),
    }
}

/// The rate of the timer where speed comes by the M/T method; `Some(None)` where it does not.
fn timer_hz(view: &View<'_>, rate: Option<TickRate>, complaints: &mut Complaints) -> Option<Option<f64>> {
    if view.text("speed_method") != Some("m_t") {
        if view.has("timer_hz") {
            view.refuse("timer_hz", "allowed beside speed_method = \"m_t\" only", complaints);
        }
        return Some(None);
    }
    if view.text("kind") != Some("incremental") {
        view.refuse("speed_method", "needs kind = \"incremental\": an absolute sensor has no edges", complaints);
    }
    if !view.has("timer_hz") {
        view.miss("timer_hz", "speed_method = \"m_t\" needs it", complaints);
    }
    let timer_hz = view.number("timer_hz")?;
    let least_hz = LEAST_TIMER_TICKS * f64::from(rate?.hz);
    if timer_hz < least_hz {
        let allowed = format!("allowed from {} Hz, {LEAST_TIMER_TICKS} times timing.tick_hz", figure(least_hz));
        view.refuse("timer_hz", &allowed, complaints);
    }
    Some(Some(timer_hz))
}

fn parameters(view: &View<'_>, complaints: &mut Complaints) -> Option<SensorParameters> {
    let cyclic_error = cyclic_error(view, complaints);
    let losses = losses(view, complaints);
    let sign = if view.has("sign") { view.signed("sign")? as f64 } else { 1.0 };
    Some(SensorParameters {
        counts_per_turn: view.whole("counts_per_turn")? as f64,
        noise_counts_rms: view.number("noise_counts_rms")?,
        latency_ticks: view.count("latency_ticks")?,
        sign,
        gear: view.number("gear")?,
        offset_rad: view.number("offset_deg")? * DEG_RAD,
        cyclic_error: cyclic_error?,
        losses: losses?,
        index: index(view)?,
        screen_noise_counts_per_nm: view.number("screen_noise_counts_per_nm")?,
        timer_hz: None,
    })
}

fn losses(view: &View<'_>, complaints: &mut Complaints) -> Option<Option<Losses>> {
    if !view.has("lost_counts") {
        return Some(None);
    }
    let view = view.view("lost_counts")?;
    let when = match [view.has("each_s"), view.has("per_turn")] {
        [true, false] => view.number("each_s").map(|each_s| LossTime::Random { each_s }),
        [false, true] => view.count("per_turn").map(LossTime::PerTurn),
        [both, _] => {
            let key = if both { "per_turn" } else { "each_s" };
            view.refuse(key, "exactly one of each_s, per_turn belongs here", complaints);
            None
        }
    };
    Some(Some(Losses { counts: view.count("counts")?, when: when? }))
}

fn index(view: &View<'_>) -> Option<Option<IndexMark>> {
    if !view.has("index") {
        return Some(None);
    }
    let view = view.view("index")?;
    let tolerance = if view.has("tolerance_counts") { Some(view.count("tolerance_counts")?) } else { None };
    Some(Some(IndexMark {
        at_rad: view.number("at_deg")? * DEG_RAD,
        corrects: view.flag("corrects")?,
        tolerance_counts: tolerance,
    }))
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
