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

use crate::plant::effect_series::EffectSeries;
use crate::plant::lane::converged;
use crate::plant::series::{self, INVERSE, Series, TERMS, product_integral};
use crate::plant::winding::{Coils, Winding};

/// Series of the winding.
#[derive(Clone, Debug)]
pub(crate) struct Flux {
    /// What the speed multiplies: v_q, −v_d, y, −(x + ψ).
    turned: [[f64; 4]; TERMS],
    length_s: f64,
    /// x and y at the piece's start, and what they gain over it.
    start_vs: [f64; 2],
    gained_vs: [f64; 2],
    /// What the sizes of the linkages are judged against.
    largest: f64,
    /// Of a real winding.
    effects: Option<Box<EffectSeries>>,
}

impl Flux {
    pub(crate) fn new(winding: Option<&Winding>) -> Self {
        let laws = winding.and_then(|winding| winding.laws.as_ref());
        Self {
            turned: [[0.0; 4]; TERMS],
            length_s: 0.0,
            start_vs: [0.0; 2],
            gained_vs: [0.0; 2],
            largest: 0.0,
            effects: laws.map(|laws| Box::new(EffectSeries::new(laws))),
        }
    }

    /// Coefficients of τ⁰ and τ¹ from a winding at the piece's start and the motor's speed there.
    #[inline(always)]
    pub(crate) fn start(&mut self, winding: &Winding, speed: &Series, motor_nm: &mut Series, length_s: f64) {
        let coils = &winding.coils;
        let [d_v, q_v] = winding.voltage_v();
        let [x_vs, y_vs] = winding.linkage_vs;
        (self.length_s, self.start_vs, self.gained_vs) = (length_s, winding.linkage_vs, [0.0; 2]);
        self.turned[0] = [q_v, -d_v, y_vs, -(x_vs + coils.magnet_vs)];
        self.largest = size(coils, winding.linkage_vs) + length_s * size(coils, [d_v, q_v]);
        if let (Some(effects), Some(laws)) = (&mut self.effects, &winding.laws) {
            let [ripple_d_vs, ripple_q_vs] = effects.start(winding, laws);
            self.turned[0][2] += ripple_d_vs;
            self.turned[0][3] -= ripple_q_vs;
            self.next_with_effects(coils, speed, motor_nm, 0);
            return;
        }
        let products = self.turned[0].map(|turned| speed[0] * turned);
        self.add(coils, products, motor_nm, 0, [-x_vs, y_vs]);
    }

    /// Coefficients k + 1 from the speed's and these up to k, and that of the torque; k is at least 1.
    #[inline(always)]
    pub(crate) fn next(&mut self, coils: &Coils, speed: &Series, motor_nm: &mut Series, k: usize) {
        if self.effects.is_some() {
            self.next_with_effects(coils, speed, motor_nm, k);
            return;
        }
        let products = self.products(speed, k);
        let [_, _, y_vs, minus_x_vs] = self.turned[k];
        self.add(coils, products, motor_nm, k, [minus_x_vs, y_vs]);
    }

    #[inline(always)]
    fn products(&self, speed: &Series, k: usize) -> [f64; 4] {
        let mut products = [0.0; 4];
        for (speed, turned) in speed[..=k].iter().zip(self.turned[..=k].iter().rev()) {
            for (product, turned) in products.iter_mut().zip(turned) {
                *product += speed * turned;
            }
        }
        products
    }

    /// The same with currents that are no multiples of the linkages, a magnet whose linkage has harmonics, and a voltage
    /// that dead time takes. Never inlined: it is long, and the loop without it is short.
    #[inline(never)]
    fn next_with_effects(&mut self, coils: &Coils, speed: &Series, motor_nm: &mut Series, k: usize) {
        let products = self.products(speed, k);
        let Some(effects) = &mut self.effects else { return };
        let share = self.length_s * INVERSE[k + 1];
        let [q_v, minus_d_v, ..] = self.turned[k];
        let [added_d_v, added_q_v] =
            effects.dead_time.as_ref().map_or([0.0; 2], |dead_time| [dead_time.added_v[0][k], dead_time.added_v[1][k]]);
        let [spin_d_v, spin_q_v, spin_x, spin_y] = coils.spin;
        let [d_a, q_a] = [effects.current_a[0][k], effects.current_a[1][k]];
        let x_vs = share * (spin_x * products[2] - minus_d_v + added_d_v - coils.resistance_ohm * d_a);
        let y_vs = share * (spin_y * products[3] + q_v + added_q_v - coils.resistance_ohm * q_a);
        let [ripple_d_vs, ripple_q_vs] = effects.follow(coils, [x_vs, y_vs], speed, self.length_s, k);
        self.turned[k + 1] = [
            share * spin_q_v * products[1],
            -share * spin_d_v * products[0],
            y_vs + ripple_d_vs,
            -(x_vs + ripple_q_vs),
        ];
        self.gained_vs = [self.gained_vs[0] + x_vs, self.gained_vs[1] + y_vs];
        let [d_a, q_a] = &effects.current_a;
        let mut torque = 0.0;
        for (turned, (d_a, q_a)) in self.turned[..=k + 1].iter().rev().zip(d_a.iter().zip(q_a)) {
            torque -= spin_y * turned[3] * q_a + spin_x * turned[2] * d_a;
        }
        motor_nm[k + 1] = coils.phases * torque;
    }

