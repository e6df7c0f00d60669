//! How much faster than real time the plant runs on one core, alone and with sensor and drive, at 8 kHz.
//!
//! The machine and the torque are those of reference trajectory b (two masses, play, friction on both sides, reversing
//! torque: 184 contact and stick events in 2 s), so the cost of events is in it; both runs' end is compared with the
//! reference, since a wrong plant may be fast. What it does not: link, recording, scoring. Start reading at [`main`].

use std::hint::black_box;

use nix::time::{ClockId, clock_gettime};
use plantstand::base::nameplate::Nameplate;
use plantstand::base::random::Stream;
use plantstand::base::signal::{Actuation, Request};
use plantstand::base::time::TickRate;
use plantstand::drive::Drive;
use plantstand::drive::setting::{DefaultsFrom, Setting, Settings};
use plantstand::plant::event::EventLog;
use plantstand::plant::sensor::{Sensor, SensorParameters};
use plantstand::plant::stepper::{Applied, Plant, TickInput};
use plantstand::plant::train::{Initial, Parameters};
use plantstand_bench::cases::trajectory;
use plantstand_bench::{Asked, alternate, row};

const RATE: TickRate = TickRate { hz: 8000 };
const TICKS: u64 = 16_000;
/// Runs of the trajectory in one block: a tenth of a second or so.
const RUNS: u32 = 40;
const BLOCKS: usize = 15;

/// Load angle at 2 s and span of the load angle in the reference, in rad.
const REFERENCE_END_RAD: f64 = -24.616_163_135_81;
const REFERENCE_SPAN_RAD: f64 = 29.776_901_494_7;

fn main() {
    let (machine, torque_nm) = trajectory("b_two_mass_play_friction");
    assert_eq!(torque_nm.len() as u64, TICKS, "the trajectory is another one");
    let alone_end_rad = run_alone(&machine, &torque_nm);
    let error = (alone_end_rad - REFERENCE_END_RAD).abs() / REFERENCE_SPAN_RAD;
    assert!(error < 1e-5, "the plant ends {error:e} of the span away from the reference: nothing to time");
    let driven_end_rad = run_driven(&machine, &torque_nm);
    let driven_error = (driven_end_rad - REFERENCE_END_RAD).abs() / REFERENCE_SPAN_RAD;
    // The drive's speed loop, as soft as it may be set, and its tick of delay change the motion a little.
    assert!(driven_error < 0.2, "the driven plant moves otherwise ({driven_error:e} of the span): no comparison");

    let paired = alternate(
        BLOCKS,
        || times_real_time(|| run_alone(&machine, &torque_nm)),
        || times_real_time(|| run_driven(&machine, &torque_nm)),
    );
    println!("{}", row("plant alone, trajectory b", "× real time", &paired.first, 0, Asked::AtLeast(800.0)));
    println!(
        "{}",
        row("plant, sensor and drive, trajectory b", "× real time", &paired.second, 0, Asked::AtLeast(600.0))
    );
    let per_tick_ns = |times: &f64| 1e9 / (times * f64::from(RATE.hz));
    let ns: Vec<f64> = paired.first.iter().map(per_tick_ns).collect();
    println!("{}", row("one tick of the plant alone", "ns", &ns, 0, Asked::Nothing));
    let ns: Vec<f64> = paired.second.iter().map(per_tick_ns).collect();
    println!("{}", row("one tick of plant, sensor and drive", "ns", &ns, 0, Asked::Nothing));
    let error_pico = [1e12 * error];
    println!(
        "{}",
        row(
            "load angle at the end, plant alone, against the reference",
            "× 10⁻¹² of span",
            &error_pico,
            1,
            Asked::AtMost(1e7)
        )
    );
}

/// Simulated time over this thread's own processor time, of one block: what else runs on the machine takes wall time, but
/// none of the core's.
fn times_real_time(run: impl Fn() -> f64) -> f64 {
    let started_s = processor_time_s();
    for _ in 0..RUNS {
        black_box(run());
    }
    f64::from(RUNS) * RATE.seconds(TICKS) / (processor_time_s() - started_s)
}

