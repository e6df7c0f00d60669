//! Axes: from numbers to places between 0 and 1, and where their ticks stand.
//!
//! What it does not: draw. Start reading at [`Axis`].

use super::figure::figure;
use crate::base::real;

/// How an axis divides.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Division {
    /// Even steps.
    Linear,
    /// Even ratios; both ends are greater than 0.
    Logarithmic,
}

/// A range of numbers along an axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Axis {
    /// The lower end.
    pub low: f64,
    /// The upper end, above the lower one.
    pub high: f64,
    /// How it divides.
    pub division: Division,
}

/// A tick: its place between 0 and 1, and its number where one is printed.
#[derive(Clone, Debug, PartialEq)]
pub struct Tick {
    /// Place along the axis, 0 at the lower end.
    pub place_frac: f64,
    /// The number; none for a line without one.
    pub label: Option<String>,
}

impl Axis {
    /// A linear axis round these numbers with `margin_frac` of their span to spare on either side. Numbers that are not
    /// finite are left out; without any the axis goes from 0 to 1, and equal numbers get one unit of room or a tenth.
    #[must_use]
    pub fn linear_round(values: impl IntoIterator<Item = f64>, margin_frac: f64) -> Self {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for value in values.into_iter().filter(|value| value.is_finite()) {
            low = low.min(value);
            high = high.max(value);
        }
        if high < low {
            return Self { low: 0.0, high: 1.0, division: Division::Linear };
        }
        let span =
            if high - low <= 1e-12 * high.abs().max(low.abs()) { (0.1 * high.abs()).max(1e-3) } else { high - low };
        Self { low: low - margin_frac * span, high: high + margin_frac * span, division: Division::Linear }
    }

    /// An axis between two given ends; equal or reversed ends give a range of one unit.
    #[must_use]
    pub fn linear(low: f64, high: f64) -> Self {
        let high = if low < high { high } else { low + 1.0 };
        Self { low, high, division: Division::Linear }
    }

    /// A logarithmic axis between two given ends; ends that are not positive or not in order give 1 to 10.
    #[must_use]
    pub fn logarithmic(low: f64, high: f64) -> Self {
        let fits = 0.0 < low && low < high && high.is_finite();
        let (low, high) = if fits { (low, high) } else { (1.0, 10.0) };
        Self { low, high, division: Division::Logarithmic }
    }

    /// The place of a number: 0 at the lower end, 1 at the upper, beyond them outside.
    #[must_use]
    pub fn place_frac(&self, value: f64) -> f64 {
        match self.division {
            Division::Linear => (value - self.low) / (self.high - self.low),
            Division::Logarithmic => {
                real::log10(value.max(f64::MIN_POSITIVE) / self.low) / real::log10(self.high / self.low)
            }
        }
    }

    /// Whether a number lies on the axis.
    #[must_use]
    pub fn holds(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }

    /// Ticks at 1, 2 or 5 times a power of ten, about `about` of them (at least 2); on a logarithmic axis a line at
    /// every whole multiple of a power of ten and numbers at 1, 2 and 5 or, where that is too many, at 1.
    #[must_use]
    pub fn ticks(&self, about: usize) -> Vec<Tick> {
        match self.division {
            Division::Linear => self.linear_ticks(nice_step((self.high - self.low) / about.max(2) as f64)),
            Division::Logarithmic => self.logarithmic_ticks(about),
        }
    }

    /// Ticks at multiples of a step greater than 0.
    #[must_use]
    pub fn linear_ticks(&self, step: f64) -> Vec<Tick> {
        let first = (self.low / step).ceil() as i64;
        let last = (self.high / step).floor() as i64;
        (first..=last)
            .map(|count| {
                let value = count as f64 * step;
                Tick { place_frac: self.place_frac(value), label: Some(figure(tidy(value, step))) }
            })
            .collect()
    }

    fn logarithmic_ticks(&self, about: usize) -> Vec<Tick> {
        let decades = real::log10(self.high / self.low);
        let numbered: &[u32] = if decades * 3.0 <= about as f64 { &[1, 2, 5] } else { &[1] };
        let mut power = real::pow(10.0, real::log10(self.low).floor());
        let mut ticks = Vec::new();
        while power <= self.high {
            for multiple in 1..10_u32 {
                let value = f64::from(multiple) * power;
                if self.low * (1.0 - 1e-9) <= value && value <= self.high * (1.0 + 1e-9) {
                    let label = numbered.contains(&multiple).then(|| figure(value));
                    ticks.push(Tick { place_frac: self.place_frac(value), label });
                }
            }
            power *= 10.0;
        }
        ticks
    }
}

/// Of 1, 2 and 5 times the powers of ten the one nearest to a step greater than 0, by ratio; 1 for any other step.
#[must_use]
pub fn nice_step(step: f64) -> f64 {
    if !(step.is_finite() && 0.0 < step) {
        return 1.0;
    }
    let power = real::pow(10.0, real::log10(step).floor());
    // The bounds are the geometric means of the neighbours: √2, √10, √50.
    let multiple = match step / power {
        ratio if ratio < std::f64::consts::SQRT_2 => 1.0,
        ratio if ratio < 10.0_f64.sqrt() => 2.0,
        ratio if ratio < 50.0_f64.sqrt() => 5.0,
        _ => 10.0,
    };
    multiple * power
}

/// A multiple of a step without the last bits of the multiplication: 0.30000000000000004 becomes 0.3.
fn tidy(value: f64, step: f64) -> f64 {
    if value.abs() < 1e-9 * step { 0.0 } else { value }
}
