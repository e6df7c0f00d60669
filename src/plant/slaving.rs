//! When bristles are slaved to their node's speed, and how far that is from Coulomb friction.
//!
//! z' = w (1 − σ0 z / (s g)) gives σ0 z = s g − y z' with y = g / |w|, s the direction of w, and z' is small where the rate
//! σ0 |w| / g is large beside all else. Begun with z' = s g' / σ0 and taken again and again, on the series of w over a
//! piece, this finds the one z that changes no faster than w does. Friction is then
//!
//! F = s g + (σ1 − y) z' + σ2 w,
//!
//! Coulomb friction with Stribeck's curve and a correction, with which w is expanded again until neither changes: a piece
//! as long as the mechanics allow, whatever the rate. Where that does not settle, or z at the piece's start is not this z
//! (after a reversal, or a step of torque), the bristles are free and pieces are short until it is. What z lacks at a start
//! is dropped when it is below 1e-8 of its size; it would have died out within a thirtieth of the piece and is worth 3e-10
//! of the friction's impulse. Above the speed where Stribeck's curve is spent z is s Tc / σ0 and stays so.
//!
//! This is the slow manifold of a singularly perturbed equation, by iteration (Fraser, Journal of Chemical Physics 88
//! (1988), from memory). What it does not: expand (`expansion.rs`, `bristle.rs`). Start reading at
//! [`Expansion::expand_bristles`].

use crate::plant::bristle::{Bristles, Course};
use crate::plant::chain::{Chain, Motion, Node};
use crate::plant::dry::{Bend, Law};
use crate::plant::event::Cause;
use crate::plant::expansion::{Expansion, MARGIN};
use crate::plant::series::{self, Series, TERMS};
use crate::plant::weakening::mirrored_product;

/// Share of z that a piece's start may lack.
const DROPPED: f64 = 1e-8;
/// A z that lacks more than this is not even tried.
const NEAR: f64 = 0.1;
/// What z may still change by in the last round, as a share of g.
const SETTLED: f64 = 1e-14;
/// What the correction may still change by, likewise.
const CORRECTED: f64 = 1e-13;
/// Fewest relaxations of z in a slaved piece: with fewer the rounds settle slowly or not at all.
const TURNS_MIN: f64 = 30.0;
/// Relaxations of a free z in a piece: its series then needs about 20 powers.
const TURNS_MAX: f64 = 2.0;
/// Rounds for z with w given, and for w with z.
const ROUNDS_MAX: u32 = 24;
const EXPANSIONS_MAX: u32 = 8;
/// How far w may get from its start, as a share of it, for the series of 1/w.
const REACH_MAX: f64 = 0.4;

/// What became of slaving a node's bristles over a piece.
enum Verdict {
    /// The correction changed by this share of g.
    Changed(f64),
    /// The piece must be shorter, by this factor.
    Shorter(f64),
    /// They are not slaved here.
    Free,
}

impl Expansion {
    /// As [`Expansion::expand`], for chains with bristles.
    pub(crate) fn expand_bristles(&mut self, chain: &Chain, at_most_s: f64, order: Option<usize>) -> Result<(), Cause> {
        for (bend, node) in self.bends.iter_mut().zip(&chain.nodes) {
            if let (Some(series), Some(bristles)) = (&mut bend.bristles, &node.bristles) {
                let slaved = order.is_none() && may_be_slaved(bristles, node, at_most_s);
                series.course = if slaved { Course::Slaved } else { Course::Free };
            }
        }
        let mut length_s = at_most_s;
        loop {
            for series in self.bends.iter_mut().filter_map(|bend| bend.bristles.as_mut()) {
                series.correction = [0.0; TERMS];
            }
            let within_s = if order.is_none() { self.within_turns_s(chain, length_s) } else { length_s };
            match self.settle(chain, within_s, order)? {
                None => return Ok(()),
                Some((_, Verdict::Shorter(factor))) => length_s = factor * self.length_s,
                Some((node, _)) => {
                    if let Some(series) = &mut self.bends[node].bristles {
                        series.course = Course::Free;
                    }
                }
            }
        }
    }

    /// Expands with the courses as they are chosen; returns the node whose bristles do not take theirs.
    fn settle(
        &mut self,
        chain: &Chain,
        length_s: f64,
        order: Option<usize>,
    ) -> Result<Option<(usize, Verdict)>, Cause> {
        let mut margin = MARGIN;
        self.grow(chain, length_s, order, margin)?;
        if self.weakening_returns(chain) {
            margin = f64::INFINITY;
            self.grow(chain, length_s, order, margin)?;
        }
        for _ in 0..EXPANSIONS_MAX {
            let mut worst = (0, 0.0);
            for (i, node) in chain.nodes.iter().enumerate() {
                let Some(bristles) = &node.bristles else { continue };
                let speed = &self.speeds[i][..self.terms];
                match slave(&mut self.bends[i], bristles, speed, self.length_s) {
                    Verdict::Changed(change) if change <= worst.1 => {}
                    Verdict::Changed(change) => worst = (i, change),
                    other => return Ok(Some((i, other))),
                }
            }
            let (node, change) = worst;
            if change <= CORRECTED {
                return Ok(None);
            }
            if !change.is_finite() {
                return Ok(Some((node, Verdict::Free)));
            }
            self.grow(chain, self.length_s, order, margin)?;
        }
        let slaved = |bend: &Bend| bend.bristles.as_ref().is_some_and(|series| series.is_corrected());
        let node = self.bends.iter().position(slaved).unwrap_or(0);
        Ok(Some((node, Verdict::Free)))
    }