fn processor_time_s() -> f64 {
    let time = clock_gettime(ClockId::CLOCK_THREAD_CPUTIME_ID).expect("the system counts a thread's time");
    time.tv_sec() as f64 + 1e-9 * time.tv_nsec() as f64
}

fn new_plant(machine: &Parameters) -> Plant {
    Plant::new(machine, &Initial::at_rest(machine, 0.0), RATE, false)
}

/// One run under the given torque; the load's angle at its end.
fn run_alone(machine: &Parameters, torque_nm: &[f64]) -> f64 {
    let mut plant = new_plant(machine);
    let mut events = EventLog::new(512);
    for &torque_nm in torque_nm {
        let input = TickInput { drive: Applied::Torque(torque_nm), ..TickInput::default() };
        plant.step(&input, &mut events).expect("the trajectory is finite");
    }
    plant.angle_rad(1)
}

/// One run with the torque given as the drive's torque offset, through sensor, speed loop and filters; the load's angle
/// at its end.
fn run_driven(machine: &Parameters, torque_nm: &[f64]) -> f64 {
    let mut plant = new_plant(machine);
    let mut events = EventLog::new(512);
    let mut sensor = new_sensor();
    let mut drive = new_drive();
    drive.start_enabled();
    let mut input = TickInput { drive: Applied::Torque(0.0), ..TickInput::default() };
    for &torque_offset_nm in torque_nm {
        let counts = sensor.sample(plant.angle_rad(0));
        let request = Request { controlword: 0x000F, torque_offset_nm, ..Request::default() };
        let (feedback, actuation) = drive.tick(counts, &request);
        black_box(feedback);
        plant.step(&input, &mut events).expect("the trajectory is finite");
        input.drive = match actuation {
            Actuation::Off => panic!("the drive switched off: {:?}", drive.trip()),
            Actuation::Torque { torque_nm } => Applied::Torque(torque_nm),
            Actuation::Voltage { alpha_v, beta_v } => Applied::Voltage { alpha_v, beta_v },
        };
    }
    plant.angle_rad(1)
}

fn new_sensor() -> Sensor {
    let parameters =
        SensorParameters { noise_counts_rms: 6.0, latency_ticks: 1, ..SensorParameters::plain(1_048_576.0) };
    Sensor::new(&parameters, Stream::new(20, "sensor"), 0.0)
}

/// A drive with low-pass and both notches on, as a tuned one would have them, and the softest speed loop.
fn new_drive() -> Drive {
    let nameplate = Nameplate {
        rated_torque_nm: 4.1,
        peak_torque_nm: 12.0,
        rated_speed_rad_per_s: 314.0,
        motor_inertia_kgm2: 4.2e-4,
        counts_per_turn: 1_048_576.0,
        gear_ratio: 1.0,
        angle_zero_counts: 0.0,
        sensor_sign: 1.0,
        winding: None,
    };
    let mut settings =
        Settings::defaults(&DefaultsFrom { rate: RATE, nameplate, max_speed_rad_per_s: 300.0, travel_rad: None });
    let values = [
        (Setting::SpeedGain, 1e-6),
        (Setting::SpeedResetTime, 1.0),
        (Setting::TorqueLimit, 8.0),
        (Setting::SpeedFilter, 3000.0),
        (Setting::TorqueLowpass, 3000.0),
        (Setting::Notch1Centre, 2000.0),
        (Setting::Notch1Width, 200.0),
        (Setting::Notch1Depth, 6.0),
        (Setting::Notch2Centre, 3000.0),
        (Setting::Notch2Width, 200.0),
        (Setting::Notch2Depth, 6.0),
    ];
    for (setting, value) in values {
        settings.set(setting, value);
    }
    Drive::new(RATE, nameplate, settings)
}
