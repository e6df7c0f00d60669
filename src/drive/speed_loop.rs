//! The speed loop: PI controller with anti-windup and feed-forward, torque offset, notches, low-pass, limit.
//!
//! In tick k, with e_k = setpoint − measured speed: c_k = Kp (e_k + (T/Tn) (S_{k−1} + e_k)) + J · slope of the
//! setpoint; u_k = c_k + torque offset; v_k = u_k through notch 1, notch 2, low-pass; the command is v_k limited to ±
//! the torque limit. S_k = S_{k−1} when |v_k| is beyond the limit and e_k has the sign of v_k, else S_{k−1} + e_k; the
//! command is not computed again.
//!
//! What it does not: make the setpoint (`ramp.rs`) or measure the speed (`measured_speed.rs`). Start reading at
//! [`SpeedLoop::step`].

use crate::base::time::TickRate;
use crate::drive::filter::{LowPass, LowPassCoefficients, Notch, NotchCoefficients, NotchShape};
use crate::drive::setting::{Setting, Settings};

/// The PI controller: C(z) = Kp (1 + (T/Tn) z / (z − 1)), since S_{k−1} + e_k is the sum of all errors with the newest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PiCoefficients {
    /// Kp in Nm·s/rad.
    pub gain_nms_per_rad: f64,
    /// T/Tn; 0 without an integrator (Tn = 0).
    pub period_over_reset_time: f64,
}

/// Everything between speed error and torque command, as used.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpeedLoopCoefficients {
    /// The PI controller.
    pub pi: PiCoefficients,
    /// Torque per slope of the setpoint, in kgm².
    pub inertia_feedforward_kgm2: f64,
    /// Notch 1 and notch 2.
    pub notches: [NotchCoefficients; 2],
    /// The torque's low-pass, after the notches.
    pub torque_lowpass: LowPassCoefficients,
    /// Largest magnitude of the command, in Nm.
    pub torque_limit_nm: f64,
}

impl SpeedLoopCoefficients {
    /// The coefficients that these settings make at this rate.
    #[must_use]
    pub fn new(settings: &Settings, rate: TickRate) -> Self {
        let reset_time_s = settings.get(Setting::SpeedResetTime);
        let notch = |centre, width, depth| {
            let shape = NotchShape {
                centre_hz: settings.get(centre),
                width_hz: settings.get(width),
                depth_db: settings.get(depth),
            };
            NotchCoefficients::new(&shape, rate)
        };
        Self {
            pi: PiCoefficients {
                gain_nms_per_rad: settings.get(Setting::SpeedGain),
                period_over_reset_time: if reset_time_s == 0.0 { 0.0 } else { rate.period_s() / reset_time_s },
            },
            inertia_feedforward_kgm2: settings.get(Setting::InertiaFeedforward),
            notches: [
                notch(Setting::Notch1Centre, Setting::Notch1Width, Setting::Notch1Depth),
                notch(Setting::Notch2Centre, Setting::Notch2Width, Setting::Notch2Depth),
            ],
            torque_lowpass: LowPassCoefficients::new(settings.get(Setting::TorqueLowpass), rate),
            torque_limit_nm: settings.get(Setting::TorqueLimit),
        }
    }
}

/// What the loop takes in one tick.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpeedLoopInput {
    /// Setpoint after ramp, low-pass and offset, in rad/s.
    pub setpoint_rad_per_s: f64,
    /// Slope of that setpoint, in rad/s².
    pub setpoint_slope_rad_per_s2: f64,
    /// Measured speed in rad/s.
    pub measured_rad_per_s: f64,
    /// Torque offset from outside, in Nm.
    pub torque_offset_nm: f64,
}

/// What the loop gives in one tick, in Nm.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SpeedLoopOutput {
    /// c, before the torque offset.
    pub controller_torque_nm: f64,
    /// u, before notches and low-pass.
    pub summed_torque_nm: f64,
    /// The command, after the limit.
    pub torque_command_nm: f64,
    /// Whether the limit cut: |v| was beyond it.
    pub limited: bool,
}

/// The loop with its sum and filters.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpeedLoop {
    coefficients: SpeedLoopCoefficients,
    /// S: the sum of the errors, in rad/s.
    error_sum_rad_per_s: f64,
    notches: [Notch; 2],
    torque_lowpass: LowPass,
}

impl SpeedLoop {
    /// The loop with its sum and filters at 0.
    #[must_use]
    pub fn new(coefficients: SpeedLoopCoefficients) -> Self {
        Self {
            coefficients,
            error_sum_rad_per_s: 0.0,
            notches: coefficients.notches.map(Notch::new),
            torque_lowpass: LowPass::new(coefficients.torque_lowpass),
        }
    }

    /// What it works with.
    #[must_use]
    pub fn coefficients(&self) -> &SpeedLoopCoefficients {
        &self.coefficients
    }

    /// The integrator's torque Kp (T/Tn) S, in Nm.
    #[must_use]
    pub fn integrator_torque_nm(&self) -> f64 {
        integrator_gain(&self.coefficients.pi) * self.error_sum_rad_per_s
    }

    /// Sum and filters to 0.
    pub fn reset(&mut self) {
        *self = Self::new(self.coefficients);
    }

    /// Other coefficients from the next tick on. The filters keep their states. Where Kp or Tn change, the integrator's
    /// torque Kp (T/Tn) S stays and S follows; where the new Kp or Tn is 0 there is no integrator that could hold it:
    /// its torque is dropped and S becomes 0. An integrator that comes back begins at 0.
    pub fn retune(&mut self, coefficients: SpeedLoopCoefficients) {
        let new_gain = integrator_gain(&coefficients.pi);
        if new_gain != integrator_gain(&self.coefficients.pi) {
            let sum = self.integrator_torque_nm() / new_gain;
            self.error_sum_rad_per_s = if sum.is_finite() { sum } else { 0.0 };
        }
        self.coefficients = coefficients;
        for (notch, coefficients) in self.notches.iter_mut().zip(coefficients.notches) {
            notch.retune(coefficients);
        }
        self.torque_lowpass.retune(coefficients.torque_lowpass);
    }

    /// One tick, as this file's front page defines it. Without an integrator S stays 0.
    #[inline]
    pub fn step(&mut self, input: &SpeedLoopInput) -> SpeedLoopOutput {
        let PiCoefficients { gain_nms_per_rad, period_over_reset_time } = self.coefficients.pi;
        let error = input.setpoint_rad_per_s - input.measured_rad_per_s;
        let sum = self.error_sum_rad_per_s + error;
        let controller_torque_nm = gain_nms_per_rad * (error + period_over_reset_time * sum)
            + self.coefficients.inertia_feedforward_kgm2 * input.setpoint_slope_rad_per_s2;
        let summed_torque_nm = controller_torque_nm + input.torque_offset_nm;
        let notched = self.notches.iter_mut().fold(summed_torque_nm, |torque, notch| notch.next(torque));
        let filtered = self.torque_lowpass.next(notched);
        let limit = self.coefficients.torque_limit_nm;
        let limited = limit < filtered.abs();
        let winds_up = limited && 0.0 < error * filtered;
        if !winds_up && period_over_reset_time != 0.0 {
            self.error_sum_rad_per_s = sum;
        }
        let torque_command_nm = filtered.max(-limit).min(limit);
        SpeedLoopOutput { controller_torque_nm, summed_torque_nm, torque_command_nm, limited }
    }
}

/// Torque per sum: Kp (T/Tn).
fn integrator_gain(pi: &PiCoefficients) -> f64 {
    pi.gain_nms_per_rad * pi.period_over_reset_time
}
