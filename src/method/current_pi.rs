//! The carried controller for runs in which the outside commands voltage: the drive's own speed loop and current loops with
//! the settings that stand in the drive, computed outside, so that the two can be compared.
//!
//! From the same sample it gives the voltages that the drive's own loops would. Its speed loop is [`OutsidePi`]; the voltage
//! is limited here too, since the sums stand while it is. What it does not: tune, or turn voltages into the stator (the
//! bench does). Start reading at [`CurrentPi`].

use crate::method::axis::Stop;
use crate::method::outside::{CurrentController, SpeedController};
use crate::method::outside_pi::OutsidePi;
use crate::wire::message::{Accept, SettingRow, TorqueSample, VoltageSample};

/// √3, correctly rounded.
const SQRT_3: f64 = 1.732_050_807_568_877_2;

/// The controller with its sums.
#[derive(Clone, Debug, Default)]
pub struct CurrentPi {
    speed: OutsidePi,
    gain_v_per_a: f64,
    period_over_reset_time: f64,
    pole_pairs: f64,
    inductance_h: f64,
    flux_linkage_vs: f64,
    amperes_per_nm: f64,
    error_sum_dq_a: [f64; 2],
}

impl CurrentController for CurrentPi {
    fn begin(&mut self, accept: &Accept, settings: &[SettingRow]) -> Result<(), Stop> {
        self.speed.begin(accept, settings)?;
        let period_s = 1.0 / f64::from(accept.tick_hz);
        let value = |name: &str| {
            let row = settings.iter().find(|row| row.name.as_str() == name);
            row.map(|row| row.value).ok_or_else(|| Stop::because(format!("this drive has no setting {name}")))
        };
        self.gain_v_per_a = value("current_gain_v_per_a")?;
        let reset_time_s = value("current_reset_time_s")?;
        self.period_over_reset_time = if reset_time_s == 0.0 { 0.0 } else { period_s / reset_time_s };
        self.pole_pairs = value("pole_pairs")?;
        self.inductance_h = value("inductance_h")?;
        self.flux_linkage_vs = value("flux_linkage_vs")?;
        if self.flux_linkage_vs <= 0.0 {
            return Err(Stop::because("the drive shows no flux_linkage_vs: no current can be reckoned from a torque"));
        }
        self.amperes_per_nm = 1.0 / (1.5 * self.pole_pairs * self.flux_linkage_vs);
        Ok(())
    }

    fn reset(&mut self) {
        self.speed.reset();
        self.error_sum_dq_a = [0.0; 2];
    }

    fn voltage_dq_v(&mut self, sample: &VoltageSample) -> [f64; 2] {
        let torque_nm = self.speed.torque_nm(&TorqueSample {
            counts: sample.counts,
            setpoint_rad_per_s: sample.setpoint_rad_per_s,
            measured_speed_rad_per_s: sample.measured_speed_rad_per_s,
            torque_nm: 0.0,
        });
        let electrical_rad_per_s = self.pole_pairs * sample.measured_speed_rad_per_s;
        let error = [0.0 - sample.current_d_a, torque_nm * self.amperes_per_nm - sample.current_q_a];
        let sum = [self.error_sum_dq_a[0] + error[0], self.error_sum_dq_a[1] + error[1]];
        let pi = |axis: usize| self.gain_v_per_a * (error[axis] + self.period_over_reset_time * sum[axis]);
        let flux_d_vs = self.inductance_h * sample.current_d_a + self.flux_linkage_vs;
        let wanted = [
            pi(0) - electrical_rad_per_s * (self.inductance_h * sample.current_q_a),
            pi(1) + electrical_rad_per_s * flux_d_vs,
        ];
        let length = (wanted[0] * wanted[0] + wanted[1] * wanted[1]).sqrt();
        let limit = sample.bus_v.max(0.0) / SQRT_3;
        let limited = limit < length;
        for axis in 0..2 {
            let winds_up = limited && 0.0 < error[axis] * wanted[axis];
            if self.period_over_reset_time != 0.0 && !winds_up {
                self.error_sum_dq_a[axis] = sum[axis];
            }
        }
        // As it is wanted: the bench shortens it, in the very way in which the drive shortens its own.
        wanted
    }
}
