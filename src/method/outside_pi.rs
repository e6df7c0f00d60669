//! The carried speed controller for runs in which the outside commands torque: a PI law with the gains that stand in the
//! drive's own settings, so that an outside loop can be compared with the drive's.
//!
//! It computes what the drive's own speed loop would from the same sample: PI, torque low-pass, integrator that stands
//! while the torque is at its limit; notches, feed-forward and ramps are left out. What it does not: tune. Start reading
//! at [`OutsidePi`].

use std::f64::consts::PI;

use crate::base::real;
use crate::method::axis::Stop;
use crate::method::outside::SpeedController;
use crate::wire::message::{Accept, SettingRow, TorqueSample};

/// The controller with its sum and its filter.
#[derive(Clone, Debug, Default)]
pub struct OutsidePi {
    gain_nms_per_rad: f64,
    period_over_reset_time: f64,
    lowpass_a: f64,
    torque_limit_nm: f64,
    error_sum_rad_per_s: f64,
    filtered_nm: f64,
}

impl SpeedController for OutsidePi {
    fn begin(&mut self, accept: &Accept, settings: &[SettingRow]) -> Result<(), Stop> {
        let period_s = 1.0 / f64::from(accept.tick_hz);
        let value = |name: &str| {
            let row = settings.iter().find(|row| row.name.as_str() == name);
            row.map(|row| row.value).ok_or_else(|| Stop::because(format!("this drive has no setting {name}")))
        };
        self.gain_nms_per_rad = value("speed_gain_nms_per_rad")?;
        self.torque_limit_nm = value("torque_limit_nm")?;
        let reset_time_s = value("speed_reset_time_s")?;
        self.period_over_reset_time = if reset_time_s == 0.0 { 0.0 } else { period_s / reset_time_s };
        let lowpass_hz = value("torque_lowpass_hz")?;
        self.lowpass_a = if lowpass_hz == 0.0 { 0.0 } else { real::exp(-2.0 * PI * lowpass_hz * period_s) };
        Ok(())
    }

    fn reset(&mut self) {
        (self.error_sum_rad_per_s, self.filtered_nm) = (0.0, 0.0);
    }

    fn torque_nm(&mut self, sample: &TorqueSample) -> f64 {
        let error = sample.setpoint_rad_per_s - sample.measured_speed_rad_per_s;
        let sum = self.error_sum_rad_per_s + error;
        let wanted_nm = self.gain_nms_per_rad * (error + self.period_over_reset_time * sum);
        self.filtered_nm = self.lowpass_a * self.filtered_nm + (1.0 - self.lowpass_a) * wanted_nm;
        let limited = self.torque_limit_nm < self.filtered_nm.abs();
        let winds_up = limited && 0.0 < error * self.filtered_nm;
        if !winds_up && self.period_over_reset_time != 0.0 {
            self.error_sum_rad_per_s = sum;
        }
        self.filtered_nm.max(-self.torque_limit_nm).min(self.torque_limit_nm)
    }
}
