//! The ticks of one phase: plant, sensor and drive, under what the outside wants and what the script says.
//!
//! Where the outside commands speed, a tick is whole and its feedback goes out after it. Where it commands torque or
//! voltage, the outside computes between the halves of a tick: the sample goes out, and what comes back acts from the
//! next tick. What it does not: bytes, acknowledgements, the method (`session.rs`). Start reading at [`Run::tick_on`].

use std::sync::Arc;

use crate::base::faults::Faults;
use crate::base::recording::Row;
use crate::base::signal::{Feedback, Request};
use crate::base::time::TickRate;
use crate::bench::impairment::Delays;
use crate::bench::standing::{Command, Standing, Wanted};
use crate::bench::terms::Terms;
use crate::bench::tick::{Bench, Demand, Loads, Script, Sensed};
use crate::drive::SensedWinding;
use crate::drive::protection::Trip;
use crate::drive::state::control::ENABLE_OPERATION_WORD;
use crate::plant::event::Fault;
use crate::wire::message::{
    Commands, FeedbackFrame, Frame, Message, Pace, Sample, TorqueFeedbackFrame, TorqueSample, VoltageFeedbackFrame,
    VoltageSample,
};

/// How long the quick stop of an abandoned axis may take, in simulated seconds, before the run ends all the same.
const ABANDONED_STOP_MAX_S: f64 = 10.0;

/// What a tick brought.
#[derive(Debug, Default)]
pub struct Went {
    /// The row of the tick that was completed.
    pub row: Option<Row>,
    /// An exchange is complete: the outside is to be asked.
    pub asks: bool,
    /// The script ended.
    pub finished: bool,
    /// The outside loses its state in this tick, which has not run yet.
    pub reset: bool,
    /// No command had come for this tick, on the clock.
    pub silent: bool,
    /// Commands that came too late to stand.
    pub overtaken: u64,
    /// The plant could not go on.
    pub fault: Option<Fault>,
}

/// A phase's machine and how far it is.
#[derive(Clone, Debug)]
pub struct Run {
    /// Plant, sensor and drive.
    pub bench: Bench,
    rate: TickRate,
    stride_ticks: u64,
    on_the_clock: bool,
    commands: Commands,
    script: Option<Arc<dyn Script + Send + Sync>>,
    standing: Standing,
    delays: Delays,
    /// The tick that is sensed next.
    tick: u64,
    /// Whether the tick before was sensed and waits for its second half.
    between: bool,
    /// The feedback under way, its samples those of the exchange so far.
    frame: Frame,
    asked: Option<u32>,
    silence: Silence,
    reset: Reset,
}

/// How long nobody has commanded, on the clock.
#[derive(Clone, Debug, Default)]
struct Silence {
    allowed_ticks: u64,
    ticks: u64,
}

/// The controller outside that lost its state.
#[derive(Clone, Debug, Default)]
struct Reset {
    /// The tick in which the last reset began.
    at_tick: Option<u64>,
    /// The first tick in which its torque may act again.
    until_tick: u64,
    /// Whether it has acknowledged.
    over: bool,
}

impl Run {
    /// The tuning phase: the drive switched off, no script.
    #[must_use]
    pub fn tuning(bench: Bench, terms: &Terms) -> Self {
        Self::new(bench, terms, None, 0, "tuning")
    }

    /// An examination through a controller outside, of the machine of this number: the drive in operation enabled from
    /// tick 0 on.
    #[must_use]
    pub fn examination(mut bench: Bench, terms: &Terms, corner: u16, script: Arc<dyn Script + Send + Sync>) -> Self {
        bench.start_enabled();
        Self::new(bench, terms, Some(script), ENABLE_OPERATION_WORD, &format!("examination {corner}"))
    }

