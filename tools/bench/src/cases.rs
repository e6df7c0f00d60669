//! Machines whose ticks are counted: from one mass to a whole axis.
//!
//! Trajectories b and f are those of `tests/data/trajectories`, with their torque. What it does not: measure (see
//! `bin/ticks.rs`). Start reading at [`Case`].

use std::path::Path;

use plantstand::base::signal::Request;
use plantstand::base::time::TickRate;
use plantstand::bench::tick::{Bench, Loads};
use plantstand::drive::state::control::ENABLE_OPERATION_WORD;
use plantstand::plant::coupling::Coupling;
use plantstand::plant::event::EventLog;
use plantstand::plant::friction::{Coulomb, Friction};
use plantstand::plant::motor::MotorKind;
use plantstand::plant::stepper::{Applied, Plant, TickInput};
use plantstand::plant::train::{Initial, Node, Parameters};
use plantstand::scenario::{self, Scenario};
use plantstand::trial::examination;
use serde_json::Value;

const RATE: TickRate = TickRate { hz: 8000 };

/// A machine in motion, tick after tick without end.
pub enum Case {
    /// The plant alone under a torque that repeats.
    Plant {
        /// The machine.
        plant: Box<Plant>,
        /// Room for the events of a tick.
        events: EventLog,
        /// The torque of each tick in Nm.
        torque_nm: Vec<f64>,
        /// The tick that comes next, within the torque.
        next: usize,
    },
    /// Plant, drive and sensor of a scenario under its programme, which begins anew when it is over.
    Axis {
        /// The scenario.
        scenario: Box<Scenario>,
        /// The bench at work.
        bench: Box<Bench>,
        /// The tick that comes next, within the programme.
        next: u64,
    },
}

/// The cases: a word each, and what it is.
pub const CASES: [(&str, &str); 7] = [
    ("one-mass", "one mass with friction"),
    ("two-masses", "two masses, nothing rubs"),
    ("play-and-stick", "two masses, play, friction (trajectory b)"),
    ("rattle", "the stiff rattling case (trajectory f)"),
    ("five-masses", "five masses with friction"),
    ("drive", "two masses, friction, drive, noisy sensor, ideal torque"),
    ("axis", "the whole axis: two masses, play, friction, motor with winding, drive, noisy sensors"),
];

impl Case {
    /// The case of this word; `None` for an unknown one.
    #[must_use]
    pub fn of(word: &str) -> Option<Self> {
        let friction = Friction::Coulomb(Coulomb {
            kinetic_nm: 0.04,
            static_nm: 0.05,
            stribeck_rad_per_s: 1.2566,
            stribeck_exponent: 2.0,
            viscous_nms_per_rad: 1.1e-4,
        });
        let steps = || square_torque(0.6);
        Some(match word {
            "one-mass" => Self::plant(&chain(1, &friction), steps()),
            "two-masses" => Self::plant(&chain(2, &Friction::None), steps()),
            "five-masses" => Self::plant(&chain(5, &friction), steps()),
            "play-and-stick" => Self::trajectory("b_two_mass_play_friction"),
            "rattle" => Self::trajectory("f_stiff_rattle"),
            "drive" => Self::axis(&shipped_without_winding()),
            "axis" => Self::axis(&shipped_with_play()),
            _ => return None,
        })
    }

    fn plant(parameters: &Parameters, torque_nm: Vec<f64>) -> Self {
        let plant = Plant::new(parameters, &Initial::at_rest(parameters, 0.0), RATE, false);
        Self::Plant { plant: Box::new(plant), events: EventLog::new(512), torque_nm, next: 0 }
    }

    fn axis(text: &str) -> Self {
        let scenario = scenario::read("case", text).unwrap_or_else(|complaints| panic!("{complaints:?}"));
        let bench = enabled(&scenario);
        Self::Axis { scenario: Box::new(scenario), bench: Box::new(bench), next: 0 }
    }

    fn trajectory(name: &str) -> Self {
        let (machine, torque_nm) = trajectory(name);
        Self::plant(&machine, torque_nm)
    }

    /// So many ticks.
    pub fn run(&mut self, ticks: u64) {
        for _ in 0..ticks {
            self.tick();
        }
    }

    fn tick(&mut self) {
        match self {
            Self::Plant { plant, events, torque_nm, next } => {
                let input = TickInput { drive: Applied::Torque(torque_nm[*next]), ..TickInput::default() };
                plant.step(&input, events).expect("a sound machine");
                events.clear();
                *next = (*next + 1) % torque_nm.len();
            }
            Self::Axis { scenario, bench, next } => {
                let asked = scenario.programme.at(*next);
                let loads =
                    Loads { load_torque_nm: asked.load_torque_nm, resisting_torque_nm: asked.resisting_torque_nm };
                let request = Request {
                    controlword: ENABLE_OPERATION_WORD,
                    speed_rad_per_s: asked.setpoint_rad_per_s,
                    ..Request::default()
                };
                bench.tick(&request, &loads, asked.setpoint_rad_per_s).expect("a sound machine");
                *next = (*next + 1) % scenario.timing.end_tick;
            }
        }
    }
}

