//! A bench in one process for the methods' tests: plant, sensor and drive behind the trait that methods speak to.
//!
//! It keeps what a bench must know of conduct: strikes, greatest angle, path, speed, trips. What it does not: the link,
//! phases, verdicts. Start reading at [`Bench`]; `machines.rs` has the machines.

use plantstand::base::random::Stream;
use plantstand::base::signal::{Actuation, Feedback, Request};
use plantstand::drive::Drive;
use plantstand::drive::setting::Setting;
use plantstand::method::axis::{Axis, Facts, Stop};
use plantstand::plant::event::{EventKind, EventLog};
use plantstand::plant::sensor::Sensor;
use plantstand::plant::stepper::{Applied, Plant, Ramp, TickInput};
use plantstand::plant::train::Initial;

use crate::machines::Machine;

/// A machine at work.
pub struct Bench {
    pub machine: Machine,
    pub plant: Plant,
    pub drive: Drive,
    pub conduct: Conduct,
    /// What the method said.
    pub said: Vec<String>,
    sensor: Sensor,
    actuation: Actuation,
    events: EventLog,
}

/// How the machine was treated. Load angles in rad.
#[derive(Clone, Copy, Debug, Default)]
pub struct Conduct {
    pub ticks: u64,
    pub lowest_rad: f64,
    pub highest_rad: f64,
    pub path_rad: f64,
    pub max_speed_rad_per_s: f64,
    pub strikes: u32,
    pub trips: u32,
}

/// Torques of a programme on the load, in Nm.
#[derive(Clone, Copy, Debug, Default)]
pub struct Outside {
    pub load_nm: f64,
    pub resisting_nm: f64,
}

impl Bench {
    pub fn new(machine: &Machine, seed: u64) -> Self {
        let train = machine.train();
        let initial = Initial::at_rest(&train, machine.start_rad());
        let conduct =
            Conduct { lowest_rad: machine.start_rad(), highest_rad: machine.start_rad(), ..Conduct::default() };
        Self {
            plant: Plant::new(&train, &initial, machine.rate(), false),
            drive: Drive::new(machine.rate(), machine.nameplate(), machine.settings()),
            sensor: Sensor::new(&machine.sensor(), Stream::new(seed, "sensor"), initial.angle_rad[0]),
            machine: machine.clone(),
            conduct,
            said: Vec::new(),
            actuation: Actuation::Off,
            events: EventLog::new(256),
        }
    }

    /// One tick of everything, as the bench does it: sample, drive, plant.
    pub fn tick(&mut self, request: &Request, outside: Outside) -> Feedback {
        let counts = self.sensor.sample(self.plant.angle_rad(0));
        let (feedback, next) = self.drive.tick(counts, request);
        let drive = match self.actuation {
            Actuation::Off => Applied::Off,
            Actuation::Torque { torque_nm } => Applied::Torque(torque_nm),
            Actuation::Voltage { alpha_v, beta_v } => Applied::Voltage { alpha_v, beta_v },
        };
        let held = |torque_nm| Ramp { start: torque_nm, end: torque_nm };
        let input = TickInput {
            drive,
            clamp_motor: drive == Applied::Off && self.machine.clamped_when_off,
            brake_closed: false,
            load_torque_nm: held(outside.load_nm),
            resisting_torque_nm: held(outside.resisting_nm),
        };
        let before_rad = self.plant.angle_rad(1);
        self.plant.step(&input, &mut self.events).expect("the plant steps");
        self.actuation = next;
        self.keep_conduct(before_rad, &feedback);
        feedback
    }

    fn keep_conduct(&mut self, before_rad: f64, feedback: &Feedback) {
        let angle_rad = self.plant.angle_rad(1);
        let conduct = &mut self.conduct;
        conduct.ticks += 1;
        conduct.lowest_rad = conduct.lowest_rad.min(angle_rad);
        conduct.highest_rad = conduct.highest_rad.max(angle_rad);
        conduct.path_rad += (angle_rad - before_rad).abs();
        conduct.max_speed_rad_per_s = conduct.max_speed_rad_per_s.max(self.plant.speed_rad_per_s(0).abs());
        conduct.strikes += self.events.iter().filter(|event| event.kind == EventKind::StopStruck).count() as u32;
        conduct.trips += u32::from(feedback.trip != 0);
        self.events.clear();
    }
}

impl Axis for Bench {
    fn facts(&self) -> Facts {
        self.machine.facts()
    }

    fn exchange(&mut self, requests: &[Request], feedback: &mut Vec<Feedback>) -> Result<(), Stop> {
        feedback.clear();
        let controlword = requests[requests.len() - 1].controlword;
        for request in requests {
            feedback.push(self.tick(&Request { controlword, ..*request }, Outside::default()));
        }
        let last = feedback[feedback.len() - 1];
        feedback.iter_mut().for_each(|tick| (tick.statusword, tick.trip) = (last.statusword, last.trip));
        Ok(())
    }

    fn read(&mut self, name: &str) -> Result<f64, Stop> {
        let setting = Setting::from_name(name).ok_or_else(|| Stop::because(format!("no setting {name}")))?;
        Ok(self.drive.read(setting))
    }

    fn write(&mut self, name: &str, value: f64) -> Result<f64, Stop> {
        let setting = Setting::from_name(name).ok_or_else(|| Stop::because(format!("no setting {name}")))?;
        self.drive.write(setting, value).map_err(|refusal| Stop::because(refusal.to_string()))
    }

    fn store(&mut self) -> Result<(), Stop> {
        self.drive.store();
        Ok(())
    }

    fn log(&mut self, text: &str) -> Result<(), Stop> {
        assert!(text.len() <= 200, "too long for the link: {text}");
        self.said.push(format!("{:6.2} s  {text}", self.machine.rate().seconds(self.conduct.ticks)));
        Ok(())
    }
}
