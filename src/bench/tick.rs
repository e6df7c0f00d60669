//! One tick of everything: sensor, drive, plant, and the row that is recorded.
//!
//! What it does not: wait for anybody (`pacing.rs`), speak the protocol (`session.rs`). Start reading at
//! [`Bench::tick`].

use crate::base::faults::Faults;
use crate::base::nameplate::Nameplate;
use crate::base::random::Stream;
use crate::base::recording::Row;
use crate::base::recording::Signal;
use crate::base::safeguard::Safeguards;
use crate::base::signal::{Actuation, COMMAND_DELAY_TICKS, Feedback, Request, Sample, WindingTest};
use crate::base::time::TickRate;
use crate::bench::site::Site;
use crate::bench::winding_record::WindingRecord;
use crate::drive::Drive;
use crate::drive::protection::Trip;
use crate::drive::setting::{Setting, Settings};
use crate::drive::winding_test::WindingTestRefusal;
use crate::plant::current_sensor::{CurrentSensor, CurrentSensorParameters};
use crate::plant::event::{EventKind, EventLog, Fault};
use crate::plant::load_noise::LoadNoise;
use crate::plant::sensor::{Reading, Sensor, SensorParameters, SensorStreams};
use crate::plant::stepper::{Applied, Plant, Ramp, TickInput};
use crate::plant::train::{Initial, Parameters};
use crate::score::conduct::{Rules, Seen, Watch};
use crate::wire::message::WindingSample;

/// Most trips and strikes whose times are kept: a mad method must not fill the memory. All are counted.
const TRIPS_MAX: usize = 1000;
const STRIKES_MAX: usize = 1000;

// The actuation is kept in one variable from the tick that computes it to the next: that is one tick, no more.
const _: () = assert!(COMMAND_DELAY_TICKS == 1);

/// What a bench is made of.
#[derive(Clone, Debug)]
pub struct Setup {
    /// Ticks per second.
    pub rate: TickRate,
    /// The machine.
    pub plant: Parameters,
    /// Where it starts.
    pub initial: Initial,
    /// The motor's angle sensor.
    pub sensor: SensorParameters,
    /// The motor as a person typed it in.
    pub nameplate: Nameplate,
    /// The drive's settings, volatile and stored alike.
    pub settings: Settings,
    /// Whether node 0 is held while no torque may act.
    pub clamped_when_off: bool,
    /// What is fitted to the axis beside motor and drive.
    pub safeguards: Safeguards,
    /// What the machine allows.
    pub rules: Rules,
    /// The sensor's noise.
    pub noise: SensorStreams,
    /// The angle sensor on the last node; none: without.
    pub load_sensor: Option<SensorParameters>,
    /// Its noise.
    pub load_sensor_noise: SensorStreams,
    /// The current sensors of phases a and b.
    pub current_sensor: CurrentSensorParameters,
    /// Their noise.
    pub current_noise: Stream,
    /// The machine's random loads.
    pub load_noise: LoadNoise,
    /// Whether the energy of every step is added up.
    pub audit: bool,
}

/// Torques of the programme on the last node during one tick, in Nm on the load side.
#[derive(Clone, Copy, Debug)]
pub struct Loads {
    /// Load torque, positive against positive motion, whichever way the axis moves.
    pub load_torque_nm: Ramp,
    /// Torque that only ever opposes motion.
    pub resisting_torque_nm: Ramp,
}

/// What a sample shows between the halves of a tick.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sensed {
    /// Motor angle in counts.
    pub counts: i64,
    /// Measured motor speed, in rad/s.
    pub measured_speed_rad_per_s: f64,
    /// The torque command that acts during the tick, in Nm.
    pub torque_nm: f64,
    /// Voltages on d and q that act during the tick, in V; 0 where the motor has no winding.
    pub voltage_dq_v: [f64; 2],
}

/// What happens to an axis by itself, tick by tick: a programme.
pub trait Script: std::fmt::Debug {
    /// What is asked of a tick.
    fn at(&self, tick: u64) -> Demand;

    /// The tick at whose start it ends.
    fn end_tick(&self) -> u64;
}

