//! From the tree of a file to a scenario: one small function per section, every complaint, not the first.
//!
//! What a key may be by itself stands in `keys/`; here stands what keys mean together. A section with a complaint gives
//! `None`, and the others are checked all the same. What it does not: open files. Start reading at [`scenario`].

pub(crate) mod axis;
mod drive;
mod friction;
mod limit;
mod load;
pub(crate) mod machine;
mod motor;
mod nameplate;
mod programme;
mod sensor;
mod timing;
mod train;
mod transmission;
mod winding;

use crate::base::nameplate::Nameplate;
use crate::base::time::TickRate;
use crate::drive::setting::DefaultsFrom;
use crate::drive::store::Bounds;
use crate::scenario::complaint::Kind;
use crate::scenario::file::Table;
use crate::scenario::keys;
use crate::scenario::reader::{Complaints, walk};
use crate::scenario::view::View;
use crate::scenario::{Axis, Commands, Scenario, corner, scatter};

/// Checks a whole file. `None` only beside a complaint.
pub(crate) fn scenario(table: &Table, complaints: &mut Complaints) -> Option<Scenario> {
    walk(table, &keys::ROOT, "", complaints);
    let root = View::new(table, &keys::ROOT, "");
    let commands = commands(&root, complaints);
    let timing = timing::timing(&root, complaints);
    let rate = timing.map(|timing| timing.rate);
    let truth = machine::nameplate(&root, rate, complaints);
    let nameplate = truth.and_then(|truth| nameplate::typed_in(&root, truth, complaints));
    let machine = machine::machine(&root, rate, complaints);
    let start_rad = machine.as_ref().and_then(|machine| machine.initial.angle_rad.last().copied());
    let axis = axis::axis(&root, start_rad, complaints);
    let tuning = timing::tuning(&root, axis.as_ref(), complaints);
    let from = nameplate.zip(axis).map(|(nameplate, axis)| defaults_from(nameplate, &axis, rate));
    let bounds = rate.zip(nameplate).map(|(rate, nameplate)| Bounds::new(rate, &nameplate));
    let brake_times = machine.as_ref().and_then(|machine| machine.brake_times);
    let settings = drive::settings(&root, &drive::New { from, commands, brake_times }, bounds, complaints);
    let programme = programme::programme(&root, commands, timing.as_ref(), complaints);
    let limits = limit::limits(&root, commands, programme.as_ref(), rate, complaints);
    let corners = corner::corners(&root, rate, complaints);
    let scatter = scatter::scatter(&root, complaints);
    Some(Scenario {
        title: root.text("title")?.trim().to_owned(),
        about: root.text("about").unwrap_or_default().trim().to_owned(),
        seed: root.whole("seed")?,
        commands,
        timing: timing?,
        impairment: timing::impairment(&root)?,
        machine: machine?,
        nameplate: nameplate?,
        axis: axis?,
        settings: settings?,
        tuning: tuning?,
        programme: programme?,
        limits: limits?,
        corners: corners?,
        scatter: scatter?,
    })
}

/// Voltages need a winding to act on.
fn commands(root: &View<'_>, complaints: &mut Complaints) -> Commands {
    match root.text("commands") {
        Some("torque") => Commands::Torque,
        Some("voltage") => {
            let kind = root.view("motor").and_then(|motor| motor.text("kind"));
            if kind.is_some_and(|kind| kind != "pmsm") {
                root.refuse("commands", "\"voltage\" needs [motor] kind = \"pmsm\"", complaints);
            }
            Commands::Voltage
        }
        _ => Commands::Speed,
    }
}

/// Where the rate is not sound, the highest one stands in: there is a complaint then, and the settings are only checked.
fn defaults_from(nameplate: Nameplate, axis: &Axis, rate: Option<TickRate>) -> DefaultsFrom {
    let rate = rate.unwrap_or(TickRate { hz: 64_000 });
    DefaultsFrom { rate, nameplate, max_speed_rad_per_s: axis.max_speed_rad_per_s, travel_rad: axis.travel_rad }
}

/// Complains about the first of a kind that is more than allowed; the rest is not looked at then.
pub(crate) fn refuse_more_than(most: usize, of: &str, views: &[View<'_>], complaints: &mut Complaints) -> bool {
    if let Some(view) = views.get(most) {
        complaints.add(view.table.at, Kind::Impossible, view.path.clone(), format!("allowed are {most} {of}"));
    }
    most < views.len()
}

/// Complains about a name that two of a kind bear.
pub(crate) fn refuse_twins(views: &[View<'_>], complaints: &mut Complaints) {
    for (index, view) in views.iter().enumerate() {
        let Some(name) = view.text("name") else { continue };
        if views[..index].iter().any(|earlier| earlier.text("name") == Some(name)) {
            view.refuse("name", "another bears this name", complaints);
        }
    }
}
