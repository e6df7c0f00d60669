//! The series of exp(−|w/ws|^s), by which dry friction falls from its static to its kinetic value as a node gets faster.
//!
//! With y = |w/ws|^s: E = exp(−y) has k E_k = −Σ_{j=1..k} j y_j E_{k−j}, and the newest coefficient of y is
//! y_k = a w_k + R_k with an `a` that is the same for all k and an R_k from earlier coefficients; so
//! E_k = −E_0 a w_k + G_k, which lets the linear part join the viscous friction: −E_0 a is the slope of E over w.
//! y itself: s = 1: y = |w|/ws. s = 2: the product rule. Else, with u = |w|/ws:
//! k u_0 y_k = Σ_{j=1..k} (s j − k + j) u_j y_{k−j} (Miller's formula; Knuth, Seminumerical Algorithms, 4.7). What it
//! does not: exist at w = 0 for s other than 1 and 2 (see [`crate::plant::expansion`], which holds E at 1 there). Start
//! reading at [`Weakening::next`].

use crate::base::real;
use crate::plant::chain::{Exponent, Node};
use crate::plant::series::{INVERSE, Series, TERMS};

/// E and what its recurrence needs.
#[derive(Clone, Debug)]
pub(crate) struct Weakening {
    exponent: Exponent,
    /// E_k.
    pub(crate) weakening: Series,
    /// k y_k.
    slopes: Series,
    /// y_k, for exponents other than 1 and 2.
    power: Series,
    /// a: change of y with w.
    power_slope: f64,
    /// −E_0 a: change of E with w.
    pub(crate) slope: f64,
    /// R_k of the coefficient under way.
    power_rest: f64,
}

impl Weakening {
    pub(crate) fn blank() -> Self {
        let blank = [0.0; TERMS];
        Self {
            exponent: Exponent::Two,
            weakening: blank,
            slopes: blank,
            power: blank,
            power_slope: 0.0,
            slope: 0.0,
            power_rest: 0.0,
        }
    }

    /// Starts at a node's speed, which is in this direction (+1 or −1).
    pub(crate) fn start(&mut self, node: &Node, direction: f64) {
        let (speed, scale) = (node.speed_rad_per_s, node.per_stribeck_speed);
        self.exponent = node.exponent;
        let power = match node.exponent {
            Exponent::One => {
                self.power_slope = direction * scale;
                self.power_slope * speed
            }
            Exponent::Two => {
                self.power_slope = 2.0 * scale * scale * speed;
                0.5 * self.power_slope * speed
            }
            Exponent::Other(exponent) => {
                let power = real::pow(direction * scale * speed, exponent);
                self.power_slope = exponent * power / speed;
                power
            }
        };
        self.power[0] = power;
        self.weakening[0] = real::exp(-power);
        self.slope = -self.weakening[0] * self.power_slope;
    }

    /// G_k, from the speed's coefficients below k.
    pub(crate) fn rest(&mut self, speed: &Series, node: &Node, k: usize) -> f64 {
        self.power_rest = match self.exponent {
            Exponent::One => 0.0,
            Exponent::Two => node.per_stribeck_speed * node.per_stribeck_speed * INNER_PRODUCTS[k](speed, speed),
            Exponent::Other(exponent) => self.general_rest(speed, exponent, k),
        };
        -self.weakening[0] * self.power_rest - INVERSE[k] * INNER_PRODUCTS[k](&self.slopes, &self.weakening)
    }

    /// Takes the speed's coefficient k, now known, with the G_k from before.
    pub(crate) fn next(&mut self, speed_coefficient: f64, rest: f64, k: usize) {
        let power = self.power_slope * speed_coefficient + self.power_rest;
        self.power[k] = power;
        self.slopes[k] = k as f64 * power;
        self.weakening[k] = self.slope * speed_coefficient + rest;
    }

    fn general_rest(&self, speed: &Series, exponent: f64, k: usize) -> f64 {
        let factor = |j: usize| exponent * j as f64 - (k - j) as f64;
        let sum: f64 = (1..k).map(|j| factor(j) * speed[j] * self.power[k - j]).sum();
        sum * INVERSE[k] / speed[0]
    }
}

/// Σ a_j b_{n−1−j} of two series of the same length n.
pub(crate) fn mirrored_product(one: &[f64], other: &[f64]) -> f64 {
    one.iter().zip(other.iter().rev()).map(|(a, b)| a * b).sum()
}

/// Σ a_j b_{k−j} over 0 < j < k for every k, each a function of its own: sums of a few products whose number is known
/// when they are compiled take a third of the time of loops.
const INNER_PRODUCTS: [fn(&Series, &Series) -> f64; TERMS] = [
    inner_product::<0>,
    inner_product::<1>,
    inner_product::<2>,
    inner_product::<3>,
    inner_product::<4>,
    inner_product::<5>,
    inner_product::<6>,
    inner_product::<7>,
    inner_product::<8>,
    inner_product::<9>,
    inner_product::<10>,
    inner_product::<11>,
    inner_product::<12>,
    inner_product::<13>,
    inner_product::<14>,
    inner_product::<15>,
    inner_product::<16>,
    inner_product::<17>,
    inner_product::<18>,
    inner_product::<19>,
    inner_product::<20>,
    inner_product::<21>,
    inner_product::<22>,
    inner_product::<23>,
    inner_product::<24>,
];

fn inner_product<const K: usize>(one: &Series, other: &Series) -> f64 {
    let (mut odd, mut even) = (0.0, 0.0);
    let mut j = 1;
    while j + 1 < K {
        odd += one[j] * other[K - j];
        even += one[j + 1] * other[K - j - 1];
        j += 2;
    }
    if j < K {
        odd += one[j] * other[K - j];
    }
    odd + even
}
