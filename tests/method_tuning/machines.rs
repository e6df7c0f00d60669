//! Machines of two masses in the units that people write, and what a method is told about them.
//!
//! The three are the shipped scenarios' machines; [`Machine::drawn`] draws others round and between them. What it does
//! not: read scenario files, which lie above the methods. Start reading at [`Machine`].

use plantstand::base::nameplate::Nameplate;
use plantstand::base::random::Stream;
use plantstand::base::time::TickRate;
use plantstand::base::units::{ARCMIN_RAD, DEG_RAD, RPM_RAD_PER_S};
use plantstand::drive::setting::{DefaultsFrom, Setting, Settings};
use plantstand::method::axis::Facts;
use plantstand::plant::coupling::Coupling;
use plantstand::plant::friction::{Coulomb, Friction};
use plantstand::plant::load::{Load, LoadKind};
use plantstand::plant::motor::MotorKind;
use plantstand::plant::sensor::SensorParameters;
use plantstand::plant::stops::Stops;
use plantstand::plant::train::{Node, Parameters};

/// Friction of a node at its own speed.
#[derive(Clone, Copy, Debug)]
pub struct Dry {
    pub kinetic_nm: f64,
    pub static_nm: f64,
    pub stribeck_rpm: f64,
    pub viscous_nms_per_rad: f64,
}

/// Ends of travel at the load.
#[derive(Clone, Copy, Debug)]
pub struct Travel {
    pub travel_deg: [f64; 2],
    pub stops_deg: [f64; 2],
    pub stop_stiffness_nm_per_rad: f64,
    pub stop_damping_nms_per_rad: f64,
}

/// A motor, a coupling, a load. Values of coupling and load at the load.
#[derive(Clone, Debug)]
pub struct Machine {
    pub title: String,
    pub tick_hz: u32,
    pub stride: usize,
    pub motor_inertia_kgm2: f64,
    pub motor_friction: Dry,
    pub rated_torque_nm: f64,
    pub peak_torque_nm: f64,
    pub rated_speed_rpm: f64,
    pub counts_per_turn: f64,
    pub noise_counts_rms: f64,
    /// +1, or −1 for a sensor wired the wrong way round.
    pub sensor_sign: f64,
    pub ratio: f64,
    pub stiffness_nm_per_rad: f64,
    pub damping_nms_per_rad: f64,
    pub backlash_arcmin: f64,
    pub load_inertia_kgm2: f64,
    pub load_friction: Dry,
    /// Weight that stays, and weight of an arm that hangs down at 0.
    pub constant_nm: f64,
    pub arm_nm: f64,
    pub start_deg: f64,
    /// None on an endless axis.
    pub travel: Option<Travel>,
    pub clamped_when_off: bool,
    pub max_speed_rpm: f64,
    pub torque_limit_nm: f64,
    pub window_deg: [f64; 2],
    pub path_deg: f64,
}

impl Machine {
    pub fn rate(&self) -> TickRate {
        TickRate { hz: self.tick_hz }
    }

    pub fn start_rad(&self) -> f64 {
        self.start_deg * DEG_RAD
    }

    pub fn train(&self) -> Parameters {
        let friction = |dry: &Dry| {
            Friction::Coulomb(Coulomb {
                kinetic_nm: dry.kinetic_nm,
                static_nm: dry.static_nm,
                stribeck_rad_per_s: dry.stribeck_rpm * RPM_RAD_PER_S,
                stribeck_exponent: 2.0,
                viscous_nms_per_rad: dry.viscous_nms_per_rad,
            })
        };
        let mut loads = Vec::new();
        if self.constant_nm != 0.0 {
            loads.push(Load { node: 1, kind: LoadKind::Constant { torque_nm: self.constant_nm } });
        }
        if self.arm_nm != 0.0 {
            loads.push(Load { node: 1, kind: LoadKind::UnbalancedArm { peak_nm: self.arm_nm, zero_rad: 0.0 } });
        }
        Parameters {
            motor: MotorKind::IdealTorque { lag_s: 1.9e-4 },
            nodes: vec![
                Node { inertia_kgm2: self.motor_inertia_kgm2, friction: friction(&self.motor_friction) },
                Node { inertia_kgm2: self.load_inertia_kgm2, friction: friction(&self.load_friction) },
            ],
            couplings: vec![Coupling {
                ratio: self.ratio,
                stiffness_nm_per_rad: self.stiffness_nm_per_rad,
                damping_nms_per_rad: self.damping_nms_per_rad,
                half_gap_rad: self.backlash_arcmin * ARCMIN_RAD / 2.0,
                torque_limit_nm: None,
                coupled: true,
            }],
            stops: self.travel.map(|travel| Stops {
                low_rad: travel.stops_deg[0] * DEG_RAD,
                high_rad: travel.stops_deg[1] * DEG_RAD,
                stiffness_nm_per_rad: travel.stop_stiffness_nm_per_rad,
                damping_nms_per_rad: travel.stop_damping_nms_per_rad,
            }),
            loads,
            brake: None,
        }
    }

