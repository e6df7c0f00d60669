//! The three machines of the shipped scenarios as parameters, with their corners.
//!
//! What it does not: read scenario files; the numbers stand here once more on purpose, so that a slip in a file shows.
//! Start reading at [`Machine`].

use plantstand::base::nameplate::{Nameplate, WindingPlate};
use plantstand::base::time::TickRate;
use plantstand::base::units::{ARCMIN_RAD, RPM_RAD_PER_S};
use plantstand::drive::setting::{DefaultsFrom, Setting, Settings};
use plantstand::plant::coupling::Coupling;
use plantstand::plant::friction::{Coulomb, Friction};
use plantstand::plant::motor::{Effects, MotorKind, Pmsm};
use plantstand::plant::sensor::SensorParameters;
use plantstand::plant::train::{Node, Parameters};

/// Ticks per second of all three.
pub const RATE: TickRate = TickRate { hz: 8000 };

/// A machine with its sensor and what its drive knows.
#[derive(Clone, Debug)]
pub struct Machine {
    /// For messages.
    pub name: &'static str,
    /// The train.
    pub parameters: Parameters,
    /// The motor's sensor.
    pub sensor: SensorParameters,
    /// What its drive knows.
    pub nameplate: Nameplate,
}

/// Gain, reset time and torque filters; 0 is off.
#[derive(Clone, Copy, Debug)]
pub struct Tuning {
    /// Kp in Nms/rad.
    pub gain: f64,
    /// Tn in s.
    pub reset_time_s: f64,
    /// Torque low-pass in Hz.
    pub lowpass_hz: f64,
    /// Notch 1: centre in Hz, width in Hz, depth in dB.
    pub notch: [f64; 3],
}

impl Machine {
    /// Settings of its drive with a tuning, everything else at its default.
    pub fn settings(&self, tuning: &Tuning) -> Settings {
        let max_speed_rad_per_s = self.nameplate.rated_speed_rad_per_s;
        let from = DefaultsFrom { rate: RATE, nameplate: self.nameplate, max_speed_rad_per_s, travel_rad: None };
        let mut settings = Settings::defaults(&from);
        let [centre_hz, width_hz, depth_db] = tuning.notch;
        for (setting, value) in [
            (Setting::SpeedGain, tuning.gain),
            (Setting::SpeedResetTime, tuning.reset_time_s),
            (Setting::TorqueLowpass, tuning.lowpass_hz),
            (Setting::Notch1Centre, centre_hz),
            (Setting::Notch1Width, width_hz),
            (Setting::Notch1Depth, depth_db),
        ] {
            settings.set(setting, value);
        }
        settings
    }

    /// The same with its winding in place of the lag, and a nameplate that knows it.
    pub fn wound(&self) -> Self {
        let (pole_pairs, resistance_ohm, inductance_d_h, inductance_q_h, flux_linkage_vs, bus_v) = match self.name {
            "roll" => (4, 0.62, 2.9e-3, 3.1e-3, 0.118, 560.0),
            "arm" => (5, 1.1, 3.4e-3, 3.6e-3, 0.052, 325.0),
            _ => (4, 0.9, 2.6e-3, 2.8e-3, 0.070, 325.0),
        };
        let mut wound = self.clone();
        wound.parameters.motor = MotorKind::Pmsm(Pmsm {
            pole_pairs,
            resistance_ohm,
            inductance_d_h,
            inductance_q_h,
            flux_linkage_vs,
            rotor_offset_rad: 0.0,
            phases_swapped: false,
            bus_v,
            effects: Effects::default(),
        });
        let peak_a = self.nameplate.rated_torque_nm / (1.5 * f64::from(pole_pairs) * flux_linkage_vs);
        wound.nameplate.winding = Some(WindingPlate {
            pole_pairs,
            resistance_ohm,
            inductance_h: 0.5 * (inductance_d_h + inductance_q_h),
            flux_linkage_vs,
            rated_current_a_rms: peak_a / std::f64::consts::SQRT_2,
            commutation_offset_rad: 0.0,
            bus_v,
        });
        wound
    }

    /// The nominal machine and its corners, by name.
    pub fn corners(&self) -> Vec<(&'static str, Self)> {
        let changed = |change: &dyn Fn(&mut Parameters)| {
            let mut corner = self.clone();
            change(&mut corner.parameters);
            corner
        };
        let softer = |times: f64, backlash_arcmin: Option<f64>| {
            changed(&|parameters| {
                let coupling = &mut parameters.couplings[0];
                coupling.stiffness_nm_per_rad *= times;
                if let Some(backlash_arcmin) = backlash_arcmin {
                    coupling.half_gap_rad = 0.5 * backlash_arcmin * ARCMIN_RAD;
                }
            })
        };
        let heavier = |times: f64| changed(&|parameters| parameters.nodes[1].inertia_kgm2 *= times);
        let corners = match self.name {
            "roll" => vec![("worn belt", softer(0.6, Some(12.0))), ("big roll", heavier(1.8))],
            "arm" => vec![("worn gear", softer(0.7, Some(12.0))), ("payload", heavier(1.6))],
            _ => vec![("soft coupling", softer(0.7, None)), ("heavy gate", heavier(1.6))],
        };
        std::iter::once(("nominal", self.clone())).chain(corners).collect()
    }
}

