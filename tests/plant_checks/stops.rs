//! Part I: end stops.
//!
//! What it does not: judge strikes. Start reading anywhere.

use plantstand::base::time::TickRate;
use plantstand::plant::event::{Event, EventKind, EventLog};
use plantstand::plant::stepper::{Applied, Plant, TickInput};
use plantstand::plant::stops::Stops;

use crate::rows::{Row, chain, free, moving};

/// Fine enough that a cubic through two samples meets the peak between them: an error of (ω h)⁴/384 = 4e-11.
const RATE: TickRate = TickRate { hz: 100_000 };

/// Runs one node into the upper stop at 0.001 rad; returns the strike and the deepest penetration in rad.
fn run_into_stop(row: &Row, torque_nm: f64) -> (Event, f64) {
    let mut parameters = chain(vec![free(row.input("inertia_kgm2"))], Vec::new());
    let high_rad = 0.001;
    parameters.stops = Some(Stops {
        low_rad: -1.0,
        high_rad,
        stiffness_nm_per_rad: row.input("stop_stiffness_nm_per_rad"),
        damping_nms_per_rad: 0.0,
    });
    // It starts at the stop with the row's speed: driven on the way to it, it would be faster there.
    let mut plant = moving(&parameters, &[row.input("speed_rad_per_s")], high_rad, RATE);
    let mut events = EventLog::new(10);
    let input = TickInput { drive: Applied::Torque(torque_nm), ..TickInput::default() };
    let mut before = sample(&plant);
    loop {
        plant.step(&input, &mut events).expect("no fault");
        let after = sample(&plant);
        if 0.0 < before.1 && after.1 <= 0.0 {
            let strike = *events.iter().next().expect("a strike");
            return (strike, peak(before, after) - high_rad);
        }
        before = after;
    }
}

fn sample(plant: &Plant) -> (f64, f64) {
    (plant.angle_rad(0), plant.speed_rad_per_s(0))
}

/// Highest value of the cubic through two angles with these speeds, by ternary search.
fn peak((from_rad, from_speed): (f64, f64), (to_rad, to_speed): (f64, f64)) -> f64 {
    let period_s = RATE.period_s();
    let height = |t: f64| {
        let (start, end) = ((1.0 - t) * (1.0 - t), t * t);
        start * ((1.0 + 2.0 * t) * from_rad + t * period_s * from_speed)
            + end * ((3.0 - 2.0 * t) * to_rad - (1.0 - t) * period_s * to_speed)
    };
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..100 {
        let third = (high - low) / 3.0;
        if height(low + third) < height(high - third) { low += third } else { high -= third }
    }
    height(0.5 * (low + high))
}

/// Row `stop-strike`: derived from the energy J w²/2.
#[test]
fn strike_without_drive_torque() {
    let row = Row::named("stop-strike");
    let (strike, depth_rad) = run_into_stop(&row, 0.0);
    assert_eq!((strike.kind, strike.direction), (EventKind::StopStruck, 1));
    let energy_j = strike.strike.expect("how hard").energy_j;
    row.check(&[energy_j, depth_rad, row.input("stop_stiffness_nm_per_rad") * depth_rad]);
}

/// Row `stop-strike-driven`: derived from the energy.
#[test]
fn strike_with_drive_torque_pushing_on() {
    let row = Row::named("stop-strike-driven");
    let (_, depth_rad) = run_into_stop(&row, row.input("drive_torque_nm"));
    row.check(&[depth_rad]);
}
