//! The result as `result.json`, and its JSON Schema.
//!
//! Keys come in the order of the structs and do not change within a schema version. What it does not: files.
//! Start reading at [`result_json`].

use super::finite::first_not_finite;
use crate::trial::result::TrialResult;
use crate::trial::suite_result::SuiteResult;

/// A result with a number that JSON cannot carry.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotFinite {
    /// The place, `limits[3].value`.
    pub place: String,
}

impl std::fmt::Display for NotFinite {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "the result's {} is not a finite number", self.place)
    }
}

impl std::error::Error for NotFinite {}

/// The result as indented JSON with a newline at its end.
///
/// # Errors
/// When a number is NaN or infinite: nothing is written then, least of all a `null`.
pub fn result_json(result: &TrialResult) -> Result<String, NotFinite> {
    let refused = |place| NotFinite { place };
    first_not_finite(result).map_or(Ok(()), |place| Err(refused(place)))?;
    let text = serde_json::to_string_pretty(result).map_err(|error| refused(error.to_string()))?;
    Ok(text + "\n")
}

/// The JSON Schema of `result.json`.
#[must_use]
pub fn result_schema() -> serde_json::Value {
    schemars::schema_for!(TrialResult).to_value()
}

/// The result of a suite as indented JSON with a newline at its end.
///
/// # Errors
/// When a number is NaN or infinite.
pub fn suite_json(result: &SuiteResult) -> Result<String, NotFinite> {
    let refused = |place| NotFinite { place };
    first_not_finite(result).map_or(Ok(()), |place| Err(refused(place)))?;
    let text = serde_json::to_string_pretty(result).map_err(|error| refused(error.to_string()))?;
    Ok(text + "\n")
}

/// The JSON Schema of what `plantstand suite --json` writes.
#[must_use]
pub fn suite_result_schema() -> serde_json::Value {
    schemars::schema_for!(SuiteResult).to_value()
}