    pub fn sensor(&self) -> SensorParameters {
        SensorParameters {
            noise_counts_rms: self.noise_counts_rms,
            latency_ticks: 1,
            sign: self.sensor_sign,
            ..SensorParameters::plain(self.counts_per_turn)
        }
    }

    pub fn nameplate(&self) -> Nameplate {
        Nameplate {
            rated_torque_nm: self.rated_torque_nm,
            peak_torque_nm: self.peak_torque_nm,
            rated_speed_rad_per_s: self.rated_speed_rpm * RPM_RAD_PER_S,
            motor_inertia_kgm2: self.motor_inertia_kgm2,
            counts_per_turn: self.counts_per_turn,
            gear_ratio: self.ratio,
            angle_zero_counts: 0.0,
            sensor_sign: 1.0,
            winding: None,
        }
    }

    /// A drive as it comes: defaults, a soft gain, the torque limit of the machine.
    pub fn settings(&self) -> Settings {
        let mut settings = Settings::defaults(&DefaultsFrom {
            rate: self.rate(),
            nameplate: self.nameplate(),
            max_speed_rad_per_s: self.max_speed_rpm * RPM_RAD_PER_S,
            travel_rad: self.travel.map(|travel| travel.travel_deg.map(|deg| deg * DEG_RAD)),
        });
        settings.set(Setting::SpeedGain, 0.01);
        settings.set(Setting::SpeedResetTime, 0.2);
        settings.set(Setting::TorqueLimit, self.torque_limit_nm);
        settings
    }

    pub fn facts(&self) -> Facts {
        Facts {
            rate: self.rate(),
            stride: self.stride,
            travel_deg: self.travel.map(|travel| travel.travel_deg),
            window_deg: self.window_deg,
            path_deg: self.path_deg,
            max_speed_rad_per_s: self.max_speed_rpm * RPM_RAD_PER_S,
            time_s: 60.0,
        }
    }

    /// A softer spring and a wider gap.
    pub fn worn(mut self, stiffness: f64, backlash_arcmin: f64) -> Self {
        self.stiffness_nm_per_rad *= stiffness;
        self.backlash_arcmin = backlash_arcmin;
        self
    }

    /// More inertia and more weight at the load.
    pub fn laden(mut self, inertia: f64, weight: f64) -> Self {
        self.load_inertia_kgm2 *= inertia;
        self.arm_nm *= weight;
        self
    }

    /// Twice the dry friction at the load.
    pub fn dry(mut self) -> Self {
        self.load_friction.kinetic_nm *= 2.0;
        self.load_friction.static_nm *= 2.0;
        self
    }

