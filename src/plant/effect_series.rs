//! A real winding's effects over one piece: the series that the textbook's machine does not need.
//!
//! All are made of the linkages' and the speed's coefficients by sums and products (∗), one power after the other:
//! currents i_d = x/L_d + x ∗ (a x∗x + c y∗y) and alike; sine and cosine of each harmonic, m S_m = h n p Σ w_j C_{m−1−j};
//! the phases' currents by the electrical angle's sine and cosine; and g = (i² + i0²)^(−1/2) of each phase by the power
//! rule m q_0 g_m = Σ_{j≥1} (j/2 − m) q_j g_{m−j}. What it does not: solve for the linkages (see [`crate::plant::flux`]).
//! Start reading at [`EffectSeries::follow`].

use crate::plant::effects::Laws;
use crate::plant::series::{INVERSE, Series, TERMS, rescale};
use crate::plant::winding::{Coils, Winding};

/// √3/2, by which β enters phases b and c.
const ACROSS: f64 = 0.866_025_403_784_438_6;

/// Series of the effects.
#[derive(Clone, Debug)]
pub(crate) struct EffectSeries {
    cubic: [f64; 2],
    cross: f64,
    shares: Vec<(f64, f64)>,
    /// x and y, and their squares.
    pub(crate) linkage_vs: [Series; 2],
    square: [Series; 2],
    pub(crate) current_a: [Series; 2],
    /// Sine and cosine of each harmonic.
    harmonics: Vec<[Series; 2]>,
    pub(crate) dead_time: Option<Box<DeadTimeSeries>>,
}

/// Series of the inverter's dead time.
#[derive(Clone, Debug)]
pub(crate) struct DeadTimeSeries {
    error_v: f64,
    knee_a: f64,
    /// Sine and cosine of the electrical angle.
    turn: [Series; 2],
    phases: [Phase; 3],
    /// Voltage that is added to the drive's, in the stator's axes and in d and q.
    stator_v: [Series; 2],
    pub(crate) added_v: [Series; 2],
}

/// One phase.
#[derive(Clone, Copy, Debug)]
struct Phase {
    current_a: Series,
    /// i² + i0², and its power −1/2.
    square: Series,
    inverse_root: Series,
}

/// Σ one_j other_{k−j}.
fn product(one: &Series, other: &Series, k: usize) -> f64 {
    one[..=k].iter().zip(other[..=k].iter().rev()).map(|(one, other)| one * other).sum()
}

/// Coefficient k + 1 of sine and cosine of an angle that turns `order` times as fast as the motor.
fn turn([sine, cosine]: &mut [Series; 2], order: f64, speed: &Series, length_s: f64, k: usize) {
    let share = order * length_s * INVERSE[k + 1];
    sine[k + 1] = share * product(speed, cosine, k);
    cosine[k + 1] = -share * product(speed, sine, k);
}

impl EffectSeries {
    pub(crate) fn new(laws: &Laws) -> Self {
        let blank = [[0.0; TERMS]; 2];
        Self {
            cubic: laws.cubic,
            cross: laws.cross,
            shares: laws.harmonics.iter().map(|one| (one.order, one.share)).collect(),
            linkage_vs: blank,
            square: blank,
            current_a: blank,
            harmonics: vec![blank; laws.harmonics.len()],
            dead_time: laws.dead_time.map(|dead_time| {
                let phase = Phase { current_a: [0.0; TERMS], square: [0.0; TERMS], inverse_root: [0.0; TERMS] };
                Box::new(DeadTimeSeries {
                    error_v: dead_time.error_v,
                    knee_a: dead_time.knee_a,
                    turn: blank,
                    phases: [phase; 3],
                    stator_v: blank,
                    added_v: blank,
                })
            }),
        }
    }

    /// Takes a winding at the piece's start; returns e_d and e_q less ψ.
    pub(crate) fn start(&mut self, winding: &Winding, laws: &Laws) -> [f64; 2] {
        for (series, one) in self.harmonics.iter_mut().zip(&laws.harmonics) {
            (series[0][0], series[1][0]) = (one.sine, one.cosine);
        }
        if let Some(dead_time) = &mut self.dead_time {
            (dead_time.turn[0][0], dead_time.turn[1][0]) = (winding.sine, winding.cosine);
        }
        self.take(&winding.coils, winding.linkage_vs, 0)
    }

    /// Coefficients k + 1 of everything, from the speed's up to k and the linkages' up to k + 1; returns those of e_d and
    /// e_q.
    pub(crate) fn follow(
        &mut self,
        coils: &Coils,
        linkage_vs: [f64; 2],
        speed: &Series,
        length_s: f64,
        k: usize,
    ) -> [f64; 2] {
        for (series, (order, _)) in self.harmonics.iter_mut().zip(&self.shares) {
            turn(series, order * coils.spin[0], speed, length_s, k);
        }
        if let Some(dead_time) = &mut self.dead_time {
            turn(&mut dead_time.turn, coils.spin[0], speed, length_s, k);
        }
        self.take(coils, linkage_vs, k + 1)
    }

