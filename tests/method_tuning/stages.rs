//! The promise of the stages one by one: a wrong sign is found before a loop is closed, inertia, friction and weight come
//! out of a move, two masses out of a sweep; and none of it depends on the stride or the tick rate.

use plantstand::drive::setting::Setting;
use plantstand::method::Carried;
use plantstand::method::identify;
use plantstand::method::moves::Mover;
use plantstand::method::sweep;
use plantstand::method::two_mass::{self, Beforehand};

use crate::bench::Bench;
use crate::examination::worth;
use crate::machines::Machine;

/// A sensor that counts the wrong way makes every loop run away: seen from pulses, in less than a turn.
#[test]
fn a_wrong_sign_stops_careful_before_any_loop_is_closed() {
    for machine in [Machine::roll(), Machine::arm(), Machine::gate()] {
        let mut bench = Bench::new(&Machine { sensor_sign: -1.0, start_deg: 0.0, ..machine }, 1);
        let stop = Carried::Careful.run(&mut bench).expect_err("a wrong sign is no machine to tune");
        assert!(stop.reason.contains("counts down"), "{stop}");
        assert!(bench.conduct.path_rad < 6.3 && bench.conduct.strikes == 0, "{:?}", bench.conduct);
        assert_eq!(bench.drive.stored(), &bench.machine.settings(), "nothing was stored");
    }
}

/// A motor that cannot move its load says so.
#[test]
fn a_blocked_axis_stops_careful_with_a_reason() {
    let mut machine = Machine::roll();
    machine.motor_friction.kinetic_nm = 20.0;
    machine.motor_friction.static_nm = 30.0;
    let stop = Carried::Careful.run(&mut Bench::new(&machine, 1)).expect_err("a blocked axis is no machine to tune");
    assert!(stop.reason.contains("blocked"), "{stop}");
}

/// Numbers of a machine come out as they went in: inertia, friction, weight from a move within 5 %, spring and both masses
/// from the sweep within 3 %.
#[test]
fn a_move_and_a_sweep_find_what_a_machine_is_made_of() {
    for machine in [Machine::roll(), Machine::arm(), Machine::gate()] {
        check_found(&machine);
    }
}

fn check_found(machine: &Machine) {
    let square = machine.ratio * machine.ratio;
    let load_kgm2 = machine.load_inertia_kgm2 / square;
    let kinetic_nm = machine.motor_friction.kinetic_nm + machine.load_friction.kinetic_nm / machine.ratio;
    let mut bench = Bench::new(machine, 4);
    let mut mover = Mover::new(&mut bench).expect("a machine to move");
    identify::direction(&mut mover).expect("a direction");
    let scatter_counts = identify::stand_up(&mut mover).expect("it stands");
    let mechanics = identify::mechanics(&mut mover).expect("it moves");
    mover.known = Some(mechanics);
    let close = |what: &str, found: f64, expected: f64, tolerance: f64| {
        assert!(
            (found - expected).abs() <= tolerance * expected.abs(),
            "{}: {what} {found}, not {expected}",
            machine.title
        );
    };
    close("scatter", scatter_counts, machine.noise_counts_rms.hypot(0.29), 0.1);
    close("inertia", mechanics.inertia_kgm2, machine.motor_inertia_kgm2 + load_kgm2, 0.05);
    close("friction", mechanics.kinetic_nm, kinetic_nm, 0.1);
    let weight_nm = machine.constant_nm + machine.arm_nm / machine.ratio;
    let found_nm = mechanics.constant_nm + mechanics.sine_nm;
    assert!((found_nm - weight_nm).abs() < 0.02 * machine.rated_torque_nm, "{}: weight {found_nm} Nm", machine.title);
    let scatter_rad = scatter_counts * mover.plate.rad_per_count();
    let response =
        sweep::sweep(&mut mover, &mechanics, 0.06 * machine.rated_torque_nm, scatter_rad).expect("it sweeps");
    let known = Beforehand {
        motor_inertia_kgm2: machine.motor_inertia_kgm2,
        inertia_kgm2: mechanics.inertia_kgm2,
        viscous_nms_per_rad: mechanics.viscous_nms_per_rad,
        rate: machine.rate(),
    };
    let axis = two_mass::fit(&response.lines, &known).expect("it fits").axis;
    close("motor inertia", axis.motor_inertia_kgm2, machine.motor_inertia_kgm2, 0.03);
    close("load inertia", axis.load_inertia_kgm2, load_kgm2, 0.05);
    close("stiffness", axis.stiffness_nm_per_rad, machine.stiffness_nm_per_rad / square, 0.05);
    close("lateness", axis.delay_s + axis.lag_s, 2.0 * machine.rate().period_s() + 1.9e-4, 0.03);
}

/// The same roll at other strides and tick rates: margins stay what they should be.
#[test]
fn careful_does_not_depend_on_stride_and_tick_rate() {
    for (tick_hz, stride) in [(8000, 1), (8000, 32), (16_000, 16), (4000, 4)] {
        let machine = Machine { tick_hz, stride, ..Machine::roll() };
        let mut bench = Bench::new(&machine, 6);
        let outcome = Carried::Careful.run(&mut bench);
        println!("{tick_hz} Hz, stride {stride}\n{}", bench.said.join("\n"));
        outcome.expect("the method gets to its end");
        let worth = worth(&machine, bench.drive.stored());
        assert!(
            worth.stable && worth.sensitivity_peak < 2.0 && 35.0 < worth.phase_margin_deg,
            "{tick_hz} Hz: {worth:?}"
        );
    }
}

/// What the last owner left in the drive does not matter.
#[test]
fn careful_clears_filters_that_it_finds() {
    let machine = Machine::arm();
    let mut bench = Bench::new(&machine, 7);
    for (setting, value) in [
        (Setting::TorqueLowpass, 60.0),
        (Setting::SpeedFilter, 100.0),
        (Setting::Notch2Width, 50.0),
        (Setting::Notch2Centre, 90.0),
    ] {
        bench.drive.write(setting, value).expect("the drive takes it");
    }
    Carried::Careful.run(&mut bench).expect("the method gets to its end");
    assert_eq!(bench.drive.stored().get(Setting::Notch2Centre), 0.0);
    assert_eq!(bench.drive.stored().get(Setting::SpeedFilter), 0.0);
    assert!(worth(&machine, bench.drive.stored()).sensitivity_peak < 2.0);
}
