//! The bench's own servo drive: state machine, speed loop, settings, protections. Counts and a request in, feedback and
//! a torque command or a voltage out, once a tick.
//!
//! On a motor with a winding the command is a voltage: the current loops make it of the torque command. The drive knows
//! its nameplate and what its sensors show, never the plant. What it does not: step a plant, delay a command (it acts from
//! the next tick; the run loop sees to that). Start reading at [`Drive::sense`] and [`Drive::act`]; `state.rs` has the
//! states, `transitions.rs` when they change, `speed_loop.rs` and `current_loop.rs` the loops, `setting.rs` the settings.

mod actuation;
mod asked;
pub mod brake;
pub mod current_loop;
pub mod filter;
pub mod hindrance;
pub mod measured_speed;
pub mod overload;
pub mod protection;
pub mod ramp;
pub mod setting;
pub mod speed_loop;
pub mod state;
pub mod store;
mod transitions;
pub mod winding_test;

use crate::base::nameplate::Nameplate;
use crate::base::safeguard::Inputs;
use crate::base::signal::{Actuation, Feedback, Request, Sample};
use crate::base::time::TickRate;
use crate::base::units::RPM_RAD_PER_S;
pub use actuation::SensedWinding;
use asked::{Asked, bounded};
use brake::BrakeCommand;
use current_loop::{CurrentLoop, CurrentLoopCoefficients, CurrentSample};
use measured_speed::{MeasuredSpeed, SpeedMeter, SpeedMeterCoefficients};
use overload::Overload;
use protection::{Monitor, MonitorCoefficients, Observed, Trip};
use ramp::{SetpointCoefficients, SetpointPath};
use setting::{Setting, Settings};
use speed_loop::{SpeedLoop, SpeedLoopCoefficients, SpeedLoopInput, SpeedLoopOutput};
use state::{Event, State, status};
use store::{Bounds, Store, WriteRefusal};
use winding_test::WindingTestRun;

/// A quick stop ends at the latest this long after its ramp came to 0, even above the standstill speed: an axis that
/// the torque limit cannot hold is not driven for ever.
const QUICK_STOP_PATIENCE_S: u32 = 1;

/// Share of the rated speed within which the target is reached.
const TARGET_WINDOW_FRAC: f64 = 0.01;

/// Everything that the settings make at the drive's rate: the exact coefficients of every filter and of the loop. The
/// drive computes them when a setting changes; the linear model computes the same from the same settings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Coefficients {
    /// From counts to measured speed.
    pub speed_meter: SpeedMeterCoefficients,
    /// From what is asked to the setpoint.
    pub setpoint: SetpointCoefficients,
    /// From speed error to torque command.
    pub speed_loop: SpeedLoopCoefficients,
    /// From torque command to voltage, where the motor has a winding.
    pub current_loop: CurrentLoopCoefficients,
}

impl Coefficients {
    /// The coefficients of these settings at this rate.
    #[must_use]
    pub fn new(settings: &Settings, rate: TickRate) -> Self {
        Self {
            speed_meter: SpeedMeterCoefficients::new(settings, rate),
            setpoint: SetpointCoefficients::new(settings, rate),
            speed_loop: SpeedLoopCoefficients::new(settings, rate),
            current_loop: CurrentLoopCoefficients::new(settings, rate),
        }
    }
}

/// A drive.
#[derive(Clone, Debug)]
pub struct Drive {
    rate: TickRate,
    store: Store,
    tick: u64,
    state: State,
    trip: Option<Trip>,
    reset_bit_was_set: bool,
    speed_meter: SpeedMeter,
    setpoint_path: SetpointPath,
    speed_loop: SpeedLoop,
    current_loop: CurrentLoop,
    /// Whether the motor has a winding: only then the current loops act.
    has_winding: bool,
    winding_test: WindingTestRun,
    monitor: Monitor,
    overload: Overload,
    brake: BrakeCommand,
    /// How many ticks the emergency stop has been pressed.
    emergency_ticks: u64,
    /// The torque command of the tick before.
    torque_nm: f64,
    target_window_rad_per_s: f64,
    sensed: Sensed,
}

