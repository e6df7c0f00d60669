//! Current over time: how warm the motor is, by the simplest model there is of it.
//!
//! A first-order body heated by the square of the current: τ dx/dt = (i/i_rated)² − x, x = 1 what the rated current
//! leads to in the end. From cold at constant i it passes 1 after τ ln(i² / (i² − i_rated²)): the cold curve of thermal
//! relays (IEC 60255-149; from memory). The setting is that time at twice the rated current, so that τ = T / ln(4/3).
//! What it does not: know the winding's real temperature, nor forget heat at a fault reset; it cools while the axis is
//! off, and a power cycle makes it cold. Start reading at [`Overload::heat`].

use crate::base::real;
use crate::base::time::TickRate;
use crate::drive::setting::{Setting, Settings};

/// The model with its state.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Overload {
    /// 1 − exp(−T/τ), exact for a current that is held over the tick; 0 where it is off.
    share: f64,
    /// 1 over the square of the rated current (peak of phase), in 1/A²; 0 where it is not known.
    per_a2: f64,
    /// 1 over the square of the rated torque, in 1/(Nm)².
    per_nm2: f64,
    warmth: f64,
}

impl Overload {
    /// A cold motor.
    #[must_use]
    pub fn new(settings: &Settings, rate: TickRate) -> Self {
        let mut overload = Self { share: 0.0, per_a2: 0.0, per_nm2: 0.0, warmth: 0.0 };
        overload.retune(settings, rate);
        overload
    }

    /// Other settings, the same warmth.
    pub fn retune(&mut self, settings: &Settings, rate: TickRate) {
        let time_s = settings.get(Setting::OverloadTime);
        let rated_a_rms = settings.get(Setting::RatedCurrent);
        let rated_nm = settings.get(Setting::RatedTorque);
        let exponent = if time_s == 0.0 { 0.0 } else { rate.period_s() * real::ln(4.0 / 3.0) / time_s };
        self.share = if time_s == 0.0 { 0.0 } else { 1.0 - real::exp(-exponent) };
        self.per_a2 = if rated_a_rms == 0.0 { 0.0 } else { 0.5 / (rated_a_rms * rated_a_rms) };
        self.per_nm2 = 1.0 / (rated_nm * rated_nm);
    }

    /// One tick at a measured current (squared, peak of phase, in A²); where there is none, or no rating of it, at the
    /// torque command that acts instead.
    #[inline]
    pub fn heat(&mut self, current_squared_a2: Option<f64>, torque_nm: f64) {
        if self.share == 0.0 {
            return;
        }
        let heating = match current_squared_a2 {
            Some(squared_a2) if self.per_a2 != 0.0 => squared_a2 * self.per_a2,
            _ => torque_nm * torque_nm * self.per_nm2,
        };
        self.warmth += (heating - self.warmth) * self.share;
    }

    /// Whether the motor is warmer than its rated current makes it.
    #[inline]
    #[must_use]
    pub fn is_beyond(&self) -> bool {
        self.share != 0.0 && 1.0 < self.warmth
    }
}
