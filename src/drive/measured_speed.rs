//! Speed as the drive measures it: a difference of counts over one tick, or the M/T method, and two filters of it.
//!
//! The M/T method (Ohmae, Matsuda, Kamiyama and Tachikawa, IEEE Trans. Industrial Electronics IE-29 (1982)) divides the
//! edges between the last ones of two samples by the timer ticks between those. A sample without a new edge says nothing but
//! that the speed is below one edge over the time since the last: the value is held within that, so that it decays as 1/t
//! at standstill. What it does not: count edges or time them. Start reading at [`SpeedMeter::sample`] and
//! [`SpeedMeter::sample_edges`].

use crate::base::signal::Edges;
use crate::base::time::TickRate;
use crate::base::units::TURN_RAD;
use crate::drive::filter::{LowPass, LowPassCoefficients};
use crate::drive::setting::{Setting, Settings};

/// Corner of the fixed low-pass before the overspeed trip and the like: with 131 072 counts a turn, 0.6 counts of noise
/// and 8 kHz the plain difference has 3 rpm rms, behind it 0.4 rpm; it costs 0.8 ms. No setting can widen or close it.
pub const STEADY_FILTER_HZ: f64 = 200.0;

/// A measured speed beyond this is no motor's; it is cut off there, so that no counts make a number that is not finite.
const HIGHEST_RAD_PER_S: f64 = 1e6;

/// The way from counts to measured speed, as used: one count times (1 − z⁻¹), then the speed filter. Of the motor's
/// angle in rad it is (1 − z⁻¹)/T; the M/T method comes to the same where edges are much closer than ticks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpeedMeterCoefficients {
    /// Speed of one count a tick: sign of the sensor · (2π / counts per turn) · tick_hz, in rad/s.
    pub count_per_tick_rad_per_s: f64,
    /// The speed filter.
    pub filter: LowPassCoefficients,
}

impl SpeedMeterCoefficients {
    /// The coefficients that these settings make at this rate.
    #[must_use]
    pub fn new(settings: &Settings, rate: TickRate) -> Self {
        Self {
            count_per_tick_rad_per_s: settings.get(Setting::SensorSign) * TURN_RAD
                / settings.get(Setting::CountsPerTurn)
                * f64::from(rate.hz),
            filter: LowPassCoefficients::new(settings.get(Setting::SpeedFilter), rate),
        }
    }
}

/// The speed of one tick, in rad/s.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct MeasuredSpeed {
    /// What the loop takes and the drive shows: the difference, then the speed filter.
    pub measured_rad_per_s: f64,
    /// The difference behind the fixed low-pass of [`STEADY_FILTER_HZ`], whatever the settings.
    pub steady_rad_per_s: f64,
}

/// The meter with the last counts and its filters. It runs in every state of the drive, and enabling does not reset it:
/// its filter belongs to the measurement, and a ramp that starts at the measured speed needs that speed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpeedMeter {
    coefficients: SpeedMeterCoefficients,
    tick_hz: f64,
    last_counts: Option<i64>,
    /// The last edge that was taken: its count and the timer then.
    last_edge: Option<(i64, u64)>,
    /// Edges per second at the last one.
    edges_per_s: f64,
    filter: LowPass,
    steady: LowPass,
}

impl SpeedMeter {
    /// A meter that has not seen counts yet.
    #[must_use]
    pub fn new(coefficients: SpeedMeterCoefficients, rate: TickRate) -> Self {
        Self {
            coefficients,
            tick_hz: f64::from(rate.hz),
            last_counts: None,
            last_edge: None,
            edges_per_s: 0.0,
            filter: LowPass::new(coefficients.filter),
            steady: LowPass::new(LowPassCoefficients::new(STEADY_FILTER_HZ, rate)),
        }
    }

    /// What it works with.
    #[must_use]
    pub fn coefficients(&self) -> &SpeedMeterCoefficients {
        &self.coefficients
    }

    /// Other coefficients, the same states.
    pub fn retune(&mut self, coefficients: SpeedMeterCoefficients) {
        self.coefficients = coefficients;
        self.filter.retune(coefficients.filter);
    }

    /// One tick. The difference of the first is 0.
    #[inline]
    pub fn sample(&mut self, counts: i64) -> MeasuredSpeed {
        let change = self.last_counts.map_or(0, |last| counts.wrapping_sub(last));
        self.last_counts = Some(counts);
        self.filtered(change as f64 * self.coefficients.count_per_tick_rad_per_s)
    }

    /// One tick by the M/T method. The first sample measures 0, since an edge by itself is no speed. An edge in the same
    /// timer tick as the one before waits for the next.
    #[inline]
    pub fn sample_edges(&mut self, edges: &Edges) -> MeasuredSpeed {
        let (last_count, last_ticks) = *self.last_edge.get_or_insert((edges.count, edges.timer_ticks));
        let passed_ticks = edges.timer_ticks.saturating_sub(last_ticks);
        if 0 < passed_ticks {
            let passed_edges = edges.count.wrapping_sub(last_count) as f64;
            self.edges_per_s = passed_edges / passed_ticks as f64 * edges.timer_hz;
            self.last_edge = Some((edges.count, edges.timer_ticks));
        } else {
            let since_ticks = edges.now_ticks.saturating_sub(last_ticks).max(1);
            let highest = edges.timer_hz / since_ticks as f64;
            self.edges_per_s = self.edges_per_s.clamp(-highest, highest);
        }
        self.filtered(self.edges_per_s / self.tick_hz * self.coefficients.count_per_tick_rad_per_s)
    }

    #[inline]
    fn filtered(&mut self, speed_rad_per_s: f64) -> MeasuredSpeed {
        let speed = speed_rad_per_s.clamp(-HIGHEST_RAD_PER_S, HIGHEST_RAD_PER_S);
        MeasuredSpeed { measured_rad_per_s: self.filter.next(speed), steady_rad_per_s: self.steady.next(speed) }
    }
}
