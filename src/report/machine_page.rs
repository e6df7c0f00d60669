//! A machine as an HTML page, for `describe`: its numbers and the Bode plot of the bare plant.
//!
//! What it does not: compute the numbers. Start reading at [`machine_page`].

use maud::{Markup, html};

use super::BodePoint;
use super::axis::Axis;
use super::describe::{DescribeFacts, FactTable, sentences, tables};
use super::figure::shown;
use super::html::document;
use super::loop_plot::unwrapped;
use super::machine_curves::MachineCurves;
use super::machine_pictures::pictures;
use super::plot::{Chart, Role};

/// Gains this far below the greatest are not drawn.
const DEPTH_DB: f64 = 100.0;

/// The frequency response of a plant from torque command to motor speed.
#[derive(Clone, Debug)]
pub struct PlantCurve {
    /// `nominal` or the corner's name.
    pub machine: String,
    /// Rising in frequency; 0 dB is 1 rad/s per Nm.
    pub points: Vec<BodePoint>,
}

/// The page. The first response is drawn as the nominal machine, a second one as a corner; further ones are not drawn.
#[must_use]
pub fn machine_page(facts: &DescribeFacts, curves: &MachineCurves, responses: &[PlantCurve]) -> String {
    let title = shown(&facts.title);
    let body = html! {
        header.machine { div.story {
            p.who { "machine" }
            h1 { (title) }
            p.about { (shown(&facts.about)) }
        } }
        main {
            @for table in tables(facts) { (fact_section(&table)) }
            section.chapter {
                h2 { "Axis, sensor, drive" }
                @for words in sentences(facts) { p { (words) } }
            }
            (pictures(facts, curves))
            section.chapter {
                h2 { "From torque to motor speed" }
                (plant_charts(responses))
            }
        }
    };
    document(&title, &body)
}

fn fact_section(table: &FactTable) -> Markup {
    html! {
        section.chapter {
            h2 { (table.heading) }
            div.wide { table {
                thead { tr { @for head in table.header { th scope="col" { (head) } } } }
                tbody { @for row in &table.rows { tr {
                    @for (place, cell) in row.iter().enumerate() {
                        @if place == 0 { th scope="row" { (cell) } } @else { td { (cell) } }
                    }
                } } }
            } }
            @for remark in &table.remarks { p { (remark) } }
        }
    }
}

fn plant_charts(curves: &[PlantCurve]) -> Markup {
    let drawn: Vec<(Role, &PlantCurve)> = [Role::Nominal, Role::Corner].into_iter().zip(curves).collect();
    let all = || drawn.iter().flat_map(|(_, curve)| &curve.points);
    if all().count() < 2 {
        return html! { p { "There is no frequency response to draw." } };
    }
    let ends = all().fold((f64::INFINITY, 0.0_f64), |(low, high), point| (low.min(point.hz), high.max(point.hz)));
    let x = (Axis::logarithmic(ends.0, ends.1), "frequency in Hz".to_owned());
    let highest = all().fold(f64::NEG_INFINITY, |most, point| most.max(point.magnitude_db));
    let y = Axis::linear_round(all().map(|point| point.magnitude_db.max(highest - DEPTH_DB)), 0.06);
    let mut gain = Chart::new("Gain".to_owned(), 270, x.clone(), (y, "dB, 1 rad/s per Nm is 0".to_owned()));
    let phases: Vec<Vec<f64>> = drawn.iter().map(|(_, curve)| unwrapped(&curve.points)).collect();
    let y = Axis::linear_round(phases.iter().flatten().copied(), 0.06);
    let mut phase = Chart::new("Phase".to_owned(), 220, x, (y, "degrees".to_owned()));
    phase.y_ticks = y.linear_ticks(if y.high - y.low <= 360.0 { 45.0 } else { 90.0 });
    for ((role, curve), degrees) in drawn.iter().zip(&phases) {
        let points: Vec<_> = curve.points.iter().map(|point| (point.hz, point.magnitude_db)).collect();
        gain.add_points(*role, &points, &shown(&curve.machine));
        let points: Vec<_> = curve.points.iter().zip(degrees).map(|(point, deg)| (point.hz, *deg)).collect();
        phase.add_points(*role, &points, &shown(&curve.machine));
    }
    html! { (gain.markup()) (phase.markup()) }
}
