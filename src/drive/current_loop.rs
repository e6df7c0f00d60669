//! The current loops: phase currents into the rotor's frame, a PI controller on each axis, voltages back to the stator.
//!
//! In tick k, with the currents and counts sampled at its start and the measured speed w (after the speed filter; one
//! speed for the whole drive) and we = p w:
//!
//! - Angle of the rotor's frame: sign · p · counts · 2π / N + commutation offset. It is the angle that the sensor shows:
//!   a sensor that shows old angles turns the frame back by we for each second of it.
//! - id, iq: the measured currents in that frame, amplitude-invariant. References: 0 and torque command / (1.5 p ψ).
//! - PI as in the speed loop: Kp (e + (T/Tn) (S + e)), S the sum of the errors before this tick.
//! - vd* = PId − we L iq and vq* = PIq + we (L id + ψ), by the measured currents; L is one nameplate value for both axes.
//! - v is v* shortened to the bus voltage / √3 where it is longer, in its own direction. On an axis where e v* > 0 the
//!   sum stands in such a tick.
//! - v leaves in the stator's frame, its angle advanced by 1.5 T we: it acts from tick k + 1 and is held for one tick,
//!   and lies right in the middle of it.
//!
//! When operation begins both sums are 0; whatever the motor turns at then, its voltage is fed forward. A change of Kp or
//! Tn keeps the integrators' voltages. What it does not: make the torque command (`speed_loop.rs`), switch off (`mod.rs`).
//! Start reading at [`CurrentLoop::step`].

use crate::base::real;
use crate::base::time::TickRate;
use crate::base::units::{DEG_RAD, TURN_RAD};
use crate::drive::setting::{Setting, Settings};

/// Magnitude optimum: the loop's small time constants are one tick of delay and half a tick of the hold, 1.5 T together;
/// twice their sum divides the inductance (Schröder, Elektrische Antriebe, Regelung von Antriebssystemen; from memory).
const GAIN_DELAY_TICKS: f64 = 3.0;

/// Ticks from the sample to the middle of the tick in which the voltage acts.
const ADVANCE_TICKS: f64 = 1.5;

/// Default gain in V/A by the magnitude optimum: L / (3 T).
#[must_use]
pub fn optimal_gain_v_per_a(inductance_h: f64, rate: TickRate) -> f64 {
    inductance_h * f64::from(rate.hz) / GAIN_DELAY_TICKS
}

/// What the settings make of the current loops, as used.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurrentLoopCoefficients {
    /// Kp in V/A.
    pub gain_v_per_a: f64,
    /// T/Tn; 0 without an integrator.
    pub period_over_reset_time: f64,
    /// p.
    pub pole_pairs: f64,
    /// L in H.
    pub inductance_h: f64,
    /// ψ in Vs.
    pub flux_linkage_vs: f64,
    /// Peak current per torque, 1 / (1.5 p ψ), in A/Nm; 0 where the nameplate has no flux.
    pub amperes_per_nm: f64,
    /// Electrical turns per count, with the sensor's sign.
    turns_per_count: f64,
    /// Electrical turns at 0 counts.
    offset_turns: f64,
    /// Electrical advance of the voltage per electrical speed, in s.
    advance_s: f64,
}

impl CurrentLoopCoefficients {
    /// The coefficients that these settings make at this rate.
    #[must_use]
    pub fn new(settings: &Settings, rate: TickRate) -> Self {
        let reset_time_s = settings.get(Setting::CurrentResetTime);
        let pole_pairs = settings.get(Setting::PolePairs);
        let flux_linkage_vs = settings.get(Setting::FluxLinkage);
        Self {
            gain_v_per_a: settings.get(Setting::CurrentGain),
            period_over_reset_time: if reset_time_s == 0.0 { 0.0 } else { rate.period_s() / reset_time_s },
            pole_pairs,
            inductance_h: settings.get(Setting::Inductance),
            flux_linkage_vs,
            amperes_per_nm: if flux_linkage_vs == 0.0 { 0.0 } else { 1.0 / (1.5 * pole_pairs * flux_linkage_vs) },
            turns_per_count: settings.get(Setting::SensorSign) * pole_pairs / settings.get(Setting::CountsPerTurn),
            offset_turns: settings.get(Setting::CommutationOffset) * DEG_RAD / TURN_RAD,
            advance_s: ADVANCE_TICKS * rate.period_s(),
        }
    }

