//! Numbers as people read them, and text from outside made fit to be shown.
//!
//! One way to write a number for every rendering, so that the sheet, the page and the JSON agree to the digits shown.
//! What it does not: units of a machine (see `base/units.rs`). Start reading at [`figure`].

/// Significant digits of a number found.
const DIGITS: usize = 4;
/// From this exponent on (10⁷) and below the other (10⁻⁵) numbers are written with a power of ten.
const PLAIN_EXPONENTS: std::ops::Range<i32> = -5..7;

/// A number with at most four significant digits, no trailing zeros, `-0` as `0`; whole numbers below ten million keep
/// all their digits.
#[must_use]
pub fn figure(value: f64) -> String {
    figure_with(value, DIGITS)
}

/// A difference in a sentence: three digits say how far.
#[must_use]
pub fn rough(value: f64) -> String {
    figure_with(value, 3)
}

/// Two numbers that are compared: with as many digits as it takes to tell them apart, where they differ at all.
#[must_use]
pub fn figures_apart(value: f64, other: f64) -> (String, String) {
    for digits in DIGITS..=17 {
        let pair = (figure_with(value, digits), figure_with(other, digits));
        if pair.0 != pair.1 || value == other {
            return pair;
        }
    }
    (value.to_string(), other.to_string())
}

/// The space between a number and its unit, at which no line breaks. The score sheet ends with plain spaces instead.
pub const JOINING_SPACE: char = '\u{a0}';

/// A number with its unit: `0.1537 s`, `13.1 %`, `41.2°`, `1.97`.
#[must_use]
pub fn with_unit(number: &str, unit: &str) -> String {
    match unit {
        "" => number.to_owned(),
        "°" => format!("{number}°"),
        _ => format!("{number}{JOINING_SPACE}{}", shown(unit)),
    }
}

/// [`figure`] with its unit.
#[must_use]
pub fn quantity(value: f64, unit: &str) -> String {
    with_unit(&figure(value), unit)
}

/// Text from outside on one line, without characters that steer a terminal or reorder a line.
#[must_use]
pub fn shown(text: &str) -> String {
    let steers = |c: char| {
        c.is_control()
            || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}')
    };
    let spaced: String = text.chars().map(|c| if steers(c) { ' ' } else { c }).collect();
    spaced.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A count and its noun: `no move`, `1 move`, `3 moves`.
#[must_use]
pub fn counted(count: u64, one: &str, many: &str) -> String {
    match count {
        0 => format!("no {one}"),
        1 => format!("1 {one}"),
        _ => format!("{count} {many}"),
    }
}

fn figure_with(value: f64, digits: usize) -> String {
    if !value.is_finite() {
        return "no number".to_owned();
    }
    if value == 0.0 {
        return "0".to_owned();
    }
    let scientific = format!("{:.*e}", digits - 1, value);
    let (mantissa, exponent) = scientific.split_once('e').unwrap_or((&scientific, "0"));
    let exponent: i32 = exponent.parse().unwrap_or(0);
    if !PLAIN_EXPONENTS.contains(&exponent) {
        return format!("{}e{exponent}", without_trailing_zeros(mantissa));
    }
    let decimals = usize::try_from(digits as i32 - 1 - exponent).unwrap_or(0);
    without_trailing_zeros(&format!("{value:.decimals$}")).to_owned()
}

fn without_trailing_zeros(number: &str) -> &str {
    if number.contains('.') { number.trim_end_matches('0').trim_end_matches('.') } else { number }
}
