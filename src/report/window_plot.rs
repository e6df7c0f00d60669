//! The examination in pictures: per programme entry the speed with its limits drawn in, and the torque.
//!
//! The nominal machine is shown beside the corner that came off worst in that entry. What it does not: judge; it draws
//! the result's limits where they act. Start reading at [`windows`].

use maud::{Markup, html};

use super::axis::Axis;
use super::figure::{figure, quantity, shown};
use super::finding;
use super::measure_words::spoken;
use super::plot::{Band, Chart, Dot, Role, Rule, Sample, Samples};
use super::{EntryMark, Pictures, Run};
use crate::base::recording::Signal;
use crate::base::units::RPM_RAD_PER_S;
use crate::trial::examination::NOMINAL;
use crate::trial::result::{LimitResult, TrialResult};

/// Entries that are drawn; a longer programme says how many are not.
const MOST_WINDOWS: usize = 40;
/// Columns of pixels over all curves of a page, so that it stays small however long the programme is.
const COLUMNS_OF_A_PAGE: usize = 30_000;
/// Share of a window that is shown before its entry, so that a step has a foot.
const BEFORE_FRAC: f64 = 0.05;
/// Band of a settling time when the result names none, in percent.
const BAND_PERCENT: f64 = 2.0;

/// Every entry's section; a sentence where there is nothing to draw.
pub fn windows(result: &TrialResult, pictures: &Pictures) -> Markup {
    let Some(nominal) = pictures.runs.iter().find(|run| run.machine == NOMINAL).or(pictures.runs.first()) else {
        return html! { p { "The examination was not run, so there is no picture of it." } };
    };
    let entries = &nominal.entries[..nominal.entries.len().min(MOST_WINDOWS)];
    let columns = (COLUMNS_OF_A_PAGE / (4 * entries.len() + 4)).clamp(100, 600);
    let left_out = nominal.entries.len() - entries.len();
    html! {
        @for (place, entry) in entries.iter().enumerate() {
            (window(&Window::new(result, pictures, nominal, entry, columns), place))
        }
        @if 0 < left_out { p { (left_out) " more entries are not drawn." } }
    }
}

/// What one section draws.
struct Window<'a> {
    entry: &'a EntryMark,
    limits: Vec<&'a LimitResult>,
    nominal: &'a Run<'a>,
    corner: Option<&'a Run<'a>>,
    columns: usize,
    /// First and last second that is shown.
    shown_s: (f64, f64),
    /// Setpoint before the entry and at the window's end, in rpm.
    setpoint_rpm: (f64, f64),
}

impl<'a> Window<'a> {
    fn new(
        result: &'a TrialResult,
        pictures: &'a Pictures<'a>,
        nominal: &'a Run<'a>,
        entry: &'a EntryMark,
        columns: usize,
    ) -> Self {
        let limits: Vec<_> =
            result.limits.iter().filter(|limit| limit.found.during.as_deref() == Some(entry.name.as_str())).collect();
        let corner = shown_corner(result, pictures, nominal, entry, &limits);
        let before_s = BEFORE_FRAC * (entry.end_s - entry.at_s);
        let rpm_at = |tick: u64| {
            let column = nominal.recording.column(Signal::Setpoint);
            let last = column.len().saturating_sub(1);
            column.get((tick as usize).min(last)).map_or(0.0, |speed| speed / RPM_RAD_PER_S)
        };
        let tick = |seconds| nominal.recording.rate.nearest_tick(seconds);
        let setpoint_rpm = (rpm_at(tick(entry.at_s).saturating_sub(1)), rpm_at(tick(entry.end_s).saturating_sub(1)));
        let shown_s = ((entry.at_s - before_s).max(0.0), entry.end_s);
        Self { entry, limits, nominal, corner, columns, shown_s, setpoint_rpm }
    }