    /// A belt-driven roll: endless, heavy for its motor.
    pub fn roll() -> Self {
        Self {
            title: "roll".into(),
            tick_hz: 8000,
            stride: 8,
            motor_inertia_kgm2: 4.2e-4,
            motor_friction: Dry { kinetic_nm: 0.04, static_nm: 0.05, stribeck_rpm: 12.0, viscous_nms_per_rad: 1.1e-4 },
            rated_torque_nm: 4.1,
            peak_torque_nm: 12.0,
            rated_speed_rpm: 3000.0,
            counts_per_turn: 1_048_576.0,
            noise_counts_rms: 6.0,
            sensor_sign: 1.0,
            ratio: 1.0,
            stiffness_nm_per_rad: 260.0,
            damping_nms_per_rad: 0.02,
            backlash_arcmin: 0.0,
            load_inertia_kgm2: 3.4e-3,
            load_friction: Dry { kinetic_nm: 0.25, static_nm: 0.38, stribeck_rpm: 8.0, viscous_nms_per_rad: 1e-3 },
            constant_nm: 0.0,
            arm_nm: 0.0,
            start_deg: 0.0,
            travel: None,
            clamped_when_off: false,
            max_speed_rpm: 900.0,
            torque_limit_nm: 8.0,
            window_deg: [-720.0, 720.0],
            path_deg: 20_000.0,
        }
    }

    /// A geared arm with weight and play.
    pub fn arm() -> Self {
        Self {
            title: "arm".into(),
            tick_hz: 8000,
            stride: 8,
            motor_inertia_kgm2: 0.9e-4,
            motor_friction: Dry { kinetic_nm: 0.03, static_nm: 0.04, stribeck_rpm: 15.0, viscous_nms_per_rad: 5e-5 },
            rated_torque_nm: 1.3,
            peak_torque_nm: 4.0,
            rated_speed_rpm: 4000.0,
            counts_per_turn: 131_072.0,
            noise_counts_rms: 0.6,
            sensor_sign: 1.0,
            ratio: 32.0,
            stiffness_nm_per_rad: 9000.0,
            damping_nms_per_rad: 2.0,
            backlash_arcmin: 5.0,
            load_inertia_kgm2: 0.46,
            load_friction: Dry { kinetic_nm: 1.2, static_nm: 1.8, stribeck_rpm: 0.5, viscous_nms_per_rad: 0.5 },
            constant_nm: 0.0,
            arm_nm: 12.0,
            start_deg: -70.0,
            travel: Some(Travel {
                travel_deg: [-110.0, 110.0],
                stops_deg: [-120.0, 120.0],
                stop_stiffness_nm_per_rad: 20_000.0,
                stop_damping_nms_per_rad: 60.0,
            }),
            clamped_when_off: true,
            max_speed_rpm: 1200.0,
            torque_limit_nm: 3.6,
            window_deg: [-100.0, 100.0],
            path_deg: 4000.0,
        }
    }

    /// A light gate on a spindle with a stiff coupling.
    pub fn gate() -> Self {
        Self {
            title: "gate".into(),
            tick_hz: 8000,
            stride: 8,
            motor_inertia_kgm2: 1.6e-4,
            motor_friction: Dry { kinetic_nm: 0.03, static_nm: 0.04, stribeck_rpm: 12.0, viscous_nms_per_rad: 6e-5 },
            rated_torque_nm: 2.2,
            peak_torque_nm: 6.5,
            rated_speed_rpm: 3000.0,
            counts_per_turn: 1_048_576.0,
            noise_counts_rms: 6.0,
            sensor_sign: 1.0,
            ratio: 1.0,
            stiffness_nm_per_rad: 600.0,
            damping_nms_per_rad: 0.01,
            backlash_arcmin: 0.0,
            load_inertia_kgm2: 1.1e-4,
            load_friction: Dry { kinetic_nm: 0.22, static_nm: 0.36, stribeck_rpm: 20.0, viscous_nms_per_rad: 4e-4 },
            constant_nm: 0.45,
            arm_nm: 0.0,
            start_deg: 0.0,
            travel: Some(Travel {
                travel_deg: [-360.0, 12_000.0],
                stops_deg: [-540.0, 12_180.0],
                stop_stiffness_nm_per_rad: 300.0,
                stop_damping_nms_per_rad: 0.1,
            }),
            clamped_when_off: true,
            max_speed_rpm: 2200.0,
            torque_limit_nm: 5.5,
            window_deg: [-180.0, 11_000.0],
            path_deg: 120_000.0,
        }
    }
}

/// A draw between two values that lie factors apart.
struct Draw(Stream);

impl Draw {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.0.uniform())
    }

    fn chance(&mut self, probability: f64) -> bool {
        self.0.uniform() < probability
    }
}

