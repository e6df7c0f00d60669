//! The winding test: a voltage step on the d axis of an enabled axis at rest. The current rises as V/R (1 - e^(-tR/L)) and
//! gives no torque, so that who sees it finds R and L.
//!
//! The speed loop and the q axis go on, so that a load stays held. It ends after its time, when the current comes to the
//! rated one (peak of a phase), or when the axis moves or is no longer enabled; from then on the d axis is the current
//! loop's again. What it does not: reckon R and L, or keep what was measured (the bench does). Start reading at
//! [`WindingTestRun::tick`].

use std::f64::consts::SQRT_2;

use crate::base::signal::WindingTest;
use crate::base::time::TickRate;
use crate::drive::current_loop::CurrentSample;
use crate::drive::setting::{Setting, Settings};

/// Most ticks of a test: a second at 8 kHz, a hundred times what a servo motor's winding takes, and what a bench keeps.
pub const WINDING_TEST_MAX_TICKS: u64 = 8192;

/// How far the last test is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum WindingTestState {
    /// There was none.
    #[default]
    None,
    /// It runs.
    Running,
    /// It lasted for its time.
    Finished,
    /// The current came to its limit.
    CurrentLimit,
    /// The axis moved or was no longer enabled.
    Stopped,
}

/// Why a test cannot begin.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WindingTestRefusal {
    /// The motor has no winding.
    NotHere,
    /// The drive is not in operation enabled.
    NotEnabled,
    /// The axis moves.
    NotAtRest,
    /// The voltage is 0 or more than the bus gives, or the time is less than a tick or longer than
    /// [`WINDING_TEST_MAX_TICKS`].
    OutOfRange,
    /// One runs already.
    Running,
}

/// A test and how far it is.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(in crate::drive) struct WindingTestRun {
    state: WindingTestState,
    voltage_v: f64,
    ticks_left: u64,
    current_limit_a: f64,
}

impl WindingTestRun {
    /// Begins with the next tick, when what is asked can be done.
    pub(in crate::drive) fn start(
        &mut self,
        test: &WindingTest,
        settings: &Settings,
        bus_v: f64,
        rate: TickRate,
    ) -> Result<(), WindingTestRefusal> {
        if self.is_running() {
            return Err(WindingTestRefusal::Running);
        }
        let size_v = test.axis_d_voltage_v.abs();
        let ticks = test.time_s * f64::from(rate.hz);
        let may_be = 0.0 < size_v && 3.0 * size_v * size_v <= bus_v * bus_v;
        if !may_be || !(0.5..=WINDING_TEST_MAX_TICKS as f64).contains(&ticks) {
            return Err(WindingTestRefusal::OutOfRange);
        }
        *self = Self {
            state: WindingTestState::Running,
            voltage_v: test.axis_d_voltage_v,
            ticks_left: rate.nearest_tick(test.time_s),
            current_limit_a: SQRT_2 * settings.get(Setting::RatedCurrent),
        };
        Ok(())
    }

    pub(in crate::drive) fn state(&self) -> WindingTestState {
        self.state
    }

    #[inline]
    pub(in crate::drive) fn is_running(&self) -> bool {
        self.state == WindingTestState::Running
    }

    /// The voltage on the d axis that acts from the next tick; none when the test is over.
    pub(in crate::drive) fn tick(&mut self, held: bool, sample: &CurrentSample) -> Option<f64> {
        let limited = self.current_limit_a <= sample.current_a.d.abs();
        self.state = match (held, limited, self.ticks_left) {
            (false, _, _) => WindingTestState::Stopped,
            (true, true, _) => WindingTestState::CurrentLimit,
            (true, false, 0) => WindingTestState::Finished,
            (true, false, _) => WindingTestState::Running,
        };
        self.ticks_left = self.ticks_left.saturating_sub(1);
        self.is_running().then_some(self.voltage_v)
    }
}