    fn runs(&self) -> impl Iterator<Item = (Role, &'a Run<'a>)> + use<'a> {
        [(Role::Nominal, Some(self.nominal)), (Role::Corner, self.corner)]
            .into_iter()
            .filter_map(|(role, run)| run.map(|run| (role, run)))
    }

    /// Results of one measure: the machines shown, nominal first.
    fn results(&self, measure: &str) -> Vec<(Role, &'a LimitResult)> {
        let of = |run: &Run| {
            self.limits.iter().find(|l| l.found.measure == measure && l.found.machine == run.machine).copied()
        };
        self.runs().filter_map(|(role, run)| of(run).map(|limit| (role, limit))).collect()
    }

    fn noise_limit(&self) -> Option<&'a LimitResult> {
        self.limits.iter().find(|limit| limit.found.measure == "torque_noise_rms_percent").copied()
    }

    fn measures(&self) -> Vec<&'a str> {
        let mut names: Vec<&str> = Vec::new();
        for limit in &self.limits {
            if !names.contains(&limit.found.measure.as_str()) {
                names.push(&limit.found.measure);
            }
        }
        names
    }

    fn time_axis(&self) -> (Axis, String) {
        (Axis::linear(self.shown_s.0, self.shown_s.1), "time in s".to_owned())
    }
}

/// A corner in which something happened in this window, such as a trip; else the one that came off worst.
fn shown_corner<'a>(
    result: &TrialResult,
    pictures: &'a Pictures<'a>,
    nominal: &Run,
    entry: &EntryMark,
    limits: &[&LimitResult],
) -> Option<&'a Run<'a>> {
    let others = || pictures.runs.iter().filter(|run| run.machine != nominal.machine);
    let here = |run: &&Run| run.marks.iter().any(|mark| entry.at_s <= mark.at_s && mark.at_s <= entry.end_s);
    let worst = finding::worst_of_corners(limits.iter().copied()).or_else(|| finding::worst_corner(result));
    others()
        .find(here)
        .or_else(|| worst.and_then(|name| others().find(|run| run.machine == name)))
        .or_else(|| others().next())
}

fn window(window: &Window, place: usize) -> Markup {
    let id = format!("entry-{place}");
    let noise_spans_s = noise_windows(window);
    let mut torque = torque_chart(window);
    if noise_spans_s.is_empty() {
        [Role::Nominal, Role::Corner].into_iter().for_each(|role| add_torque_findings(&mut torque, window, role));
    }
    html! {
        section.entry aria-labelledby=(id) {
            h3 id=(id) { (shown(&window.entry.name)) }
            p.when {
                "from " (figure(window.entry.at_s)) " s to " (figure(window.entry.end_s)) " s; "
                (setpoint_words(window.setpoint_rpm))
            }
            (speed_chart(window).markup())
            (torque.markup())
            @for span_s in noise_spans_s {
                div.pair { @for chart in noise_charts(window, span_s) { (chart.markup()) } }
            }
        }
    }
}

fn setpoint_words((before, after): (f64, f64)) -> String {
    if before == after {
        format!("setpoint {} rpm", figure(after))
    } else {
        format!("setpoint from {} to {} rpm", figure(before), figure(after))
    }
}

/// Samples of a signal from a time up to another, which belongs to the next entry, in the unit that a factor gives.
fn slice(run: &Run, signal: Signal, (from_s, to_s): (f64, f64), factor: f64) -> (f64, Vec<f64>) {
    let rate = run.recording.rate;
    let column = run.recording.column(signal);
    let end = (rate.nearest_tick(to_s) as usize).min(column.len());
    let start = (rate.nearest_tick(from_s) as usize).min(end);
    (rate.seconds(start as u64), column[start..end].iter().map(|value| value * factor).collect())
}

/// Load speed in rpm of the motor.
fn speed_slice(run: &Run, span_s: (f64, f64)) -> (f64, Vec<f64>) {
    slice(run, Signal::LoadSpeed, span_s, run.total_ratio / RPM_RAD_PER_S)
}

fn machine_words(run: &Run) -> String {
    if run.machine == NOMINAL { NOMINAL.to_owned() } else { format!("corner “{}”", shown(&run.machine)) }
}

