//! The section `[axis]`: travel, start, stops.
//!
//! What it does not: the travel as the drive's setting (`drive.rs`). Start reading at [`axis`].

use crate::base::safeguard::{EmergencyStop, Safeguards};
use crate::base::units::{DEG_RAD, RPM_RAD_PER_S};
use crate::plant::stops::Stops;
use crate::scenario::Axis;
use crate::scenario::check::train;
use crate::scenario::reader::Complaints;
use crate::scenario::shape::{figure, rounded};
use crate::scenario::view::View;

/// `[axis]`, given where the load starts.
pub(crate) fn axis(root: &View<'_>, start_rad: Option<f64>, complaints: &mut Complaints) -> Option<Axis> {
    let view = root.view("axis")?;
    let endless = view.flag("endless")?;
    let travel_rad = if endless { None } else { view.pair("travel_deg").map(|deg| deg.map(|deg| deg * DEG_RAD)) };
    if endless {
        for key in ["start_deg", "travel_deg", "stops", "switches"].into_iter().filter(|key| view.has(key)) {
            view.refuse(key, "an endless axis has none", complaints);
        }
    } else if !view.has("travel_deg") && !complaints.tell_of_misspelt(&view.path, "endless") {
        view.miss("travel_deg", "two ascending numbers, or endless = true", complaints);
    }
    if let (Some(travel_rad), Some(start_rad)) = (travel_rad, start_rad) {
        start_within(root, &view, start_rad, travel_rad, complaints);
    }
    Some(Axis {
        travel_rad: if endless { None } else { Some(travel_rad?) },
        start_rad: start_rad?,
        clamped_when_off: view.flag("clamped_when_off")?,
        max_speed_rad_per_s: view.number("max_speed_rpm")? * RPM_RAD_PER_S,
        safeguards: safeguards(&view, complaints)?,
    })
}

/// What is fitted to the axis. Travel switches may stand wherever somebody has put them.
fn safeguards(view: &View<'_>, complaints: &mut Complaints) -> Option<Safeguards> {
    let emergency_stop = match view.text("emergency_stop") {
        Some("sto") => Some(EmergencyStop::Sto),
        Some("ss1") => Some(EmergencyStop::Ss1 { time_s: view.number("emergency_stop_time_s")? }),
        _ => None,
    };
    if view.has("emergency_stop_time_s") && !matches!(emergency_stop, Some(EmergencyStop::Ss1 { .. })) {
        view.refuse("emergency_stop_time_s", "belongs to emergency_stop = \"ss1\"", complaints);
    }
    let switches_rad = match view.has("switches") && view.flag("endless") != Some(true) {
        true => Some(view.view("switches")?.pair("at_deg")?.map(|deg| deg * DEG_RAD)),
        false => None,
    };
    Some(Safeguards { emergency_stop, guard: view.flag("guard")?, switches_rad, brake: None })
}

fn start_within(root: &View<'_>, view: &View<'_>, start_rad: f64, travel_rad: [f64; 2], complaints: &mut Complaints) {
    if travel_rad[0] <= start_rad && start_rad <= travel_rad[1] {
        return;
    }
    let [low, high] = travel_rad.map(|rad| figure(rounded(rad / DEG_RAD)));
    let allowed = format!("allowed {low} to {high} ° (axis.travel_deg)");
    match root.view("initial").filter(|_| !view.has("start_deg")) {
        Some(initial) => initial.refuse("angle_rad", &format!("the last node: {allowed}"), complaints),
        None => view.refuse("start_deg", &allowed, complaints),
    }
}

/// Where the load starts by `start_deg`, in rad: `None` beside a complaint, or where `[initial]` says it.
pub(crate) fn start_rad(root: &View<'_>, complaints: &mut Complaints) -> Option<f64> {
    let view = root.view("axis")?;
    if view.flag("endless")? {
        return Some(0.0);
    }
    let initial_has_angles = root.view("initial").is_some_and(|initial| initial.has("angle_rad"));
    match (view.has("start_deg"), initial_has_angles) {
        (false, false) if complaints.tell_of_misspelt(&view.path, "endless") => {}
        (false, false) => view.miss("start_deg", "or give initial.angle_rad", complaints),
        (true, true) => view.refuse("start_deg", "initial.angle_rad says where the axis starts", complaints),
        _ => {}
    }
    view.number("start_deg").map(|deg| deg * DEG_RAD)
}

/// `[axis] stops`: `Some(None)` where there are none.
pub(crate) fn stops(root: &View<'_>, stiffest: Option<f64>, complaints: &mut Complaints) -> Option<Option<Stops>> {
    let axis = root.view("axis")?;
    if !axis.has("stops") || axis.flag("endless") == Some(true) {
        return Some(None);
    }
    let view = axis.view("stops")?;
    let at_deg = view.pair("at_deg");
    if let (Some([low, high]), Some(travel)) = (at_deg, axis.pair("travel_deg"))
        && (travel[0] <= low || high <= travel[1])
    {
        let [low, high] = travel.map(figure);
        let allowed = format!("stops stand outside the travel: below {low}, above {high} ° (axis.travel_deg)");
        view.refuse("at_deg", &allowed, complaints);
    }
    train::refuse_stiffer(&view, ("stiffness_nm_per_rad", "Nm/rad", 1.0), stiffest, complaints);
    let at_rad = at_deg?.map(|deg| deg * DEG_RAD);
    Some(Some(Stops {
        low_rad: at_rad[0],
        high_rad: at_rad[1],
        stiffness_nm_per_rad: view.number("stiffness_nm_per_rad")?,
        damping_nms_per_rad: view.number("damping_nms_per_rad")?,
    }))
}
