//! The drive keeps what its pages promise: states as IEC 61800-7-201 has them, the speed loop to the tick, trips that
//! latch, settings that survive a power cycle when stored and not otherwise.
//!
//! This file holds the rig that the modules share: a drive on a motor, and a rigid axis for it to turn. Values from
//! outside the project come from `tests/data/check-values.json`; each is named by its row.

mod currents;
mod loops;
mod protections;
mod safeguards;
mod setpoints;
mod settings;
mod states;
mod trips;

use plantstand::base::nameplate::Nameplate;
use plantstand::base::signal::{Actuation, Feedback, Request, Sample};
use plantstand::base::time::TickRate;
use plantstand::base::units::{RPM_RAD_PER_S, TURN_RAD};
use plantstand::drive::Drive;
use plantstand::drive::setting::{DefaultsFrom, Setting, Settings};
use plantstand::drive::state::control;

/// Ticks per second of every test that does not say otherwise.
const RATE: TickRate = TickRate { hz: 8000 };
/// Counts per turn of the rig's sensor.
const COUNTS_PER_TURN: f64 = 1_048_576.0;
/// Inertia of the rig's axis in kgm².
const INERTIA_KGM2: f64 = 1e-3;

/// The drive under test is built into this.
fn built_into() -> DefaultsFrom {
    DefaultsFrom {
        rate: RATE,
        nameplate: Nameplate {
            rated_torque_nm: 2.0,
            peak_torque_nm: 6.0,
            rated_speed_rad_per_s: 3000.0 * RPM_RAD_PER_S,
            motor_inertia_kgm2: INERTIA_KGM2,
            counts_per_turn: COUNTS_PER_TURN,
            gear_ratio: 1.0,
            angle_zero_counts: 0.0,
            sensor_sign: 1.0,
            winding: None,
        },
        max_speed_rad_per_s: 3000.0 * RPM_RAD_PER_S,
        travel_rad: None,
    }
}

/// A drive in switch on disabled, at its defaults but for these settings.
fn drive_with(changes: &[(Setting, f64)]) -> Drive {
    let mut settings = Settings::defaults(&built_into());
    for &(setting, value) in changes {
        settings.set(setting, value);
    }
    Drive::new(RATE, built_into().nameplate, settings)
}

/// A drive that holds its axis well: 100 rad/s of bandwidth on the rig's inertia.
fn tuned_drive_with(changes: &[(Setting, f64)]) -> Drive {
    let tuned = [(Setting::SpeedGain, 0.1), (Setting::SpeedResetTime, 0.05), (Setting::TorqueLimit, 6.0)];
    let mut drive = drive_with(&[&tuned, changes].concat());
    drive.start_enabled();
    drive
}

/// Asks an enabled drive for a speed.
fn asking_rpm(speed_rpm: f64) -> Request {
    Request {
        controlword: control::ENABLE_OPERATION_WORD,
        speed_rad_per_s: speed_rpm * RPM_RAD_PER_S,
        ..Request::default()
    }
}

/// Asks for nothing but what the controlword says.
fn word(controlword: u16) -> Request {
    Request { controlword, ..Request::default() }
}

/// A rigid axis without friction, turned by the drive: the torque computed in a tick acts in the next.
#[derive(Clone)]
struct Axis {
    drive: Drive,
    speed_rad_per_s: f64,
    angle_rad: f64,
    actuation: Actuation,
    /// What the sensors show beside the counts.
    sample: Sample,
}

impl Axis {
    fn new(drive: Drive) -> Self {
        Self { drive, speed_rad_per_s: 0.0, angle_rad: 0.0, actuation: Actuation::Off, sample: Sample::default() }
    }

    fn tick(&mut self, request: &Request) -> Feedback {
        let counts = (self.angle_rad / TURN_RAD * COUNTS_PER_TURN).round() as i64;
        let torque_nm = match self.actuation {
            Actuation::Torque { torque_nm } => torque_nm,
            // A drive that knows of no winding gives no voltage.
            Actuation::Off | Actuation::Voltage { .. } => 0.0,
        };
        self.drive.sense(&Sample { counts, ..self.sample });
        let (feedback, actuation) = self.drive.act(request);
        self.actuation = actuation;
        let speed_after = self.speed_rad_per_s + torque_nm / INERTIA_KGM2 * RATE.period_s();
        self.angle_rad += (self.speed_rad_per_s + speed_after) / 2.0 * RATE.period_s();
        self.speed_rad_per_s = speed_after;
        feedback
    }

    /// Ticks on, the same request each time, and gives the last feedback.
    fn run(&mut self, ticks: u32, request: &Request) -> Feedback {
        let mut feedback = Feedback::default();
        for _ in 0..ticks {
            feedback = self.tick(request);
        }
        feedback
    }
}
