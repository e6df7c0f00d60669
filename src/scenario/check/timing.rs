//! The sections `[timing]`, `[tuning]` and `[impairment]`.
//!
//! What it does not: the programme's times (`programme.rs`). Start reading at [`timing`].

use crate::base::impairment::Impairment;
use crate::base::time::TickRate;
use crate::base::units::DEG_RAD;
use crate::scenario::reader::Complaints;
use crate::scenario::shape::{figure, rounded};
use crate::scenario::view::View;
use crate::scenario::{Axis, Pace, Timing, Tuning};

/// `[timing]`.
pub(crate) fn timing(root: &View<'_>, complaints: &mut Complaints) -> Option<Timing> {
    let view = root.view("timing")?;
    let rate = view.count("tick_hz").map(|hz| TickRate { hz });
    let end_tick = ticks(&view, "end_s", rate, complaints);
    let compute_limit_us =
        if view.has("compute_limit_us") { view.count("compute_limit_us").map(Some) } else { Some(None) };
    Some(Timing {
        pace: if view.text("pace") == Some("real-time") { Pace::RealTime } else { Pace::Lockstep },
        rate: rate?,
        stride: view.count("stride")?,
        end_tick: end_tick?,
        allowed_missed_per_million: view.count("allowed_missed_per_million")?,
        silent_ticks_before_quick_stop: view.count("silent_ticks_before_quick_stop")?,
        patience_s: view.number("patience_s")?,
        compute_limit_us: compute_limit_us?,
        may_reset: view.flag("may_reset")?,
    })
}

/// `[impairment]`: `Some(None)` where the file has none.
pub(crate) fn impairment(root: &View<'_>) -> Option<Option<Impairment>> {
    if !root.has("impairment") {
        return Some(None);
    }
    let view = root.view("impairment")?;
    let frac = |key: &str| view.number(key).map(|percent| percent / 100.0);
    Some(Some(Impairment {
        loss_frac: frac("loss_percent")?,
        repeat_frac: frac("repeat_percent")?,
        corrupt_frac: frac("corrupt_percent")?,
        reorder_frac: frac("reorder_percent")?,
        delay_ticks: view.count("delay_ticks")?,
        jitter_ticks: view.count("jitter_ticks")?,
    }))
}

/// A time that must fall on a tick, in ticks.
pub(crate) fn ticks(view: &View<'_>, key: &str, rate: Option<TickRate>, complaints: &mut Complaints) -> Option<u64> {
    let (seconds, rate) = (view.number(key)?, rate?);
    let found = rate.whole_tick(seconds);
    if found.is_none() {
        let nearest = figure(rate.seconds(rate.nearest_tick(seconds)));
        let allowed = format!("off a tick: allowed are whole ticks of 1/{} s, the nearest at {nearest} s", rate.hz);
        view.refuse(key, &allowed, complaints);
    }
    found
}

/// `[tuning]`.
pub(crate) fn tuning(root: &View<'_>, axis: Option<&Axis>, complaints: &mut Complaints) -> Option<Tuning> {
    let view = root.view("tuning")?;
    let time_s = view.number("time_s");
    if let (Some([low, high]), Some(axis)) = (view.pair("window_deg"), axis) {
        window(&view, [low, high], axis, complaints);
    }
    let wall_s = if view.has("wall_s") { view.number("wall_s") } else { time_s.map(|time_s| 10.0 * time_s + 60.0) };
    Some(Tuning {
        time_s: time_s?,
        wall_s: wall_s?,
        window_rad: view.pair("window_deg")?.map(|deg| deg * DEG_RAD),
        path_rad: view.number("path_deg")? * DEG_RAD,
        stop_strikes: view.count("stop_strikes")?,
    })
}

/// The window holds the start and, on an axis with travel, lies within it.
fn window(view: &View<'_>, [low, high]: [f64; 2], axis: &Axis, complaints: &mut Complaints) {
    let start_deg = if axis.travel_rad.is_none() { 0.0 } else { axis.start_rad / DEG_RAD };
    if !(low <= start_deg && start_deg <= high) {
        let allowed = format!("the axis starts at {} °, which must lie within", figure(rounded(start_deg)));
        view.refuse("window_deg", &allowed, complaints);
    }
    let Some(travel_deg) = axis.travel_rad.map(|rad| rad.map(|rad| rounded(rad / DEG_RAD))) else { return };
    if low < travel_deg[0] || travel_deg[1] < high {
        let [low, high] = travel_deg.map(figure);
        view.refuse("window_deg", &format!("allowed {low} to {high} ° (axis.travel_deg)"), complaints);
    }
}
