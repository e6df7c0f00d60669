//! What a real winding has beside the textbook's: saturation, harmonics of the magnet's flux, the inverter's dead time.
//!
//! Saturation: currents are the slopes of one energy of the linkages x and y (amplitude-invariant, so without the 1.5),
//!
//! W = x²/2L_d + y²/2L_q + a x⁴/4 + b y⁴/4 + c x² y²/2, i_d = ∂W/∂x, i_q = ∂W/∂y,
//!
//! so that ∂i_d/∂y = ∂i_q/∂x, which is ∂λ_d/∂i_q = ∂λ_q/∂i_d, holds by construction, and no matrix is inverted. It is the
//! algebraic model of flux linkages of Hinkkanen and others (IEEE Transactions on Industry Applications, 2017; from memory)
//! with all exponents 2, about the magnet's point. With a, b, c ≥ 0 and c² ≤ 9 a b it is convex: every current has one
//! linkage and inductances stay above 0, however large the current.
//!
//! Harmonics: the magnet's linkage across its axis is ψ Σ (s/n) sin(n θ_e + φ). Back-EMF and torque both follow from it:
//! in d and q they contain e_d = ψ Σ (s/n) sin(n θ_e + φ) and e_q = ψ (1 + Σ s cos(n θ_e + φ)), so that with i_q alone the
//! torque ripples by s of itself, and no energy comes from nowhere.
//!
//! Dead time: each phase's voltage is short of the drive's by U i / √(i² + i0²): U against the current's direction, and
//! within about i0 of zero less, since the devices' capacitance then carries the current. It is smooth, so that a current
//! may rest at zero without an infinity of switching, and it always takes energy. What it does not: move (see
//! [`crate::plant::effect_series`]). Start reading at [`Laws`].

use crate::base::real;
use crate::plant::motor::{DeadTime, Pmsm, Saturation};

/// The effects as numbers, and the harmonics' state.
#[derive(Clone, Debug)]
pub(crate) struct Laws {
    /// a, b and c in A/Vs³.
    pub(crate) cubic: [f64; 2],
    pub(crate) cross: f64,
    pub(crate) harmonics: Vec<Ripple>,
    pub(crate) dead_time: Option<DeadTime>,
}

/// A harmonic of the magnet's flux.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Ripple {
    /// n.
    pub(crate) order: f64,
    /// s.
    pub(crate) share: f64,
    phase_rad: f64,
    /// Sine and cosine of n θ_e + φ.
    pub(crate) sine: f64,
    pub(crate) cosine: f64,
}

impl Laws {
    /// The effects of a machine; none where it has none, so that they cost nothing.
    pub(crate) fn of(pmsm: &Pmsm) -> Option<Self> {
        let effects = &pmsm.effects;
        if effects.saturation.is_none() && effects.flux_ripple.is_empty() && effects.dead_time.is_none() {
            return None;
        }
        let (cubic, cross) = effects.saturation.map_or(([0.0; 2], 0.0), |saturation| {
            let inductance_h = [pmsm.inductance_d_h, pmsm.inductance_q_h];
            assert!(saturation.is_convex(inductance_h), "a saturation whose inductances may fall to 0");
            saturation.coefficients(inductance_h)
        });
        let harmonics = effects.flux_ripple.iter().map(|one| {
            assert!(1 < one.per_electrical_turn, "a constant voltage is no harmonic of a flux");
            let order = f64::from(one.per_electrical_turn);
            Ripple { order, share: one.share, phase_rad: one.phase_rad, sine: 0.0, cosine: 0.0 }
        });
        if let Some(dead_time) = effects.dead_time {
            assert!(0.0 <= dead_time.error_v && 0.0 < dead_time.knee_a, "a dead time's error below 0, or no knee");
        }
        Some(Self { cubic, cross, harmonics: harmonics.collect(), dead_time: effects.dead_time })
    }

    /// Takes the electrical angle.
    pub(crate) fn turn_to(&mut self, electrical_rad: f64) {
        for one in &mut self.harmonics {
            (one.sine, one.cosine) = real::sin_cos(one.order * electrical_rad + one.phase_rad);
        }
    }

    /// What saturation adds to i_d and i_q.
    pub(crate) fn saturation_a(&self, [x_vs, y_vs]: [f64; 2]) -> [f64; 2] {
        let (xx, yy) = (x_vs * x_vs, y_vs * y_vs);
        [x_vs * (self.cubic[0] * xx + self.cross * yy), y_vs * (self.cubic[1] * yy + self.cross * xx)]
    }

    /// What it adds to W.
    pub(crate) fn saturation_vsa(&self, [x_vs, y_vs]: [f64; 2]) -> f64 {
        let (xx, yy) = (x_vs * x_vs, y_vs * y_vs);
        0.25 * (self.cubic[0] * xx * xx + self.cubic[1] * yy * yy) + 0.5 * self.cross * xx * yy
    }

    /// e_d and e_q less the magnet's own ψ, each over ψ.
    pub(crate) fn ripple(&self) -> [f64; 2] {
        self.harmonics
            .iter()
            .fold([0.0; 2], |[d, q], one| [d + one.share / one.order * one.sine, q + one.share * one.cosine])
    }
}

impl Saturation {
    /// a and b, and c, in A/Vs³: with s the share of the linkage that is left at current I alone on an axis,
    /// I = s I + a (s L I)³; and with y = s L_q I in q, the share of L_d left for small i_d is 1 / (1 + c L_d y²).
    #[must_use]
    pub fn coefficients(&self, [inductance_d_h, inductance_q_h]: [f64; 2]) -> ([f64; 2], f64) {
        let cube = |value: f64| value * value * value;
        let cubic = |share: f64, inductance_h: f64| {
            (1.0 - share) * self.current_a / cube(share * inductance_h * self.current_a)
        };
        let across_vs = self.share_q * inductance_q_h * self.current_a;
        let cross = (1.0 / self.share_cross - 1.0) / (inductance_d_h * across_vs * across_vs);
        ([cubic(self.share_d, inductance_d_h), cubic(self.share_q, inductance_q_h)], cross)
    }

    /// The least `share_cross` with which every current still has one linkage: that of c = 3 √(a b).
    #[must_use]
    pub fn least_share_cross(&self, inductance_h: [f64; 2]) -> f64 {
        let ([a, b], _) = self.coefficients(inductance_h);
        let across_vs = self.share_q * inductance_h[1] * self.current_a;
        1.0 / (1.0 + 3.0 * (a * b).sqrt() * inductance_h[0] * across_vs * across_vs)
    }

    /// Whether every current has one linkage: c² ≤ 9 a b.
    #[must_use]
    pub fn is_convex(&self, inductance_h: [f64; 2]) -> bool {
        let ([a, b], c) = self.coefficients(inductance_h);
        0.0 <= a && 0.0 <= b && 0.0 <= c && c * c <= 9.0 * a * b
    }
}
