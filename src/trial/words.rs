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

/// The reason that a missed limit gives, worded on its worst machine; `machines` says on how many it was missed.
#[must_use]
pub fn miss(result: &LimitResult, machines: usize) -> Reason {
    let found = &result.found;
    let what = found.measure.as_str();
    let during = found.during.as_ref().map_or_else(String::new, |entry| format!(" in “{entry}”"));
    let unit = found.unit.as_str();
    let how_much = match (found.value, found.no_number) {
        (Some(value), _) => format!(" is {}, {}", quantity(value, unit), beside_bound(result, value, unit)),
        (None, why) => format!(" has no number ({})", why.unwrap_or(NoNumber::NotReached).words()),
    };
    let others = match machines {
        0 | 1 => String::new(),
        _ if found.value.is_none() => format!("; it is missed on {machines} machines"),
        _ => format!("; it is missed on {machines} machines, here by most"),
    };
    Reason { text: format!("{what}{during}{how_much}{others}"), machine: found.machine.clone(), at_s: found.at_s }
}

fn beside_bound(result: &LimitResult, value: f64, unit: &str) -> String {
    match (result.max, result.min) {
        (Some(max), _) if max < value => {
            format!("{} above the limit of {}", apart(value - max, unit), quantity(max, unit))
        }
        (_, Some(min)) if value < min => {
            format!("{} below the limit of {}", apart(min - value, unit), quantity(min, unit))
        }
        _ => "beyond its limit".to_owned(),
    }
}

/// A number with its unit; degrees stand without a space.
fn quantity(value: f64, unit: &str) -> String {
    match unit {
        "" | "°" => format!("{}{unit}", number(value)),
        _ => format!("{} {unit}", number(value)),
    }
}

/// A difference of two quantities: of two percentages it is counted in points.
fn apart(value: f64, unit: &str) -> String {
    if unit == "%" { format!("{} percentage points", number(value)) } else { quantity(value, unit) }
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
