//! The series of exp(−|w/ws|^s), by which dry friction falls from its static to its kinetic value as a node gets
//! faster.
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
}

impl Weakening {
    pub(crate) fn blank() -> Self {
        let blank = [0.0; TERMS];
        Self { exponent: Exponent::Two, weakening: blank, slopes: blank, power: blank, power_slope: 0.0, slope: 0.0 }
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

    /// Takes the speed's coefficient k, which is at least 1, and returns G_k.
    #[inline]
    pub(crate) fn next(&mut self, speed: &Series, node: &Node, k: usize) -> f64 {
        let (square, product) = INNER_PRODUCTS[k](speed, &self.slopes, &self.weakening);
        let power_rest = match self.exponent {
            Exponent::One => 0.0,
            Exponent::Two => node.per_stribeck_speed * node.per_stribeck_speed * square,
            Exponent::Other(exponent) => self.general_rest(speed, exponent, k),
        };
        let rest = -self.weakening[0] * power_rest - INVERSE[k] * product;
        let power = self.power_slope * speed[k] + power_rest;
        self.power[k] = power;
        self.slopes[k] = k as f64 * power;
        self.weakening[k] = self.slope * speed[k] + rest;
        rest
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

type InnerProducts = fn(&Series, &Series, &Series) -> (f64, f64);

/// Σ w_j w_{k−j} and Σ a_j b_{k−j} over 0 < j < k, for every k a function of its own: sums of a few products whose
/// number is known when they are compiled take a third of the time of loops.
const INNER_PRODUCTS: [InnerProducts; TERMS] = [
    inner_products::<0>,
    inner_products::<1>,
    inner_products::<2>,
    inner_products::<3>,
    inner_products::<4>,
    inner_products::<5>,
    inner_products::<6>,
    inner_products::<7>,
    inner_products::<8>,
    inner_products::<9>,
    inner_products::<10>,
    inner_products::<11>,
    inner_products::<12>,
    inner_products::<13>,
    inner_products::<14>,
    inner_products::<15>,
    inner_products::<16>,
    inner_products::<17>,
    inner_products::<18>,
    inner_products::<19>,
    inner_products::<20>,
    inner_products::<21>,
    inner_products::<22>,
    inner_products::<23>,
    inner_products::<24>,
];

fn inner_products<const K: usize>(speed: &Series, one: &Series, other: &Series) -> (f64, f64) {
    let (mut square, mut product) = (0.0, 0.0);
    let mut j = 1;
    while j < K {
        product += one[j] * other[K - j];
        if 2 * j < K {
            square += speed[j] * speed[K - j];
        }
        j += 1;
    }
    square += square;
    if 1 < K && K.is_multiple_of(2) {
        square += speed[K / 2] * speed[K / 2];
    }
    (square, product)
}
