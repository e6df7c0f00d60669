//! The energy audit: where the supplied work went.
//!
//! What it does not: run unless asked for. Start reading at [`Energy::residual_j`].

use crate::plant::bristle::Bristles;
use crate::plant::chain::{Chain, Node, Reach, Stop};
use crate::plant::dry::{Bend, Law};
use crate::plant::expansion::{Expansion, relaxed};
use crate::plant::friction::Bristle;
use crate::plant::joint::{Contact, Joint};
use crate::plant::series::{TERMS, integral, product_integral};
use crate::plant::weakening::mirrored_product;
use crate::plant::winding::Winding;

/// Sums of work since tick 0, in J; all 0 unless the audit was asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Energy {
    /// Work of the motor's torque on node 0; where currents make it, what the drive puts into the motor's terminals.
    pub supplied_j: f64,
    /// The same with every piece's work counted as positive: the measure of how much was moved to and fro.
    pub supplied_gross_j: f64,
    /// Lost in the nodes' friction, in resisting loads, in fans and in the brake.
    pub friction_j: f64,
    /// Lost in the couplings' dampers, in open gaps too, and what a coupling held when it was taken apart.
    pub damping_j: f64,
    /// Lost in slipping torque limiters.
    pub limiters_j: f64,
    /// Lost in the end stops.
    pub stops_j: f64,
    /// Lost in the winding's resistance.
    pub copper_j: f64,
    /// Lost in the inverter's dead time.
    pub inverter_j: f64,
    /// Given back by the winding's inductances to the bus when the inverter was blocked.
    pub returned_j: f64,
    /// Lost when the clamp caught a moving motor.
    pub clamp_j: f64,
    /// Work done against loads that may give it back: constant, unbalanced arm, harmonics, noise, the programme's load
    /// torque.
    pub load_j: f64,
    /// Stored at the start: kinetic, in the springs of couplings, stops and bristles, and in the winding's inductances.
    pub stored_start_j: f64,
    /// Stored now.
    pub stored_j: f64,
}

impl Energy {
    /// What is unaccounted for: stored + lost + load − supplied; 0 but for rounding.
    #[must_use]
    pub fn residual_j(&self) -> f64 {
        let mechanical_j = self.friction_j + self.damping_j + self.limiters_j + self.stops_j + self.clamp_j;
        let lost_j = mechanical_j + self.copper_j + self.inverter_j + self.returned_j;
        (self.stored_j - self.stored_start_j) + lost_j + self.load_j - self.supplied_j
    }

    /// The work done: what the motor moved to and fro, and what was stored at the start. The residual's yardstick.
    #[must_use]
    pub fn work_j(&self) -> f64 {
        self.supplied_gross_j + self.load_j.abs() + self.stored_start_j
    }
}

/// Coefficient k of a node's dry friction, or of its bristles' torque without the viscous part.
fn dry_nm(bend: &Bend, node: &Node, k: usize) -> f64 {
    if let (Some(series), Some(bristles)) = (&bend.bristles, &node.bristles) {
        let Bristle { stiffness_nm_per_rad, damping_nms_per_rad, .. } = bristles.bristle;
        return stiffness_nm_per_rad * series.bend_rad[k] + damping_nms_per_rad * series.bend_speed[k];
    }
    let falls = bend.dry.law == Law::Falling;
    let mut dry_nm = if falls { bend.dry.excess_nm * bend.weakening.weakening[k] } else { 0.0 };
    if k == 0 {
        dry_nm += bend.dry.level_nm;
    }
    if let (Some(wave), Some(per_turn)) = (&bend.unevenness, &node.per_turn) {
        let mut uneven_nm = bend.dry.level_nm * wave.sine[k];
        if falls {
            uneven_nm += bend.dry.excess_nm * mirrored_product(&bend.weakening.weakening[..=k], &wave.sine[..=k]);
        }
        dry_nm += per_turn.amplitude * uneven_nm;
    }
    dry_nm
}

/// Keeps the account: exact integrals of the products of the series that the motion is.
#[derive(Clone, Debug)]
pub(crate) struct Audit {
    pub(crate) energy: Energy,
}

impl Audit {
    pub(crate) fn new(chain: &Chain) -> Self {
        let stored_j = Self::stored_j(chain);
        Self { energy: Energy { stored_start_j: stored_j, stored_j, ..Energy::default() } }
    }

    /// Kinetic energy, that in the springs of couplings and of the stop that pushes, and the inductances'.
    pub(crate) fn stored_j(chain: &Chain) -> f64 {
        let kinetic_j: f64 =
            chain.nodes.iter().map(|node| 0.5 * node.inertia_kgm2 * node.speed_rad_per_s * node.speed_rad_per_s).sum();
        let springs_j: f64 = chain.joints.iter().map(|joint| spring_j(joint, strain_rad(joint))).sum();
        let stop_j = match chain.stop.map(|stop| stop.reach) {
            Some(Reach::Pressing(side)) => chain.stop_spring_j(side),
            _ => 0.0,
        };
        let bristles_j: f64 =
            chain.nodes.iter().filter_map(|node| node.bristles.as_ref()).map(Bristles::stored_j).sum();
        let winding_j = chain.winding.as_ref().map_or(0.0, Winding::stored_j);
        kinetic_j + springs_j + stop_j + winding_j + bristles_j
    }