impl Machine {
    /// A machine round and between the three: any inertia ratio with any resonance, geared or not, with or without play,
    /// weight and ends of travel.
    pub fn drawn(seed: u64) -> Self {
        let mut draw = Draw(Stream::new(seed, "machine"));
        let motor_inertia_kgm2 = draw.between(0.8e-4, 4.5e-4);
        let rated_torque_nm = motor_inertia_kgm2 * draw.between(9e3, 1.5e4);
        let hangs = draw.chance(0.4);
        let swings = hangs && draw.chance(0.5);
        let geared = swings || draw.chance(0.4);
        let ratio = if geared { draw.between(if swings { 12.0 } else { 4.0 }, 40.0) } else { 1.0 };
        let inertia_ratio = draw.between(0.6, 9.0);
        let reflected_kgm2 = motor_inertia_kgm2 * inertia_ratio;
        let resonance_rad_per_s = std::f64::consts::TAU * draw.between(48.0, 540.0);
        let stiffness = reflected_kgm2 * resonance_rad_per_s * resonance_rad_per_s / (1.0 + inertia_ratio);
        let damping = 2.0 * draw.between(0.02, 0.04) * stiffness / resonance_rad_per_s;
        let fine = draw.chance(0.6);
        let kinetic = rated_torque_nm * draw.between(0.02, 0.08);
        let weight = rated_torque_nm * draw.between(0.1, 0.3);
        let constant = if hangs && !swings { weight } else { 0.0 };
        let arm = if swings { weight } else { 0.0 };
        let ends = hangs || draw.chance(0.4);
        let half_deg = draw.between(60.0, 400.0) * if geared { 1.0 } else { 8.0 };
        let half_deg = if swings { half_deg.min(100.0) } else { half_deg };
        let start_deg = if ends { half_deg * (1.4 * draw.0.uniform() - 0.7) } else { 0.0 };
        Self {
            title: format!("machine of seed {seed}"),
            tick_hz: 8000,
            stride: 8,
            motor_inertia_kgm2,
            motor_friction: Dry {
                kinetic_nm: 0.02 * rated_torque_nm,
                static_nm: 0.03 * rated_torque_nm,
                stribeck_rpm: 14.0,
                viscous_nms_per_rad: 5e-5,
            },
            rated_torque_nm,
            peak_torque_nm: 3.0 * rated_torque_nm,
            rated_speed_rpm: draw.between(2500.0, 4500.0),
            counts_per_turn: if fine { 1_048_576.0 } else { 131_072.0 },
            noise_counts_rms: if fine { draw.between(3.0, 7.0) } else { draw.between(0.3, 0.8) },
            sensor_sign: 1.0,
            ratio,
            stiffness_nm_per_rad: stiffness * ratio * ratio,
            damping_nms_per_rad: damping * ratio * ratio,
            backlash_arcmin: if geared { draw.between(1.0, 8.0) } else { 0.0 },
            load_inertia_kgm2: reflected_kgm2 * ratio * ratio,
            load_friction: Dry {
                kinetic_nm: kinetic * ratio,
                static_nm: 1.5 * kinetic * ratio,
                stribeck_rpm: 14.0 / ratio,
                viscous_nms_per_rad: 5e-4 * ratio * ratio,
            },
            constant_nm: constant * ratio,
            arm_nm: arm * ratio,
            start_deg,
            travel: ends.then_some(Travel {
                travel_deg: [-1.1 * half_deg, 1.1 * half_deg],
                stops_deg: [-1.2 * half_deg, 1.2 * half_deg],
                stop_stiffness_nm_per_rad: 5.0 * stiffness * ratio * ratio,
                stop_damping_nms_per_rad: 5.0 * damping * ratio * ratio,
            }),
            clamped_when_off: hangs,
            max_speed_rpm: draw.between(900.0, 2200.0),
            torque_limit_nm: 2.2 * rated_torque_nm,
            window_deg: if ends { [-half_deg, half_deg] } else { [-720.0, 720.0] },
            path_deg: if ends { 40.0 * half_deg } else { 20_000.0 },
        }
    }
}