    #[inline(always)]
    fn add(
        &mut self,
        coils: &Coils,
        products: [f64; 4],
        motor_nm: &mut Series,
        k: usize,
        [minus_x_vs, y_vs]: [f64; 2],
    ) {
        let share = self.length_s * INVERSE[k + 1];
        let [q_v, minus_d_v, ..] = self.turned[k];
        let [spin_d_v, spin_q_v, spin_x, spin_y] = coils.spin;
        let x_vs = share * (spin_x * products[2] - minus_d_v + coils.decay_per_s[0] * minus_x_vs);
        let y_vs = share * (spin_y * products[3] + q_v - coils.decay_per_s[1] * y_vs);
        self.turned[k + 1] = [share * spin_q_v * products[1], -share * spin_d_v * products[0], y_vs, -x_vs];
        self.gained_vs = [self.gained_vs[0] + x_vs, self.gained_vs[1] + y_vs];
        motor_nm[k + 1] = coils.magnet_nm_per_vs * y_vs;
        if coils.reluctance_nm_per_vs2 != 0.0 {
            motor_nm[k + 1] += coils.reluctance_nm_per_vs2 * self.linkage_product(k + 1);
        }
    }

    /// Coefficient k, at least 1, of x y.
    fn linkage_product(&self, k: usize) -> f64 {
        let [x_vs, y_vs] = self.start_vs;
        let ends = x_vs * self.turned[k][2] - y_vs * self.turned[k][3];
        let pairs = self.turned[1..k].iter().zip(self.turned[1..k].iter().rev());
        pairs.fold(ends, |sum, (one, other)| sum - one[3] * other[2])
    }

    /// Whether what follows power k may be left out. Asked rarely, and made from the last four powers then.
    pub(crate) fn converged(&self, coils: &Coils, k: usize) -> bool {
        4 <= k && converged([k - 3, k - 2, k - 1, k].map(|k| self.size_of(coils, k)), self.largest)
    }

    fn size_of(&self, coils: &Coils, k: usize) -> f64 {
        size(coils, [self.turned[k][3], self.turned[k][2]])
    }

    /// Sizes of the linkages' coefficients.
    pub(crate) fn sizes(&self, coils: &Coils) -> Series {
        let mut sizes = std::array::from_fn(|k| self.size_of(coils, k));
        sizes[0] = size(coils, self.start_vs);
        sizes
    }

    /// Shortens the piece: every coefficient k times scaleᵏ.
    pub(crate) fn rescale(&mut self, scale: f64, terms: usize) {
        self.length_s *= scale;
        if let Some(effects) = &mut self.effects {
            effects.rescale(scale);
        }
        let mut factor = 1.0;
        for turned in &mut self.turned {
            *turned = turned.map(|coefficient| factor * coefficient);
            factor *= scale;
        }
        self.gained_vs = self.gained_upto_vs(terms, 1.0);
    }

    /// What the linkages gain up to τ.
    pub(crate) fn growth_vs(&self, terms: usize, tau: f64) -> [f64; 2] {
        if tau == 1.0 { self.gained_vs } else { self.gained_upto_vs(terms, tau) }
    }

    fn gained_upto_vs(&self, terms: usize, tau: f64) -> [f64; 2] {
        if let Some(effects) = &self.effects {
            return effects.linkage_vs.each_ref().map(|linkage_vs| series::growth(&linkage_vs[..terms], tau));
        }
        let later = self.turned[1..terms].iter().rev();
        later.fold([0.0; 2], |[x_vs, y_vs], turned| [(x_vs - turned[3]) * tau, (y_vs + turned[2]) * tau])
    }

    /// v_d and v_q.
    fn voltages_v(&self) -> [Series; 2] {
        [std::array::from_fn(|k| -self.turned[k][1]), std::array::from_fn(|k| self.turned[k][0])]
    }

    /// i_d and i_q.
    fn currents_a(&self, coils: &Coils) -> [Series; 2] {
        if let Some(effects) = &self.effects {
            return effects.current_a;
        }
        let [per_d, per_q] = coils.per_inductance;
        let mut currents_a =
            [std::array::from_fn(|k| -per_d * self.turned[k][3]), std::array::from_fn(|k| per_q * self.turned[k][2])];
        currents_a[0][0] = per_d * self.start_vs[0];
        currents_a
    }
}

impl Flux {
    /// Loss in the resistance up to τ in J.
    pub(crate) fn copper_j(&self, coils: &Coils, terms: usize, tau: f64) -> f64 {
        let scale = coils.phases * coils.resistance_ohm * self.length_s;
        let currents_a = self.currents_a(coils);
        let squares =
            currents_a.iter().map(|current_a| product_integral(&current_a[..terms], &current_a[..terms], tau));
        scale * squares.sum::<f64>()
    }

    /// What the drive puts in at the terminals up to τ in J, and what dead time takes of it.
    pub(crate) fn supplied_j(&self, coils: &Coils, terms: usize, tau: f64) -> [f64; 2] {
        let currents_a = self.currents_a(coils);
        let work_j = |voltages_v: &[Series; 2]| {
            let pairs = currents_a.iter().zip(voltages_v);
            let work = pairs.map(|(one, other)| product_integral(&one[..terms], &other[..terms], tau)).sum::<f64>();
            coils.phases * self.length_s * work
        };
        let dead_time = self.effects.as_ref().and_then(|effects| effects.dead_time.as_ref());
        [work_j(&self.voltages_v()), dead_time.map_or(0.0, |dead_time| -work_j(&dead_time.added_v))]
    }
}

/// Size of linkages, or of what adds to them: see the head of this page.
fn size(coils: &Coils, [x_vs, y_vs]: [f64; 2]) -> f64 {
    coils.weight[0] * x_vs.abs() + coils.weight[1] * y_vs.abs()
}
