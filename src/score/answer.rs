//! What a measure answers: a number with its place in time, or the reason why there is none.
//!
//! What it does not: judge the number (see `limit.rs`). Start reading at [`Answer`].

/// The answer of a measure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Answer {
    /// There is a number.
    Number(Found),
    /// There is none, and never a number in its place.
    Without(NoNumber),
}

/// A number that was found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Found {
    /// The value in the measure's unit.
    pub value: f64,
    /// Where in time it lies, in seconds of the run: of the peak, of the last entry into the band.
    pub at_s: Option<f64>,
    /// A remark that belongs to the number, a part of a sentence in lower case.
    pub note: Option<&'static str>,
}

/// Why there is no number. Only [`NoNumber::None`] holds a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoNumber {
    /// The question makes no sense here: a step of zero, a percentage of zero.
    NotDefined,
    /// The response is not inside its band at the end, or not for long enough.
    NotSettled,
    /// The level was never reached, or the run ended before.
    NotReached,
    /// There is nothing to measure: no overshoot to time, no crossing to take a margin at. Holds a limit.
    None,
    /// The closed loop is unstable.
    Unstable,
}

impl Answer {
    /// A plain number without a place in time.
    #[must_use]
    pub fn of(value: f64) -> Self {
        Self::Number(Found { value, at_s: None, note: None })
    }

    /// A number that lies at a time, in seconds of the run.
    #[must_use]
    pub fn at(value: f64, at_s: f64) -> Self {
        Self::Number(Found { value, at_s: Some(at_s), note: None })
    }

    /// The number, where there is one.
    #[must_use]
    pub fn value(&self) -> Option<f64> {
        match self {
            Self::Number(found) => Some(found.value),
            Self::Without(_) => None,
        }
    }
}
