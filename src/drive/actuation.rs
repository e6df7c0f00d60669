//! What the drive does to the motor in a tick: the torque command, or voltages of its own current loops, of the outside
//! or of a winding test.
//!
//! What it does not: make the torque command (`speed_loop.rs`) or a voltage (`current_loop.rs`). Start reading at
//! [`Drive::actuate`].

use crate::base::signal::{Actuation, WindingTest};
use crate::base::units::RPM_RAD_PER_S;
use crate::drive::Drive;
use crate::drive::asked::Asked;
use crate::drive::current_loop::{CurrentLoopInput, CurrentLoopOutput, CurrentSample, Dq};
use crate::drive::protection::STANDSTILL_RPM;
use crate::drive::state::State;
use crate::drive::winding_test::{WindingTestRefusal, WindingTestState};

/// What a sample shows of the winding.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SensedWinding {
    /// Electrical angle of the rotor as the drive has it, in rad within one turn.
    pub electrical_angle_rad: f64,
    /// Measured current along the magnet in A, peak of a phase.
    pub current_d_a: f64,
    /// Measured current a quarter of an electrical turn ahead of it.
    pub current_q_a: f64,
    /// Measured voltage of the bus in V.
    pub bus_v: f64,
}

impl Drive {
    /// What acts from the next tick on, and the voltages behind it: a torque, or the voltage that the current loops make
    /// of it or the outside gives; nothing where no torque may act.
    pub(in crate::drive) fn actuate(&mut self, torque_nm: f64, asked: &Asked) -> (Actuation, CurrentLoopOutput) {
        let nothing = CurrentLoopOutput::default();
        let enabled = self.state == State::OperationEnabled;
        let test_v = if self.winding_test.is_running() {
            self.winding_test.tick(enabled && self.is_at_rest(), &self.sensed.current)
        } else {
            None
        };
        if !self.state.torque_may_act() {
            return (Actuation::Off, nothing);
        }
        if !self.has_winding {
            return (Actuation::Torque { torque_nm }, nothing);
        }
        let input = CurrentLoopInput {
            torque_nm,
            speed_rad_per_s: self.sensed.speed.measured_rad_per_s,
            bus_v: self.sensed.bus_v,
        };
        let sample = &self.sensed.current;
        let outside = asked.outside_voltage_dq_v.filter(|_| enabled);
        let output = match (outside, test_v) {
            (Some([d, q]), _) => {
                let voltage_v = Dq { d: test_v.unwrap_or(d), q };
                self.current_loop.pass_on(sample, voltage_v, input.speed_rad_per_s, input.bus_v)
            }
            (None, Some(axis_d_v)) => self.current_loop.step_q(sample, &input, axis_d_v),
            (None, None) => self.current_loop.step(sample, &input),
        };
        let [alpha_v, beta_v] = output.voltage_alpha_beta_v;
        (Actuation::Voltage { alpha_v, beta_v }, output)
    }

    /// What the sample showed of the winding, between the two halves of a tick.
    #[must_use]
    pub fn sensed_winding(&self) -> SensedWinding {
        let CurrentSample { angle_rad, current_a } = self.sensed.current;
        let [current_d_a, current_q_a] = [current_a.d, current_a.q];
        SensedWinding { electrical_angle_rad: angle_rad, current_d_a, current_q_a, bus_v: self.sensed.bus_v }
    }

    /// Begins a winding test with the next tick.
    ///
    /// # Errors
    /// Why it cannot be done now.
    pub fn start_winding_test(&mut self, test: &WindingTest) -> Result<(), WindingTestRefusal> {
        if !self.has_winding {
            return Err(WindingTestRefusal::NotHere);
        }
        if self.state != State::OperationEnabled {
            return Err(WindingTestRefusal::NotEnabled);
        }
        if !self.is_at_rest() {
            return Err(WindingTestRefusal::NotAtRest);
        }
        self.winding_test.start(test, self.store.volatile(), self.sensed.bus_v, self.rate)
    }

    /// How far the last winding test is; none since the drive was switched on.
    #[must_use]
    pub fn winding_test(&self) -> WindingTestState {
        self.winding_test.state()
    }

    fn is_at_rest(&self) -> bool {
        self.sensed.speed.steady_rad_per_s.abs() < STANDSTILL_RPM * RPM_RAD_PER_S
    }

    /// The torque that the measured current makes by the nameplate. Where the outside commands voltage it stands in the
    /// place of a torque command, which nobody gives there.
    pub(in crate::drive) fn reckoned_torque_nm(&self) -> f64 {
        let amperes_per_nm = self.current_loop.coefficients().amperes_per_nm;
        if amperes_per_nm == 0.0 { 0.0 } else { self.sensed.current.current_a.q / amperes_per_nm }
    }
}