    fn new(
        bench: Bench,
        terms: &Terms,
        script: Option<Arc<dyn Script + Send + Sync>>,
        controlword: u16,
        place: &str,
    ) -> Self {
        let commands = terms.accept.commands;
        Self {
            bench,
            rate: TickRate { hz: terms.accept.tick_hz },
            stride_ticks: u64::from(terms.accept.stride_ticks),
            on_the_clock: terms.accept.pace == Pace::RealTime,
            commands,
            script,
            standing: Standing::new(terms.accept.stride_ticks, controlword),
            delays: Delays::new(terms.impairment, terms.seed, place, terms.accept.stride_ticks),
            tick: 0,
            between: false,
            frame: Frame {
                sequence: 0,
                message: match commands {
                    Commands::Speed => Message::Feedback(FeedbackFrame::default()),
                    Commands::Torque => Message::TorqueFeedback(TorqueFeedbackFrame::default()),
                    Commands::Voltage => Message::VoltageFeedback(VoltageFeedbackFrame::default()),
                },
            },
            asked: None,
            silence: Silence { allowed_ticks: u64::from(terms.silent_ticks_before_quick_stop), ticks: 0 },
            reset: Reset { over: true, ..Reset::default() },
        }
    }

    /// The tick that comes next.
    #[must_use]
    pub fn tick(&self) -> u64 {
        self.tick
    }

    /// The newest exchange that the outside was asked to answer; none before the first feedback and after a reset.
    #[must_use]
    pub fn asked(&self) -> Option<u32> {
        self.asked
    }

    /// The newest answer that was taken.
    #[must_use]
    pub fn newest(&self) -> Option<u32> {
        self.standing.newest()
    }

    /// Whether the outside lost its state and has not acknowledged yet.
    #[must_use]
    pub fn is_resetting(&self) -> bool {
        !self.reset.over
    }

    /// A command that answers a feedback. It acts from the next tick on, which is the first that belongs to it unless it is
    /// late; later where it is delayed on purpose.
    pub fn take(&mut self, command: Command) {
        self.standing.take(command, self.delays.draw());
    }

    /// The feedback of the exchange that is complete, under a sequence number.
    pub fn feedback(&mut self, sequence: u32) -> &Frame {
        self.frame.sequence = sequence;
        &self.frame
    }

    /// One tick on: the second half of the tick that waits for it and the first of the next, or a whole tick. `ready`
    /// says whether the outside listens; until it has acknowledged a reset its torque is 0.
    pub fn tick_on(&mut self, ready: bool) -> Went {
        let mut went = Went::default();
        self.reset.over |= ready;
        if self.commands == Commands::Speed {
            self.speed_tick(&mut went);
        } else {
            self.outside_tick(&mut went);
        }
        if self.on_the_clock && (went.finished || went.fault.is_some()) {
            // The step in which it ended counts, so that a record tells it from one that was not taken any more.
            self.tick += 1;
        }
        went
    }

    fn speed_tick(&mut self, went: &mut Went) {
        let wanted = self.wanted(self.tick, went);
        let request = self.request(wanted, wanted.speed_rad_per_s, Outside::Nothing);
        match self.bench.tick(&request, &Loads::none(), request.speed_rad_per_s) {
            Ok((feedback, row)) => {
                went.row = Some(row);
                self.tick += 1;
                went.asks = self.show(&feedback);
            }
            Err(fault) => went.fault = Some(fault),
        }
    }

    fn outside_tick(&mut self, went: &mut Went) {
        if self.between && !self.second_half(went) {
            return;
        }
        let demand = self.demand(self.tick);
        let gone_ticks = demand.faults.controller_reset_ticks;
        if 0 < gone_ticks && self.reset.at_tick != Some(self.tick) {
            let until_tick = self.tick + gone_ticks;
            self.reset = Reset { at_tick: Some(self.tick), until_tick, over: false };
            self.standing.clear();
            self.asked = None;
            went.reset = true;
            // In lockstep time stands until the outside is there again; on the clock it goes on.
            if !self.on_the_clock {
                return;
            }
        }
        self.bench.disturb(&demand.faults);
        let sensed = self.bench.sense();
        self.between = true;
        self.tick += 1;
        went.asks = self.shows_sample(&sensed, demand.setpoint_rad_per_s);
    }

