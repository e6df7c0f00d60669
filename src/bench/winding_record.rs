//! What a winding test showed, tick by tick, until the method has fetched it.
//!
//! What it does not: the test itself (`drive`), or frames (`requests.rs`). Start reading at [`WindingRecord::tick`].

use crate::base::signal::Feedback;
use crate::drive::winding_test::{WINDING_TEST_MAX_TICKS, WindingTestState};
use crate::wire::message::WindingSample;

/// The samples of the last test: from the tick that computed its first voltage to the one in which the last acts no more.
#[derive(Clone, Debug, Default)]
pub struct WindingRecord {
    samples: Vec<WindingSample>,
    open: bool,
}

impl WindingRecord {
    /// A test begins with the next tick. Room for the longest is taken here, since a tick takes none.
    pub fn begin(&mut self) {
        self.samples.clear();
        self.samples.reserve(WINDING_TEST_MAX_TICKS as usize + 2);
        self.open = true;
    }

    /// One tick: the voltage that acts during it and what was measured at its start.
    #[inline]
    pub fn tick(&mut self, state: WindingTestState, voltage_d_v: f64, feedback: &Feedback) {
        if !self.open {
            return;
        }
        self.open = state == WindingTestState::Running;
        if self.samples.len() < self.samples.capacity() {
            self.samples.push(WindingSample {
                voltage_d_v,
                current_d_a: feedback.current_d_a,
                current_q_a: feedback.current_q_a,
                bus_v: feedback.bus_v,
            });
        }
    }

    /// What there is so far.
    #[must_use]
    pub fn samples(&self) -> &[WindingSample] {
        &self.samples
    }
}