/// The sample of one tick, the speed that was measured with it and the currents in the rotor's frame.
#[derive(Clone, Copy, Debug, Default)]
struct Sensed {
    counts: i64,
    speed: MeasuredSpeed,
    bus_v: f64,
    current: CurrentSample,
    inputs: Inputs,
    /// The counts are not to be trusted.
    sensor_faulty: bool,
    load_counts: Option<i64>,
    missing_counts: Option<i64>,
}

impl Drive {
    /// A drive just powered, in switch on disabled, whose volatile and stored settings are these.
    ///
    /// # Panics
    /// When a setting is outside its bounds: who makes a drive has checked them ([`Bounds::check`]).
    #[must_use]
    pub fn new(rate: TickRate, nameplate: Nameplate, settings: Settings) -> Self {
        let bounds = Bounds::new(rate, &nameplate);
        for setting in Setting::ALL {
            if let Err(refusal) = bounds.check(setting, settings.get(setting)) {
                panic!("a drive was given settings that it would refuse: {refusal}");
            }
        }
        Self::powered(rate, Store::new(bounds, settings), nameplate.winding.is_some(), 0)
    }

    /// Everything but store and tick number as after power-up.
    fn powered(rate: TickRate, store: Store, has_winding: bool, tick: u64) -> Self {
        let settings = store.volatile();
        let coefficients = Coefficients::new(settings, rate);
        Self {
            rate,
            tick,
            state: State::NotReadyToSwitchOn.next(Event::Automatic),
            trip: None,
            reset_bit_was_set: false,
            speed_meter: SpeedMeter::new(coefficients.speed_meter, rate),
            setpoint_path: SetpointPath::new(coefficients.setpoint, rate),
            speed_loop: SpeedLoop::new(coefficients.speed_loop),
            current_loop: CurrentLoop::new(coefficients.current_loop),
            has_winding,
            winding_test: WindingTestRun::default(),
            monitor: Monitor::new(MonitorCoefficients::new(settings, rate)),
            overload: Overload::new(settings, rate),
            brake: BrakeCommand::closed(settings, rate),
            emergency_ticks: 0,
            torque_nm: 0.0,
            target_window_rad_per_s: target_window_rad_per_s(settings),
            sensed: Sensed::default(),
            store,
        }
    }

    /// The start of an examination: tick 0, operation enabled, setpoint 0, sums and filters at rest, no trip; the
    /// settings stay. The setpoint's ramp starts at 0, and as after power-up the first tick measures speed 0. The holding
    /// brake is open.
    pub fn start_enabled(&mut self) {
        let powered = Self::powered(self.rate, self.store.clone(), self.has_winding, 0);
        *self = Self { state: State::OperationEnabled, brake: powered.brake.opened(), ..powered };
    }

    /// Power off and on: the volatile settings become the stored ones, the state is switch on disabled, a trip is gone,
    /// everything else is as new. The tick number goes on: time does.
    pub fn power_cycle(&mut self) {
        self.store.power_cycle();
        *self = Self::powered(self.rate, self.store.clone(), self.has_winding, self.tick);
    }

    /// A quick stop that ends in a latched trip, from outside the tick: for the silence of the commander. It begins
    /// with the next tick. Where no torque acts there is nothing to brake and the trip is latched at once; an earlier
    /// trip keeps its name.
    pub fn quick_stop(&mut self, trip: Trip) {
        self.raise(trip);
    }

    /// One tick: the sample taken at its start and what is asked; feedback, and the actuation that acts from the start
    /// of the next tick. It is [`Drive::sense`] and [`Drive::act`] in one, for an axis with nothing but an angle sensor.
    pub fn tick(&mut self, counts: i64, request: &Request) -> (Feedback, Actuation) {
        self.sense(&Sample::of_counts(counts));
        self.act(request)
    }

