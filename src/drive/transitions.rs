//! When a drive leaves its state: by the controlword, by itself, by a trip, by emergency stop or guard; and how the
//! holding brake goes with it.
//!
//! Decisions that the standards leave open. Safe torque off is no fault: the drive goes to switch on disabled, as by
//! "disable voltage" (transitions 7, 9, 10 and 12 of IEC 61800-7-201), and does not leave it while the cause stands;
//! afterwards it has to be enabled step by step, so nothing restarts by itself. A trip that was latched before stays one.
//! Safe stop 1 is the quick stop, then the same. With a brake whose closing takes time, "shutdown" and "disable operation"
//! of an axis at rest and the end of a quick stop wait until it is closed, torque holding the axis so long; while the axis
//! turns, and by "disable voltage" or a trip that does not brake, the torque goes at once and the load falls until the
//! brake has closed. What it does not: say where an event leads (`state.rs`). Start reading at [`Drive::move_state`].

use crate::base::safeguard::EmergencyStop;
use crate::base::units::RPM_RAD_PER_S;
use crate::drive::measured_speed::MeasuredSpeed;
use crate::drive::protection::{STANDSTILL_RPM, Trip};
use crate::drive::state::{self, Event, State, control};
use crate::drive::{Drive, QUICK_STOP_PATIENCE_S};

impl Drive {
    /// At most one event a tick before the protections look.
    pub(in crate::drive) fn move_state(&mut self, controlword: u16, speed: &MeasuredSpeed) {
        let reset_bit_is_set = controlword & control::FAULT_RESET != 0;
        let reset_edge = reset_bit_is_set && !self.reset_bit_was_set;
        self.reset_bit_was_set = reset_bit_is_set;
        self.brake.pass_tick();
        self.count_emergency_stop();
        let inputs = self.sensed.inputs;
        let event = match self.state {
            State::NotReadyToSwitchOn | State::FaultReactionActive => Some(Event::Automatic),
            State::Fault => reset_edge.then_some(Event::FaultReset),
            State::SwitchOnDisabled if inputs.guard_open || inputs.emergency_stop.is_some() => None,
            State::ReadyToSwitchOn | State::SwitchedOn | State::OperationEnabled | State::QuickStopActive
                if self.torque_is_blocked() =>
            {
                Some(Event::DisableVoltage)
            }
            State::QuickStopActive if self.quick_stop_is_over(speed.measured_rad_per_s) => {
                Some(Event::QuickStopFinished)
            }
            State::OperationEnabled if inputs.emergency_stop.is_some() => Some(Event::QuickStop),
            _ => state::command(controlword),
        };
        if let Some(event) = event
            && !self.waits_for_brake(event, speed)
        {
            self.apply(event);
        }
    }

    fn count_emergency_stop(&mut self) {
        let runs = self.sensed.inputs.emergency_stop.is_some();
        self.emergency_ticks = if runs { self.emergency_ticks.saturating_add(1) } else { 0 };
    }

    /// Safe torque off: by the guard, by an emergency stop that asks for it, or by a safe stop 1 that has come to its end
    /// or run out of its time.
    pub(in crate::drive) fn torque_is_blocked(&self) -> bool {
        let by_emergency_stop = match self.sensed.inputs.emergency_stop {
            None => false,
            Some(EmergencyStop::Sto) => true,
            Some(EmergencyStop::Ss1 { time_s }) => {
                !self.state.torque_may_act() || self.rate.nearest_tick(time_s) <= self.emergency_ticks
            }
        };
        self.sensed.inputs.guard_open || by_emergency_stop
    }

    /// Whether an event has to wait for the brake; commands it as the event needs.
    fn waits_for_brake(&mut self, event: Event, speed: &MeasuredSpeed) -> bool {
        let at_rest = speed.steady_rad_per_s.abs() < STANDSTILL_RPM * RPM_RAD_PER_S;
        match (self.state, event) {
            (State::OperationEnabled, Event::Shutdown | Event::SwitchOn) if at_rest || !self.brake.is_lifted() => {
                self.brake.command(false);
                !self.brake.is_closed()
            }
            (State::QuickStopActive, Event::QuickStopFinished) => {
                self.brake.command(false);
                !self.brake.is_closed()
            }
            (State::OperationEnabled, Event::EnableOperation) => {
                self.brake.command(true);
                false
            }
            _ => false,
        }
    }

    /// Below the standstill speed in this tick, or out of patience, or the brake is closing already.
    fn quick_stop_is_over(&self, measured_rad_per_s: f64) -> bool {
        !self.brake.is_lifted()
            || measured_rad_per_s.abs() < STANDSTILL_RPM * RPM_RAD_PER_S
            || self.rate.hz.saturating_mul(QUICK_STOP_PATIENCE_S) <= self.setpoint_path.ticks_stopped()
    }

    /// Takes an event through the table and does what belongs to entering the new state. A quick stop that a trip began
    /// ends as a fault, however it ends.
    pub(in crate::drive) fn apply(&mut self, event: Event) {
        let ends_quick_stop = matches!(event, Event::QuickStopFinished | Event::DisableVoltage);
        let ends_as_fault = self.state == State::QuickStopActive && self.trip.is_some() && ends_quick_stop;
        let event = if ends_as_fault { Event::Tripped } else { event };
        let next = self.state.next(event);
        if next == self.state {
            return;
        }
        self.state = next;
        self.monitor.reset();
        match next {
            State::OperationEnabled => {
                self.speed_loop.reset();
                self.current_loop.reset();
                self.setpoint_path.start();
                self.brake.command(true);
            }
            State::QuickStopActive => self.setpoint_path.start(),
            State::SwitchOnDisabled => self.trip = None,
            _ => {}
        }
        if !next.torque_may_act() {
            self.brake.command(false);
        }
    }

    /// Latches a trip, the first one's name stays, and reacts: a trip that brakes begins a quick stop or lets one go
    /// on, any other takes the torque off.
    pub(in crate::drive) fn raise(&mut self, trip: Trip) {
        self.trip.get_or_insert(trip);
        let braking = trip.brakes() && self.state.torque_may_act();
        self.apply(if braking { Event::QuickStop } else { Event::Tripped });
    }
}
