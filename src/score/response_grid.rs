//! Curves over frequency: a grid that misses no resonance, every root and every extreme on it, polished.
//!
//! What it does not: know what a curve means. Start reading at [`Samples`].

use crate::base::real;

/// Points per decade of the plain grid.
const PER_DECADE: f64 = 240.0;
/// Closest point to a breakpoint, as a share of it: below the width of any resonance that a bench can ring.
const CLOSEST: f64 = 1e-9;

/// Rising frequencies from `low` to `high` (both included): a logarithmic grid, and round every breakpoint points whose
/// distance from it grows by half from 1e-9 of it on, so that a resonance of any width is met at its own scale.
#[must_use]
pub fn grid(low_rad_per_s: f64, high_rad_per_s: f64, breakpoints_rad_per_s: &[f64]) -> Vec<f64> {
    let decades = real::log10(high_rad_per_s / low_rad_per_s);
    let steps = (decades * PER_DECADE).ceil().max(1.0);
    let mut points: Vec<f64> =
        (0..=steps as u32).map(|k| low_rad_per_s * real::pow(10.0, decades * f64::from(k) / steps)).collect();
    for centre in breakpoints_rad_per_s.iter().copied().filter(|centre| centre.is_finite() && 0.0 < *centre) {
        points.push(centre);
        let mut distance = CLOSEST;
        while distance < 0.5 {
            points.extend([centre * (1.0 - distance), centre * (1.0 + distance)]);
            distance *= 1.5;
        }
    }
    points.retain(|point| low_rad_per_s < *point && *point < high_rad_per_s);
    points.extend([low_rad_per_s, high_rad_per_s]);
    points.sort_by(f64::total_cmp);
    points.dedup();
    points
}

/// An extreme of a curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Extreme {
    /// Where, in rad/s.
    pub rad_per_s: f64,
    /// The curve's value there.
    pub value: f64,
}

/// A curve over frequency, sampled.
#[derive(Clone, Debug)]
pub struct Samples<F> {
    curve: F,
    points: Vec<Extreme>,
}

impl<F: Fn(f64) -> f64> Samples<F> {
    /// Samples a curve on a grid.
    pub fn of(grid: &[f64], curve: F) -> Self {
        let points = grid.iter().map(|w| Extreme { rad_per_s: *w, value: curve(*w) }).collect();
        Self { curve, points }
    }

    /// Every root by rising frequency, polished by bisection to the last digits. Pairs of roots between two samples are
    /// found too, by polishing the extremes that come towards zero between them. A jump across zero counts as a root.
    pub fn roots(&self) -> Vec<f64> {
        let mut points = self.points.clone();
        for three in self.points.windows(3) {
            let [before, here, after] = [three[0], three[1], three[2]];
            if 0.0 < here.value && here.value <= before.value && here.value < after.value {
                points.push(self.polished(before.rad_per_s, after.rad_per_s, -1.0));
            }
            if here.value < 0.0 && before.value <= here.value && after.value < here.value {
                points.push(self.polished(before.rad_per_s, after.rad_per_s, 1.0));
            }
        }
        points.sort_by(|a, b| a.rad_per_s.total_cmp(&b.rad_per_s));
        let mut roots: Vec<f64> = points
            .windows(2)
            .filter(|pair| (pair[0].value < 0.0) != (pair[1].value < 0.0))
            .map(|pair| self.bisected(pair[0], pair[1].rad_per_s))
            .collect();
        roots.dedup_by(|later, earlier| *later <= *earlier * (1.0 + 1e-12));
        roots
    }

    /// Every maximum by rising frequency, polished; an end of the grid counts when the curve falls from it inwards.
    pub fn maxima(&self) -> Vec<Extreme> {
        self.extremes(1.0, true)
    }

    /// Every minimum between the ends of the grid by rising frequency, polished.
    pub fn minima_inside(&self) -> Vec<Extreme> {
        self.extremes(-1.0, false)
    }

    fn extremes(&self, sign: f64, with_ends: bool) -> Vec<Extreme> {
        let value = |point: &Extreme| sign * point.value;
        let mut found = Vec::new();
        if let [first, second, ..] = &self.points[..]
            && with_ends
            && value(second) < value(first)
        {
            found.push(*first);
        }
        for three in self.points.windows(3) {
            if value(&three[0]) < value(&three[1]) && value(&three[2]) <= value(&three[1]) {
                found.push(self.polished(three[0].rad_per_s, three[2].rad_per_s, sign));
            }
        }
        if let [.., before, last] = &self.points[..]
            && with_ends
            && value(before) < value(last)
        {
            found.push(*last);
        }
        found
    }

    /// The root between a point and another of the other sign.
    fn bisected(&self, from: Extreme, to_rad_per_s: f64) -> f64 {
        let (mut low, mut high) = (from.rad_per_s, to_rad_per_s);
        for _ in 0..120 {
            let middle = 0.5 * (low + high);
            if middle <= low || high <= middle {
                break;
            }
            if ((self.curve)(middle) < 0.0) == (from.value < 0.0) { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    }

    /// The maximum (`sign` 1) or minimum (−1) between two frequencies, by golden section.
    fn polished(&self, low_rad_per_s: f64, high_rad_per_s: f64, sign: f64) -> Extreme {
        let golden = 0.5 * (5.0_f64.sqrt() - 1.0);
        let value = |w: f64| sign * (self.curve)(w);
        let (mut low, mut high) = (low_rad_per_s, high_rad_per_s);
        let (mut left, mut right) = (high - golden * (high - low), low + golden * (high - low));
        let (mut at_left, mut at_right) = (value(left), value(right));
        // 1e-9 of the frequency: the value is then right to the last digits, since it is flat there.
        while 1e-9 * high < high - low {
            if at_left < at_right {
                (low, left, at_left) = (left, right, at_right);
                right = low + golden * (high - low);
                at_right = value(right);
            } else {
                (high, right, at_right) = (right, left, at_left);
                left = high - golden * (high - low);
                at_left = value(left);
            }
        }
        let middle = 0.5 * (low + high);
        Extreme { rad_per_s: middle, value: (self.curve)(middle) }
    }
}
