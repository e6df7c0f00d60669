//! The motor's electrical side over one piece: its series, one power after the other beside the chain's.
//!
//! With h the piece's length, g = h / (k + 1) and ∗ the product of series, the equations of [`crate::plant::winding`] give
//!
//! v_d = g p (w ∗ v_q), v_q = −g p (w ∗ v_d), x = g (v_d − R i_d + p (w ∗ y)), y = g (v_q − R i_q − p (w ∗ (x + ψ))),
//!
//! on the left coefficient k + 1, on the right k. All four products are with the speed, so what it multiplies lies side by
//! side: one pass over the speed's coefficients does for all of them. Neither sine nor cosine is needed beyond the piece's
//! start. Sizes are reckoned as energy, like the speeds' (√J w): √(1.5/L) x, whose half square is what the inductance
//! holds. They are judged apart from the speeds', against the largest of them and what the voltage alone would bring in the
//! piece: beside a heavy, fast axis a current would count for nothing. What a current's last term gives the motor shows in
//! the speed's next one.
//!
//! What it does not: cogging, which is a load on the motor. Start reading at [`Flux::next`].

use crate::plant::lane::converged;
use crate::plant::series::{INVERSE, Series, TERMS};
use crate::plant::winding::Winding;

/// Series of the winding.
#[derive(Clone, Debug)]
pub(crate) struct Flux {
    /// What the speed multiplies: v_q, −v_d, y, −(x + ψ).
    turned: [[f64; 4]; TERMS],
    /// i_d and i_q.
    current_a: [[f64; 2]; TERMS],
    /// Sizes of the last four powers of the linkages, and the largest.
    latest: [f64; 4],
    largest: f64,
    factors: Factors,
}

/// Constants with the piece's length in them.
#[derive(Clone, Copy, Debug, Default)]
struct Factors {
    length_s: f64,
    magnet_vs: f64,
    spin: [f64; 4],
    resistance_ohm: f64,
    per_inductance: [f64; 2],
    weight: [f64; 2],
    /// Torque per i_q, and per i_d i_q.
    magnet_nm_per_a: f64,
    reluctance_nm_per_a2: f64,
}

impl Flux {
    pub(crate) fn blank() -> Self {
        Self {
            turned: [[0.0; 4]; TERMS],
            current_a: [[0.0; 2]; TERMS],
            latest: [0.0; 4],
            largest: 0.0,
            factors: Factors::default(),
        }
    }

    /// Takes a winding at the piece's start.
    pub(crate) fn start(&mut self, winding: &Winding, length_s: f64) {
        let coils = &winding.coils;
        let [per_d, per_q] = coils.per_inductance;
        self.factors = Factors {
            length_s,
            magnet_vs: coils.magnet_vs,
            spin: coils.spin,
            resistance_ohm: coils.resistance_ohm,
            per_inductance: coils.per_inductance,
            weight: [(coils.phases * per_d).sqrt(), (coils.phases * per_q).sqrt()],
            magnet_nm_per_a: coils.phases * coils.spin[3] * coils.magnet_vs,
            reluctance_nm_per_a2: coils.phases * coils.spin[2] * (1.0 / per_d - 1.0 / per_q),
        };
        let [d_v, q_v] = winding.voltage_v();
        let [x_vs, y_vs] = winding.linkage_vs;
        self.turned[0] = [q_v, -d_v, y_vs, -(x_vs + coils.magnet_vs)];
        self.current_a[0] = winding.current_a();
        let size = self.size([x_vs, y_vs]);
        self.latest = [0.0, 0.0, 0.0, size];
        self.largest = size + length_s * self.size([d_v, q_v]);
    }

    fn size(&self, [x_vs, y_vs]: [f64; 2]) -> f64 {
        self.factors.weight[0] * x_vs.abs() + self.factors.weight[1] * y_vs.abs()
    }

    /// Coefficients k + 1 from the speed's and these up to k, and that of the torque.
    #[inline(always)]
    pub(crate) fn next(&mut self, speed: &Series, motor_nm: &mut Series, k: usize) {
        let mut products = [0.0; 4];
        for (speed, turned) in speed[..=k].iter().zip(self.turned[..=k].iter().rev()) {
            for (product, turned) in products.iter_mut().zip(turned) {
                *product += speed * turned;
            }
        }
        let factors = &self.factors;
        for (product, spin) in products.iter_mut().zip(factors.spin) {
            *product *= spin;
        }
        let share = factors.length_s * INVERSE[k + 1];
        let ([q_v, minus_d_v, ..], [d_a, q_a]) = (self.turned[k], self.current_a[k]);
        let x_vs = share * (products[2] - minus_d_v - factors.resistance_ohm * d_a);
        let y_vs = share * (products[3] + q_v - factors.resistance_ohm * q_a);
        self.turned[k + 1] = [share * products[1], -share * products[0], y_vs, -x_vs];
        self.current_a[k + 1] = [x_vs * factors.per_inductance[0], y_vs * factors.per_inductance[1]];
        motor_nm[k + 1] = factors.magnet_nm_per_a * self.current_a[k + 1][1];
        if factors.reluctance_nm_per_a2 != 0.0 {
            motor_nm[k + 1] += factors.reluctance_nm_per_a2 * self.current_product(k + 1);
        }
        let size = self.size([x_vs, y_vs]);
        self.latest = [self.latest[1], self.latest[2], self.latest[3], size];
        self.largest = if self.largest < size { size } else { self.largest };
    }

    /// Whether what follows the last power may be left out.
    pub(crate) fn converged(&self) -> bool {
        converged(self.latest, self.largest)
    }

    /// Coefficient k of i_d i_q.
    fn current_product(&self, k: usize) -> f64 {
        let pairs = self.current_a[..=k].iter().zip(self.current_a[..=k].iter().rev());
        pairs.map(|([d_a, _], [_, q_a])| d_a * q_a).sum()
    }

    /// Sizes of the linkages' coefficients.
    pub(crate) fn sizes(&self) -> Series {
        let mut sizes = std::array::from_fn(|k| self.size([self.turned[k][3], self.turned[k][2]]));
        sizes[0] = self.size([self.turned[0][3] + self.factors.magnet_vs, self.turned[0][2]]);
        sizes
    }

    /// Shortens the piece: every coefficient k times scaleᵏ.
    pub(crate) fn rescale(&mut self, scale: f64) {
        self.factors.length_s *= scale;
        let mut factor = 1.0;
        for (turned, current_a) in self.turned.iter_mut().zip(&mut self.current_a) {
            *turned = turned.map(|coefficient| factor * coefficient);
            *current_a = current_a.map(|coefficient| factor * coefficient);
            factor *= scale;
        }
    }

    /// What the linkages gain up to τ.
    pub(crate) fn growth_vs(&self, terms: usize, tau: f64) -> [f64; 2] {
        let later = self.turned[1..terms].iter().rev();
        later.fold([0.0; 2], |[x_vs, y_vs], turned| [(x_vs - turned[3]) * tau, (y_vs + turned[2]) * tau])
    }

    /// v_d and v_q.
    pub(crate) fn voltages_v(&self) -> [Series; 2] {
        [std::array::from_fn(|k| -self.turned[k][1]), std::array::from_fn(|k| self.turned[k][0])]
    }

    /// i_d and i_q.
    pub(crate) fn currents_a(&self) -> [Series; 2] {
        [std::array::from_fn(|k| self.current_a[k][0]), std::array::from_fn(|k| self.current_a[k][1])]
    }
}
