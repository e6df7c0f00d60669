//! The promise of the reader of a record's `result.json`: any text is a result or refused; a result that was read and
//! written reads back to the same.
//!
//! Start reading at [`check`].

use plantstand::report::json::result_json;
use plantstand::trial::result::TrialResult;

use super::text;

/// Pieces of a result.
pub const WORDS: &[&str] =
    &["\"verdict\":", "\"pass\"", "null", "1e400", "-0.0", "5e-324", "[", "{", "}", "]", ",", "\"", "\\u0000", "true"];

/// Checks the promise.
pub fn check(bytes: &[u8]) {
    let Some(text) = text(bytes) else { return };
    let Ok(result) = serde_json::from_str::<TrialResult>(text) else { return };
    let written = result_json(&result).expect("JSON cannot hold what this reader must not have let in");
    let again: TrialResult = serde_json::from_str(&written).expect("our own JSON reads back");
    assert_eq!(again, result);
}
