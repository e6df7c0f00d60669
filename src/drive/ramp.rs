//! The way of the setpoint: ramp, low-pass, speed offset; and the ramp of the quick stop.
//!
//! What it does not: say when a quick stop begins (`mod.rs`). Start reading at [`SetpointPath::follow`].

use crate::base::time::TickRate;
use crate::base::units::RPM_RAD_PER_S;
use crate::drive::filter::{LowPass, LowPassCoefficients};
use crate::drive::setting::{Setting, Settings};

/// A value that moves towards a target by at most one step a tick, and is the target exactly once that is within a
/// step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ramp {
    /// Where the ramp is.
    pub value: f64,
}

impl Ramp {
    /// One tick; an infinite step is no ramp.
    #[inline]
    pub fn next(&mut self, target: f64, step: f64) -> f64 {
        let way = target - self.value;
        self.value = if way.abs() <= step { target } else { self.value + step.copysign(way) };
        self.value
    }
}

/// The settings of the setpoint's way, as used.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SetpointCoefficients {
    /// Largest change a tick, in rad/s; infinite when the ramp is off.
    pub ramp_step_rad_per_s: f64,
    /// Change a tick of the quick stop, in rad/s.
    pub quick_stop_step_rad_per_s: f64,
    /// The setpoint's low-pass.
    pub lowpass: LowPassCoefficients,
}

impl SetpointCoefficients {
    /// The coefficients that these settings make at this rate.
    #[must_use]
    pub fn new(settings: &Settings, rate: TickRate) -> Self {
        let step = |setting| settings.get(setting) * RPM_RAD_PER_S * rate.period_s();
        let ramp_is_off = settings.get(Setting::SetpointRamp) == 0.0;
        Self {
            ramp_step_rad_per_s: if ramp_is_off { f64::INFINITY } else { step(Setting::SetpointRamp) },
            quick_stop_step_rad_per_s: step(Setting::QuickStop),
            lowpass: LowPassCoefficients::new(settings.get(Setting::SetpointLowpass), rate),
        }
    }
}

/// The setpoint of one tick.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Setpoint {
    /// After ramp, low-pass and offset, in rad/s.
    pub value_rad_per_s: f64,
    /// Its change since the tick before times tick_hz, in rad/s². 0 in a tick in which the ramp starts: the setpoint
    /// before it was another, or none, and its jump is no acceleration that was asked for.
    pub slope_rad_per_s2: f64,
}

/// Ramp and low-pass with their states.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SetpointPath {
    coefficients: SetpointCoefficients,
    tick_hz: f64,
    ramp: Ramp,
    lowpass: LowPass,
    last: f64,
    starts: bool,
    ticks_stopped: u32,
}

impl SetpointPath {
    /// The path at setpoint 0.
    #[must_use]
    pub fn new(coefficients: SetpointCoefficients, rate: TickRate) -> Self {
        Self {
            coefficients,
            tick_hz: f64::from(rate.hz),
            ramp: Ramp { value: 0.0 },
            lowpass: LowPass::new(coefficients.lowpass),
            last: 0.0,
            starts: false,
            ticks_stopped: 0,
        }
    }

    /// What it works with.
    #[must_use]
    pub fn coefficients(&self) -> &SetpointCoefficients {
        &self.coefficients
    }

    /// Other coefficients, the same states.
    pub fn retune(&mut self, coefficients: SetpointCoefficients) {
        self.coefficients = coefficients;
        self.lowpass.retune(coefficients.lowpass);
    }

    /// The next tick is the first of an operation or of a quick stop: the ramp starts at that tick's measured speed,
    /// the low-pass at 0.
    pub fn start(&mut self) {
        self.lowpass.reset();
        self.starts = true;
        self.ticks_stopped = 0;
    }

    /// One tick of operation: ramp, low-pass, plus offset. In the first tick the ramp already takes its first step from
    /// the measured speed.
    #[inline]
    pub fn follow(&mut self, asked_rad_per_s: f64, offset_rad_per_s: f64, measured_rad_per_s: f64) -> Setpoint {
        let starts = self.starts_here(measured_rad_per_s);
        let ramped = self.ramp.next(asked_rad_per_s, self.coefficients.ramp_step_rad_per_s);
        let smoothed = self.lowpass.next(ramped);
        self.given(smoothed + offset_rad_per_s, starts)
    }

    /// One tick of a quick stop: from the measured speed to 0 along the quick stop's ramp. The low-pass is passed by,
    /// so that no setting lengthens the stop.
    #[inline]
    pub fn brake(&mut self, measured_rad_per_s: f64) -> Setpoint {
        let starts = self.starts_here(measured_rad_per_s);
        let ramped = self.ramp.next(0.0, self.coefficients.quick_stop_step_rad_per_s);
        if ramped == 0.0 {
            self.ticks_stopped = self.ticks_stopped.saturating_add(1);
        }
        self.given(ramped, starts)
    }

    /// Ticks for which the quick stop's ramp has been at 0.
    #[must_use]
    pub fn ticks_stopped(&self) -> u32 {
        self.ticks_stopped
    }

    fn starts_here(&mut self, measured_rad_per_s: f64) -> bool {
        if self.starts {
            self.ramp.value = measured_rad_per_s;
        }
        std::mem::take(&mut self.starts)
    }

    #[inline]
    fn given(&mut self, value_rad_per_s: f64, starts: bool) -> Setpoint {
        let slope_rad_per_s2 = if starts { 0.0 } else { (value_rad_per_s - self.last) * self.tick_hz };
        self.last = value_rad_per_s;
        Setpoint { value_rad_per_s, slope_rad_per_s2 }
    }
}