    /// The tick that was sensed gets what the outside answered. `false` when the phase is over.
    fn second_half(&mut self, went: &mut Went) -> bool {
        let sensed_tick = self.tick - 1;
        let wanted = self.wanted(self.tick, went);
        let is_gone = self.is_resetting() || self.tick < self.reset.until_tick;
        let outside = match self.commands {
            Commands::Voltage if !is_gone => Outside::Voltage(wanted.outside_voltage_dq_v),
            _ => Outside::Torque(if is_gone { 0.0 } else { wanted.outside_torque_nm }),
        };
        let demand = self.demand(sensed_tick);
        let request = self.request(wanted, demand.setpoint_rad_per_s, outside);
        self.between = false;
        match self.bench.act(&request, &demand.loads, demand.setpoint_rad_per_s) {
            Ok((_, row)) => went.row = Some(row),
            Err(fault) => went.fault = Some(fault),
        }
        went.finished = self.script.as_ref().is_some_and(|script| script.end_tick() <= sensed_tick);
        went.fault.is_none() && !went.finished
    }

    /// What the outside wants in an acting tick; on the clock its silence is counted, and ends in a quick stop.
    fn wanted(&mut self, acting_tick: u64, went: &mut Went) -> Wanted {
        went.overtaken = self.standing.advance_to(acting_tick);
        if self.on_the_clock && !self.standing.is_heard(acting_tick) && self.reset.until_tick <= acting_tick {
            went.silent = true;
            self.silence.ticks += 1;
            let too_long = self.silence.allowed_ticks < self.silence.ticks;
            if too_long && self.bench.drive.torque_may_act() && self.bench.drive.trip().is_none() {
                self.bench.drive.quick_stop(Trip::CommanderSilent);
            }
        } else {
            self.silence.ticks = 0;
        }
        self.standing.at(acting_tick)
    }

    fn request(&self, wanted: Wanted, speed_rad_per_s: f64, outside: Outside) -> Request {
        let (outside_torque_nm, outside_voltage_dq_v) = match outside {
            Outside::Nothing => (None, None),
            Outside::Torque(torque_nm) => (Some(torque_nm), None),
            Outside::Voltage(voltage_v) => (None, Some(voltage_v)),
        };
        Request {
            controlword: self.standing.controlword(),
            speed_rad_per_s,
            speed_offset_rad_per_s: wanted.speed_offset_rad_per_s,
            torque_offset_nm: wanted.torque_offset_nm,
            outside_torque_nm,
            outside_voltage_dq_v,
        }
    }

    fn demand(&self, tick: u64) -> Demand {
        let nothing = Demand { setpoint_rad_per_s: 0.0, loads: Loads::none(), faults: Faults::default() };
        self.script.as_ref().map_or(nothing, |script| script.at(tick))
    }

    /// Adds a sample of the drive's feedback; whether its exchange is complete and to be answered.
    fn show(&mut self, feedback: &Feedback) -> bool {
        let (exchange, first_tick, complete) = self.place();
        let Message::Feedback(frame) = &mut self.frame.message else { return false };
        if first_tick + 1 == self.tick {
            frame.samples.clear();
        }
        frame.samples.push(sample(feedback));
        (frame.exchange, frame.first_tick) = (exchange, first_tick);
        (frame.trip, frame.statusword) = (feedback.trip, feedback.statusword);
        if complete {
            self.asked = Some(exchange);
        }
        complete
    }