    /// Voltage of the motor's turning per speed, p ψ, in V per rad/s.
    #[must_use]
    pub fn volts_per_rad_per_s(&self) -> f64 {
        self.pole_pairs * self.flux_linkage_vs
    }
}

/// Two values in the rotor's frame.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Dq {
    /// Along the magnet.
    pub d: f64,
    /// A quarter of an electrical turn ahead of it.
    pub q: f64,
}

/// The sample of a tick in the rotor's frame.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CurrentSample {
    /// Electrical angle in rad, within one turn.
    pub angle_rad: f64,
    /// Currents in A.
    pub current_a: Dq,
}

/// What the loops take in one tick, beside the sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurrentLoopInput {
    /// The torque command in Nm.
    pub torque_nm: f64,
    /// Measured speed in rad/s.
    pub speed_rad_per_s: f64,
    /// Voltage of the bus in V.
    pub bus_v: f64,
}

/// What the loops give in one tick.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CurrentLoopOutput {
    /// Voltages in the rotor's frame, after the limit, in V.
    pub voltage_v: Dq,
    /// The same in the stator's frame: along phase a, and a quarter of a turn ahead of it.
    pub voltage_alpha_beta_v: [f64; 2],
}

/// The loops with their sums.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurrentLoop {
    coefficients: CurrentLoopCoefficients,
    /// The sums of the errors in A.
    error_sum_a: Dq,
}

impl CurrentLoop {
    /// The loops with their sums at 0.
    #[must_use]
    pub fn new(coefficients: CurrentLoopCoefficients) -> Self {
        Self { coefficients, error_sum_a: Dq::default() }
    }

    /// What they work with.
    #[must_use]
    pub fn coefficients(&self) -> &CurrentLoopCoefficients {
        &self.coefficients
    }

    /// Sums to 0.
    pub fn reset(&mut self) {
        self.error_sum_a = Dq::default();
    }

    /// Other coefficients from the next tick on. Where Kp or Tn change, the integrators' voltages Kp (T/Tn) S stay and S
    /// follows; where the new Kp or Tn is 0 there is no integrator that could hold them: they are dropped.
    pub fn retune(&mut self, coefficients: CurrentLoopCoefficients) {
        let (old, new) = (integrator_gain(&self.coefficients), integrator_gain(&coefficients));
        if new != old {
            let follow = |sum: f64| Some(sum * old / new).filter(|sum| sum.is_finite()).unwrap_or(0.0);
            self.error_sum_a = Dq { d: follow(self.error_sum_a.d), q: follow(self.error_sum_a.q) };
        }
        self.coefficients = coefficients;
    }

    /// Measured currents into phases a and b, in the rotor's frame at these counts.
    #[inline]
    #[must_use]
    pub fn sample(&self, counts: i64, phase_current_a: [f64; 2]) -> CurrentSample {
        let turns = counts as f64 * self.coefficients.turns_per_count + self.coefficients.offset_turns;
        let angle_rad = (turns - turns.floor()) * TURN_RAD;
        let (sin, cos) = real::sin_cos(angle_rad);
        let [alpha, b] = phase_current_a;
        let beta = (alpha + 2.0 * b) / SQRT_3;
        CurrentSample { angle_rad, current_a: Dq { d: alpha * cos + beta * sin, q: beta * cos - alpha * sin } }
    }

