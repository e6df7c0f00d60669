//! The section `[[programme]]`.
//!
//! What it does not: what the entries do (`scenario/programme.rs`). Start reading at [`programme`].

use crate::base::faults::Faults;
use crate::base::time::TickRate;
use crate::base::units::RPM_RAD_PER_S;
use crate::scenario::check::timing::ticks;
use crate::scenario::check::{refuse_more_than, refuse_twins};
use crate::scenario::keys::examination::MAX_ENTRIES;
use crate::scenario::programme::{Entry, Programme};
use crate::scenario::reader::Complaints;
use crate::scenario::shape::{figure, rounded};
use crate::scenario::view::View;
use crate::scenario::{Commands, Timing};

/// `[[programme]]`: at least one entry, ascending, all before the end.
pub(crate) fn programme(
    root: &View<'_>,
    commands: Commands,
    timing: Option<&Timing>,
    complaints: &mut Complaints,
) -> Option<Programme> {
    let views = root.views("programme");
    if views.is_empty() && root.has("programme") {
        root.refuse("programme", "at least one entry belongs here", complaints);
        return None;
    }
    if refuse_more_than(MAX_ENTRIES, "entries", &views, complaints) {
        return None;
    }
    refuse_twins(&views, complaints);
    order(&views, root, complaints);
    refuse_resets_of_the_drive(&views, commands, complaints);
    let end_s = root.view("timing").and_then(|timing| timing.number("end_s"));
    for key in ["controller_reset_s", "sensor_frozen_s", "sensor_faulty_s"] {
        refuse_overlaps(&views, key, end_s, complaints);
    }
    let highest_rpm = root.view("axis").and_then(|axis| axis.number("max_speed_rpm"));
    let rate = timing.map(|timing| timing.rate);
    let entries: Vec<Option<Entry>> = views.iter().map(|view| entry(view, rate, highest_rpm, complaints)).collect();
    let entries: Vec<Entry> = entries.into_iter().collect::<Option<_>>()?;
    let end_tick = timing?.end_tick;
    let sound = entries.is_sorted_by(|a, b| a.at_tick < b.at_tick) && entries.iter().all(|e| e.at_tick < end_tick);
    sound.then(|| Programme::new(entries, end_tick))
}

/// Each entry after the one before it, all before the end.
fn order(views: &[View<'_>], root: &View<'_>, complaints: &mut Complaints) {
    for two in views.windows(2) {
        if let (Some(before_s), Some(at_s)) = (two[0].number("at_s"), two[1].number("at_s"))
            && at_s <= before_s
        {
            let allowed = format!("entries ascend: allowed after {} s, the entry before it", figure(before_s));
            two[1].refuse("at_s", &allowed, complaints);
        }
    }
    let Some((timing, end_s)) = root.view("timing").and_then(|timing| Some((timing.clone(), timing.number("end_s")?)))
    else {
        return;
    };
    let last_s = views.iter().filter_map(|view| view.number("at_s")).fold(f64::NEG_INFINITY, f64::max);
    if end_s <= last_s {
        let allowed = format!("allowed after {} s, the last entry", figure(last_s));
        timing.refuse("end_s", &allowed, complaints);
    }
}

/// Only a controller outside can be reset.
fn refuse_resets_of_the_drive(views: &[View<'_>], commands: Commands, complaints: &mut Complaints) {
    for view in views.iter().filter(|view| commands == Commands::Speed && view.has("controller_reset_s")) {
        view.refuse("controller_reset_s", "allowed beside commands = \"torque\" or \"voltage\" only", complaints);
    }
}

/// A fault of one sort is over before the next of its sort begins, and before the end.
fn refuse_overlaps(views: &[View<'_>], key: &str, end_s: Option<f64>, complaints: &mut Complaints) {
    let mut before: Option<f64> = None;
    for view in views {
        let (Some(at_s), Some(lasts_s)) = (view.number("at_s"), view.number(key)) else { continue };
        if let Some(over_s) = before
            && at_s < over_s
        {
            let allowed = format!("the one before lasts until {} s", figure(rounded(over_s)));
            view.refuse(key, &allowed, complaints);
        }
        if let Some(end_s) = end_s
            && at_s < end_s
            && end_s < at_s + lasts_s
        {
            let allowed = format!("allowed up to {} s, until timing.end_s", figure(rounded(end_s - at_s)));
            view.refuse(key, &allowed, complaints);
        }
        before = Some(at_s + lasts_s);
    }
}

fn entry(
    view: &View<'_>,
    rate: Option<TickRate>,
    highest_rpm: Option<f64>,
    complaints: &mut Complaints,
) -> Option<Entry> {
    let at_tick = ticks(view, "at_s", rate, complaints);
    let over_ticks = ticks(view, "over_s", rate, complaints);
    let load_over_ticks = ticks(view, "load_over_s", rate, complaints);
    let faults = faults(view, rate, complaints);
    refuse_speed(view, highest_rpm, complaints);
    if view.has("over_s") && !view.has("speed_rpm") {
        view.refuse("over_s", "allowed beside speed_rpm only", complaints);
    }
    if view.has("load_over_s") && !view.has("load_torque_nm") && !view.has("resisting_torque_nm") {
        view.refuse("load_over_s", "allowed beside load_torque_nm or resisting_torque_nm only", complaints);
    }
    let given = |key: &str| if view.has(key) { view.number(key).map(Some) } else { Some(None) };
    Some(Entry {
        name: view.text("name")?.to_owned(),
        at_tick: at_tick?,
        speed_rad_per_s: given("speed_rpm")?.map(|rpm| rpm * RPM_RAD_PER_S),
        over_ticks: over_ticks?,
        load_torque_nm: given("load_torque_nm")?,
        resisting_torque_nm: given("resisting_torque_nm")?,
        load_over_ticks: load_over_ticks?,
        faults: faults?,
    })
}

fn faults(view: &View<'_>, rate: Option<TickRate>, complaints: &mut Complaints) -> Option<Faults> {
    let mut lasting = |key: &str| if view.has(key) { ticks(view, key, rate, complaints) } else { Some(0) };
    let (reset, frozen) = (lasting("controller_reset_s"), lasting("sensor_frozen_s"));
    let faulty = lasting("sensor_faulty_s");
    let lost = if view.has("sensor_counts_lost") { view.signed("sensor_counts_lost") } else { Some(0) };
    Some(Faults {
        controller_reset_ticks: reset?,
        sensor_frozen_ticks: frozen?,
        sensor_faulty_ticks: faulty?,
        sensor_counts_lost: lost?,
    })
}

fn refuse_speed(view: &View<'_>, highest_rpm: Option<f64>, complaints: &mut Complaints) {
    if let (Some(speed_rpm), Some(highest_rpm)) = (view.number("speed_rpm"), highest_rpm)
        && highest_rpm < speed_rpm.abs()
    {
        let highest = figure(highest_rpm);
        view.refuse("speed_rpm", &format!("allowed -{highest} to {highest} rpm (axis.max_speed_rpm)"), complaints);
    }
}
