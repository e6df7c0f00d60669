//! The motor's electrical side at an instant: flux linkages of its currents, what acts at its terminals, its torque.
//!
//! With x and y the flux linkages that the currents make in the rotor's axes d and q, amplitude-invariant,
//!
//! x' = v_d − R i_d + w_e y, y' = v_q − R i_q − w_e (x + ψ), T = 1.5 p ((x + ψ) i_q − y i_d), w_e = p w,
//!
//! and i_d = x / L_d, i_q = y / L_q. The voltage stands still in the stator's frame while it is held, so that
//! v_d' = w_e v_q and v_q' = −w_e v_d. A brushed motor is the q axis alone, with K in place of p ψ and no turning. Written
//! with linkages as states the power balance is an identity: 1.5 (v · i) = 1.5 R i² + 1.5 (i · (x, y)') + T w.
//!
//! What it does not: move (see [`crate::plant::flux`]). Start reading at [`Winding`].

use crate::base::real;
use crate::plant::effects::Laws;
use crate::plant::flux::Flux;
use crate::plant::heat::Heat;
use crate::plant::motor::{Brushed, MotorKind, Pmsm, WindingTemperature};

/// Constants and state of a motor that a voltage drives.
#[derive(Clone, Debug)]
pub(crate) struct Winding {
    pub(crate) coils: Coils,
    /// Saturation, harmonics, dead time; none for most machines.
    pub(crate) laws: Option<Laws>,
    pub(crate) heat: Option<Heat>,
    /// Whether the inverter switches; if not, no current flows.
    pub(crate) live: bool,
    /// What acts in the stator's frame, in V.
    pub(crate) stator_v: [f64; 2],
    /// x and y in Vs.
    pub(crate) linkage_vs: [f64; 2],
    /// Sine and cosine of the electrical angle; 0 and 1 always for a brushed motor.
    pub(crate) sine: f64,
    pub(crate) cosine: f64,
    terminals: Terminals,
}

/// What the equations read.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Coils {
    /// What the speed is multiplied by in v_d', v_q', x' and y': p four times; for a brushed motor 0, 0, 0 and 1.
    pub(crate) spin: [f64; 4],
    /// ψ, or K.
    pub(crate) magnet_vs: f64,
    pub(crate) resistance_ohm: f64,
    /// 1/L_d and 1/L_q.
    pub(crate) per_inductance: [f64; 2],
    /// R/L_d and R/L_q.
    pub(crate) decay_per_s: [f64; 2],
    /// √(1.5/L_d) and √(1.5/L_q): makes linkages comparable with speeds; half the square is energy.
    pub(crate) weight: [f64; 2],
    /// Torque per y, and per x y.
    pub(crate) magnet_nm_per_vs: f64,
    pub(crate) reluctance_nm_per_vs2: f64,
    /// 1.5, which makes power of products in d and q; 1 for a brushed motor.
    pub(crate) phases: f64,
}

/// How the drive's side and the motor's hang together.
#[derive(Clone, Copy, Debug)]
struct Terminals {
    offset_rad: f64,
    /// −1 with phases b and c changed over: β then counts the other way.
    beta_sign: f64,
    /// Longest voltage vector.
    voltage_max_v: f64,
    has_phases: bool,
}

impl Coils {
    /// Of a motor without a winding.
    pub(crate) const NONE: Self = Self {
        spin: [0.0; 4],
        magnet_vs: 0.0,
        resistance_ohm: 0.0,
        per_inductance: [0.0; 2],
        decay_per_s: [0.0; 2],
        weight: [0.0; 2],
        magnet_nm_per_vs: 0.0,
        reluctance_nm_per_vs2: 0.0,
        phases: 0.0,
    };

    fn new(spin: [f64; 4], phases: f64, magnet_vs: f64, resistance_ohm: f64, inductance_h: [f64; 2]) -> Self {
        Self::of(spin, phases, magnet_vs, resistance_ohm, inductance_h.map(|inductance_h| 1.0 / inductance_h))
    }