fn speed_chart(window: &Window) -> Chart {
    let speeds: Vec<_> = window.runs().map(|(role, run)| (role, run, speed_slice(run, window.shown_s))).collect();
    let (setpoint_s, setpoint) = slice(window.nominal, Signal::Setpoint, window.shown_s, 1.0 / RPM_RAD_PER_S);
    let drawn = speeds.iter().flat_map(|(_, _, (_, values))| values).chain(&setpoint).copied();
    let lines = level_limits(window);
    let bands = band_limits(window);
    let bounds = lines.iter().map(|line| line.0).chain(bands.iter().flat_map(|band| [band.low, band.high]));
    let y = (Axis::linear_round(drawn.chain(bounds), 0.11), "rpm".to_owned());
    let mut chart = Chart::new("Speed of the load, at the motor".to_owned(), 290, window.time_axis(), y);
    add_bands(&mut chart, window, &bands);
    for (level_rpm, role, words) in lines {
        let (from, to) = ((window.entry.at_s, level_rpm), (window.entry.end_s, level_rpm));
        chart.rules.push(Rule { role, from, to, words, arrows: false, words_left: false });
    }
    let step_s = window.nominal.recording.rate.period_s();
    let samples = Samples { first_x: setpoint_s, step_x: step_s, values: &setpoint };
    chart.add_samples(Role::Setpoint, &samples, window.columns, "setpoint");
    for (role, run, (first_s, values)) in &speeds {
        let samples = Samples { first_x: *first_s, step_x: run.recording.rate.period_s(), values };
        chart.add_samples(*role, &samples, window.columns, &machine_words(run));
    }
    let roles = [Role::Nominal, Role::Corner];
    let curve = |run: &Run| speed_slice(run, window.shown_s);
    add_findings(&mut chart, window, &roles, |measure| !measure.starts_with("torque"), curve);
    add_happenings(&mut chart, window);
    chart
}

/// Limits that are a level of speed: where, what, in which words.
fn level_limits(window: &Window) -> Vec<(f64, Role, String)> {
    let (before, after) = window.setpoint_rpm;
    let step = after - before;
    let mut levels = Vec::new();
    for measure in window.measures() {
        let Some(limit) = window.limits.iter().find(|limit| limit.found.measure == measure) else { continue };
        let unit = &limit.found.unit;
        for (bound, role, name) in [(limit.max, Role::Limit, "at most"), (limit.target, Role::Target, "target")] {
            let Some(bound) = bound else { continue };
            let words = format!("{}, {name} {}", spoken(measure), quantity(bound, unit));
            match measure {
                "overshoot_percent" => levels.push((after + step * bound / 100.0, role, words)),
                "dip_rpm" => both_sides(&mut levels, after, bound, role, words),
                "dip_percent" => both_sides(&mut levels, after, after.abs() * bound / 100.0, role, words),
                _ => {}
            }
        }
    }
    levels
}

fn both_sides(levels: &mut Vec<(f64, Role, String)>, centre: f64, distance: f64, role: Role, words: String) {
    levels.push((centre - distance, role, words));
    levels.push((centre + distance, role, String::new()));
}

/// A limit that is a band round the setpoint from some time on.
struct BandLimit {
    from_s: f64,
    low: f64,
    high: f64,
    words: String,
    moment: String,
}

fn band_limits(window: &Window) -> Vec<BandLimit> {
    let (before, after) = window.setpoint_rpm;
    let mut bands = Vec::new();
    for measure in window.measures() {
        let Some(limit) = window.limits.iter().find(|limit| limit.found.measure == measure) else { continue };
        let (Some(max_s), Some(reference)) = (
            limit.max,
            match measure {
                "settling_time_s" => Some(after - before),
                "recovery_time_s" => Some(after),
                _ => None,
            },
        ) else {
            continue;
        };
        let percent = limit.band_percent.unwrap_or(BAND_PERCENT);
        let half = limit.band_rpm.unwrap_or(reference.abs() * percent / 100.0);
        let size = limit.band_rpm.map_or(format!("{} %", figure(percent)), |rpm| format!("{} rpm", figure(rpm)));
        let name = spoken(measure);
        bands.push(BandLimit {
            from_s: window.entry.at_s + max_s,
            low: after - half,
            high: after + half,
            words: format!("band of the {name}, ± {size}"),
            moment: format!("in its band from here, {} s", figure(max_s)),
        });
    }
    bands
}

