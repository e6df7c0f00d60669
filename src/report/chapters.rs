//! The report's chapters in words: settings, conduct, link, definitions, cautions, how to repeat the trial.
//!
//! What it does not: limits (see `tables.rs`) and pictures of the examination. Start reading at any chapter.

use maud::{Markup, html};

use super::axis::Axis;
use super::bars::use_bar;
use super::figure::{figure, quantity, shown};
use super::finding;
use super::measure_words::{definition, spoken};
use super::plot::{Chart, Role, Samples};
use super::{Pictures, TuningRun};
use crate::base::recording::Signal;
use crate::base::units::{DEG_RAD, RPM_RAD_PER_S};
use crate::trial::result::{Conduct, SettingFact, TrialResult};

/// Columns of pixels of a tuning's pictures.
const COLUMNS: usize = 600;

/// Settings stored: the changed ones, the others behind a fold.
pub fn settings(result: &TrialResult) -> Markup {
    let changed = finding::changed(&result.settings);
    let left: Vec<&SettingFact> =
        result.settings.iter().filter(|setting| !changed.iter().any(|other| other.name == setting.name)).collect();
    html! {
        @if result.settings.is_empty() { p { "The drive's settings were not read." } }
        @else if changed.is_empty() { p { "No setting differs from what the drive had before." } }
        @else { (setting_table(&changed)) }
        @if !left.is_empty() {
            details { summary { "Settings as they were" } (setting_table(&left)) }
        }
    }
}

fn setting_table(settings: &[&SettingFact]) -> Markup {
    html! {
        div.wide { table {
            thead { tr { th scope="col" { "setting" } th scope="col" { "stored" } th scope="col" { "before" } } }
            tbody { @for setting in settings { tr {
                th scope="row" { code { (shown(&setting.name)) } }
                td { (quantity(setting.value, &setting.unit)) }
                td { (quantity(setting.initial, &setting.unit)) }
            } } }
        } }
    }
}

/// The conduct in sentences, with bars of what was used, and the tuning in pictures where it was recorded.
pub fn conduct(result: &TrialResult, pictures: &Pictures) -> Markup {
    html! {
        ul.facts {
            @for fact in finding::conduct_facts(&result.conduct) {
                li {
                    span.topic { (fact.name) }
                    span {
                        (fact.text)
                        @if fact.broken { " " strong.missed { "✕ rule broken" } }
                        (allowance(fact.name, &result.conduct, fact.broken))
                    }
                }
            }
        }
        @if let Some(run) = &pictures.tuning { (tuning(run, &result.conduct)) }
    }
}

fn allowance(name: &str, conduct: &Conduct, broken: bool) -> Markup {
    match name {
        "time" => use_bar(conduct.tuning_time_s, conduct.time_allowed_s, broken),
        "path" => use_bar(conduct.travel_path_deg, conduct.path_allowed_deg, broken),
        _ => html! {},
    }
}

fn tuning(run: &TuningRun, conduct: &Conduct) -> Markup {
    let rows = run.recording.rows();
    if rows < 2 {
        return html! {};
    }
    let x = Axis::linear(0.0, run.recording.rate.seconds(rows as u64));
    let angle = run.recording.column(Signal::LoadAngle);
    let travel: Vec<f64> = angle.iter().map(|angle| (angle - run.angle_zero_rad) / DEG_RAD).collect();
    let speed = run.recording.column(Signal::LoadSpeed);
    let speed: Vec<f64> = speed.iter().map(|speed| speed * run.total_ratio / RPM_RAD_PER_S).collect();
    let y = Axis::linear_round(travel.iter().copied().chain(conduct.window_allowed_deg), 0.06);
    let mut first = tuning_chart("Load angle while tuning", "degrees", run, x, y, &travel);
    for bound in conduct.window_allowed_deg {
        first.add_level(Role::Limit, bound, &format!("allowed to {}°", figure(bound)));
    }
    let y = Axis::linear_round(speed.iter().copied(), 0.06);
    let second = tuning_chart("Speed of the load while tuning, at the motor", "rpm", run, x, y, &speed);
    html! { (first.markup()) (second.markup()) }
}