    /// The first half of a tick: takes the sample and gives the measured speed in rad/s. What the outside computes from
    /// it comes with [`Drive::act`].
    pub fn sense(&mut self, sample: &Sample) -> f64 {
        let current = if self.has_winding {
            self.current_loop.sample(sample.counts, sample.phase_current_a.map(bounded))
        } else {
            CurrentSample::default()
        };
        let jumps = self.monitor.jumps(sample.counts);
        self.sensed = Sensed {
            counts: sample.counts,
            speed: match &sample.edges {
                Some(edges) => self.speed_meter.sample_edges(edges),
                None => self.speed_meter.sample(sample.counts),
            },
            load_counts: sample.load_counts,
            missing_counts: sample.missing_counts,
            bus_v: bounded(sample.bus_v),
            current,
            inputs: sample.inputs,
            sensor_faulty: sample.sensor_faulty || jumps,
        };
        self.sensed.speed.measured_rad_per_s
    }

    /// The state as the statusword of the moment has it, between the two halves of a tick.
    #[must_use]
    pub fn standing_statusword(&self) -> u16 {
        let nothing = Asked::NOTHING;
        self.statusword(&self.sensed.speed, self.outward(), &nothing, false)
    }

    /// The second half of a tick: what is asked, after the sample that [`Drive::sense`] took.
    ///
    /// The order in a tick: the speed is measured; one event moves the state (what the state does by itself, else a
    /// fault reset, else the controlword's command); sensor, current, bus, speed, warmth and travel are watched; the loop
    /// computes; the deviation is watched. A trip acts in the tick in which it is found.
    pub fn act(&mut self, request: &Request) -> (Feedback, Actuation) {
        let Sensed { counts, speed, bus_v, current, load_counts, missing_counts, .. } = self.sensed;
        self.heat();
        self.move_state(request.controlword, &speed);
        let outward = self.outward();
        let asked = match self.state {
            State::OperationEnabled if self.brake.is_open() => Asked::of(request),
            State::OperationEnabled => Asked::of_holding(request),
            _ => Asked::NOTHING,
        };
        self.watch(&speed, outward, &asked);
        let (setpoint_rad_per_s, torque) = self.compute(&speed, &asked);
        self.torque_nm = torque.torque_command_nm;
        let (actuation, voltage) = self.actuate(torque.torque_command_nm, &asked);
        let feedback = Feedback {
            tick: self.tick,
            counts,
            setpoint_rad_per_s,
            measured_speed_rad_per_s: speed.measured_rad_per_s,
            controller_torque_nm: torque.controller_torque_nm,
            summed_torque_nm: torque.summed_torque_nm,
            torque_command_nm: torque.torque_command_nm,
            statusword: self.statusword(&speed, outward, &asked, torque.limited),
            trip: self.trip.map_or(0, Trip::number),
            current_d_a: current.current_a.d,
            current_q_a: current.current_a.q,
            voltage_d_v: voltage.voltage_v.d,
            voltage_q_v: voltage.voltage_v.q,
            bus_v,
            load_counts,
            missing_counts,
        };
        self.tick = self.tick.wrapping_add(1);
        (feedback, actuation)
    }

    /// What the torque or the current of the tick before has warmed.
    fn heat(&mut self) {
        let current_a = self.sensed.current.current_a;
        let squared_a2 = self.has_winding.then_some(current_a.d * current_a.d + current_a.q * current_a.q);
        self.overload.heat(squared_a2, self.torque_nm);
    }

    /// Which way leads further out: by the counts, or by a travel switch that is struck.
    fn outward(&self) -> f64 {
        self.monitor.outward(self.sensed.counts, &self.sensed.inputs)
    }

    /// Everything but the deviation, while torque acts.
    fn watch(&mut self, speed: &MeasuredSpeed, outward: f64, asked: &Asked) {
        if !self.state.torque_may_act() {
            return;
        }
        let current_a = self.sensed.current.current_a;
        let observed = Observed {
            sensor_faulty: self.sensed.sensor_faulty,
            current_squared_a2: current_a.d * current_a.d + current_a.q * current_a.q,
            bus_v: self.has_winding.then_some(self.sensed.bus_v),
            overloaded: self.overload.is_beyond(),
            steady_rad_per_s: speed.steady_rad_per_s,
            outward,
            asked_rad_per_s: asked.total_rad_per_s(),
        };
        if let Some(trip) = self.monitor.trip(&observed) {
            self.raise(trip);
        }
    }

