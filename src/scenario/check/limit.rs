//! The section `[[limit]]`.
//!
//! What it does not: measure or judge. Start reading at [`limits`].

use crate::base::time::TickRate;
use crate::scenario::check::refuse_more_than;
use crate::scenario::complaint::Kind;
use crate::scenario::keys::examination::MAX_LIMITS;
use crate::scenario::programme::Programme;
use crate::scenario::reader::Complaints;
use crate::scenario::shape::figure;
use crate::scenario::view::View;
use crate::scenario::{Commands, Limit};
use crate::score::limit::Bound;
use crate::score::measure::{Kind as MeasureKind, Measure, OptionKey};
use crate::score::window::{DEFAULT_HOLD_S, Side};

/// `[[limit]]`: at least one.
pub(crate) fn limits(
    root: &View<'_>,
    commands: Commands,
    programme: Option<&Programme>,
    rate: Option<TickRate>,
    complaints: &mut Complaints,
) -> Option<Vec<Limit>> {
    let views = root.views("limit");
    if views.is_empty() && root.has("limit") {
        root.refuse("limit", "at least one limit belongs here", complaints);
    }
    if refuse_more_than(MAX_LIMITS, "limits", &views, complaints) {
        return None;
    }
    if commands != Commands::Speed {
        let commands = if commands == Commands::Torque { "torque" } else { "voltage" };
        refuse_margins(&views, commands, complaints);
    }
    let found: Vec<Option<Limit>> = views.iter().map(|view| limit(root, view, programme, rate, complaints)).collect();
    found.into_iter().collect()
}

fn limit(
    root: &View<'_>,
    view: &View<'_>,
    programme: Option<&Programme>,
    rate: Option<TickRate>,
    complaints: &mut Complaints,
) -> Option<Limit> {
    let measure = measure(view, complaints);
    let bound = bound(view, complaints);
    let machines = machines(root, view, complaints);
    let during = during(root, view, measure, complaints);
    if let Some(measure) = measure {
        refuse_strange_options(view, measure, complaints);
        refuse_high_corner(view, rate, complaints);
    }
    if let (Some(measure), Some(Some(entry)), Some(programme), Some(rate)) = (measure, during, programme, rate) {
        Within { view, measure, entry, programme, rate }.check(complaints);
    }
    let given = |key: &str| if view.has(key) { view.number(key).map(Some) } else { Some(None) };
    let (nominal, corners) = machines?;
    Some(Limit {
        measure: measure?,
        during: during?,
        bound: bound?,
        nominal,
        corners,
        weight: view.number("weight")?,
        band_percent: given("band_percent")?,
        band_rpm: given("band_rpm")?,
        hold_s: given("hold_s")?.unwrap_or(DEFAULT_HOLD_S),
        last_s: given("last_s")?,
        highpass_hz: given("highpass_hz")?,
        side: if view.text("side") == Some("motor") { Side::Motor } else { Side::Load },
    })
}

fn measure(view: &View<'_>, complaints: &mut Complaints) -> Option<Measure> {
    let name = view.text("measure")?;
    let (at, path) = (view.place_of("measure"), view.path_of("measure"));
    let shown = format!("{name:?}");
    match Measure::from_name(name) {
        Some(measure) if measure.is_built() => Some(measure),
        Some(_) => {
            complaints.add(at, Kind::NotBuiltYet, path, "not built yet").found(Some(&shown));
            None
        }
        None => {
            let known = Measure::all().map(Measure::name);
            complaints.add(at, Kind::Impossible, path, "unknown measure").found(Some(&shown)).near(name, known);
            None
        }
    }
}