fn tuning_chart(title: &str, unit: &str, run: &TuningRun, x: Axis, y: Axis, values: &[f64]) -> Chart {
    let mut chart = Chart::new(title.to_owned(), 170, (x, "time in s".to_owned()), (y, unit.to_owned()));
    let samples = Samples { first_x: 0.0, step_x: run.recording.rate.period_s(), values };
    chart.add_samples(Role::Nominal, &samples, COLUMNS, "nominal machine");
    for mark in &run.marks {
        chart.add_moment(Role::Happening, mark.at_s, &shown(&mark.text));
        chart.description.push_str(&format!("{} s: {}. ", figure(mark.at_s), shown(&mark.text)));
    }
    chart
}

/// Counts of the link.
pub fn link(result: &TrialResult) -> Markup {
    let link = &result.link;
    html! {
        dl {
            dt { "link" } dd { (shown(&link.link)) ", " (shown(&result.pace)) }
            dt { "exchanges" } dd { (link.exchanges) }
            dt { "resent" } dd { (link.resent) }
            dt { "frames refused" }
            dd {
                @if link.refused.is_empty() { "none" }
                @for (place, (reason, count)) in link.refused.iter().enumerate() {
                    @if 0 < place { ", " }
                    (count) " " (shown(reason).replace('_', " "))
                }
            }
            dt { "opens of others refused" } dd { (link.second_opens_refused) }
            dt { "opened again" } dd { (link.opened_again) }
        }
    }
}

/// The sentences that define the measures used.
pub fn definitions(result: &TrialResult) -> Markup {
    let limits = result.limits.iter().map(|limit| limit.found.measure.as_str());
    let mut names: Vec<&str> = limits.chain(result.measures.iter().map(|found| found.measure.as_str())).collect();
    names.sort_unstable_by_key(|name| spoken(name));
    names.dedup();
    html! {
        dl.definitions {
            @for name in names {
                @if let Some(words) = definition(name) {
                    dt { (spoken(name)) " " code { (name) } }
                    dd { (words) }
                }
            }
        }
        p {
            "Speeds are the true speed of the load, before any sensor, times the train's ratio. "
            "The loop is opened at the torque command, with every delay, friction by its viscous part only."
        }
    }
}

/// What stands before a machine is touched.
const CAUTIONS: [&str; 6] = [
    "plantstand is a simulator. A pass here is no proof that a machine is safe or that settings suit it.",
    "At a machine the maker's instructions, the site's rules and local codes come first. Electrical work is for \
     licensed or authorised people.",
    "Before touching: disconnect, secure against reconnection, prove absence of voltage, wait the discharge time on \
     the nameplate and measure. Safe torque off is not isolation, and a hanging load falls.",
    "First enable with small torque, a small speed limit and free travel; nobody in the swept space, emergency stop \
     tested and within reach.",
    "Identification, tuning and sweeps move an axis without warning and may excite a resonance: set window and limits \
     first.",
    "Raise gain in small steps; stop at noise, heat or smell. Afterwards test protections, limits and stops again, \
     power-cycle and compare.",
];

/// The cautions, in short.
pub fn cautions() -> Markup {
    html! { ol.cautions { @for caution in CAUTIONS { li { (caution) } } } }
}

/// What it takes to repeat the trial.
pub fn repeat(result: &TrialResult, replay_command: Option<&str>) -> Markup {
    html! {
        @if let Some(command) = replay_command {
            p { "This command repeats the trial to the same bits:" }
            pre { code { (shown(command)) } }
        }
        dl {
            dt { "scenario" } dd { (shown(&result.scenario.file)) }
            dt { "its SHA-256" } dd.hash { (shown(&result.scenario.sha256)) }
            dt { "seed" } dd { (result.scenario.seed) }
            dt { "ticks" } dd { (result.scenario.tick_hz) " a second, " (result.scenario.stride) " an exchange" }
            dt { "method" } dd { (shown(&result.method.name)) (said(result)) }
            @if let Some(command) = &result.method.command { dt { "started by" } dd { code { (shown(command)) } } }
            dt { "program" } dd { (shown(&result.program.name)) " " (shown(&result.program.version)) }
            @if let Some(hash) = &result.program.sha256 { dt { "its SHA-256" } dd.hash { (shown(hash)) } }
            dt { "the run's SHA-256" } dd.hash { (shown(&result.bits_sha256)) }
        }
    }
}

fn said(result: &TrialResult) -> Markup {
    html! {
        @match &result.method.said_name {
            Some(name) => { ", on the link “" (shown(name)) "”" }
            None => { ", never opened the link" }
        }
    }
}