    /// Setpoint and torques of this tick; zeros where no torque acts. In a quick stop nothing from outside is followed,
    /// the torque offset neither. When the deviation trips, c and u still show what was computed, and the command is 0.
    fn compute(&mut self, speed: &MeasuredSpeed, asked: &Asked) -> (f64, SpeedLoopOutput) {
        let measured_rad_per_s = speed.measured_rad_per_s;
        let (setpoint, torque_offset_nm) = match self.state {
            State::OperationEnabled => {
                let Asked { speed_rad_per_s, speed_offset_rad_per_s, torque_offset_nm, .. } = *asked;
                let by_current_nm = asked.outside_voltage_dq_v.map(|_| self.reckoned_torque_nm());
                if let Some(outside_nm) = by_current_nm.or(asked.outside_torque_nm) {
                    return self.pass_on(outside_nm, asked);
                }
                let setpoint = self.setpoint_path.follow(speed_rad_per_s, speed_offset_rad_per_s, measured_rad_per_s);
                (setpoint, torque_offset_nm)
            }
            State::QuickStopActive => (self.setpoint_path.brake(measured_rad_per_s), 0.0),
            _ => return (0.0, SpeedLoopOutput::default()),
        };
        let mut torque = self.speed_loop.step(&SpeedLoopInput {
            setpoint_rad_per_s: setpoint.value_rad_per_s,
            setpoint_slope_rad_per_s2: setpoint.slope_rad_per_s2,
            measured_rad_per_s,
            torque_offset_nm,
        });
        if self.state == State::OperationEnabled
            && let Some(trip) = self.monitor.deviation_trip(setpoint.value_rad_per_s - measured_rad_per_s)
        {
            self.raise(trip);
            torque.torque_command_nm = 0.0;
        }
        (setpoint.value_rad_per_s, torque)
    }

    /// Torque of a controller outside: it enters before the limit and passes notches and low-pass by. The deviation is
    /// watched as with the drive's own loop.
    fn pass_on(&mut self, outside_nm: f64, asked: &Asked) -> (f64, SpeedLoopOutput) {
        let summed_torque_nm = outside_nm + asked.torque_offset_nm;
        let limit = self.speed_loop.coefficients().torque_limit_nm;
        let setpoint_rad_per_s = asked.total_rad_per_s();
        let tripped = self.monitor.deviation_trip(setpoint_rad_per_s - self.sensed.speed.measured_rad_per_s);
        if let Some(trip) = tripped {
            self.raise(trip);
        }
        let limited_nm = summed_torque_nm.max(-limit).min(limit);
        let output = SpeedLoopOutput {
            controller_torque_nm: outside_nm,
            summed_torque_nm,
            torque_command_nm: if tripped.is_some() { 0.0 } else { limited_nm },
            limited: limit < summed_torque_nm.abs(),
        };
        (setpoint_rad_per_s, output)
    }

    fn statusword(&self, speed: &MeasuredSpeed, outward: f64, asked: &Asked, limited: bool) -> u16 {
        let beyond_travel = outward != 0.0;
        let warning = beyond_travel || self.trip.is_some() || self.monitor.deviation_is_running();
        let reached = self.state == State::OperationEnabled
            && (asked.total_rad_per_s() - speed.steady_rad_per_s).abs() <= self.target_window_rad_per_s;
        let bit = |holds: bool, bit: u16| if holds { bit } else { 0 };
        let inputs = &self.sensed.inputs;
        let blocked = if self.torque_is_blocked() { status::VOLTAGE_ENABLED } else { 0 };
        let brake_moves = self.state == State::OperationEnabled && !self.brake.is_open();
        self.state.statusword() & !blocked
            | bit(inputs.emergency_stop.is_some(), status::EMERGENCY_STOP)
            | bit(inputs.guard_open, status::GUARD_OPEN)
            | bit(brake_moves, status::BRAKE_NOT_OPEN)
            | bit(warning, status::WARNING)
            | bit(reached, status::TARGET_REACHED)
            | bit(limited || beyond_travel, status::INTERNAL_LIMIT_ACTIVE)
    }

