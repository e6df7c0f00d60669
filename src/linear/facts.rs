//! What a machine is like, by its parameters: resonances, inertia ratio, friction at the motor, time constants.
//!
//! What it does not: the drive (see `model.rs`). Start reading at [`Facts`].

use nalgebra::DMatrix;

use crate::base::real;
use crate::base::units::TURN_RAD;
use crate::linear::chain::{Chain, Gaps, viscous_nms_per_rad};
use crate::linear::poles;
use crate::plant::friction::Friction;
use crate::plant::motor::MotorKind;
use crate::plant::train::Parameters;

/// Facts about a machine, gaps closed, everything referred to the motor's shaft.
#[derive(Clone, Debug, PartialEq)]
pub struct Facts {
    /// Undamped resonances in Hz, rising; empty for a single node.
    pub resonances_hz: Vec<f64>,
    /// Undamped antiresonances seen from the motor in Hz, rising: the load's modes with the motor held.
    pub antiresonances_hz: Vec<f64>,
    /// Free oscillating modes with all damping, by rising frequency; a mode damped beyond oscillation is left out.
    pub modes: Vec<Mode>,
    /// Inertia of the motor in kgm².
    pub motor_inertia_kgm2: f64,
    /// Inertia of everything behind the motor, over the squares of the ratios, in kgm².
    pub reflected_inertia_kgm2: f64,
    /// Reflected inertia over motor inertia.
    pub inertia_ratio: f64,
    /// Motor turns per load turn.
    pub total_ratio: f64,
    /// Backlash of all couplings in rad, as it is felt at the motor.
    pub backlash_at_motor_rad: f64,
    /// Static friction of all nodes in Nm.
    pub static_friction_nm: f64,
    /// Kinetic friction of all nodes in Nm.
    pub kinetic_friction_nm: f64,
    /// Viscous friction of all nodes in Nms/rad.
    pub viscous_friction_nms_per_rad: f64,
    /// Total inertia over viscous friction in s; `None` without viscous friction.
    pub mechanical_time_constant_s: Option<f64>,
    /// Lag of the torque path in s; 0: none.
    pub torque_lag_s: f64,
}

/// A free oscillating mode.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mode {
    /// Frequency at which it rings when left alone, in Hz.
    pub damped_hz: f64,
    /// Share of critical damping, 0 to 1.
    pub damping_ratio: f64,
}

impl Facts {
    /// The facts of a machine.
    #[must_use]
    pub fn of(parameters: &Parameters) -> Self {
        let ratios = ratios_to_motor(parameters);
        let at_motor = |of_node: &dyn Fn(usize) -> f64| (0..parameters.nodes.len()).map(of_node).sum::<f64>();
        let friction = |node: usize, of: &dyn Fn(&Friction) -> f64| of(&parameters.nodes[node].friction);
        let inertia = |node: usize| parameters.nodes[node].inertia_kgm2 / (ratios[node] * ratios[node]);
        let motor_inertia_kgm2 = parameters.nodes[0].inertia_kgm2;
        let reflected_inertia_kgm2 = (1..parameters.nodes.len()).map(inertia).sum::<f64>();
        let viscous_friction_nms_per_rad =
            at_motor(&|node| viscous_nms_per_rad(&parameters.nodes[node]) / (ratios[node] * ratios[node]));
        let total_inertia_kgm2 = motor_inertia_kgm2 + reflected_inertia_kgm2;
        Self {
            resonances_hz: resonances_hz(parameters),
            antiresonances_hz: antiresonances_hz(parameters),
            modes: modes(parameters),
            motor_inertia_kgm2,
            reflected_inertia_kgm2,
            inertia_ratio: reflected_inertia_kgm2 / motor_inertia_kgm2,
            total_ratio: parameters.total_ratio(),
            backlash_at_motor_rad: parameters
                .couplings
                .iter()
                .zip(&ratios[1..])
                .map(|(coupling, ratio)| 2.0 * coupling.half_gap_rad * ratio.abs())
                .sum(),
            static_friction_nm: at_motor(&|node| friction(node, &Friction::static_nm) / ratios[node].abs()),
            kinetic_friction_nm: at_motor(&|node| friction(node, &Friction::kinetic_nm) / ratios[node].abs()),
            viscous_friction_nms_per_rad,
            mechanical_time_constant_s: (0.0 < viscous_friction_nms_per_rad)
                .then(|| total_inertia_kgm2 / viscous_friction_nms_per_rad),
            torque_lag_s: parameters.motor.torque_lag_s(),
        }
    }
}

