//! Margins of a machine's loop: gaps closed and, with play, open too; the worse counts.
//!
//! What it does not: search (see `score/margins.rs`). Start reading at [`Margins::of`].

use crate::base::real;
use crate::base::time::TickRate;
use crate::base::units::TURN_RAD;
use crate::drive::setting::{Setting, Settings};
use crate::linear::chain::{Gaps, has_play};
use crate::linear::facts;
use crate::linear::model::LoopModel;
use crate::linear::poles;
use crate::plant::sensor::SensorParameters;
use crate::plant::train::Parameters;
use crate::score::answer::{Answer, Found, NoNumber};
use crate::score::limit::{Bound, worse};
use crate::score::margins::{Loop, Survey, nyquist_rad_per_s};
use crate::score::measure::Measure;
use crate::score::window::Side;

/// The loop with its gaps closed and, where there is play, open.
#[derive(Clone, Debug, PartialEq)]
pub struct Margins {
    /// Every coupling in contact.
    pub closed: Survey,
    /// Every coupling with backlash apart; `None` without play.
    pub open: Option<Survey>,
}

impl Margins {
    /// Surveys the loop of a machine with these settings.
    #[must_use]
    pub fn of(parameters: &Parameters, sensor: &SensorParameters, settings: &Settings, rate: TickRate) -> Self {
        let survey = |gaps| {
            let model = LoopModel::new(parameters, sensor, settings, rate, gaps);
            survey(&model, &breakpoints_rad_per_s(&model, parameters, settings))
        };
        Self { closed: survey(Gaps::Closed), open: has_play(parameters).then(|| survey(Gaps::Open)) }
    }

    /// The answer of a loop measure, the worse of gaps closed and open by the direction of the bound (or of the measure).
    /// What only the closed gap defines (the bandwidth to the load) is taken there.
    #[must_use]
    pub fn answer(&self, measure: Measure, side: Side, bound: Option<&Bound>) -> Answer {
        let closed = self.closed.answer(measure, side);
        let Some(open) = self.open.as_ref().map(|survey| survey.answer(measure, side)) else { return closed };
        let noted = |answer, note| match answer {
            Answer::Number(found) => Answer::Number(Found { note: Some(note), ..found }),
            without => without,
        };
        if open == Answer::Without(NoNumber::NotDefined) {
            return noted(closed, "gaps closed");
        }
        worse(measure, bound, noted(closed, "gaps closed"), noted(open, "gaps open"))
    }
}

/// Everything about one loop model, the search looking closely round the given frequencies.
#[must_use]
pub fn survey(model: &LoopModel, breakpoints_rad_per_s: &[f64]) -> Survey {
    let open = |w: f64| model.open(w);
    let closed_motor = |w: f64| model.closed_motor(w);
    let closed_load = |w: f64| model.closed_load(w);
    let high_rad_per_s = nyquist_rad_per_s(model.rate());
    // Three decades below the slowest thing there is, and never below what doubles resolve.
    let slowest = breakpoints_rad_per_s.iter().copied().fold(high_rad_per_s, f64::min);
    Survey::of(&Loop {
        open: &open,
        closed_motor: &closed_motor,
        closed_load: model.chain().load_ratio.is_some().then_some(&closed_load),
        low_rad_per_s: (1e-3 * slowest).max(1e-9 * high_rad_per_s),
        high_rad_per_s,
        breakpoints_rad_per_s,
        stable: model.is_stable(),
    })
}

/// Where the curves of a loop can bend sharply: poles of the chain and of the closed loop, antiresonances, corners of
/// the controller and its filters; in rad/s, above 0 and below half the tick rate.
#[must_use]
pub fn breakpoints_rad_per_s(model: &LoopModel, parameters: &Parameters, settings: &Settings) -> Vec<f64> {
    let mut found = Vec::new();
    for pole in poles::eigenvalues(&model.chain().a).unwrap_or_default() {
        found.extend([real::hypot(pole.re, pole.im), pole.im.abs()]);
    }
    let tick_hz = f64::from(model.rate().hz);
    for pole in model.poles() {
        let (angle, modulus) = (real::atan2(pole.im, pole.re), real::hypot(pole.re, pole.im));
        found.extend([angle.abs() * tick_hz, real::hypot(real::ln(modulus), angle) * tick_hz]);
    }
    found.extend(facts::resonances_hz(parameters).iter().map(|hz| hz * TURN_RAD));
    found.extend(facts::antiresonances_hz(parameters).iter().map(|hz| hz * TURN_RAD));
    let corners = [Setting::SpeedFilter, Setting::SetpointLowpass, Setting::TorqueLowpass];
    let centres = [Setting::Notch1Centre, Setting::Notch2Centre];
    found.extend(corners.iter().chain(&centres).map(|setting| settings.get(*setting) * TURN_RAD));
    found.push(1.0 / settings.get(Setting::SpeedResetTime));
    let high = nyquist_rad_per_s(model.rate());
    found.retain(|w| w.is_finite() && 1e-9 * high < *w && *w < high);
    found.sort_by(f64::total_cmp);
    // Closer together than the finest step round a breakpoint they are the same place.
    found.dedup_by(|later, earlier| *later <= *earlier * (1.0 + 1e-9));
    found
}