/// The machine of a reference trajectory, and the torque of each of its ticks in Nm.
///
/// # Panics
/// When the project has no such trajectory.
#[must_use]
pub fn trajectory(name: &str) -> (Parameters, Vec<f64>) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/data/trajectories").join(format!("{name}.json"));
    let text = std::fs::read_to_string(path).expect("a trajectory of the project");
    let file: Value = serde_json::from_str(&text).expect("a trajectory is JSON");
    let ticks = (number(&file["duration_s"]) * f64::from(RATE.hz)).round() as usize;
    let mut torque_nm = vec![0.0; ticks];
    for piece in file["torque_profile"]["pieces"].as_array().expect("pieces") {
        let first = (number(&piece[0]) * f64::from(RATE.hz)).round() as usize;
        torque_nm[first..].fill(number(&piece[1]));
    }
    (parameters(&file), torque_nm)
}

fn enabled(scenario: &Scenario) -> Bench {
    let setup = examination::setup(scenario, &scenario.machine, &scenario.settings, scenario.seed, "count");
    let mut bench = Bench::new(&setup);
    bench.start_enabled();
    bench
}

/// Two seconds: plus, minus, nothing, each for a part.
fn square_torque(torque_nm: f64) -> Vec<f64> {
    let of = |tick: u64| match tick / 2000 % 4 {
        0 => torque_nm,
        2 => -torque_nm,
        _ => 0.01 * torque_nm,
    };
    (0..16_000).map(of).collect()
}

fn chain(count: usize, friction: &Friction) -> Parameters {
    let node = Node { inertia_kgm2: 4.2e-4, friction: *friction };
    let coupling = Coupling {
        ratio: 1.0,
        stiffness_nm_per_rad: 260.0,
        damping_nms_per_rad: 0.02,
        half_gap_rad: 0.0,
        torque_limit_nm: None,
        coupled: true,
    };
    Parameters {
        motor: MotorKind::AT_ONCE,
        nodes: vec![node; count],
        couplings: vec![coupling; count - 1],
        stops: None,
        loads: Vec::new(),
        brake: None,
    }
}

fn parameters(file: &Value) -> Parameters {
    let list = |key: &str| file[key].as_array().expect("a list").iter();
    let node = |node: &Value| Node {
        inertia_kgm2: number(&node["inertia_kgm2"]),
        friction: Friction::Coulomb(Coulomb {
            kinetic_nm: number(&node["friction"]["kinetic_nm"]),
            static_nm: number(&node["friction"]["static_nm"]),
            stribeck_rad_per_s: number(&node["friction"]["stribeck_rad_per_s"]),
            stribeck_exponent: number(&node["friction"]["stribeck_exponent"]),
            viscous_nms_per_rad: number(&node["friction"]["viscous_nms_per_rad"]),
        }),
    };
    let coupling = |coupling: &Value| Coupling {
        ratio: number(&coupling["ratio_motor_turns_per_load_turn"]),
        stiffness_nm_per_rad: number(&coupling["stiffness_nm_per_rad"]),
        damping_nms_per_rad: number(&coupling["damping_nms_per_rad"]),
        half_gap_rad: number(&coupling["half_gap_rad"]),
        torque_limit_nm: None,
        coupled: true,
    };
    Parameters {
        nodes: list("nodes").map(node).collect(),
        couplings: list("couplings").map(coupling).collect(),
        ..chain(1, &Friction::None)
    }
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn shipped() -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../scenarios/dough-sheeter.toml");
    std::fs::read_to_string(path).expect("a shipped scenario")
}

fn tuned(text: &str) -> String {
    text.replace(
        "[drive.settings]",
        "[drive.settings]\ntorque_lowpass_hz = 800\nnotch_1_hz = 900\nnotch_1_width_hz = 200\nnotch_1_depth_db = 12",
    )
    .replace("speed_gain_nms_per_rad = 0.05", "speed_gain_nms_per_rad = 0.35")
    .replace("speed_reset_time_s = 0.2", "speed_reset_time_s = 0.05")
}

fn shipped_with_play() -> String {
    tuned(&shipped()).replace("backlash_arcmin = 0", "backlash_arcmin = 12")
}

fn shipped_without_winding() -> String {
    tuned(&shipped()).replace("kind = \"pmsm\"", "kind = \"ideal_torque\"\nlag_s = 1.9e-4")
}
