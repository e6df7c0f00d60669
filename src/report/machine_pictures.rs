//! What a machine is like in pictures: inertias, swings, times, friction, torque over speed, noise and what it allows.
//!
//! What it does not: compute curves (`machine_curves.rs`), the Bode plot (`machine_page.rs`). Start reading at
//! [`pictures`].

use maud::{Markup, html};

use super::axis::{Axis, nice_step};
use super::describe::{DescribeFacts, NodeFacts, ShapeFacts, TimeFacts};
use super::figure::{figure, quantity, rough, shown};
use super::machine_curves::{Curve, MachineCurves};
use super::plot::{Chart, Dot, Role, Rule, Sample};

/// Shapes that are drawn: beyond these nobody tunes.
const SHAPES_DRAWN: usize = 6;

/// Bars of parts that are drawn; a longer train shows its largest.
const PARTS_DRAWN: usize = 12;

/// The sections with their pictures.
#[must_use]
pub fn pictures(facts: &DescribeFacts, curves: &MachineCurves) -> Markup {
    html! {
        section.chapter { h2 { "Inertia at the motor" } (inertias(&facts.nodes)) }
        @if !facts.shapes.is_empty() {
            section.chapter {
                h2 { "How it swings" }
                p { "Each picture is one natural frequency with its gaps closed and nothing damped: how far every part swings, "
                    "seen from the motor, against the part that swings most. Parts on opposite sides of 0 swing against each other." }
                div.pair { @for shape in facts.shapes.iter().take(SHAPES_DRAWN) { (swing(shape, &facts.nodes)) } }
            }
        }
        section.chapter { h2 { "Times" } (times(&facts.times)) }
        section.chapter { h2 { "Friction at a steady speed" } (friction(&curves.friction)) }
        section.chapter { h2 { "Torque over speed" } (torque(curves)) }
        section.chapter {
            h2 { "What the sensor's noise allows" }
            div.pair { (speed_noise(facts, curves)) (gain(facts, curves)) }
        }
    }
}

/// A bar each, as long as its share.
fn inertias(nodes: &[NodeFacts]) -> Markup {
    let total: f64 = nodes.iter().map(|node| node.inertia_at_motor_kgm2).sum();
    let mut parts: Vec<(usize, &NodeFacts)> = nodes.iter().enumerate().collect();
    parts.sort_by(|a, b| b.1.inertia_at_motor_kgm2.total_cmp(&a.1.inertia_at_motor_kgm2));
    parts.truncate(PARTS_DRAWN);
    parts.sort_by_key(|(place, _)| *place);
    html! {
        ul.facts {
            @for (place, node) in &parts {
                li {
                    span.topic { (place) " " (shown(&node.name)) }
                    span {
                        (quantity(node.inertia_at_motor_kgm2, "kgm²")) ", "
                        (rough(100.0 * node.inertia_at_motor_kgm2 / total)) " %"
                        (length(node.inertia_at_motor_kgm2 / total))
                    }
                }
            }
        }
        @if parts.len() < nodes.len() { p { "The " (parts.len()) " largest of " (nodes.len()) " parts." } }
    }
}

/// A bar without words: they stand beside it.
fn length(share: f64) -> Markup {
    html! {
        span.bar.share.plain aria-hidden="true" {
            span.fill style=(format!("width:{:.1}%", 100.0 * share.clamp(0.0, 1.0))) {}
        }
    }
}

fn swing(shape: &ShapeFacts, nodes: &[NodeFacts]) -> Markup {
    let last = (shape.swing.len() - 1) as f64;
    let x = (Axis::linear(-0.3, last + 0.3), "part, 0 is the motor".to_owned());
    let y = (Axis::linear(-1.15, 1.15), "swing at the motor".to_owned());
    let mut chart = Chart::new(quantity(shape.hz, "Hz"), 170, x, y);
    chart.x_ticks = chart.x.0.linear_ticks(nice_step(last / 10.0).max(1.0));
    let points: Vec<(f64, f64)> = shape.swing.iter().enumerate().map(|(place, share)| (place as f64, *share)).collect();
    let words: Vec<String> = (points.iter().zip(nodes).take(PARTS_DRAWN))
        .map(|((place, share), node)| format!("{place} {}: {}", shown(&node.name), rough(*share)))
        .collect();
    chart.description = words.join("; ");
    chart.add_level(Role::Reference, 0.0, "");
    chart.add_points(Role::Nominal, &points, &chart.description.clone());
    chart.dots = points.iter().map(|at| Dot { role: Role::Nominal, at: *at }).collect();
    chart.markup()
}

/// A ruler over powers of ten, one row a time.
fn times(times: &[TimeFacts]) -> Markup {
    let (Some(first), Some(last)) = (times.first(), times.last()) else { return html! {} };
    let axis = Axis::logarithmic(0.5 * first.time_s, 2.0 * last.time_s.max(2.0 * first.time_s));
    html! {
        ul.facts {
            @for time in times {
                li {
                    span.topic { (quantity(1e3 * time.time_s, "ms")) }
                    span { (shown(&time.name)) (length(axis.place_frac(time.time_s))) }
                }
            }
        }
        p.legend { "A bar is longer by the same step for each power of ten." }
    }
}