/// What a script asks of one tick.
#[derive(Clone, Copy, Debug)]
pub struct Demand {
    /// Setpoint of the motor speed, in rad/s.
    pub setpoint_rad_per_s: f64,
    /// Torques at the load.
    pub loads: Loads,
    /// What begins to go wrong in this tick.
    pub faults: Faults,
}

impl Loads {
    /// No programme: nothing acts.
    #[must_use]
    pub fn none() -> Self {
        let zero = Ramp { start: 0.0, end: 0.0 };
        Self { load_torque_nm: zero, resisting_torque_nm: zero }
    }
}

/// The plant, its sensor and the drive, at the start of a tick. A clone goes on to the same bits.
#[derive(Clone, Debug)]
pub struct Bench {
    /// The machine.
    pub plant: Plant,
    /// The controller.
    pub drive: Drive,
    /// How the machine is treated.
    pub watch: Watch,
    /// Trips in order, each with its tick.
    pub trips: Vec<(Trip, u64)>,
    /// Where the stops were struck, in seconds.
    pub strikes_s: Vec<f64>,
    /// What a person has done to it.
    pub site: Site,
    sensor: Sensor,
    load_sensor: Option<Sensor>,
    current_sensor: CurrentSensor,
    has_winding: bool,
    /// Voltage of the bus in V, as it is; 0 where the motor has no winding.
    bus_v: f64,
    load_noise: LoadNoise,
    events: EventLog,
    actuation: Actuation,
    /// The torque command behind the actuation, in Nm; 0 while that is off.
    commanded_nm: f64,
    /// The voltages on d and q behind it, in V.
    commanded_dq_v: [f64; 2],
    /// What the last winding test showed.
    winding_record: WindingRecord,
    clamped_when_off: bool,
    ratio: f64,
    trip: Option<Trip>,
}

impl Bench {
    /// A bench at tick 0, its drive switched off.
    #[must_use]
    pub fn new(setup: &Setup) -> Self {
        let mut plant = Plant::new(&setup.plant, &setup.initial, setup.rate, setup.audit);
        if setup.sensor.timer_hz.is_some() {
            plant.watch_edges(&setup.sensor);
        }
        let load_rad = plant.angle_rad(plant.nodes() - 1);
        let at_load = |sensor: &SensorParameters| {
            Sensor::with_streams(sensor, setup.load_sensor_noise.clone(), setup.rate, load_rad)
        };
        Self {
            events: EventLog::new(plant.events_of_a_tick_max()),
            plant,
            drive: Drive::new(setup.rate, setup.nameplate, setup.settings),
            watch: Watch::new(setup.rules),
            trips: Vec::new(),
            strikes_s: Vec::new(),
            site: Site::new(&setup.safeguards, setup.rate),
            sensor: Sensor::with_streams(&setup.sensor, setup.noise.clone(), setup.rate, setup.initial.angle_rad[0]),
            load_sensor: setup.load_sensor.as_ref().map(at_load),
            current_sensor: CurrentSensor::new(&setup.current_sensor, setup.current_noise.clone()),
            has_winding: setup.plant.motor.bus_v().is_some(),
            bus_v: setup.plant.motor.bus_v().unwrap_or(0.0),
            load_noise: setup.load_noise.clone(),
            actuation: Actuation::Off,
            commanded_nm: 0.0,
            commanded_dq_v: [0.0; 2],
            winding_record: WindingRecord::default(),
            clamped_when_off: setup.clamped_when_off,
            ratio: setup.plant.total_ratio(),
            trip: None,
        }
    }

    /// The start of an examination: the drive is in operation enabled with setpoint 0, no clamp or brake holds, and in
    /// tick 0, before its first command acts, no torque does, or no voltage.
    pub fn start_enabled(&mut self) {
        self.drive.start_enabled();
        self.site.open_brake();
        self.actuation = if self.has_winding {
            Actuation::Voltage { alpha_v: 0.0, beta_v: 0.0 }
        } else {
            Actuation::Torque { torque_nm: 0.0 }
        };
        (self.commanded_nm, self.commanded_dq_v) = (0.0, [0.0; 2]);
    }

