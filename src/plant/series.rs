//! Power series over one piece of a tick, and the first place where one falls below 0.
//!
//! A piece of length h is parametrised by τ in [0, 1]; a series holds the coefficients of τ⁰, τ¹, ..., each with the
//! factor hᵏ in it, so that the size of a coefficient is its share in the motion. What it does not: make series (see
//! [`crate::plant::expansion`]). Start reading at [`first_fall`].

/// The highest power a piece may use. Terms of a motion that turns by z rad in a piece fall as zᵏ/k!; with 24 a piece
/// may turn by 2.5 rad, beyond that two shorter ones cost less than more terms.
pub(crate) const ORDER_MAX: usize = 24;
/// Coefficients in a series.
pub(crate) const TERMS: usize = ORDER_MAX + 1;
/// Coefficients of τ⁰ up to τ^ORDER_MAX.
pub(crate) type Series = [f64; TERMS];

/// 1/k; the entry of 0 is never used.
pub(crate) const INVERSE: [f64; TERMS + 1] = inverses();

const fn inverses() -> [f64; TERMS + 1] {
    let mut table = [0.0; TERMS + 1];
    let mut k = 1;
    while k <= TERMS {
        table[k] = 1.0 / k as f64;
        k += 1;
    }
    table
}

/// k! and 1/k!.
pub(crate) const FACTORIAL: Series = factorials();
pub(crate) const INVERSE_FACTORIAL: Series = inverse_factorials();

const fn factorials() -> Series {
    let mut table = [1.0; TERMS];
    let mut k = 1;
    while k < TERMS {
        table[k] = table[k - 1] * k as f64;
        k += 1;
    }
    table
}

const fn inverse_factorials() -> Series {
    let mut table = factorials();
    let mut k = 0;
    while k < TERMS {
        table[k] = 1.0 / table[k];
        k += 1;
    }
    table
}

/// Value of a series at τ.
pub(crate) fn value(series: &[f64], tau: f64) -> f64 {
    series.iter().rev().fold(0.0, |sum, coefficient| sum * tau + coefficient)
}

/// What a series adds from τ = 0 to τ: everything but its constant term.
pub(crate) fn growth(series: &[f64], tau: f64) -> f64 {
    series.iter().skip(1).rev().fold(0.0, |sum, coefficient| (sum + coefficient) * tau)
}

/// ∫ of a series from 0 to τ.
pub(crate) fn integral(series: &[f64], tau: f64) -> f64 {
    series.iter().zip(&INVERSE[1..]).rev().fold(0.0, |sum, (coefficient, inverse)| (sum + coefficient * inverse) * tau)
}

/// ∫ of the product of two series from 0 to τ, every term of the product in it.
pub(crate) fn product_integral(one: &[f64], other: &[f64], tau: f64) -> f64 {
    let mut product = [0.0; 2 * TERMS];
    for (j, a) in one.iter().enumerate() {
        for (k, b) in other.iter().enumerate() {
            product[j + k] += a * b;
        }
    }
    product.iter().enumerate().rev().fold(0.0, |sum, (k, coefficient)| (sum + coefficient / (k + 1) as f64) * tau)
}

/// Stretches or shortens the piece: coefficient k times scaleᵏ.
pub(crate) fn rescale(series: &mut [f64], scale: f64) {
    let mut factor = 1.0;
    for coefficient in series {
        *coefficient *= factor;
        factor *= scale;
    }
}

/// Sum of the sizes of all coefficients but the first: no value on the piece is farther from the first one.
pub(crate) fn reach(series: &[f64]) -> f64 {
    series.iter().skip(1).map(|coefficient| coefficient.abs()).sum()
}

/// The finest part of a piece that the search looks at, as a power of ½; a pair of roots nearer than that is noise.
const FINEST: u32 = 44;

