//! The scenarios that ship load without complaint, and mean what they say: units, defaults, ticks, corners.

use plantstand::base::faults::Faults;
use plantstand::base::impairment::Impairment;
use plantstand::base::units::{ARCMIN_RAD, DEG_RAD, RPM_RAD_PER_S};
use plantstand::drive::setting::Setting;
use plantstand::plant::friction::Friction;
use plantstand::plant::load::LoadKind;
use plantstand::plant::motor::MotorKind;
use plantstand::scenario::{Commands, Factor, Pace, Scenario, Spread, read};

fn shipped(name: &str) -> Scenario {
    let file = format!("scenarios/{name}.toml");
    let text = std::fs::read_to_string(&file).expect("a shipped scenario can be read");
    read(&file, &text).unwrap_or_else(|complaints| {
        panic!("{}", complaints.iter().map(|complaint| format!("{complaint}\n")).collect::<String>())
    })
}

/// Each loads without complaint, says that it is invented, and limits margins and `sensitivity_peak`.
#[test]
fn shipped_scenarios_load() {
    for name in ["dough-sheeter", "swivel-arm", "sluice-gate"] {
        let scenario = shipped(name);
        let measures: Vec<&str> = scenario.limits.iter().map(|limit| limit.measure.name()).collect();
        assert!(measures.contains(&"sensitivity_peak") && measures.contains(&"phase_margin_deg"), "{name}");
        assert!(2 <= scenario.corners.len(), "{name}");
        assert!(!scenario.about.is_empty(), "{name}");
        let text = std::fs::read_to_string(format!("scenarios/{name}.toml")).expect("a shipped scenario can be read");
        assert!(text.starts_with("# An invented machine"), "{name}");
    }
}

/// The twins whose speed loop is closed outside differ from the shipped machines in nothing but that: same machine, corners
/// and programme; an exchange a tick; limits on areas instead of margins.
#[test]
fn torque_twins_are_the_same_machines() {
    for name in ["dough-sheeter", "swivel-arm"] {
        let (speed, torque) = (shipped(name), shipped(&format!("torque/{name}")));
        assert_eq!((speed.commands, torque.commands), (Commands::Speed, Commands::Torque), "{name}");
        assert_eq!((torque.timing.stride, torque.timing.pace), (1, Pace::Lockstep), "{name}");
        assert_eq!((&torque.machine, &torque.corners), (&speed.machine, &speed.corners), "{name}");
        assert_eq!((&torque.programme, torque.axis), (&speed.programme, speed.axis), "{name}");
        let measures: Vec<&str> = torque.limits.iter().map(|limit| limit.measure.name()).collect();
        assert!(measures.contains(&"iae_rad") && measures.contains(&"dip_area_rad"), "{name}");
        let text = std::fs::read_to_string(format!("scenarios/torque/{name}.toml")).expect("it can be read");
        assert!(text.starts_with("# An invented machine"), "{name}");
    }
}

/// The roll whose current loop is closed outside too differs from the one in `torque` in nothing but that.
#[test]
fn the_voltage_twin_is_the_same_machine() {
    let (torque, voltage) = (shipped("torque/dough-sheeter"), shipped("voltage/dough-sheeter"));
    assert_eq!(voltage.commands, Commands::Voltage);
    assert_eq!((&voltage.machine, &voltage.corners), (&torque.machine, &torque.corners));
    assert_eq!((&voltage.programme, voltage.timing), (&torque.programme, torque.timing));
    assert_eq!((voltage.settings, &voltage.limits), (torque.settings, &torque.limits));
}

/// What a file says about the link, the pace and the faults comes out in fractions, ticks and counts.
#[test]
fn link_pace_and_faults_are_read() {
    let read = |name: &str| {
        let text = std::fs::read_to_string(format!("tests/data/scenarios/{name}.toml")).expect("it can be read");
        read(name, &text).expect("it is sound")
    };
    let every = read("good-every-key");
    let impairment = Impairment {
        loss_frac: 0.01,
        repeat_frac: 0.005,
        corrupt_frac: 0.001,
        reorder_frac: 0.02,
        delay_ticks: 3,
        jitter_ticks: 2,
    };
    assert_eq!(every.impairment, Some(impairment));
    assert_eq!((every.timing.compute_limit_us, every.timing.may_reset), (Some(100), false));
    let faults =
        Faults { controller_reset_ticks: 0, sensor_frozen_ticks: 80, sensor_faulty_ticks: 40, sensor_counts_lost: -16 };
    assert_eq!(every.programme.faults_at(12_000), faults);
    let torque = read("good-torque");
    assert_eq!((torque.commands, torque.timing.pace, torque.impairment), (Commands::Torque, Pace::RealTime, None));
    assert_eq!((torque.timing.compute_limit_us, torque.timing.may_reset), (None, true));
    assert_eq!(torque.programme.faults_at(500).controller_reset_ticks, 20);
}