    /// How long free bristles' series hold.
    fn within_turns_s(&self, chain: &Chain, length_s: f64) -> f64 {
        let mut within_s = length_s;
        for (i, (node, bend)) in chain.nodes.iter().zip(&self.bends).enumerate() {
            let (Some(bristles), Some(series)) = (&node.bristles, &bend.bristles) else { continue };
            if series.course == Course::Slaved || !matches!(node.motion, Motion::Slides(_)) {
                continue;
            }
            let turn_rad = 0.5 * TURNS_MAX * bristles.bristle.kinetic_nm / bristles.bristle.stiffness_nm_per_rad;
            let change = (chain.net_torque_nm(i) - node.slipping_torque_nm()) * node.per_inertia;
            within_s = within_s.min(turn_rad / node.speed_rad_per_s.abs()).min((turn_rad / change.abs()).sqrt());
        }
        within_s
    }
}

/// Whether it is worth to try.
fn may_be_slaved(bristles: &Bristles, node: &Node, length_s: f64) -> bool {
    let Motion::Slides(direction) = node.motion else { return false };
    if direction * node.speed_rad_per_s <= 0.0 {
        return false;
    }
    let speed = node.speed_rad_per_s.abs();
    let bristle = &bristles.bristle;
    if node.spent_rad_per_s * (1.0 + MARGIN) < speed || bristles.excess_nm == 0.0 {
        return bristles.bending_share(node, bristle.kinetic_nm).abs() <= DROPPED;
    }
    let steady_nm = bristles.steady_nm(node);
    TURNS_MIN * steady_nm <= bristle.stiffness_nm_per_rad * speed * length_s
        && bristles.bending_share(node, steady_nm).abs() <= NEAR
}

/// z over a piece from the speed's series, and the correction that follows.
fn slave(bend: &mut Bend, bristles: &Bristles, speed: &[f64], length_s: f64) -> Verdict {
    let Some(series) = &mut bend.bristles else { return Verdict::Changed(0.0) };
    if series.course == Course::Free || bend.dry.law == Law::Rest {
        return Verdict::Changed(0.0);
    }
    let (stiffness, damping) = (bristles.bristle.stiffness_nm_per_rad, bristles.bristle.damping_nms_per_rad);
    let direction = bend.dry.direction;
    series.bend_rad = [0.0; TERMS];
    series.bend_speed = [0.0; TERMS];
    if bend.dry.law == Law::Level {
        series.bend_rad[0] = direction * bristles.bristle.kinetic_nm / stiffness;
        return Verdict::Changed(0.0);
    }
    // Torques have one coefficient fewer than speeds.
    let count = speed.len() - 1;
    let mut steady = [0.0; TERMS];
    for (steady, part) in steady.iter_mut().zip(&bend.weakening.weakening[..count]) {
        *steady = bristles.excess_nm * part;
    }
    steady[0] += bristles.bristle.kinetic_nm;
    let reach = series::reach(speed);
    if REACH_MAX * speed[0].abs() < reach {
        return Verdict::Shorter((REACH_MAX * speed[0].abs() / reach).min(0.5));
    }
    if stiffness * speed[0].abs() * length_s < TURNS_MIN * steady[0] {
        return Verdict::Free;
    }
    let per_speed = quotient(&steady, speed, direction, count);
    let Some([spring, bend_speed, dragged]) = rounds(&steady, &per_speed, [direction, stiffness * length_s], count)
    else {
        return Verdict::Free;
    };
    let mut change = 0.0;
    for k in 0..count {
        let correction = damping * bend_speed[k] - dragged[k];
        change += (correction - series.correction[k]).abs();
        series.correction[k] = correction;
        series.bend_rad[k] = spring[k] / stiffness;
        series.bend_speed[k] = bend_speed[k];
    }
    if DROPPED * steady[0] + 2.0 * change < (spring[0] - stiffness * bristles.bend_rad).abs() {
        return Verdict::Free;
    }
    Verdict::Changed(change / steady[0])
}

/// y = g / |w|.
fn quotient(steady: &Series, speed: &[f64], direction: f64, count: usize) -> Series {
    let mut quotient = [0.0; TERMS];
    let inverse = direction / speed[0];
    for k in 0..count {
        let known = direction * mirrored_product(&speed[1..=k], &quotient[..k]);
        quotient[k] = inverse * (steady[k] - known);
    }
    quotient
}

/// σ0 z = s g − y z' until it changes no more: σ0 z, z' and y z'. `stiff`: σ0 h.
fn rounds(steady: &Series, per_speed: &Series, [direction, stiff]: [f64; 2], count: usize) -> Option<[Series; 3]> {
    let mut spring = steady.map(|steady| direction * steady);
    let (mut bend_speed, mut dragged) = ([0.0; TERMS], [0.0; TERMS]);
    let mut before = f64::INFINITY;
    for _ in 0..ROUNDS_MAX {
        for k in 0..count - 1 {
            bend_speed[k] = (k + 1) as f64 * spring[k + 1] / stiff;
        }
        let mut change = 0.0;
        for k in 0..count {
            dragged[k] = mirrored_product(&per_speed[..=k], &bend_speed[..=k]);
            let next = direction * steady[k] - dragged[k];
            change += (next - spring[k]).abs();
            spring[k] = next;
        }
        if change <= SETTLED * steady[0] {
            return Some([spring, bend_speed, dragged]);
        }
        if before <= change {
            return None;
        }
        before = change;
    }
    None
}