    /// The volatile value of a setting.
    #[must_use]
    pub fn read(&self, setting: Setting) -> f64 {
        self.store.read(setting)
    }

    /// Writes a volatile value, which acts from the next tick on, and gives it back.
    ///
    /// # Errors
    /// Not finite, out of range, or not to be changed while torque acts; nothing has changed then.
    pub fn write(&mut self, setting: Setting, value: f64) -> Result<f64, WriteRefusal> {
        let value = self.store.write(setting, value, self.torque_may_act())?;
        let settings = self.store.volatile();
        let coefficients = Coefficients::new(settings, self.rate);
        self.speed_meter.retune(coefficients.speed_meter);
        self.setpoint_path.retune(coefficients.setpoint);
        self.speed_loop.retune(coefficients.speed_loop);
        self.current_loop.retune(coefficients.current_loop);
        self.monitor.retune(MonitorCoefficients::new(settings, self.rate));
        self.overload.retune(settings, self.rate);
        self.brake.retune(settings, self.rate);
        self.target_window_rad_per_s = target_window_rad_per_s(settings);
        Ok(value)
    }

    /// Keeps all volatile settings through power cycles, at once or not at all.
    pub fn store(&mut self) {
        self.store.store();
    }

    /// Begins to store and loses power after so many writes into the memory ([`Store::store_until_cut`]), then power
    /// comes back: the settings are the old stored set or, with [`Store::STORE_WRITES`], the new one.
    pub fn cut_power_while_storing(&mut self, writes: usize) {
        self.store.store_until_cut(writes);
        self.power_cycle();
    }

    /// The settings that act.
    #[must_use]
    pub fn settings(&self) -> &Settings {
        self.store.volatile()
    }

    /// The settings that a power cycle brings back.
    #[must_use]
    pub fn stored(&self) -> &Settings {
        self.store.stored()
    }

    /// The ranges of this drive's settings.
    #[must_use]
    pub fn bounds(&self) -> &Bounds {
        self.store.bounds()
    }

    /// The coefficients at work.
    #[must_use]
    pub fn coefficients(&self) -> Coefficients {
        Coefficients {
            speed_meter: *self.speed_meter.coefficients(),
            setpoint: *self.setpoint_path.coefficients(),
            speed_loop: *self.speed_loop.coefficients(),
            current_loop: *self.current_loop.coefficients(),
        }
    }

    /// The state.
    #[must_use]
    pub fn state(&self) -> State {
        self.state
    }

    /// The latched trip; already while its quick stop runs.
    #[must_use]
    pub fn trip(&self) -> Option<Trip> {
        self.trip
    }

    /// Whether torque acts: operation enabled or quick stop active.
    #[must_use]
    pub fn torque_may_act(&self) -> bool {
        self.state.torque_may_act()
    }

    /// Whether the holding brake is commanded to be open; it acts on the brake from the next tick.
    #[must_use]
    pub fn lifts_brake(&self) -> bool {
        self.brake.is_lifted()
    }

    /// The load's angle at these counts as the nameplate data have it, in rad.
    #[must_use]
    pub fn load_angle_rad(&self, counts: i64) -> f64 {
        self.monitor.load_angle().rad(counts)
    }

    /// The integrator's torque Kp (T/Tn) S, in Nm.
    #[must_use]
    pub fn integrator_torque_nm(&self) -> f64 {
        self.speed_loop.integrator_torque_nm()
    }
}

fn target_window_rad_per_s(settings: &Settings) -> f64 {
    settings.get(Setting::RatedSpeed) * RPM_RAD_PER_S * TARGET_WINDOW_FRAC
}