/// The roll turns without end, starts at 0, and has the budget of the file.
#[test]
fn the_roll_is_endless() {
    let roll = shipped("dough-sheeter");
    assert_eq!((roll.axis.travel_rad, roll.axis.start_rad, roll.axis.clamped_when_off), (None, 0.0, false));
    assert_eq!(roll.axis.max_speed_rad_per_s, 900.0 * RPM_RAD_PER_S);
    assert_eq!(roll.tuning.window_rad, [-720.0 * DEG_RAD, 720.0 * DEG_RAD]);
    assert_eq!((roll.tuning.time_s, roll.tuning.wall_s, roll.tuning.stop_strikes), (60.0, 660.0, 0));
    assert_eq!((roll.timing.rate.hz, roll.timing.stride, roll.timing.end_tick), (8000, 8, 25_600));
    assert_eq!(roll.timing.patience_s, 10.0);
    assert!(matches!(&roll.machine.plant.motor, MotorKind::Pmsm(pmsm) if pmsm.bus_v == 560.0));
    assert_eq!(roll.machine.plant.stops, None);
}

/// Given settings come from the file, the rest from the drive's table.
#[test]
fn settings_are_the_files_over_the_tables() {
    let settings = shipped("dough-sheeter").settings;
    assert_eq!(settings.get(Setting::SpeedGain), 0.05);
    assert_eq!(settings.get(Setting::TorqueLimit), 8.0);
    assert_eq!(settings.get(Setting::Notch1Centre), 0.0);
    assert_eq!(settings.get(Setting::SpeedLimit), 900.0);
    assert_eq!(settings.get(Setting::CountsPerTurn), 1_048_576.0);
    assert_eq!((settings.get(Setting::PolePairs), settings.get(Setting::Inductance)), (4.0, 3e-3));
    assert_eq!(settings.get(Setting::CurrentGain), 8.0);
}

/// The arm's angles, play, ratio and gravity come out in SI, the start on the motor's side too.
#[test]
fn the_arm_is_read_in_si() {
    let arm = shipped("swivel-arm");
    let coupling = arm.machine.plant.couplings[0];
    assert_eq!((coupling.ratio, coupling.half_gap_rad), (32.0, 2.5 * ARCMIN_RAD));
    assert_eq!(arm.machine.initial.angle_rad, [32.0 * -70.0 * DEG_RAD, -70.0 * DEG_RAD]);
    assert_eq!(arm.axis.travel_rad, Some([-110.0 * DEG_RAD, 110.0 * DEG_RAD]));
    assert_eq!(arm.machine.plant.loads[0].node, 1);
    assert_eq!(arm.machine.plant.loads[0].kind, LoadKind::UnbalancedArm { peak_nm: 12.0, zero_rad: 0.0 });
    let stops = arm.machine.plant.stops.expect("the arm has stops");
    assert_eq!((stops.low_rad, stops.high_rad), (-120.0 * DEG_RAD, 120.0 * DEG_RAD));
    assert_eq!((arm.nameplate.gear_ratio, arm.nameplate.angle_zero_counts), (32.0, 0.0));
    let Friction::Coulomb(friction) = arm.machine.plant.nodes[1].friction else { panic!("the arm has friction") };
    assert_eq!(friction.stribeck_rad_per_s, 0.5 * RPM_RAD_PER_S);
}

/// A corner is the nominal machine but for what it sets; the nameplate stays.
#[test]
fn corners_change_what_they_name() {
    let arm = shipped("swivel-arm");
    let [worn, payload] = [&arm.corners[0], &arm.corners[1]];
    assert_eq!((worn.name.as_str(), payload.name.as_str()), ("worn gear", "payload"));
    assert_eq!(worn.machine.plant.couplings[0].stiffness_nm_per_rad, 0.7 * 9000.0);
    assert_eq!(worn.machine.plant.couplings[0].half_gap_rad, 6.0 * ARCMIN_RAD);
    assert_eq!(worn.machine.plant.nodes, arm.machine.plant.nodes);
    assert_eq!(payload.machine.plant.nodes[1].inertia_kgm2, 0.46 * 1.6);
    assert_eq!(payload.machine.plant.loads[0].kind, LoadKind::UnbalancedArm { peak_nm: 18.0, zero_rad: 0.0 });
    assert_eq!(payload.machine.plant.couplings, arm.machine.plant.couplings);
    let gate = shipped("sluice-gate");
    let Friction::Coulomb(dry) = gate.corners[0].machine.plant.nodes[1].friction else { panic!("it has friction") };
    assert_eq!((dry.kinetic_nm, dry.static_nm, dry.viscous_nms_per_rad), (0.44, 0.72, 4e-4));
}

/// The scatter is kept, in file order.
#[test]
fn scatter_is_kept() {
    let scatter = shipped("dough-sheeter").scatter.expect("the roll has a scatter");
    let inertia = Factor { path: "train.0.inertia_kgm2".to_owned(), spread: Spread::Normal(0.05) };
    let friction = Factor { path: "train.0.friction".to_owned(), spread: Spread::Uniform(0.5, 2.0) };
    assert_eq!((scatter.draws, scatter.factors), (200, vec![inertia, friction]));
}

/// Limits point at their entries and carry their own ways of measuring.
#[test]
fn limits_are_read() {
    let gate = shipped("sluice-gate");
    let noise = gate.limits.iter().find(|limit| limit.measure.name() == "torque_noise_rms_percent").expect("noise");
    assert_eq!((noise.during, noise.last_s, noise.highpass_hz), (Some(2), Some(0.3), Some(20.0)));
    assert_eq!((noise.bound.max, noise.bound.min, noise.bound.target, noise.weight), (Some(2.0), None, None, 1.0));
    let margin = gate.limits.iter().find(|limit| limit.measure.name() == "phase_margin_deg").expect("margin");
    assert_eq!((margin.during, margin.bound.min, margin.nominal, margin.corners), (None, Some(50.0), true, true));
}