/// The first τ in [0, upto] where a function that starts at or above 0 falls below 0; `None` when it does not.
///
/// Leading coefficients that are exactly 0 are a root at τ = 0 that the caller knows (the instant of the last event)
/// and do not count; a first coefficient below 0 is taken for such a root, since functions are never left below 0 but
/// by rounding. The interval is halved until on each part either the sizes of the coefficients exclude a root, or the
/// function is monotone there; so two roots close together are not missed.
pub(crate) fn first_fall(function: &[f64], upto: f64) -> Option<f64> {
    let function = match function {
        [first, rest @ ..] if *first < 0.0 => rest,
        other => other,
    };
    let lead = function.iter().position(|coefficient| *coefficient != 0.0)?;
    let function = &function[lead..];
    if function[0] < 0.0 {
        return Some(0.0);
    }
    let (mut level, mut place) = (0_u32, 0_u64);
    loop {
        let length = upto / (1_u64 << level) as f64;
        let start = length * place as f64;
        let mut part = [0.0; TERMS];
        let part = shifted(function, start, length, &mut part);
        match judge(part) {
            Course::Falls => return Some(start + length * fall_of_monotone(part)),
            Course::Unclear if level < FINEST => (level, place) = (level + 1, 2 * place),
            Course::Unclear if value(part, 1.0) < 0.0 => return Some(start + length),
            Course::Unclear | Course::StaysAbove => {
                place += 1;
                while 0 < level && place % 2 == 0 {
                    (level, place) = (level - 1, place / 2);
                }
                if level == 0 {
                    return None;
                }
            }
        }
    }
}

enum Course {
    StaysAbove,
    Falls,
    Unclear,
}

/// What a function does on [0, 1], as far as its coefficients say it.
fn judge(part: &[f64]) -> Course {
    if reach(part) < part[0] {
        return Course::StaysAbove;
    }
    let Some(slope) = part.get(1) else { return Course::StaysAbove };
    let bend: f64 = part.iter().enumerate().skip(2).map(|(k, coefficient)| k as f64 * coefficient.abs()).sum();
    if slope.abs() < bend {
        Course::Unclear
    } else if *slope < 0.0 && value(part, 1.0) < 0.0 {
        Course::Falls
    } else {
        Course::StaysAbove
    }
}

/// The root of a function that falls monotonically through 0 on [0, 1]: Newton's steps, held inside a bracket.
fn fall_of_monotone(part: &[f64]) -> f64 {
    let end = value(part, 1.0);
    let (mut low, mut high, mut tau) = (0.0, 1.0, part[0].max(0.0) / (part[0].max(0.0) - end));
    for _ in 0..100 {
        let (height, slope) = value_and_slope(part, tau);
        if 0.0 < height {
            low = tau
        } else {
            high = tau
        }
        let newton = tau - height / slope;
        let next = if low < newton && newton < high { newton } else { 0.5 * (low + high) };
        let settled = (next - tau).abs() <= 2.0 * f64::EPSILON * next;
        tau = next;
        if settled || high - low <= f64::EPSILON * high {
            break;
        }
    }
    tau
}

fn value_and_slope(series: &[f64], tau: f64) -> (f64, f64) {
    let (mut height, mut slope) = (0.0, 0.0);
    for coefficient in series.iter().rev() {
        slope = slope * tau + height;
        height = height * tau + coefficient;
    }
    (height, slope)
}

/// The series of `function(start + length τ)`, by repeated synthetic division.
pub(crate) fn shifted<'a>(function: &[f64], start: f64, length: f64, part: &'a mut Series) -> &'a [f64] {
    let part = &mut part[..function.len()];
    part.copy_from_slice(function);
    if start != 0.0 {
        for first in 0..part.len() {
            for k in (first..part.len() - 1).rev() {
                part[k] += start * part[k + 1];
            }
        }
    }
    rescale(part, length);
    part
}

#[cfg(test)]
mod tests {
    use super::{first_fall, product_integral};

    /// Two roots a ten-millionth apart, a fall after a rise, a touch without a fall.
    #[test]
    fn the_first_fall_is_found_between_close_roots() {
        let (one, two) = (0.3, 0.3 + 1e-7);
        let found = first_fall(&[one * two, -(one + two), 1.0], 1.0).expect("falls at the first root");
        assert!((found - one).abs() < 1e-9, "{found}");
        let found = first_fall(&[0.0, 0.0, 1.0, -2.0], 1.0).expect("falls behind a known double root");
        assert!((found - 0.5).abs() < 1e-15, "{found}");
        assert_eq!(first_fall(&[0.25, -1.0, 1.0 + 1e-6], 1.0), None);
        assert_eq!(first_fall(&[1.0, -2.0], 0.4), None);
        assert_eq!(first_fall(&[0.0, -1.0], 1.0), Some(0.0));
    }

    /// ∫ (1 + 2τ)(3 − τ) from 0 to 1 is 3 + 5/2 − 2/3.
    #[test]
    fn products_are_integrated_exactly() {
        assert!((product_integral(&[1.0, 2.0], &[3.0, -1.0], 1.0) - (3.0 + 2.5 - 2.0 / 3.0)).abs() < 1e-15);
    }
}
