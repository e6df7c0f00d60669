//! What is asked of the axis in one tick, made finite and bounded before anything reckons with it.
//!
//! What it does not: follow a setpoint (`ramp.rs`) or limit a torque (`speed_loop.rs`). Start reading at [`Asked::of`].

use crate::base::signal::Request;
use crate::drive::state::control;

/// Nobody asks for more, in rad/s, Nm or V: what is beyond is cut off there, and what is not finite counts as 0, so that
/// no request can make a number of the drive that is not finite.
const HIGHEST_REQUEST: f64 = 1e6;

/// What is asked of the axis in one tick, finite and bounded.
#[derive(Clone, Copy)]
pub(in crate::drive) struct Asked {
    pub(in crate::drive) speed_rad_per_s: f64,
    pub(in crate::drive) speed_offset_rad_per_s: f64,
    pub(in crate::drive) torque_offset_nm: f64,
    pub(in crate::drive) outside_torque_nm: Option<f64>,
    pub(in crate::drive) outside_voltage_dq_v: Option<[f64; 2]>,
}

impl Asked {
    pub(in crate::drive) const NOTHING: Self = Self {
        speed_rad_per_s: 0.0,
        speed_offset_rad_per_s: 0.0,
        torque_offset_nm: 0.0,
        outside_torque_nm: None,
        outside_voltage_dq_v: None,
    };

    /// Halt (bit 8) asks for standstill along the setpoint's own ramp, the axis staying enabled. It is nothing to a drive
    /// whose speed loop is closed outside: the outside knows that it wants to halt.
    pub(in crate::drive) fn of(request: &Request) -> Self {
        let outside_torque_nm = request.outside_torque_nm.map(bounded);
        let outside_voltage_dq_v = request.outside_voltage_dq_v.map(|voltage_v| voltage_v.map(bounded));
        let loop_is_outside = outside_torque_nm.is_some() || outside_voltage_dq_v.is_some();
        if request.controlword & control::HALT != 0 && !loop_is_outside {
            return Self::NOTHING;
        }
        Self {
            speed_rad_per_s: bounded(request.speed_rad_per_s),
            speed_offset_rad_per_s: bounded(request.speed_offset_rad_per_s),
            torque_offset_nm: bounded(request.torque_offset_nm),
            outside_torque_nm,
            outside_voltage_dq_v,
        }
    }

    /// While the holding brake opens or closes: no setpoint and no offset of it. Torque offset and loops outside go
    /// on, since they hold the load when the brake lets go of it.
    pub(in crate::drive) fn of_holding(request: &Request) -> Self {
        Self {
            torque_offset_nm: bounded(request.torque_offset_nm),
            outside_torque_nm: request.outside_torque_nm.map(bounded),
            outside_voltage_dq_v: request.outside_voltage_dq_v.map(|voltage_v| voltage_v.map(bounded)),
            ..Self::NOTHING
        }
    }

    pub(in crate::drive) fn total_rad_per_s(&self) -> f64 {
        self.speed_rad_per_s + self.speed_offset_rad_per_s
    }
}

/// A finite value within what anybody asks for; what is no number is 0.
pub(in crate::drive) fn bounded(value: f64) -> f64 {
    if value.is_finite() { value.clamp(-HIGHEST_REQUEST, HIGHEST_REQUEST) } else { 0.0 }
}
