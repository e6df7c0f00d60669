//! What settings are worth on a machine: a programme run with the bench's own drive, and the loop's margins.
//!
//! Margins come from two masses with their true values and all delays. What it does not: limits (each test has its own).
//! Start reading at [`examine`].

use plantstand::base::recording::{Recording, Signal};
use plantstand::base::signal::Request;
use plantstand::base::units::RPM_RAD_PER_S;
use plantstand::drive::Drive;
use plantstand::drive::setting::{Setting, Settings as DriveSettings};
use plantstand::method::controller::{self, Notch, Settings, Worth};
use plantstand::method::two_mass::TwoMass;
use plantstand::score::window::{Options, Signals, Torques};
use plantstand::score::{Answer, load_step, noise, step};

use crate::bench::{Bench, Outside};
use crate::machines::Machine;

/// Something that happens during the examination, until the next entry.
#[derive(Clone, Copy, Debug)]
pub struct Entry {
    pub at_s: f64,
    pub speed_rpm: f64,
    pub over_s: f64,
    pub outside: Outside,
}

impl Entry {
    pub fn new(at_s: f64, speed_rpm: f64, over_s: f64, outside: Outside) -> Self {
        Self { at_s, speed_rpm, over_s, outside }
    }
}

/// How measures are taken: the run's end, the band of settling, and the last part of a window in which noise is heard.
#[derive(Clone, Copy, Debug)]
pub struct Taken {
    pub end_s: f64,
    pub band_percent: f64,
    pub last_s: f64,
}

/// What came out. Entries in the order of the programme; a measure that has no number is infinite.
#[derive(Clone, Debug)]
pub struct Outcome {
    pub entries: Vec<Measures>,
    pub worth: Worth,
    pub trips: u32,
    pub strikes: u32,
}

/// Measures of one entry.
#[derive(Clone, Copy, Debug)]
pub struct Measures {
    pub overshoot_percent: f64,
    pub settling_time_s: f64,
    pub dip_rpm: f64,
    pub noise_percent: f64,
}

/// Runs a programme with stored settings, from standstill and enabled.
pub fn examine(machine: &Machine, stored: &DriveSettings, programme: &[Entry], taken: &Taken) -> Outcome {
    let mut bench = Bench::new(machine, 77);
    bench.drive = Drive::new(machine.rate(), machine.nameplate(), *stored);
    bench.drive.start_enabled();
    let recording = record(&mut bench, programme, taken.end_s);
    let signals = Signals::of(&recording, machine.ratio);
    let torques = Torques { rated_nm: machine.rated_torque_nm, limit_nm: stored.get(Setting::TorqueLimit) };
    let plain = Options::with(torques);
    let options = Options { band_percent: Some(taken.band_percent), ..plain };
    let noisy = Options { last_s: Some(taken.last_s), highpass_hz: Some(20.0), ..plain };
    let tick = |seconds: f64| machine.rate().nearest_tick(seconds);
    let starts: Vec<u64> = programme.iter().map(|entry| tick(entry.at_s)).chain([tick(taken.end_s)]).collect();
    let measures = starts.windows(2).map(|ends| {
        let window = signals.window(ends[0]..ends[1]).expect("the run covers its programme");
        Measures {
            overshoot_percent: number(step::overshoot_percent(&window, &options)),
            settling_time_s: number(step::settling_time_s(&window, &options)),
            dip_rpm: number(load_step::dip_rpm(&window, &options)),
            noise_percent: number(noise::torque_noise_rms_percent(&window, &noisy)),
        }
    });
    let entries = measures.collect();
    Outcome { entries, worth: worth(machine, stored), trips: bench.conduct.trips, strikes: bench.conduct.strikes }
}

fn number(answer: Answer) -> f64 {
    match answer {
        Answer::Number(found) => found.value,
        Answer::Without(_) => f64::INFINITY,
    }
}