    fn of(spin: [f64; 4], phases: f64, magnet_vs: f64, resistance_ohm: f64, per_inductance: [f64; 2]) -> Self {
        let [per_d, per_q] = per_inductance;
        Self {
            spin,
            magnet_vs,
            resistance_ohm,
            per_inductance,
            decay_per_s: per_inductance.map(|per_inductance| resistance_ohm * per_inductance),
            weight: per_inductance.map(|per_inductance| (phases * per_inductance).sqrt()),
            magnet_nm_per_vs: phases * spin[3] * magnet_vs * per_q,
            reluctance_nm_per_vs2: phases * spin[2] * (per_q - per_d),
            phases,
        }
    }

    /// The same with another magnet and resistance.
    pub(crate) fn with(&self, magnet_vs: f64, resistance_ohm: f64) -> Self {
        Self::of(self.spin, self.phases, magnet_vs, resistance_ohm, self.per_inductance)
    }
}

impl Winding {
    /// The winding of a motor that has one, without current.
    pub(crate) fn of(motor: &MotorKind, angle_rad: f64) -> Option<Self> {
        let mut winding = match motor {
            MotorKind::IdealTorque { .. } => return None,
            MotorKind::Pmsm(pmsm) => Self::synchronous(pmsm),
            MotorKind::Brushed(brushed) => Self::brushed(brushed),
        };
        if let Some(heat) = &winding.heat {
            winding.coils = heat.coils(&winding.coils);
        }
        winding.turn_to(angle_rad);
        Some(winding)
    }

    fn synchronous(pmsm: &Pmsm) -> Self {
        assert!(0 < pmsm.pole_pairs && 0.0 < pmsm.flux_linkage_vs, "a synchronous machine has poles and a magnet");
        assert_coils(&[pmsm.resistance_ohm, pmsm.inductance_d_h, pmsm.inductance_q_h, pmsm.bus_v]);
        Self::standing(
            Coils::new(
                [f64::from(pmsm.pole_pairs); 4],
                1.5,
                pmsm.flux_linkage_vs,
                pmsm.resistance_ohm,
                [pmsm.inductance_d_h, pmsm.inductance_q_h],
            ),
            Terminals {
                offset_rad: pmsm.rotor_offset_rad,
                beta_sign: if pmsm.phases_swapped { -1.0 } else { 1.0 },
                voltage_max_v: pmsm.bus_v / 3.0_f64.sqrt(),
                has_phases: true,
            },
            Laws::of(pmsm),
            pmsm.effects.temperature.as_ref(),
        )
    }

    fn brushed(brushed: &Brushed) -> Self {
        assert!(0.0 < brushed.torque_constant_nm_per_a, "a brushed machine has a field");
        assert_coils(&[brushed.resistance_ohm, brushed.inductance_h, brushed.bus_v]);
        Self::standing(
            Coils::new(
                [0.0, 0.0, 0.0, 1.0],
                1.0,
                brushed.torque_constant_nm_per_a,
                brushed.resistance_ohm,
                [brushed.inductance_h; 2],
            ),
            Terminals { offset_rad: 0.0, beta_sign: 1.0, voltage_max_v: brushed.bus_v, has_phases: false },
            None,
            brushed.temperature.as_ref(),
        )
    }

    fn standing(
        coils: Coils,
        terminals: Terminals,
        laws: Option<Laws>,
        temperature: Option<&WindingTemperature>,
    ) -> Self {
        Self {
            heat: temperature.map(|temperature| Heat::new(temperature, &coils)),
            coils,
            laws,
            live: false,
            stator_v: [0.0; 2],
            linkage_vs: [0.0; 2],
            sine: 0.0,
            cosine: 1.0,
            terminals,
        }
    }

    /// Blocks the inverter: no current flows from now on. Returns the energy that the inductances give back in J.
    pub(crate) fn block(&mut self) -> f64 {
        let returned_j = self.stored_j();
        (self.live, self.linkage_vs) = (false, [0.0; 2]);
        returned_j
    }

    /// Applies a voltage of the drive, no more of it than the bus has. A brushed motor takes the first component.
    pub(crate) fn apply(&mut self, alpha_v: f64, beta_v: f64, angle_rad: f64) {
        if !self.live {
            self.live = true;
            self.turn_to(angle_rad);
        }
        let beta_v = if self.terminals.has_phases { self.terminals.beta_sign * beta_v } else { 0.0 };
        let square = alpha_v * alpha_v + beta_v * beta_v;
        let most = self.terminals.voltage_max_v;
        let share = if most * most < square { most / square.sqrt() } else { 1.0 };
        self.stator_v =
            if self.terminals.has_phases { [share * alpha_v, share * beta_v] } else { [0.0, share * alpha_v] };
    }

