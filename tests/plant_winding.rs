//! Motors that a voltage drives, against formulas: locked and turning, short-circuited, switched off, held by friction;
//! the voltage that the bus allows, phases changed over, and the power balance of it all.
//!
//! Formulas are those of the textbook machine in the rotor's frame, solved by hand; the derivation stands at each.
//! Trajectories against a solver outside and the order of the method are in `plant_trajectories`. Start reading anywhere.

use plantstand::base::real;
use plantstand::base::time::TickRate;
use plantstand::plant::event::{Cause, EventKind, EventLog};
use plantstand::plant::friction::{Coulomb, Friction};
use plantstand::plant::motor::{Brushed, Effects, MotorKind, Pmsm};
use plantstand::plant::stepper::{Applied, Plant, TickInput};
use plantstand::plant::train::{Initial, Node, Parameters};

const RATE: TickRate = TickRate { hz: 8000 };
/// So heavy that no torque here changes its speed by a last digit.
const FLYWHEEL_KGM2: f64 = 1e12;

fn machine() -> Pmsm {
    Pmsm {
        pole_pairs: 4,
        resistance_ohm: 1.2,
        inductance_d_h: 3e-3,
        inductance_q_h: 4.5e-3,
        flux_linkage_vs: 0.08,
        rotor_offset_rad: 0.0,
        phases_swapped: false,
        bus_v: 320.0,
        effects: Effects::default(),
    }
}

fn brushed() -> Brushed {
    Brushed {
        resistance_ohm: 0.9,
        inductance_h: 1.5e-3,
        torque_constant_nm_per_a: 0.12,
        bus_v: 48.0,
        temperature: None,
    }
}

fn single(motor: MotorKind, inertia_kgm2: f64, friction: Friction) -> Parameters {
    let nodes = vec![Node { inertia_kgm2, friction }];
    Parameters { motor, nodes, couplings: Vec::new(), stops: None, loads: Vec::new(), brake: None }
}

fn at_speed(parameters: &Parameters, speed_rad_per_s: f64) -> Plant {
    let mut initial = Initial::at_rest(parameters, 0.0);
    initial.speed_rad_per_s[0] = speed_rad_per_s;
    Plant::new(parameters, &initial, RATE, true)
}

fn voltage(alpha_v: f64, beta_v: f64) -> TickInput {
    TickInput { drive: Applied::Voltage { alpha_v, beta_v }, ..TickInput::default() }
}

fn step(plant: &mut Plant, input: &TickInput, ticks: u32) {
    let mut events = EventLog::new(10);
    for _ in 0..ticks {
        plant.step(input, &mut events).expect("no fault");
    }
}

fn assert_balanced(plant: &Plant) {
    let energy = plant.energy();
    assert!(energy.residual_j().abs() <= 1e-9 * energy.work_j(), "{:e}: {energy:?}", energy.residual_j());
    assert!(0.0 < energy.copper_j && energy.supplied_gross_j != 0.0, "{energy:?}");
}

fn assert_close(found: f64, expected: f64, relative: f64) {
    assert!((found - expected).abs() <= relative * expected.abs(), "found {found}, expected {expected}");
}

/// A locked rotor is a coil of its own in each axis: i = V/R (1 − exp(−R t / L)).
#[test]
fn a_locked_rotor_is_two_coils() {
    let parameters = single(MotorKind::Pmsm(machine()), 4e-4, Friction::None);
    let mut plant = at_speed(&parameters, 0.0);
    let input = TickInput { clamp_motor: true, ..voltage(6.0, -9.0) };
    for tick in 1..=200 {
        step(&mut plant, &input, 1);
        let exponential = |volts: f64, henry: f64| volts / 1.2 * (1.0 - real::exp(-RATE.seconds(tick) * 1.2 / henry));
        let [d_a, q_a] = plant.current_dq_a();
        assert_close(d_a, exponential(6.0, 3e-3), 1e-11);
        assert_close(q_a, exponential(-9.0, 4.5e-3), 1e-11);
        let torque_nm = 1.5 * 4.0 * (0.08 * q_a + (3e-3 - 4.5e-3) * d_a * q_a);
        assert_close(plant.motor_torque_nm(), torque_nm, 1e-14);
    }
    assert_balanced(&plant);
    assert_eq!(plant.speed_rad_per_s(0), 0.0);
}

