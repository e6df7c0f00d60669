//! A coupling while it moves: constants, state and contact.
//!
//! What it does not: move (see [`crate::plant::expansion`]) or change contact (see [`crate::plant::pattern`]). Start
//! reading at [`Joint`].

use crate::plant::coupling::Coupling;
use crate::plant::train::{Initial, Parameters};

/// Whether a coupling's two sides touch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Contact {
    /// No play: always.
    Always,
    /// On one side of the gap; +1: the motor is ahead.
    Side(f64),
    /// Nowhere.
    Open,
    /// The limiter slips; +1: the motor drives. Where there is backlash, the sides touch.
    Slips(f64),
    /// Uncoupled.
    Apart,
}

/// A coupling: constants and state.
#[derive(Clone, Debug)]
pub(crate) struct Joint {
    pub(crate) per_ratio: f64,
    pub(crate) stiffness_nm_per_rad: f64,
    pub(crate) damping_nms_per_rad: f64,
    pub(crate) half_gap_rad: f64,
    /// k/d in 1/s, how fast the shaft relaxes in the open gap; infinite without damping.
    pub(crate) relaxation_per_s: f64,
    /// x less the limiter's slip. Kept beside the angles: as their difference it would lose digits on an axis that has
    /// turned far.
    pub(crate) twist_rad: f64,
    /// b.
    pub(crate) gap_position_rad: f64,
    pub(crate) contact: Contact,
    /// In contact: how many leading coefficients of the torque are known to be 0. Open: those of the distance to
    /// `left_side`.
    pub(crate) known_zeros: usize,
    pub(crate) left_side: f64,
    /// L in Nm; infinite without a limiter.
    pub(crate) limit_nm: f64,
    /// s: how far the limiter has slipped.
    pub(crate) slip_rad: f64,
    /// While it slips: δ, the strain beyond the one that the limit alone would give.
    pub(crate) slip_excess_rad: f64,
    /// How many leading coefficients are known to be 0: slipping, those of the slip's speed; else those of what the
    /// torque has to spare below the limit.
    pub(crate) limit_zeros: usize,
}

impl Joint {
    pub(crate) fn new(parameters: &Parameters, initial: &Initial, joint: usize) -> Self {
        let Coupling { ratio, stiffness_nm_per_rad, damping_nms_per_rad, half_gap_rad, torque_limit_nm, coupled } =
            parameters.couplings[joint];
        let twist_rad = initial.angle_rad[joint] / ratio - initial.angle_rad[joint + 1];
        let damped = 0.0 < damping_nms_per_rad;
        let given_rad = if damped { initial.gap_position_rad[joint] } else { twist_rad };
        Self {
            per_ratio: 1.0 / ratio,
            stiffness_nm_per_rad,
            damping_nms_per_rad,
            half_gap_rad,
            relaxation_per_s: if damped { stiffness_nm_per_rad / damping_nms_per_rad } else { f64::INFINITY },
            twist_rad,
            gap_position_rad: given_rad.clamp(-half_gap_rad, half_gap_rad),
            contact: match (coupled, half_gap_rad == 0.0) {
                (false, _) => Contact::Apart,
                (true, true) => Contact::Always,
                (true, false) => Contact::Open,
            },
            known_zeros: 0,
            left_side: 0.0,
            limit_nm: torque_limit_nm.unwrap_or(f64::INFINITY),
            slip_rad: 0.0,
            slip_excess_rad: 0.0,
            limit_zeros: 0,
        }
    }
}

impl Joint {
    /// Untwisted, in the middle of the backlash, nothing slipped.
    pub(crate) fn loosen(&mut self) {
        (self.twist_rad, self.gap_position_rad, self.slip_rad, self.slip_excess_rad) = (0.0, 0.0, 0.0, 0.0);
        (self.known_zeros, self.left_side, self.limit_zeros) = (0, 0.0, 0);
    }

    /// Whether its torque depends on how the nodes beside it move.
    pub(crate) fn passes_motion(&self) -> bool {
        matches!(self.contact, Contact::Always | Contact::Side(_))
    }

    /// T, with x' given; exactly 0 in the open gap, exactly the limit while it slips.
    pub(crate) fn torque_nm(&self, twist_speed_rad_per_s: f64) -> f64 {
        match self.contact {
            Contact::Always | Contact::Side(_) => {
                self.stiffness_nm_per_rad * (self.twist_rad - self.gap_position_rad)
                    + self.damping_nms_per_rad * twist_speed_rad_per_s
            }
            Contact::Open | Contact::Apart => 0.0,
            Contact::Slips(side) => side * self.limit_nm,
        }
    }
}