/// Light over the whole window, strong from the time on by which the speed must be in it.
fn add_bands(chart: &mut Chart, window: &Window, bands: &[BandLimit]) {
    for band in bands {
        let y = (band.low, band.high);
        chart.bands.push(Band { role: Role::Target, x: (window.entry.at_s, window.entry.end_s), y });
        if band.from_s < window.entry.end_s {
            chart.bands.push(Band { role: Role::Limit, x: (band.from_s, window.entry.end_s), y });
            chart.add_moment(Role::Limit, band.from_s, &band.moment);
        }
        chart.add_key(Role::Limit, Sample::Area, &band.words);
    }
}

/// Marks every found number on its curve, where it has a time, and says it in the key and to those who cannot see.
fn add_findings(
    chart: &mut Chart,
    window: &Window,
    roles: &[Role],
    is_mine: fn(&str) -> bool,
    curve: impl Fn(&Run) -> (f64, Vec<f64>),
) {
    for measure in window.measures().into_iter().filter(|measure| is_mine(measure)) {
        for (role, limit) in window.results(measure).into_iter().filter(|(role, _)| roles.contains(role)) {
            let at = limit.found.at_s.map_or_else(String::new, |at_s| format!(" at {}", quantity(at_s, "s")));
            let words = format!(
                "{}: {} {}{at}, {}",
                shown(&limit.found.machine),
                spoken(measure),
                finding::found(limit),
                finding::held_word(limit.held)
            );
            chart.description.push_str(&format!("{words}. "));
            let run = window.runs().find(|(run_role, _)| *run_role == role).map(|(_, run)| run);
            let point = run.zip(limit.found.at_s).and_then(|(run, at_s)| point_on(run, curve(run), at_s));
            if let Some(at) = point {
                chart.dots.push(Dot { role, at });
                chart.add_key(role, Sample::Dot, &words);
            } else {
                chart.add_key(role, Sample::Line, &words);
            }
        }
    }
}

fn point_on(run: &Run, (first_s, values): (f64, Vec<f64>), at_s: f64) -> Option<(f64, f64)> {
    let place = ((at_s - first_s) / run.recording.rate.period_s()).round();
    (0.0 <= place).then(|| values.get(place as usize).map(|value| (at_s, *value))).flatten()
}

fn add_happenings(chart: &mut Chart, window: &Window) {
    for (_, run) in window.runs() {
        for mark in run.marks.iter().filter(|mark| window.shown_s.0 <= mark.at_s && mark.at_s <= window.shown_s.1) {
            chart.add_moment(Role::Happening, mark.at_s, &shown(&mark.text));
            let words = format!("{}, {} s: {}", machine_words(run), figure(mark.at_s), shown(&mark.text));
            chart.add_key(Role::Happening, Sample::Line, &words);
        }
    }
}

/// A machine's samples of one signal: the time of the first, and the samples.
type Curve<'a> = (Role, &'a Run<'a>, (f64, Vec<f64>));

/// The torque command of the machines shown between two times, in Nm.
struct Torques<'a> {
    span_s: (f64, f64),
    curves: Vec<Curve<'a>>,
}

impl<'a> Torques<'a> {
    fn new(window: &Window<'a>, span_s: (f64, f64)) -> Self {
        let curve = |(role, run)| (role, run, slice(run, Signal::TorqueCommand, span_s, 1.0));
        Self { span_s, curves: window.runs().map(curve).collect() }
    }

    fn values(&self) -> impl Iterator<Item = f64> {
        self.curves.iter().flat_map(|(_, _, (_, values))| values).copied()
    }

    /// An empty chart that holds every machine's curve and some levels more.
    fn chart(&self, title: String, levels_nm: &[f64]) -> Chart {
        let y = Axis::linear_round(self.values().chain(levels_nm.iter().copied()), 0.08);
        let x = (Axis::linear(self.span_s.0, self.span_s.1), "time in s".to_owned());
        Chart::new(title, 190, x, (y, "Nm".to_owned()))
    }