    /// No torque acts from the tick that comes, whatever was computed for it.
    pub(in crate::bench) fn block_torque(&mut self) {
        (self.actuation, self.commanded_nm, self.commanded_dq_v) = (Actuation::Off, 0.0, [0.0; 2]);
    }

    /// Whether torque acts, or an axis with a brake is not held by it yet.
    #[must_use]
    pub fn is_under_way(&self) -> bool {
        let is_held = !self.site.has_brake() || (!self.site.brake_is_to_close() && self.plant.is_at_rest());
        self.drive.torque_may_act() || !is_held
    }

    /// What begins to go wrong with the sensor, before it is read.
    pub fn disturb(&mut self, faults: &Faults) {
        if 0 < faults.sensor_frozen_ticks {
            self.sensor.freeze(faults.sensor_frozen_ticks);
        }
        if 0 < faults.sensor_faulty_ticks {
            self.sensor.distrust(faults.sensor_faulty_ticks);
        }
        if faults.sensor_counts_lost != 0 {
            self.sensor.lose(faults.sensor_counts_lost);
        }
    }

    /// One tick: the sensor is read, the drive computes, the row is taken, the plant steps under the command that was
    /// computed one tick ago. `programme_setpoint_rad_per_s` is only recorded. It is [`Bench::sense`] and
    /// [`Bench::act`] in one.
    ///
    /// # Errors
    /// As [`Bench::act`].
    pub fn tick(
        &mut self,
        request: &Request,
        loads: &Loads,
        programme_setpoint_rad_per_s: f64,
    ) -> Result<(Feedback, Row), Fault> {
        self.sense();
        self.act(request, loads, programme_setpoint_rad_per_s)
    }

    /// The first half of a tick: the sensor is read. Between the halves a controller outside may compute.
    pub fn sense(&mut self) -> Sensed {
        let Reading { counts, edges, missing_counts, is_faulty } =
            self.sensor.read(self.plant.angle_rad(0), self.commanded_nm);
        let load_rad = self.plant.angle_rad(self.plant.nodes() - 1);
        let load_counts = self.load_sensor.as_mut().map(|sensor| sensor.read(load_rad, self.commanded_nm).counts);
        let sample = Sample {
            counts,
            load_counts,
            edges,
            missing_counts,
            sensor_faulty: is_faulty,
            inputs: self.site.inputs(load_rad),
            ..self.electrical_sample()
        };
        let measured_speed_rad_per_s = self.drive.sense(&sample);
        Sensed { counts, measured_speed_rad_per_s, torque_nm: self.commanded_nm, voltage_dq_v: self.commanded_dq_v }
    }

    /// What is measured of a winding; nothing where there is none.
    fn electrical_sample(&mut self) -> Sample {
        if !self.has_winding {
            return Sample::default();
        }
        let [a, b, _] = self.plant.phase_current_a();
        Sample { phase_current_a: self.current_sensor.sample([a, b]), bus_v: self.bus_v, ..Sample::default() }
    }

    /// The second half of a tick: the drive computes with what is asked, the row is taken, the plant steps under the
    /// command of one tick ago.
    ///
    /// # Errors
    /// The plant's [`Fault`]: a state that is not finite, or more events or pieces than a tick may have.
    pub fn act(
        &mut self,
        request: &Request,
        loads: &Loads,
        programme_setpoint_rad_per_s: f64,
    ) -> Result<(Feedback, Row), Fault> {
        // The brake hears the command of one tick ago, as the motor does.
        let lifts_brake = self.drive.lifts_brake();
        let (feedback, next) = self.drive.act(request);
        self.winding_record.tick(self.drive.winding_test(), self.commanded_dq_v[0], &feedback);
        let row = self.row(&feedback, programme_setpoint_rad_per_s);
        self.observe(&feedback, &row);
        let brake_closed = self.site.has_brake() && self.site.pass_tick(lifts_brake);
        let input = self.input(loads, brake_closed);
        if let Some(noise_counts) = self.sensor.jitter_counts(self.commanded_nm) {
            self.plant.shift_edges(noise_counts);
        }
        let stepped = self.plant.step_under(&input, self.load_noise.tick(), &mut self.events);
        self.sensor.take_edge(self.plant.last_edge());
        self.take_strikes();
        self.actuation = next;
        self.commanded_nm = if next == Actuation::Off { 0.0 } else { feedback.torque_command_nm };
        self.commanded_dq_v = [feedback.voltage_d_v, feedback.voltage_q_v];
        stepped.map(|()| (feedback, row))
    }