/// Rows of the run: setpoint of the programme, truth and command.
fn record(bench: &mut Bench, programme: &[Entry], end_s: f64) -> Recording {
    let rate = bench.machine.rate();
    let count = rate.nearest_tick(end_s);
    let mut recording = Recording::with_capacity(rate, count as usize);
    for tick in 0..count {
        let time_s = rate.seconds(tick);
        let (setpoint_rpm, outside) = asked(programme, time_s);
        let setpoint = setpoint_rpm * RPM_RAD_PER_S;
        let truth = [
            bench.plant.angle_rad(0),
            bench.plant.speed_rad_per_s(0),
            bench.plant.angle_rad(1),
            bench.plant.speed_rad_per_s(1),
        ];
        let request = Request { controlword: 0x0F, speed_rad_per_s: setpoint, ..Request::default() };
        let seen = bench.tick(&request, outside);
        let mut row = [0.0; Signal::ALL.len()];
        row[..truth.len()].copy_from_slice(&truth);
        for (signal, value) in [
            (Signal::Counts, seen.counts as f64),
            (Signal::MeasuredSpeed, seen.measured_speed_rad_per_s),
            (Signal::Setpoint, setpoint),
            (Signal::TorqueCommand, seen.torque_command_nm),
            (Signal::ControllerTorque, seen.controller_torque_nm),
            (Signal::SummedTorque, seen.summed_torque_nm),
        ] {
            row[signal as usize] = value;
        }
        recording.push(&row);
    }
    recording
}

fn asked(programme: &[Entry], time_s: f64) -> (f64, Outside) {
    let mut speed_rpm = 0.0;
    let mut outside = Outside::default();
    for entry in programme.iter().filter(|entry| entry.at_s <= time_s) {
        let share = if entry.over_s == 0.0 { 1.0 } else { ((time_s - entry.at_s) / entry.over_s).min(1.0) };
        speed_rpm += share * (entry.speed_rpm - speed_rpm);
        outside = entry.outside;
    }
    (speed_rpm, outside)
}

/// Margins with the gap closed, and open where there is one: the worse.
pub fn worth(machine: &Machine, stored: &DriveSettings) -> Worth {
    let square = machine.ratio * machine.ratio;
    let axis = TwoMass {
        motor_inertia_kgm2: machine.motor_inertia_kgm2,
        load_inertia_kgm2: machine.load_inertia_kgm2 / square,
        stiffness_nm_per_rad: machine.stiffness_nm_per_rad / square,
        damping_nms_per_rad: machine.damping_nms_per_rad / square,
        viscous_nms_per_rad: machine.motor_friction.viscous_nms_per_rad
            + machine.load_friction.viscous_nms_per_rad / square,
        delay_s: 2.0 * machine.rate().period_s(),
        lag_s: 1.9e-4,
    };
    let notch = Notch {
        hz: stored.get(Setting::Notch1Centre),
        width_hz: stored.get(Setting::Notch1Width),
        depth_db: stored.get(Setting::Notch1Depth),
    };
    let settings = Settings {
        gain_nms_per_rad: stored.get(Setting::SpeedGain),
        reset_time_s: stored.get(Setting::SpeedResetTime),
        lowpass_hz: stored.get(Setting::TorqueLowpass),
        notch: (0.0 < notch.hz).then_some(notch),
    };
    let highest = 0.499 * f64::from(machine.tick_hz) * std::f64::consts::TAU;
    let judge = |axis: TwoMass| {
        controller::judge((0..8000).map(|step| {
            let rad_per_s = 3.0 * (highest / 3.0).powf(f64::from(step) / 7999.0);
            axis.response(rad_per_s, machine.rate()) * settings.response(rad_per_s, machine.rate())
        }))
    };
    let closed = judge(axis);
    let open = if 0.0 < machine.backlash_arcmin { judge(axis.motor_alone()) } else { closed };
    Worth {
        sensitivity_peak: closed.sensitivity_peak.max(open.sensitivity_peak),
        phase_margin_deg: closed.phase_margin_deg.min(open.phase_margin_deg),
        stable: closed.stable && open.stable,
    }
}
