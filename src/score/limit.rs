//! A limit: what is allowed, what is wished for, and the grade between them.
//!
//! What it does not: know where the answer came from. Start reading at [`Bound`].

use crate::score::answer::{Answer, NoNumber};
use crate::score::measure::Measure;

/// What a limit allows, in the measure's unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bound {
    /// Highest value allowed; a value at equality is held.
    pub max: Option<f64>,
    /// Lowest value allowed; a value at equality is held.
    pub min: Option<f64>,
    /// Full marks from here on; at or inside the limit.
    pub target: Option<f64>,
}

impl Bound {
    /// Whether an answer holds the limit. `none` holds it, every other answer without a number misses it, and so does a
    /// number that is not one.
    #[must_use]
    pub fn held(&self, answer: &Answer) -> bool {
        match answer {
            Answer::Without(reason) => *reason == NoNumber::None,
            Answer::Number(found) => {
                self.max.is_none_or(|max| found.value <= max) && self.min.is_none_or(|min| min <= found.value)
            }
        }
    }

    /// 1 at the target or better, 0 at the limit, linear between; without a target 1 when held and 0 when missed. A
    /// limit that stands at its own target has grade 1 when held.
    #[must_use]
    pub fn grade(&self, answer: &Answer) -> f64 {
        match (answer, self.target) {
            _ if !self.held(answer) => 0.0,
            (Answer::Number(found), Some(target)) => {
                let towards = |limit: Option<f64>| limit.map_or(1.0, |limit| share(found.value, limit, target));
                towards(self.max).min(towards(self.min))
            }
            _ => 1.0,
        }
    }

    /// How far a number lies beyond the limit, in the measure's unit and counted positive; `None` when it is held or
    /// there is no number.
    #[must_use]
    pub fn excess(&self, answer: &Answer) -> Option<f64> {
        let value = answer.value()?;
        let above = self.max.map(|max| value - max).filter(|excess| 0.0 < *excess);
        let below = self.min.map(|min| min - value).filter(|excess| 0.0 < *excess);
        above.or(below)
    }
}

/// Share of the way from the limit to the target, 0 to 1.
fn share(value: f64, limit: f64, target: f64) -> f64 {
    if limit == target { 1.0 } else { ((value - limit) / (target - limit)).clamp(0.0, 1.0) }
}

/// The worse of two answers of one measure: `unstable` before every other missing number, that before a number, a number
/// before `none`; of two numbers the one with the lower grade or, where the bound does not tell them apart, the one on
/// the side on which the measure is worse. Used for gaps closed and open, and for the worst corner.
#[must_use]
pub fn worse(measure: Measure, bound: Option<&Bound>, one: Answer, other: Answer) -> Answer {
    let rank = |answer: &Answer| match answer {
        Answer::Without(NoNumber::Unstable) => 3,
        Answer::Without(NoNumber::None) => 0,
        Answer::Without(_) => 2,
        Answer::Number(_) => 1,
    };
    let (Some(a), Some(b)) = (one.value(), other.value()) else {
        return if rank(&one) < rank(&other) { other } else { one };
    };
    let larger_is_worse = match bound {
        Some(Bound { max: Some(_), min: None, .. }) => true,
        Some(Bound { max: None, min: Some(_), .. }) => false,
        Some(both) if both.excess(&one) != both.excess(&other) => {
            return if both.excess(&one) < both.excess(&other) { other } else { one };
        }
        _ => measure.larger_is_worse(),
    };
    if (a < b) == larger_is_worse { other } else { one }
}