    /// The same between the halves of a tick. While the outside is gone after a reset nothing is asked of it.
    fn shows_sample(&mut self, sensed: &Sensed, setpoint_rad_per_s: f64) -> bool {
        let (exchange, first_tick, complete) = self.place();
        let (trip, statusword) = (self.bench.drive.trip(), self.bench.drive.standing_statusword());
        let trip = trip.map_or(0, Trip::number);
        let begins = first_tick + 1 == self.tick;
        match &mut self.frame.message {
            Message::TorqueFeedback(frame) => {
                if begins {
                    frame.samples.clear();
                }
                frame.samples.push(torque_sample(sensed, setpoint_rad_per_s));
                (frame.exchange, frame.first_tick) = (exchange, first_tick);
                (frame.trip, frame.statusword) = (trip, statusword);
            }
            Message::VoltageFeedback(frame) => {
                if begins {
                    frame.samples.clear();
                }
                frame.samples.push(voltage_sample(sensed, &self.bench.drive.sensed_winding(), setpoint_rad_per_s));
                (frame.exchange, frame.first_tick) = (exchange, first_tick);
                (frame.trip, frame.statusword) = (trip, statusword);
            }
            _ => return false,
        }
        let asks = complete && self.reset.until_tick <= self.tick && self.reset.over;
        if asks {
            self.asked = Some(exchange);
        }
        asks
    }

    /// The exchange of the tick that was just sensed, its first tick, and whether this was its last one.
    fn place(&self) -> (u32, u64, bool) {
        let exchange = (self.tick - 1) / self.stride_ticks;
        (exchange as u32, exchange * self.stride_ticks, self.tick.is_multiple_of(self.stride_ticks))
    }

    /// Nobody commands any more: the axis makes its quick stop, a brake holds it, and its rows are added.
    ///
    /// # Errors
    /// The plant's fault.
    pub fn abandon(&mut self, rows: &mut Vec<Row>) -> Result<(), Fault> {
        self.bench.drive.quick_stop(Trip::CommanderSilent);
        self.standing.clear();
        let limit = self.tick + self.rate.nearest_tick(ABANDONED_STOP_MAX_S);
        while self.between || (self.bench.is_under_way() && self.tick < limit) {
            let request = self.request(Wanted::default(), 0.0, Outside::Nothing);
            if !std::mem::take(&mut self.between) {
                self.bench.sense();
                self.tick += 1;
            }
            let demand = self.demand(self.tick - 1);
            rows.push(self.bench.act(&request, &demand.loads, demand.setpoint_rad_per_s)?.1);
        }
        Ok(())
    }
}

/// What takes the place of a loop of the drive's in one tick.
enum Outside {
    Nothing,
    /// Torque in Nm in place of the speed loop. Of a controller that lost its state: 0, also where it gives voltages, so
    /// that the drive's current loop sees to it that no torque acts.
    Torque(f64),
    /// Voltages on d and q in V in place of the current loop.
    Voltage([f64; 2]),
}

fn torque_sample(sensed: &Sensed, setpoint_rad_per_s: f64) -> TorqueSample {
    TorqueSample {
        counts: sensed.counts,
        setpoint_rad_per_s,
        measured_speed_rad_per_s: sensed.measured_speed_rad_per_s,
        torque_nm: sensed.torque_nm,
    }
}

fn voltage_sample(sensed: &Sensed, winding: &SensedWinding, setpoint_rad_per_s: f64) -> VoltageSample {
    VoltageSample {
        counts: sensed.counts,
        setpoint_rad_per_s,
        measured_speed_rad_per_s: sensed.measured_speed_rad_per_s,
        electrical_angle_rad: winding.electrical_angle_rad,
        current_d_a: winding.current_d_a,
        current_q_a: winding.current_q_a,
        bus_v: winding.bus_v,
        voltage_d_v: sensed.voltage_dq_v[0],
        voltage_q_v: sensed.voltage_dq_v[1],
    }
}

fn sample(feedback: &Feedback) -> Sample {
    Sample {
        counts: feedback.counts,
        setpoint_rad_per_s: feedback.setpoint_rad_per_s,
        measured_speed_rad_per_s: feedback.measured_speed_rad_per_s,
        controller_torque_nm: feedback.controller_torque_nm,
        summed_torque_nm: feedback.summed_torque_nm,
        torque_command_nm: feedback.torque_command_nm,
    }
}