/// Friction holds the rotor until the torque of the rising current is its static one: t = −L/R ln(1 − R T / (1.5 p ψ V)),
/// since at rest with i_d = 0 the torque is 1.5 p ψ i_q.
#[test]
fn a_held_rotor_breaks_away_when_its_current_suffices() {
    let friction = Coulomb {
        kinetic_nm: 1.0,
        static_nm: 1.2,
        stribeck_rad_per_s: 1.0,
        stribeck_exponent: 2.0,
        viscous_nms_per_rad: 0.0,
    };
    let parameters = single(MotorKind::Pmsm(machine()), 4e-4, Friction::Coulomb(friction));
    for direction in [1.0, -1.0] {
        let mut plant = at_speed(&parameters, 0.0);
        let mut events = EventLog::new(10);
        while plant.tick() < 40 {
            plant.step(&voltage(0.0, direction * 7.0), &mut events).expect("no fault");
        }
        let exact_s = -4.5e-3 / 1.2 * real::ln(1.0 - 1.2 * 1.2 / (1.5 * 4.0 * 0.08 * 7.0));
        let event = events.iter().next().expect("it breaks away");
        assert_eq!((event.kind, f64::from(event.direction)), (EventKind::BreaksAway, direction));
        assert!((event.time_s - exact_s).abs() < 1e-11, "{} against {exact_s}", event.time_s);
        assert_balanced(&plant);
    }
}

/// Short-circuited and driven, the steady state is algebraic: 0 = −R i_d + w_e L_q i_q, 0 = −R i_q − w_e (L_d i_d + ψ).
#[test]
fn a_short_circuited_machine_brakes_as_the_steady_state_says() {
    let parameters = single(MotorKind::Pmsm(machine()), FLYWHEEL_KGM2, Friction::None);
    for speed_rad_per_s in [5.0, -60.0, 400.0] {
        let mut plant = at_speed(&parameters, speed_rad_per_s);
        step(&mut plant, &voltage(0.0, 0.0), 1000);
        let (we, r, l_d, l_q, psi) = (4.0 * speed_rad_per_s, 1.2, 3e-3, 4.5e-3, 0.08);
        let below = r * r + we * we * l_d * l_q;
        let [d_a, q_a] = plant.current_dq_a();
        assert_close(d_a, -we * we * l_q * psi / below, 1e-10);
        assert_close(q_a, -we * r * psi / below, 1e-10);
        let torque_nm = -1.5 * 4.0 * r * we * psi * psi * (r * r + we * we * l_q * l_q) / (below * below);
        assert_close(plant.motor_torque_nm(), torque_nm, 1e-10);
    }
}

/// A voltage that is turned on once a tick and held in between, on a machine at constant speed. With one inductance and
/// i = i_d + j i_q the equation is L i' = v exp(−j w t) − (R + j w L) i − j w ψ, whose solution over a tick is
/// a exp(−j w t) + b + c exp(−(R/L + j w) t) with a = v/R, b = −j w ψ / (R + j w L); that it repeats gives c.
#[test]
fn held_voltages_at_constant_speed_settle_where_the_closed_form_does() {
    let motor = Pmsm { inductance_d_h: 4e-3, inductance_q_h: 4e-3, rotor_offset_rad: 0.7, ..machine() };
    let parameters = single(MotorKind::Pmsm(motor), FLYWHEEL_KGM2, Friction::None);
    let speed = 300.0;
    let mut plant = at_speed(&parameters, speed);
    let (r, l, we, period) = (1.2, 4e-3, 4.0 * speed, RATE.period_s());
    for _ in 0..1000 {
        let angle = 4.0 * plant.angle_rad(0) + 0.7;
        step(&mut plant, &voltage(-110.0 * real::sin(angle), 110.0 * real::cos(angle)), 1);
    }
    let times = |x: [f64; 2], y: [f64; 2]| [x[0] * y[0] - x[1] * y[1], x[0] * y[1] + x[1] * y[0]];
    let over = |x: [f64; 2], y: [f64; 2]| {
        let square = y[0] * y[0] + y[1] * y[1];
        times(x, [y[0] / square, -y[1] / square])
    };
    let a = [0.0, 110.0 / r];
    let b = over([0.0, -we * 0.08], [r, we * l]);
    let turned = [real::cos(we * period), -real::sin(we * period)];
    let faded = turned.map(|part| part * real::exp(-r / l * period));
    let c = over(times(a, [turned[0] - 1.0, turned[1]]), [1.0 - faded[0], -faded[1]]);
    let [d_a, q_a] = plant.current_dq_a();
    assert_close(d_a, a[0] + b[0] + c[0], 1e-9);
    assert_close(q_a, a[1] + b[1] + c[1], 1e-9);
}

/// A brushed motor settles where K i = B w and V = R i + K w, and starts as a coil does.
#[test]
fn a_brushed_motor_settles_on_its_straight_line() {
    let (viscous, volts, r, k) = (2e-4, 24.0, 0.9, 0.12);
    let friction = Coulomb {
        kinetic_nm: 0.0,
        static_nm: 0.0,
        stribeck_rad_per_s: 1.0,
        stribeck_exponent: 2.0,
        viscous_nms_per_rad: viscous,
    };
    let parameters = single(MotorKind::Brushed(brushed()), 2e-5, Friction::Coulomb(friction));
    let mut locked = at_speed(&parameters, 0.0);
    step(&mut locked, &TickInput { clamp_motor: true, ..voltage(volts, 5.0) }, 10);
    assert_close(locked.current_dq_a()[1], volts / r * (1.0 - real::exp(-10.0 * RATE.period_s() * r / 1.5e-3)), 1e-11);
    assert_eq!(locked.current_dq_a()[0], 0.0);
    let current_a = locked.current_dq_a()[1];
    assert_eq!(locked.phase_current_a(), [current_a, -current_a, 0.0]);
    let mut plant = at_speed(&parameters, 0.0);
    step(&mut plant, &voltage(volts, 0.0), 8000);
    assert_close(plant.speed_rad_per_s(0), k * volts / (k * k + r * viscous), 1e-11);
    assert_close(plant.motor_torque_nm(), viscous * plant.speed_rad_per_s(0), 1e-11);
    assert_balanced(&plant);
}