    /// Takes the motor's angle.
    pub(crate) fn turn_to(&mut self, angle_rad: f64) {
        if self.terminals.has_phases {
            let electrical_rad = self.coils.spin[0] * angle_rad + self.terminals.offset_rad;
            (self.sine, self.cosine) = real::sin_cos(electrical_rad);
            if let Some(laws) = &mut self.laws {
                laws.turn_to(electrical_rad);
            }
        }
    }

    /// i_d and i_q in A.
    pub(crate) fn current_a(&self) -> [f64; 2] {
        let [per_d, per_q] = self.coils.per_inductance;
        let [d_a, q_a] = [self.linkage_vs[0] * per_d, self.linkage_vs[1] * per_q];
        let Some(laws) = &self.laws else { return [d_a, q_a] };
        let [more_d_a, more_q_a] = laws.saturation_a(self.linkage_vs);
        [d_a + more_d_a, q_a + more_q_a]
    }

    /// v_d and v_q in V.
    pub(crate) fn voltage_v(&self) -> [f64; 2] {
        let [alpha_v, beta_v] = self.stator_v;
        [alpha_v * self.cosine + beta_v * self.sine, beta_v * self.cosine - alpha_v * self.sine]
    }

    /// Currents into the phases, as the drive's terminals see them; a brushed motor's current goes in at the first and out
    /// at the second.
    pub(crate) fn phase_current_a(&self) -> [f64; 3] {
        let [d_a, q_a] = self.current_a();
        if !self.terminals.has_phases {
            return [q_a, -q_a, 0.0];
        }
        let alpha_a = d_a * self.cosine - q_a * self.sine;
        let beta_a = self.terminals.beta_sign * (d_a * self.sine + q_a * self.cosine);
        let across_a = 0.5 * 3.0_f64.sqrt() * beta_a;
        [alpha_a, across_a - 0.5 * alpha_a, -across_a - 0.5 * alpha_a]
    }

    /// Torque of the currents on the shaft in Nm.
    pub(crate) fn torque_nm(&self) -> f64 {
        let [d_a, q_a] = self.current_a();
        let [x_vs, y_vs] = self.linkage_vs;
        let coils = &self.coils;
        let [ripple_d, ripple_q] = self.laws.as_ref().map_or([0.0; 2], Laws::ripple);
        let across_vs = y_vs + coils.magnet_vs * ripple_d;
        let along_vs = x_vs + coils.magnet_vs * (1.0 + ripple_q);
        coils.phases * (coils.spin[3] * along_vs * q_a - coils.spin[2] * across_vs * d_a)
    }

    /// Adds up what the resistance takes over a piece, where anything follows it.
    pub(crate) fn take_loss(&mut self, flux: &Flux, terms: usize, tau: f64) {
        if let Some(heat) = &mut self.heat
            && self.live
        {
            heat.loss_j += flux.copper_j(&self.coils, terms, tau);
        }
    }

    /// A length of time at a mean loss: the winding's temperature follows, and resistance and magnet follow it.
    pub(crate) fn warm(&mut self, length_s: f64) {
        if let Some(heat) = &mut self.heat {
            self.coils = heat.warm(&self.coils, length_s);
        }
    }

    /// Energy that the inductances hold in J.
    pub(crate) fn stored_j(&self) -> f64 {
        let ([per_d, per_q], [x_vs, y_vs]) = (self.coils.per_inductance, self.linkage_vs);
        let saturation_vsa = self.laws.as_ref().map_or(0.0, |laws| laws.saturation_vsa(self.linkage_vs));
        self.coils.phases * (0.5 * (per_d * x_vs * x_vs + per_q * y_vs * y_vs) + saturation_vsa)
    }
}

fn assert_coils(above_0: &[f64]) {
    assert!(above_0.iter().all(|value| 0.0 < *value), "resistance, inductances and bus voltage are above 0");
}