/// What closes the speed loop outside has no linear model here.
fn refuse_margins(views: &[View<'_>], commands: &str, complaints: &mut Complaints) {
    for view in views {
        let Some(measure) = view.text("measure").and_then(Measure::from_name) else { continue };
        if measure.kind() == MeasureKind::Loop && measure.is_built() {
            let shown = format!("{:?}", measure.name());
            let allowed = format!("not built yet beside commands = \"{commands}\"");
            let (at, path) = (view.place_of("measure"), view.path_of("measure"));
            complaints.add(at, Kind::NotBuiltYet, path, allowed).found(Some(&shown));
        }
    }
}

/// `max` or `min`, and a target on the better side of it.
fn bound(view: &View<'_>, complaints: &mut Complaints) -> Option<Bound> {
    let (max, min) = (view.number("max"), view.number("min"));
    match (view.has("max"), view.has("min")) {
        (false, false) => view.miss("max", "max or min belongs here", complaints),
        (true, true) => view.refuse("min", "max or min, not both: write two limits", complaints),
        _ => {}
    }
    let target = view.number("target");
    let (is_better, allowed) = match (max, min, target) {
        (Some(max), None, Some(target)) => (target < max, format!("allowed below {} (max)", figure(max))),
        (None, Some(min), Some(target)) => (min < target, format!("allowed above {} (min)", figure(min))),
        _ => (true, String::new()),
    };
    if !is_better {
        view.refuse("target", &allowed, complaints);
    }
    let sound = ["max", "min", "target"].iter().all(|key| view.has(key) == view.number(key).is_some());
    sound.then_some(Bound { max, min, target })
}

/// Whether it is asked of the nominal machine, and of the corners.
fn machines(root: &View<'_>, view: &View<'_>, complaints: &mut Complaints) -> Option<(bool, bool)> {
    if !view.has("in") {
        return Some((true, true));
    }
    let names = view.texts("in")?;
    let [nominal, corners] = ["nominal", "corners"].map(|name| names.contains(&name));
    if !nominal && root.views("corner").is_empty() {
        view.refuse("in", "the file has no corner", complaints);
    }
    Some((nominal, corners))
}

/// The programme entry that `during` names: `Some(None)` where the measure needs none.
fn during(
    root: &View<'_>,
    view: &View<'_>,
    measure: Option<Measure>,
    complaints: &mut Complaints,
) -> Option<Option<usize>> {
    let views = root.views("programme");
    let names = || views.iter().filter_map(|view| view.text("name"));
    let name = view.text("during");
    if let Some(name) = name
        && !names().any(|known| known == name)
    {
        let (at, path) = (view.place_of("during"), view.path_of("during"));
        let shown = format!("{name:?}");
        complaints
            .add(at, Kind::UnknownName, path, "no programme entry bears this name")
            .found(Some(&shown))
            .near(name, names());
        return None;
    }
    let has_window = measure?.kind().has_window();
    match (has_window, view.has("during")) {
        (true, false) => view.miss("during", "the name of the programme entry whose window is meant", complaints),
        (false, true) => view.refuse("during", "this measure is not taken over a window", complaints),
        _ => {}
    }
    if !has_window {
        return Some(None);
    }
    views.iter().position(|view| view.text("name") == name).filter(|_| name.is_some()).map(Some)
}

/// Keys that the measure does not take, and the one that it needs.
fn refuse_strange_options(view: &View<'_>, measure: Measure, complaints: &mut Complaints) {
    for key in OptionKey::ALL {
        let name = key.name();
        if view.has(name) && !measure.takes(key) {
            view.refuse(name, &format!("{} does not take it", measure.name()), complaints);
        }
    }
    if measure.takes(OptionKey::HighpassHz) && !view.has(OptionKey::HighpassHz.name()) {
        view.miss(OptionKey::HighpassHz.name(), "the corner of the high-pass in Hz", complaints);
    }
    if view.has("band_percent") && view.has("band_rpm") {
        view.refuse("band_rpm", "band_percent or band_rpm, not both", complaints);
    }
}

fn refuse_high_corner(view: &View<'_>, rate: Option<TickRate>, complaints: &mut Complaints) {
    if let (Some(corner_hz), Some(rate)) = (view.number("highpass_hz"), rate)
        && 0.5 * f64::from(rate.hz) <= corner_hz
    {
        let allowed = format!("allowed below {} Hz, half of timing.tick_hz", figure(0.5 * f64::from(rate.hz)));
        view.refuse("highpass_hz", &allowed, complaints);
    }
}

/// A limit within the window of a programme entry.
struct Within<'a> {
    view: &'a View<'a>,
    measure: Measure,
    entry: usize,
    programme: &'a Programme,
    rate: TickRate,
}

impl Within<'_> {
    fn check(&self, complaints: &mut Complaints) {
        let Some(window) = self.programme.window(self.entry) else { return };
        let window_s = self.rate.seconds(window.end_tick - window.start_tick);
        if self.measure.takes(OptionKey::HoldS) {
            self.refuse_short_window(window_s, complaints);
        }
        if let Some(last_s) = self.view.number("last_s")
            && window_s < last_s
        {
            let allowed = format!("allowed up to {} s, the window's length", figure(window_s));
            self.view.refuse("last_s", &allowed, complaints);
        }
        let before = self.programme.setpoint_before_rad_per_s(self.entry);
        let after = self.programme.setpoint_at_end_rad_per_s(self.entry);
        if self.measure.kind() == MeasureKind::Step && STEP_NEEDED.contains(&self.measure) && before == after {
            let allowed = "not defined there: the setpoint does not change during this entry";
            self.view.refuse("during", allowed, complaints);
        }
        if NEEDS_SETPOINT.contains(&self.measure) && after == 0.0 && !self.view.has("band_rpm") {
            let allowed = match self.measure {
                Measure::RecoveryTime => "the setpoint is 0 during this entry: give band_rpm",
                _ => "not defined there: the setpoint is 0 during this entry",
            };
            self.view.refuse("during", allowed, complaints);
        }
    }

    /// A response counts as settled when it has been inside for `hold_s`; a window must leave time to get there.
    fn refuse_short_window(&self, window_s: f64, complaints: &mut Complaints) {
        let hold_s = self.view.number("hold_s").unwrap_or(DEFAULT_HOLD_S);
        // A millionth of a tick, as for every time that meets ticks.
        if window_s + 1e-6 * self.rate.period_s() < 2.0 * hold_s {
            let key = if self.view.has("hold_s") { "hold_s" } else { "during" };
            let allowed =
                format!("the window of {} s is shorter than twice hold_s = {} s", figure(window_s), figure(hold_s));
            self.view.refuse(key, &allowed, complaints);
        }
    }
}

/// Measures that a step of zero leaves without an answer.
const STEP_NEEDED: [Measure; 6] = [
    Measure::Overshoot,
    Measure::Undershoot,
    Measure::RiseTime,
    Measure::Delay,
    Measure::PeakTime,
    Measure::SettlingTime,
];

/// Measures in parts of the setpoint.
const NEEDS_SETPOINT: [Measure; 2] = [Measure::DipPercent, Measure::RecoveryTime];