    /// The torque limit on those sides of zero where the torque comes near it.
    fn limits_nm(&self, limit_nm: f64) -> Vec<f64> {
        let (low, high) = self.values().fold((0.0_f64, 0.0_f64), |(low, high), v| (low.min(v), high.max(v)));
        let near = 0.6 * limit_nm;
        [(-limit_nm, near < -low), (limit_nm, near < high)]
            .into_iter()
            .filter(|side| side.1)
            .map(|side| side.0)
            .collect()
    }
}

fn add_torque(chart: &mut Chart, columns: usize, (role, run, (first_s, values)): &Curve) {
    let samples = Samples { first_x: *first_s, step_x: run.recording.rate.period_s(), values };
    chart.add_samples(*role, &samples, columns, &machine_words(run));
}

fn torque_chart(window: &Window) -> Chart {
    let torques = Torques::new(window, window.shown_s);
    let limit_nm = window.nominal.torque_limit_nm;
    let limits_nm = torques.limits_nm(limit_nm);
    let mut chart = torques.chart("Torque command".to_owned(), &limits_nm);
    chart.thin = true;
    for level_nm in &limits_nm {
        chart.add_level(Role::Limit, *level_nm, &format!("torque limit {}", quantity(*level_nm, "Nm")));
    }
    for curve in &torques.curves {
        add_torque(&mut chart, window.columns, curve);
    }
    let limit = quantity(limit_nm, "Nm");
    let rated = quantity(window.nominal.rated_torque_nm, "Nm");
    chart.description = format!("Rated torque {rated}, torque limit {limit}. ");
    if limits_nm.is_empty() {
        chart.add_key(Role::Limit, Sample::Line, &format!("torque limit {limit}, beyond the picture"));
    }
    chart
}

/// The parts of the window that a noise limit looks at, where they are clearly shorter than the window.
fn noise_windows(window: &Window) -> Vec<(f64, f64)> {
    let entry_s = window.entry.end_s - window.entry.at_s;
    let part = window.noise_limit().and_then(|limit| limit.found.window_s).map(|[from_s, to_s]| (from_s, to_s));
    part.filter(|(from_s, to_s)| 0.0 < to_s - from_s && to_s - from_s <= 0.8 * entry_s).into_iter().collect()
}

/// The part that is judged for noise: a picture a machine, side by side, since one would hide the other.
fn noise_charts(window: &Window, span_s: (f64, f64)) -> Vec<Chart> {
    let torques = Torques::new(window, span_s);
    let max = window.noise_limit().and_then(|limit| limit.max);
    let half_nm = max.map_or(0.0, |max| window.nominal.rated_torque_nm * max / 100.0);
    let mean_nm = |values: &[f64]| values.iter().sum::<f64>() / values.len().max(1) as f64;
    let means_nm: Vec<f64> = torques.curves.iter().map(|(_, _, (_, values))| mean_nm(values)).collect();
    let levels_nm: Vec<f64> = means_nm.iter().flat_map(|mean| [mean - half_nm, mean + half_nm]).collect();
    let mut charts = Vec::new();
    for (curve, mean) in torques.curves.iter().zip(means_nm) {
        let title = format!("Torque where its noise is taken, {}", machine_words(curve.1));
        let mut chart = torques.chart(title, &levels_nm);
        if let Some(max) = max {
            chart.add_level(Role::Limit, mean - half_nm, "");
            chart.add_level(Role::Limit, mean + half_nm, "");
            let words = format!("rms allowed, ± {} of rated torque about the mean", quantity(max, "%"));
            chart.add_key(Role::Limit, Sample::Line, &words);
        }
        chart.thin = true;
        add_torque(&mut chart, window.columns / 2, curve);
        add_torque_findings(&mut chart, window, curve.0);
        charts.push(chart);
    }
    charts
}

/// What was found of measures of a machine's torque: in words, since none has a moment.
fn add_torque_findings(chart: &mut Chart, window: &Window, role: Role) {
    add_findings(chart, window, &[role], |measure| measure.starts_with("torque"), |_| (0.0, vec![]));
}
