//! The sentences of reasons, and the numbers in them.
//!
//! What it does not: decide whether something is a reason. Start reading at [`miss`].

use crate::base::real;
use crate::trial::result::{LimitResult, NoNumber, Reason};

/// A number as a sentence has it: three significant digits, no exponent where a person would write none.
#[must_use]
pub fn number(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let places = 2 - real::log10(value.abs()).floor() as i32;
    let text = format!("{value:.*}", places.clamp(0, 9) as usize);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// How far a missed limit is missed, as a share of the limit; a missing number is beyond every number.
#[must_use]
pub fn miss_frac(result: &LimitResult) -> f64 {
    let Some(value) = result.found.value else { return f64::INFINITY };
    let excess =
        |bound: Option<f64>, beyond: f64| bound.map_or(0.0, |bound| beyond / bound.abs().max(f64::MIN_POSITIVE));
    let above = excess(result.max, value - result.max.unwrap_or(value));
    let below = excess(result.min, result.min.unwrap_or(value) - value);
    above.max(below)
}

/// The reason that a missed limit gives, worded on its worst machine; `machines` says on how many it was missed.
#[must_use]
pub fn miss(result: &LimitResult, machines: usize) -> Reason {
    let found = &result.found;
    let what = found.measure.as_str();
    let during = found.during.as_ref().map_or_else(String::new, |entry| format!(" during '{entry}'"));
    let unit = if found.unit.is_empty() { String::new() } else { format!(" {}", found.unit) };
    let how_much = match (found.value, found.no_number) {
        (Some(value), _) => format!(" is {}{unit}, {}", number(value), beside_bound(result, value, &unit)),
        (None, no_number) => format!(" has no number ({})", no_number_words(no_number)),
    };
    let others = match machines {
        0 | 1 => String::new(),
        _ => format!("; it is missed on {machines} machines, here by most"),
    };
    Reason { text: format!("{what}{during}{how_much}{others}"), machine: found.machine.clone(), at_s: found.at_s }
}

fn beside_bound(result: &LimitResult, value: f64, unit: &str) -> String {
    match (result.max, result.min) {
        (Some(max), _) if max < value => format!("{}{unit} above the limit of {}", number(value - max), number(max)),
        (_, Some(min)) if value < min => format!("{}{unit} below the limit of {}", number(min - value), number(min)),
        _ => "beyond its limit".to_owned(),
    }
}

/// The words for a missing number.
#[must_use]
pub fn no_number_words(no_number: Option<NoNumber>) -> &'static str {
    match no_number {
        Some(NoNumber::NotDefined) => "not defined",
        Some(NoNumber::NotSettled) => "not settled",
        Some(NoNumber::NotReached) | None => "not reached",
        Some(NoNumber::None) => "none",
        Some(NoNumber::Unstable) => "unstable",
    }
}

#[cfg(test)]
mod tests {
    use super::number;

    /// Numbers in sentences have three significant digits and no tail of zeros.
    #[test]
    fn numbers_read_well() {
        for (value, text) in
            [(15.0, "15"), (0.2199, "0.22"), (1234.6, "1235"), (21.34, "21.3"), (0.0, "0"), (-0.001_234, "-0.00123")]
        {
            assert_eq!(number(value), text);
        }
    }
}