    /// Adds the part of a piece up to τ; called before the chain moves.
    pub(crate) fn piece(&mut self, chain: &Chain, expansion: &Expansion, tau: f64) {
        let (terms, length_s) = (expansion.terms, expansion.length_s);
        let speed = &expansion.speeds[0][..terms];
        let supplied_j = match &chain.winding {
            Some(winding) if winding.live => self.winding(winding, expansion, tau),
            _ => length_s * product_integral(&expansion.motor_nm[..terms], speed, tau),
        };
        self.energy.supplied_j += supplied_j;
        self.energy.supplied_gross_j += supplied_j.abs();
        for node in 0..chain.nodes.len() {
            if expansion.bends[node].dry.law != Law::Rest {
                self.node(chain, node, expansion, tau);
            }
        }
        for joint in 0..chain.joints.len() {
            self.joint(chain, joint, expansion, tau);
        }
        if let Some(Stop { stops, reach: Reach::Pressing(_), .. }) = &chain.stop {
            let speed = &expansion.speeds[expansion.speeds.len() - 1][..terms];
            self.energy.stops_j += stops.damping_nms_per_rad * length_s * product_integral(speed, speed, tau);
        }
    }

    /// Work at the motor's terminals; adds what its resistance and the inverter take of it.
    fn winding(&mut self, winding: &Winding, expansion: &Expansion, tau: f64) -> f64 {
        let (flux, terms) = (&expansion.flux, expansion.terms);
        let [work_j, dead_time_j] = flux.supplied_j(&winding.coils, terms, tau);
        self.energy.copper_j += flux.copper_j(&winding.coils, terms, tau);
        self.energy.inverter_j += dead_time_j;
        work_j
    }

    fn node(&mut self, chain: &Chain, node: usize, expansion: &Expansion, tau: f64) {
        let (terms, length_s) = (expansion.terms, expansion.length_s);
        let speed = &expansion.speeds[node][..terms];
        let (bend, node) = (&expansion.bends[node], &chain.nodes[node]);
        let mut friction = [0.0; TERMS];
        let mut load = [0.0; TERMS];
        for k in 0..terms {
            friction[k] = node.viscous_nms_per_rad * speed[k];
            if k + 1 == terms {
                break; // torques have one coefficient fewer than speeds
            }
            friction[k] += dry_nm(bend, node, k);
            if let Some((sine_nm, cosine_nm)) = node.arm_nm {
                load[k] = sine_nm * bend.sine[k] - cosine_nm * bend.cosine[k];
            }
            for (wave, harmonic) in bend.waves.iter().zip(&node.harmonics) {
                load[k] += harmonic.peak_nm * wave.sine[k];
            }
            if bend.fan_nms2_per_rad2 != 0.0 {
                friction[k] += bend.fan_nms2_per_rad2 * mirrored_product(&speed[..=k], &speed[..=k]);
            }
        }
        friction[0] += bend.dry.direction * node.resisting_nm.0;
        friction[1] += bend.dry.direction * node.resisting_nm.1 * length_s;
        load[0] += node.load_nm.0;
        load[1] += node.load_nm.1 * length_s;
        self.energy.friction_j += length_s * product_integral(&friction[..terms], speed, tau);
        self.energy.load_j += length_s * product_integral(&load[..terms], speed, tau);
        if let (Some(series), Some(bristles)) = (&bend.bristles, &node.bristles) {
            let stiffness = bristles.bristle.stiffness_nm_per_rad;
            let (bend_rad, bend_speed) = (&series.bend_rad[..terms], &series.bend_speed[..terms]);
            self.energy.friction_j -= stiffness * length_s * product_integral(bend_rad, bend_speed, tau);
        }
    }

    /// In contact the damper loses d x'²; in the open gap d (x' − b')² with x' − b' = −(k/d)(x − b), which is all the
    /// energy that the relaxing shaft gives up; slipping d e'² with e' = −(k/d) δ, likewise.
    fn joint(&mut self, chain: &Chain, joint: usize, expansion: &Expansion, tau: f64) {
        let this = &chain.joints[joint];
        let length_s = expansion.length_s;
        if this.contact == Contact::Open {
            let strain_rad = strain_rad(this);
            let left_rad = relaxed(strain_rad, this.relaxation_per_s, tau * length_s, this.half_gap_rad);
            self.energy.damping_j += spring_j(this, strain_rad) - spring_j(this, left_rad);
            return;
        }
        if this.contact == Contact::Apart {
            return;
        }
        let mut twist_speed = [0.0; TERMS];
        for (k, twist_speed) in twist_speed.iter_mut().enumerate().take(expansion.terms) {
            *twist_speed = expansion.speeds[joint][k] * this.per_ratio - expansion.speeds[joint + 1][k];
        }
        let twist_speed = &twist_speed[..expansion.terms];
        if let Contact::Slips(side) = this.contact {
            let (excess_rad, scale_rad) = (this.slip_excess_rad, this.strain_at_limit_rad(1.0));
            let left_rad = relaxed(excess_rad, this.relaxation_per_s, tau * length_s, scale_rad);
            let slipped_rad = length_s * integral(twist_speed, tau) - (left_rad - excess_rad);
            self.energy.damping_j += spring_j(this, excess_rad) - spring_j(this, left_rad);
            self.energy.limiters_j += side * this.limit_nm * slipped_rad;
            return;
        }
        self.energy.damping_j += this.damping_nms_per_rad * length_s * product_integral(twist_speed, twist_speed, tau);
    }
}

pub(crate) fn strain_rad(joint: &Joint) -> f64 {
    joint.twist_rad - joint.gap_position_rad
}

pub(crate) fn spring_j(joint: &Joint, strain_rad: f64) -> f64 {
    0.5 * joint.stiffness_nm_per_rad * strain_rad * strain_rad
}
