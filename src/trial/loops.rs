//! The loop of one machine with its settings: margins of the linear model, gaps closed and open.
//!
//! What it does not: compute them (`linear/margins.rs`). Start reading at [`LoopFindings`].

use crate::drive::setting::Settings;
use crate::linear::margins::Margins;
use crate::scenario::{Limit, Scenario};
use crate::score::Answer;
use crate::score::measure::Measure;
use crate::score::window::Side;
use crate::trial::examination::machine;

/// What the linear model says about one machine.
#[derive(Clone, Debug)]
pub struct LoopFindings {
    /// `nominal`, or the corner's name.
    pub machine: String,
    /// Its margins, gaps closed and, where there is play, open.
    pub margins: Margins,
}

impl LoopFindings {
    /// The loop of a machine of the scenario (0 nominal, then the corners); `None` when there is no such machine,
    /// and where the loop is closed outside, of which the linear model knows nothing.
    #[must_use]
    pub fn of(scenario: &Scenario, number: usize, settings: &Settings) -> Option<Self> {
        let (name, machine) = machine(scenario, number).filter(|_| scenario.drive_closes_the_loop())?;
        let margins = Margins::of(&machine.plant, &machine.sensor, settings, scenario.timing.rate);
        Some(Self { machine: name.to_owned(), margins })
    }

    /// The answer to a limit: the worse of gaps closed and open, as the limit counts it.
    #[must_use]
    pub fn answer(&self, limit: &Limit) -> Answer {
        self.margins.answer(limit.measure, limit.side, Some(&limit.bound))
    }

    /// The answer to a measure that nothing limits, for information.
    #[must_use]
    pub fn plain_answer(&self, measure: Measure) -> Answer {
        self.margins.answer(measure, Side::Load, None)
    }
}