/// Motor turns per turn of each node.
#[must_use]
pub fn ratios_to_motor(parameters: &Parameters) -> Vec<f64> {
    let mut ratios = vec![1.0];
    for coupling in &parameters.couplings {
        ratios.push(ratios[ratios.len() - 1] * coupling.ratio);
    }
    ratios
}

/// Undamped resonances of the free chain in Hz, rising; gaps closed.
#[must_use]
pub fn resonances_hz(parameters: &Parameters) -> Vec<f64> {
    twist_frequencies_hz(parameters, 1.0 / parameters.nodes[0].inertia_kgm2)
}

/// Undamped antiresonances seen from the motor in Hz, rising: the frequencies of the chain with the motor held.
#[must_use]
pub fn antiresonances_hz(parameters: &Parameters) -> Vec<f64> {
    twist_frequencies_hz(parameters, 0.0)
}

/// Frequencies of the twists in Hz, rising, with an inverse inertia for the motor: 0 holds it.
///
/// With x = R θ (x_i = θ_i / r_i − θ_{i+1}) the free chain is x'' = −R M⁻¹ Rᵀ K x, so that the eigenvalues of the symmetric
/// K^½ R M⁻¹ Rᵀ K^½ are the squared frequencies, without the zero of the free turning.
fn twist_frequencies_hz(parameters: &Parameters, inverse_motor_inertia: f64) -> Vec<f64> {
    let couplings = &parameters.couplings;
    if couplings.is_empty() {
        return Vec::new();
    }
    let inverse_inertia = |node: usize| match node {
        0 => inverse_motor_inertia,
        _ => 1.0 / parameters.nodes[node].inertia_kgm2,
    };
    let roots: Vec<f64> = couplings.iter().map(|coupling| coupling.stiffness_nm_per_rad.sqrt()).collect();
    let symmetric = DMatrix::from_fn(couplings.len(), couplings.len(), |i, j| {
        let (low, high) = (i.min(j), i.max(j));
        let entry = match high - low {
            0 => inverse_inertia(i) / (couplings[i].ratio * couplings[i].ratio) + inverse_inertia(i + 1),
            1 => -inverse_inertia(high) / couplings[high].ratio,
            _ => 0.0,
        };
        roots[i] * entry * roots[j]
    });
    let mut found: Vec<f64> =
        symmetric.symmetric_eigenvalues().iter().map(|square| square.max(0.0).sqrt() / TURN_RAD).collect();
    found.sort_by(f64::total_cmp);
    found
}

/// Free oscillating modes of the chain with its damping and viscous friction, by rising frequency.
fn modes(parameters: &Parameters) -> Vec<Mode> {
    let without_lag = Parameters { motor: MotorKind::AT_ONCE, ..parameters.clone() };
    let poles = poles::eigenvalues(&Chain::of(&without_lag, Gaps::Closed).a).unwrap_or_default();
    let mut modes: Vec<Mode> = poles
        .iter()
        .filter(|pole| 0.0 < pole.im)
        .map(|pole| Mode { damped_hz: pole.im / TURN_RAD, damping_ratio: -pole.re / real::hypot(pole.re, pole.im) })
        .collect();
    modes.sort_by(|a, b| a.damped_hz.total_cmp(&b.damped_hz));
    modes
}