    /// Coefficients k, where those of the angles' sines and cosines are known.
    fn take(&mut self, coils: &Coils, [x_vs, y_vs]: [f64; 2], k: usize) -> [f64; 2] {
        let [x, y] = &mut self.linkage_vs;
        (x[k], y[k]) = (x_vs, y_vs);
        let [xx, yy] = &mut self.square;
        (xx[k], yy[k]) = (product(x, x, k), product(y, y, k));
        let [d_a, q_a] = &mut self.current_a;
        (d_a[k], q_a[k]) = (coils.per_inductance[0] * x_vs, coils.per_inductance[1] * y_vs);
        if self.cubic != [0.0; 2] {
            let [x_xx, x_yy] = [product(x, xx, k), product(x, yy, k)];
            let [y_xx, y_yy] = [product(y, xx, k), product(y, yy, k)];
            d_a[k] += self.cubic[0] * x_xx + self.cross * x_yy;
            q_a[k] += self.cubic[1] * y_yy + self.cross * y_xx;
        }
        if let Some(dead_time) = &mut self.dead_time {
            dead_time.follow(&self.current_a, k);
        }
        let harmonics = self.harmonics.iter().zip(&self.shares);
        harmonics.fold([0.0; 2], |[d_vs, q_vs], ([sine, cosine], (order, share))| {
            let peak_vs = coils.magnet_vs * share;
            [d_vs + peak_vs / order * sine[k], q_vs + peak_vs * cosine[k]]
        })
    }

    /// Shortens the piece: every coefficient k times scaleᵏ. The speed's and the linkages' are what the rest is made of,
    /// but what comes next in this piece is made of all.
    pub(crate) fn rescale(&mut self, scale: f64) {
        let own = self.linkage_vs.iter_mut().chain(&mut self.square).chain(&mut self.current_a);
        for series in own.chain(self.harmonics.iter_mut().flatten()) {
            rescale(series, scale);
        }
        if let Some(dead_time) = &mut self.dead_time {
            for series in dead_time.turn.iter_mut().chain(&mut dead_time.stator_v).chain(&mut dead_time.added_v) {
                rescale(series, scale);
            }
        }
    }
}

impl DeadTimeSeries {
    /// Coefficients k from the currents' and the angle's up to k.
    fn follow(&mut self, [d_a, q_a]: &[Series; 2], k: usize) {
        let [sine, cosine] = &self.turn;
        let alpha_a = product(cosine, d_a, k) - product(sine, q_a, k);
        let beta_a = product(sine, d_a, k) + product(cosine, q_a, k);
        let currents_a = [alpha_a, ACROSS * beta_a - 0.5 * alpha_a, -ACROSS * beta_a - 0.5 * alpha_a];
        let mut added_v = [0.0; 3];
        for ((phase, current_a), added_v) in self.phases.iter_mut().zip(currents_a).zip(&mut added_v) {
            *added_v = -self.error_v * phase.follow(current_a, self.knee_a, k);
        }
        let [a_v, b_v, c_v] = added_v;
        let [alpha_v, beta_v] = &mut self.stator_v;
        alpha_v[k] = (2.0 * a_v - b_v - c_v) / 3.0;
        beta_v[k] = (b_v - c_v) / (2.0 * ACROSS);
        self.added_v[0][k] = product(cosine, alpha_v, k) + product(sine, beta_v, k);
        self.added_v[1][k] = product(cosine, beta_v, k) - product(sine, alpha_v, k);
    }
}

impl Phase {
    /// Coefficient k of i / √(i² + i0²), with the current's given.
    fn follow(&mut self, current_a: f64, knee_a: f64, k: usize) -> f64 {
        self.current_a[k] = current_a;
        self.square[k] = product(&self.current_a, &self.current_a, k);
        if k == 0 {
            self.square[0] += knee_a * knee_a;
            self.inverse_root[0] = 1.0 / self.square[0].sqrt();
        } else {
            let later = self.square[1..=k].iter().zip(self.inverse_root[..k].iter().rev());
            let sum: f64 = later
                .enumerate()
                .map(|(at, (square, inverse_root))| (0.5 * (at + 1) as f64 - k as f64) * square * inverse_root)
                .sum();
            self.inverse_root[k] = sum * INVERSE[k] / self.square[0];
        }
        product(&self.current_a, &self.inverse_root, k)
    }
}