    /// Begins a winding test with the next tick.
    ///
    /// # Errors
    /// Why it cannot be done now.
    pub fn start_winding_test(&mut self, test: &WindingTest) -> Result<(), WindingTestRefusal> {
        self.drive.start_winding_test(test)?;
        self.winding_record.begin();
        Ok(())
    }

    /// What the last winding test showed, a sample a tick.
    #[must_use]
    pub fn winding_samples(&self) -> &[WindingSample] {
        self.winding_record.samples()
    }

    fn observe(&mut self, feedback: &Feedback, row: &Row) {
        self.watch.tick(&Seen {
            load_angle_rad: row[Signal::LoadAngle as usize],
            load_speed_rad_per_s: row[Signal::LoadSpeed as usize],
            motor_speed_rad_per_s: row[Signal::MotorSpeed as usize],
            torque_command_nm: feedback.torque_command_nm,
            torque_limit_nm: self.drive.read(Setting::TorqueLimit),
        });
        let trip = Trip::from_number(feedback.trip);
        if let Some(new) = trip.filter(|_| trip != self.trip) {
            self.watch.fault();
            if self.trips.len() < TRIPS_MAX {
                self.trips.push((new, feedback.tick));
            }
        }
        self.trip = trip;
    }

    fn take_strikes(&mut self) {
        for event in self.events.iter().filter(|event| event.kind == EventKind::StopStruck) {
            self.watch.strike(event.strike.map_or(0.0, |strike| strike.energy_j));
            if self.strikes_s.len() < STRIKES_MAX {
                self.strikes_s.push(event.time_s);
            }
        }
        self.events.clear();
    }

    fn input(&self, loads: &Loads, brake_closed: bool) -> TickInput {
        let drive = match self.actuation {
            Actuation::Off => Applied::Off,
            Actuation::Torque { torque_nm } => Applied::Torque(torque_nm),
            Actuation::Voltage { alpha_v, beta_v } => Applied::Voltage { alpha_v, beta_v },
        };
        TickInput {
            drive,
            clamp_motor: drive == Applied::Off && self.clamped_when_off,
            brake_closed,
            load_torque_nm: loads.load_torque_nm,
            resisting_torque_nm: loads.resisting_torque_nm,
        }
    }

    /// In the order of [`crate::base::recording::Signal::ALL`].
    fn row(&self, feedback: &Feedback, programme_setpoint_rad_per_s: f64) -> Row {
        let load = self.plant.nodes() - 1;
        let (motor_angle_rad, load_angle_rad) = (self.plant.angle_rad(0), self.plant.angle_rad(load));
        let (motor_speed_rad_per_s, torque_nm) = (self.plant.speed_rad_per_s(0), self.plant.motor_torque_nm());
        let [current_d_a, current_q_a] = self.plant.current_dq_a();
        [
            motor_angle_rad,
            motor_speed_rad_per_s,
            load_angle_rad,
            self.plant.speed_rad_per_s(load),
            torque_nm,
            motor_angle_rad / self.ratio - load_angle_rad,
            feedback.counts as f64,
            feedback.measured_speed_rad_per_s,
            programme_setpoint_rad_per_s,
            feedback.torque_command_nm,
            feedback.controller_torque_nm,
            feedback.summed_torque_nm,
            current_d_a,
            current_q_a,
            torque_nm * motor_speed_rad_per_s,
            feedback.load_counts.unwrap_or(0) as f64,
            feedback.missing_counts.unwrap_or(0) as f64,
        ]
    }
}