fn friction(curves: &[Curve]) -> Markup {
    let all = || curves.iter().flat_map(|curve| &curve.points);
    let (Some(low), Some(high)) =
        (all().map(|point| point.0).reduce(f64::min), all().map(|point| point.0).reduce(f64::max))
    else {
        return html! { p { "Nothing rubs on this machine." } };
    };
    let x = (Axis::logarithmic(low, high), "speed of the motor in rpm".to_owned());
    let most = all().map(|point| point.1).fold(0.0, f64::max);
    let y = (Axis::linear(0.0, 1.1 * most), "torque at the motor in Nm".to_owned());
    let mut chart = Chart::new("Friction, referred to the motor".to_owned(), 260, x, y);
    let roles = [Role::Nominal, Role::Corner, Role::Setpoint, Role::Limit, Role::Target];
    for (role, curve) in roles.into_iter().zip(curves) {
        chart.add_points(role, &curve.points, &shown(&curve.name));
    }
    html! {
        (chart.markup())
        @if roles.len() < curves.len() { p { "The first " (roles.len()) " curves of " (curves.len()) "." } }
    }
}

fn torque(curves: &MachineCurves) -> Markup {
    let [rated_nm, peak_nm, rated_rpm, highest_rpm] = curves.plate;
    if curves.torque.is_empty() {
        return html! { p { "The scenario says nothing of winding and bus, so nothing but the torque limit bounds the torque." } };
    }
    let farthest = curves.torque.iter().map(|point| point.0).fold(highest_rpm, f64::max);
    let x = (Axis::linear(0.0, 1.02 * farthest), "speed of the motor in rpm".to_owned());
    let y = (Axis::linear(0.0, 1.15 * peak_nm), "torque in Nm".to_owned());
    let mut chart = Chart::new("The most torque that drives".to_owned(), 260, x, y);
    chart.add_points(
        Role::Nominal,
        &curves.torque,
        "peak torque, and what the bus leaves of it without a current in the d axis",
    );
    let rated = Rule {
        role: Role::Target,
        from: (0.0, rated_nm),
        to: (rated_rpm, rated_nm),
        words: "rated".to_owned(),
        arrows: false,
        words_left: false,
    };
    chart.rules.push(rated);
    chart.add_moment(Role::Limit, highest_rpm, "highest speed of the axis");
    chart.description = format!("Peak {}, rated {}.", quantity(peak_nm, "Nm"), quantity(rated_nm, "Nm"));
    chart.markup()
}

fn low_pass_axis(points: &[(f64, f64)]) -> Option<Axis> {
    Some(Axis::logarithmic(points.first()?.0, points.last()?.0))
}

/// Both ends of the points upwards with some room, logarithmic.
fn heights(points: &[(f64, f64)], beside: f64) -> Axis {
    let heights = || points.iter().map(|point| point.1).chain([beside]).filter(|height| 0.0 < *height);
    Axis::logarithmic(0.7 * heights().fold(f64::INFINITY, f64::min), 1.4 * heights().fold(0.0, f64::max))
}

fn speed_noise(facts: &DescribeFacts, curves: &MachineCurves) -> Markup {
    let Some(x) = low_pass_axis(&curves.speed_noise) else { return html! {} };
    let y = (heights(&curves.speed_noise, facts.speed_resolution_rpm), "rpm rms".to_owned());
    let x = (x, "corner of a low-pass in Hz".to_owned());
    let mut chart = Chart::new("Noise of the measured speed".to_owned(), 240, x, y);
    chart.add_points(Role::Nominal, &curves.speed_noise, "behind a first-order low-pass");
    chart.add_level(Role::Reference, facts.speed_resolution_rpm, "");
    let one_count = format!("one count in one tick, {}", quantity(facts.speed_resolution_rpm, "rpm"));
    chart.add_key(Role::Reference, Sample::Line, &one_count);
    chart.markup()
}

fn gain(facts: &DescribeFacts, curves: &MachineCurves) -> Markup {
    let (low_pass_hz, gain) = curves.setting;
    let Some(x) = low_pass_axis(&curves.gain) else { return html! {} };
    let y = (heights(&curves.gain, gain), "Nms/rad".to_owned());
    let mut chart = Chart::new("Speed gain".to_owned(), 240, (x, "corner of the torque low-pass in Hz".to_owned()), y);
    let percent = figure(facts.noise.torque_percent);
    chart.add_points(
        Role::Limit,
        &curves.gain,
        &format!("with it noise moves the torque by {percent} % rms of the rated one"),
    );
    if 0.0 < low_pass_hz {
        chart.dots.push(Dot { role: Role::Nominal, at: (low_pass_hz, gain) });
        chart.add_key(Role::Nominal, Sample::Dot, &format!("the settings shown: {}", quantity(gain, "Nms/rad")));
    } else {
        chart.add_level(Role::Nominal, gain, "");
        let words = format!("the settings shown: {} without a low-pass", quantity(gain, "Nms/rad"));
        chart.add_key(Role::Nominal, Sample::Line, &words);
    }
    chart.markup()
}