    /// One tick, as this file's front page defines it. Without an integrator the sums stay 0.
    #[inline]
    pub fn step(&mut self, sample: &CurrentSample, input: &CurrentLoopInput) -> CurrentLoopOutput {
        self.step_axes(sample, input, None)
    }

    /// The same with a voltage of somebody else's on the d axis, whose sum stands meanwhile: a winding test.
    pub fn step_q(&mut self, sample: &CurrentSample, input: &CurrentLoopInput, voltage_d_v: f64) -> CurrentLoopOutput {
        self.step_axes(sample, input, Some(voltage_d_v))
    }

    /// Voltages of a controller outside: limited and turned into the stator as its own. The sums are 0 for when these
    /// loops take over.
    pub fn pass_on(
        &mut self,
        sample: &CurrentSample,
        voltage_v: Dq,
        speed_rad_per_s: f64,
        bus_v: f64,
    ) -> CurrentLoopOutput {
        self.reset();
        let (voltage, _) = shortened(voltage_v, bus_v);
        self.in_the_stator(voltage, sample.angle_rad, self.coefficients.pole_pairs * speed_rad_per_s)
    }

    #[inline]
    fn step_axes(
        &mut self,
        sample: &CurrentSample,
        input: &CurrentLoopInput,
        voltage_d_v: Option<f64>,
    ) -> CurrentLoopOutput {
        let c = &self.coefficients;
        let current = sample.current_a;
        let electrical_rad_per_s = c.pole_pairs * input.speed_rad_per_s;
        let error = Dq { d: 0.0 - current.d, q: input.torque_nm * c.amperes_per_nm - current.q };
        let sum = Dq { d: self.error_sum_a.d + error.d, q: self.error_sum_a.q + error.q };
        let pi = |error: f64, sum: f64| c.gain_v_per_a * (error + c.period_over_reset_time * sum);
        let wanted = Dq {
            d: voltage_d_v.unwrap_or_else(|| pi(error.d, sum.d) - electrical_rad_per_s * (c.inductance_h * current.q)),
            q: pi(error.q, sum.q) + electrical_rad_per_s * (c.inductance_h * current.d + c.flux_linkage_vs),
        };
        let (voltage, limited) = shortened(wanted, input.bus_v);
        if c.period_over_reset_time != 0.0 {
            if voltage_d_v.is_none() && !(limited && 0.0 < error.d * wanted.d) {
                self.error_sum_a.d = sum.d;
            }
            if !(limited && 0.0 < error.q * wanted.q) {
                self.error_sum_a.q = sum.q;
            }
        }
        self.in_the_stator(voltage, sample.angle_rad, electrical_rad_per_s)
    }

    #[inline]
    fn in_the_stator(&self, voltage: Dq, angle_rad: f64, electrical_rad_per_s: f64) -> CurrentLoopOutput {
        let (sin, cos) = real::sin_cos(angle_rad + electrical_rad_per_s * self.coefficients.advance_s);
        let alpha = voltage.d * cos - voltage.q * sin;
        let beta = voltage.d * sin + voltage.q * cos;
        CurrentLoopOutput { voltage_v: voltage, voltage_alpha_beta_v: [alpha, beta] }
    }
}

/// A voltage no longer than the bus can give without distortion, its voltage / √3, and whether that cut it.
#[inline]
fn shortened(wanted: Dq, bus_v: f64) -> (Dq, bool) {
    let length = (wanted.d * wanted.d + wanted.q * wanted.q).sqrt();
    let limit = bus_v.max(0.0) / SQRT_3;
    if length <= limit {
        return (wanted, false);
    }
    let share = limit / length;
    (Dq { d: wanted.d * share, q: wanted.q * share }, true)
}

/// √3, correctly rounded.
const SQRT_3: f64 = 1.732_050_807_568_877_2;

/// Voltage per sum: Kp (T/Tn).
fn integrator_gain(coefficients: &CurrentLoopCoefficients) -> f64 {
    coefficients.gain_v_per_a * coefficients.period_over_reset_time
}