struct Side {
    inertia_kgm2: f64,
    /// Kinetic and static in Nm, Stribeck speed in rpm, viscous in Nms/rad.
    friction: [f64; 4],
}

struct Link {
    ratio: f64,
    stiffness_nm_per_rad: f64,
    damping_nms_per_rad: f64,
    backlash_arcmin: f64,
}

struct Sensor {
    counts_per_turn: f64,
    noise_counts_rms: f64,
}

struct Motor {
    rated_torque_nm: f64,
    peak_torque_nm: f64,
    rated_speed_rpm: f64,
}

fn machine(name: &'static str, motor: &Motor, sides: [Side; 2], link: &Link, sensor: &Sensor) -> Machine {
    let node = |side: &Side| {
        let [kinetic_nm, static_nm, stribeck_rpm, viscous_nms_per_rad] = side.friction;
        Node {
            inertia_kgm2: side.inertia_kgm2,
            friction: Friction::Coulomb(Coulomb {
                kinetic_nm,
                static_nm,
                stribeck_rad_per_s: stribeck_rpm * RPM_RAD_PER_S,
                stribeck_exponent: 2.0,
                viscous_nms_per_rad,
            }),
        }
    };
    Machine {
        name,
        parameters: Parameters {
            motor: MotorKind::IdealTorque { lag_s: 1.9e-4 },
            nodes: sides.iter().map(node).collect(),
            couplings: vec![Coupling {
                ratio: link.ratio,
                stiffness_nm_per_rad: link.stiffness_nm_per_rad,
                damping_nms_per_rad: link.damping_nms_per_rad,
                half_gap_rad: 0.5 * link.backlash_arcmin * ARCMIN_RAD,
                torque_limit_nm: None,
                coupled: true,
            }],
            stops: None,
            loads: Vec::new(),
            brake: None,
        },
        sensor: SensorParameters {
            noise_counts_rms: sensor.noise_counts_rms,
            latency_ticks: 1,
            ..SensorParameters::plain(sensor.counts_per_turn)
        },
        nameplate: Nameplate {
            rated_torque_nm: motor.rated_torque_nm,
            peak_torque_nm: motor.peak_torque_nm,
            rated_speed_rad_per_s: motor.rated_speed_rpm * RPM_RAD_PER_S,
            motor_inertia_kgm2: sides[0].inertia_kgm2,
            counts_per_turn: sensor.counts_per_turn,
            gear_ratio: link.ratio,
            angle_zero_counts: 0.0,
            sensor_sign: 1.0,
            winding: None,
        },
    }
}

/// A dough sheeter's roll on a belt.
pub fn roll() -> Machine {
    let sides = [
        Side { inertia_kgm2: 4.2e-4, friction: [0.04, 0.05, 12.0, 1.1e-4] },
        Side { inertia_kgm2: 3.4e-3, friction: [0.25, 0.38, 8.0, 1e-3] },
    ];
    let link = Link { ratio: 1.0, stiffness_nm_per_rad: 260.0, damping_nms_per_rad: 0.02, backlash_arcmin: 0.0 };
    let motor = Motor { rated_torque_nm: 4.1, peak_torque_nm: 12.0, rated_speed_rpm: 3000.0 };
    machine("roll", &motor, sides, &link, &Sensor { counts_per_turn: 1_048_576.0, noise_counts_rms: 6.0 })
}

/// A swivel arm on a gearbox.
pub fn arm() -> Machine {
    let sides = [
        Side { inertia_kgm2: 0.9e-4, friction: [0.03, 0.04, 15.0, 5e-5] },
        Side { inertia_kgm2: 0.46, friction: [1.2, 1.8, 0.5, 0.5] },
    ];
    let link = Link { ratio: 32.0, stiffness_nm_per_rad: 9000.0, damping_nms_per_rad: 2.0, backlash_arcmin: 5.0 };
    let motor = Motor { rated_torque_nm: 1.3, peak_torque_nm: 4.0, rated_speed_rpm: 4000.0 };
    machine("arm", &motor, sides, &link, &Sensor { counts_per_turn: 131_072.0, noise_counts_rms: 0.6 })
}

/// A sluice gate on a stiff spindle.
pub fn gate() -> Machine {
    let sides = [
        Side { inertia_kgm2: 1.6e-4, friction: [0.03, 0.04, 12.0, 6e-5] },
        Side { inertia_kgm2: 1.1e-4, friction: [0.22, 0.36, 20.0, 4e-4] },
    ];
    let link = Link { ratio: 1.0, stiffness_nm_per_rad: 600.0, damping_nms_per_rad: 0.01, backlash_arcmin: 0.0 };
    let motor = Motor { rated_torque_nm: 2.2, peak_torque_nm: 6.5, rated_speed_rpm: 3000.0 };
    machine("gate", &motor, sides, &link, &Sensor { counts_per_turn: 1_048_576.0, noise_counts_rms: 6.0 })
}