/// When the inverter is blocked no current flows, at once; what the inductances held is returned, and the axis coasts.
#[test]
fn off_ends_the_currents_and_returns_what_the_inductances_held() {
    let parameters = single(MotorKind::Pmsm(machine()), 4e-4, Friction::None);
    let mut plant = at_speed(&parameters, 0.0);
    step(&mut plant, &voltage(5.0, 12.0), 7);
    let ([d_a, q_a], speed) = (plant.current_dq_a(), plant.speed_rad_per_s(0));
    assert!(0.5 < d_a.abs() && 0.5 < q_a.abs());
    step(&mut plant, &TickInput::default(), 5);
    assert_eq!((plant.current_dq_a(), plant.motor_torque_nm()), ([0.0; 2], 0.0));
    assert_eq!((plant.phase_current_a(), plant.speed_rad_per_s(0)), ([0.0; 3], speed));
    let held_j = 0.75 * (3e-3 * d_a * d_a + 4.5e-3 * q_a * q_a);
    assert_close(plant.energy().returned_j, held_j, 1e-13);
    assert_balanced(&plant);
    step(&mut plant, &voltage(5.0, 12.0), 7);
    step(&mut plant, &TickInput::default(), 3);
    assert_balanced(&plant);
}

/// No vector is longer than the bus voltage over √3, whatever its direction; a brushed motor has the whole bus.
#[test]
fn the_bus_limits_the_voltage_and_keeps_its_direction() {
    let locked = |motor: MotorKind, input: TickInput| {
        let mut plant = at_speed(&single(motor, 4e-4, Friction::None), 0.0);
        step(&mut plant, &TickInput { clamp_motor: true, ..input }, 4);
        plant.current_dq_a()
    };
    let motor = || MotorKind::Pmsm(machine());
    let most = 320.0 / 3.0_f64.sqrt();
    let [d_a, q_a] = locked(motor(), voltage(600.0, -800.0));
    let [limited_d_a, limited_q_a] = locked(motor(), voltage(0.6 * most, -0.8 * most));
    assert_close(d_a, limited_d_a, 1e-14);
    assert_close(q_a, limited_q_a, 1e-14);
    let motor = || MotorKind::Brushed(brushed());
    assert_close(locked(motor(), voltage(-70.0, 0.0))[1], locked(motor(), voltage(-48.0, 0.0))[1], 1e-14);
}

/// Phases b and c changed over: the same motion needs the mirrored voltage, and shows the mirrored currents.
#[test]
fn changed_phases_mirror_voltage_and_current_alike() {
    let run = |phases_swapped: bool, beta_sign: f64| {
        let motor = Pmsm { phases_swapped, rotor_offset_rad: 0.4, ..machine() };
        let mut plant = at_speed(&single(MotorKind::Pmsm(motor), 4e-4, Friction::None), 0.0);
        for tick in 0..100 {
            let angle = 0.02 * f64::from(tick);
            step(&mut plant, &voltage(10.0 * real::cos(angle), beta_sign * 10.0 * real::sin(angle)), 1);
        }
        (plant.angle_rad(0), plant.phase_current_a())
    };
    let (angle, [a, b, c]) = run(false, 1.0);
    assert_eq!(run(true, -1.0), (angle, [a, c, b]));
    assert!((a + b + c).abs() < 1e-14 && angle != run(true, 1.0).0);
}

/// A torque command cannot be given to a winding, nor a voltage to a torque path.
#[test]
fn what_does_not_go_with_the_motor_is_a_fault() {
    let cause = |motor: MotorKind, input: TickInput| {
        let mut plant = at_speed(&single(motor, 4e-4, Friction::None), 0.0);
        plant.step(&input, &mut EventLog::new(1)).expect_err("a fault").cause
    };
    let torque = TickInput { drive: Applied::Torque(1.0), ..TickInput::default() };
    assert_eq!(cause(MotorKind::Pmsm(machine()), torque), Cause::InputOfOtherKind);
    assert_eq!(cause(MotorKind::AT_ONCE, voltage(1.0, 0.0)), Cause::InputOfOtherKind);
    assert_eq!(cause(MotorKind::Brushed(brushed()), voltage(f64::NAN, 0.0)), Cause::InputNotFinite);
}
