//! Edges of an incremental sensor located inside ticks, and the speed that the M/T method makes of them.
//!
//! The method: Ohmae, Matsuda, Kamiyama and Tachikawa, IEEE Trans. Industrial Electronics IE-29(3), 1982. What the tests
//! hold it against are motions whose edges have closed forms, and what follows from a timer that counts whole ticks; derived
//! here. Start reading at [`Axis`].

use plantstand::base::random::Stream;
use plantstand::base::signal::Edges;
use plantstand::base::time::TickRate;
use plantstand::base::units::{DEG_RAD, RPM_RAD_PER_S, TURN_RAD};
use plantstand::drive::filter::LowPassCoefficients;
use plantstand::drive::measured_speed::{SpeedMeter, SpeedMeterCoefficients};
use plantstand::plant::edge::Edge;
use plantstand::plant::event::EventLog;
use plantstand::plant::friction::Friction;
use plantstand::plant::motor::MotorKind;
use plantstand::plant::sensor::{CyclicError, Sensor, SensorParameters, SensorStreams};
use plantstand::plant::stepper::{Applied, Plant, TickInput};
use plantstand::plant::train::{Initial, Node, Parameters};

use crate::rows::Row;

const RATE: TickRate = TickRate { hz: 8000 };
const INERTIA_KGM2: f64 = 1e-3;
const TIMER_HZ: f64 = 10e6;

fn sensor_of(counts_per_turn: f64) -> SensorParameters {
    SensorParameters { timer_hz: Some(TIMER_HZ), ..SensorParameters::plain(counts_per_turn) }
}

/// A motor without friction, its sensor and the drive's meter, beside a meter of differences.
struct Axis {
    plant: Plant,
    sensor: Sensor,
    meter: SpeedMeter,
    difference: SpeedMeter,
    input: TickInput,
    events: EventLog,
}

/// One tick of an axis.
struct Seen {
    counts: i64,
    edges: Edges,
    speed_rad_per_s: f64,
    difference_rad_per_s: f64,
    /// Of the tick that follows the sample.
    edge: Option<Edge>,
}

impl Axis {
    fn new(parameters: &SensorParameters, angle_rad: f64, speed_rad_per_s: f64) -> Self {
        let machine = Parameters {
            motor: MotorKind::IdealTorque { lag_s: 0.0 },
            nodes: vec![Node { inertia_kgm2: INERTIA_KGM2, friction: Friction::None }],
            couplings: Vec::new(),
            stops: None,
            loads: Vec::new(),
            brake: None,
        };
        let mut initial = Initial::at_rest(&machine, angle_rad);
        initial.speed_rad_per_s[0] = speed_rad_per_s;
        let mut plant = Plant::new(&machine, &initial, RATE, false);
        plant.watch_edges(parameters);
        let coefficients = SpeedMeterCoefficients {
            count_per_tick_rad_per_s: parameters.sign * TURN_RAD / parameters.counts_per_shaft_turn()
                * f64::from(RATE.hz),
            filter: LowPassCoefficients::new(0.0, RATE),
        };
        Self {
            plant,
            sensor: Sensor::with_streams(parameters, SensorStreams::new(3, "sensor"), RATE, angle_rad),
            meter: SpeedMeter::new(coefficients, RATE),
            difference: SpeedMeter::new(coefficients, RATE),
            input: TickInput { drive: Applied::Torque(0.0), ..TickInput::default() },
            events: EventLog::new(64),
        }
    }

    fn tick(&mut self) -> Seen {
        let reading = self.sensor.read(self.plant.angle_rad(0), 0.0);
        let edges = reading.edges.expect("its edges are timed");
        let speed_rad_per_s = self.meter.sample_edges(&edges).measured_rad_per_s;
        let difference_rad_per_s = self.difference.sample(reading.counts).measured_rad_per_s;
        self.plant.shift_edges(self.sensor.jitter_counts(0.0).expect("its edges are timed"));
        self.plant.step(&self.input, &mut self.events).expect("it moves");
        self.sensor.take_edge(self.plant.last_edge());
        Seen { counts: reading.counts, edges, speed_rad_per_s, difference_rad_per_s, edge: self.plant.last_edge() }
    }
}

/// Row `mt-method`: Ohmae and others 1982. Three pulses in 1487 clocks, and the next step of the value.
#[test]
fn speed_of_so_many_edges_in_so_many_timer_ticks() {
    let row = Row::named("mt-method");
    let (pulses, clocks, timer_hz) = (row.input("pulses") as i64, row.input("clocks") as u64, row.input("clock_hz"));
    let speed_rpm = |clocks: u64| {
        let count_per_tick_rad_per_s = TURN_RAD / row.input("pulses_per_turn") * f64::from(RATE.hz);
        let filter = LowPassCoefficients::new(0.0, RATE);
        let mut meter = SpeedMeter::new(SpeedMeterCoefficients { count_per_tick_rad_per_s, filter }, RATE);
        let mut at = |count, timer_ticks| {
            let edges = Edges { count, timer_ticks, now_ticks: timer_ticks + 40, timer_hz };
            meter.sample_edges(&edges).measured_rad_per_s / RPM_RAD_PER_S
        };
        assert_eq!(at(100, 5000), 0.0, "one edge is no speed");
        at(100 + pulses, 5000 + clocks)
    };
    row.check(&[speed_rpm(clocks), speed_rpm(clocks - 1) - speed_rpm(clocks)]);
}

/// Under a constant torque edge m + ½ comes at √(2 θ/a); the last one before each tick's end is found to a picosecond, and
/// none in a tick without one.
#[test]
fn edges_of_an_accelerated_motor_are_where_the_square_root_has_them() {
    let (counts_per_turn, torque_nm) = (4096.0, 0.05);
    let mut axis = Axis::new(&sensor_of(counts_per_turn), 0.0, 0.0);
    axis.input.drive = Applied::Torque(torque_nm);
    let acceleration = torque_nm / INERTIA_KGM2;
    let (mut without, mut with) = (0, 0);
    for tick in 0..4000_u32 {
        let edge = axis.tick().edge;
        let [start_s, end_s] = [tick, tick + 1].map(|tick| f64::from(tick) / f64::from(RATE.hz));
        let counts_at = |time_s: f64| 0.5 * acceleration * time_s * time_s * counts_per_turn / TURN_RAD;
        let last = (counts_at(end_s) - 0.5).floor();
        let at_s = f64::sqrt(2.0 * (last + 0.5) / counts_per_turn * TURN_RAD / acceleration);
        if last < 0.0 || at_s <= start_s {
            assert_eq!(edge, None, "tick {tick}");
            without += 1;
        } else {
            let edge = edge.unwrap_or_else(|| panic!("an edge at {at_s} s in tick {tick}"));
            assert_eq!(edge.count, last as i64, "tick {tick}");
            assert!((start_s + edge.elapsed_s - at_s).abs() < 1e-12, "tick {tick}: {} {at_s}", edge.elapsed_s);
            with += 1;
        }
    }
    assert!(50 < without && 1000 < with, "{without} {with}");
}

/// Thrown up against a torque, the motor turns back beyond an edge: it passes that twice, and no edge has gone by between
/// the two passes, so that the speed shown is 0. Where both lie in one tick, the second is its last.
#[test]
fn a_motor_that_turns_back_passes_its_last_edge_again() {
    for (beyond_counts, passes) in [(0.3, 2), (0.0003, 1)] {
        let (counts_per_turn, deceleration) = (4096.0, 400.0);
        let [top_rad, edge_rad] = [8.5 + beyond_counts, 8.5].map(|counts| counts / counts_per_turn * TURN_RAD);
        // In the middle of tick 40.
        let turns_s = 40.5 / f64::from(RATE.hz);
        let start_rad = top_rad - 0.5 * deceleration * turns_s * turns_s;
        let mut axis = Axis::new(&sensor_of(counts_per_turn), start_rad, deceleration * turns_s);
        axis.input.drive = Applied::Torque(-deceleration * INERTIA_KGM2);
        let (mut found_s, mut speed_after_rad_per_s) = (Vec::new(), f64::NAN);
        let mut passed = false;
        for tick in 0..90_u32 {
            let seen = axis.tick();
            if std::mem::take(&mut passed) {
                speed_after_rad_per_s = seen.speed_rad_per_s;
            }
            if let Some(edge) = seen.edge.filter(|edge| edge.count == 8) {
                found_s.push(f64::from(tick) / f64::from(RATE.hz) + edge.elapsed_s);
                passed = true;
            }
        }
        assert_eq!(found_s.len(), passes);
        let pass_s = f64::sqrt(2.0 * (top_rad - edge_rad) / deceleration);
        for (found_s, expected_s) in found_s.iter().rev().zip([turns_s + pass_s, turns_s - pass_s]) {
            assert!((found_s - expected_s).abs() < 1e-11, "{found_s} {expected_s}");
        }
        if passes == 2 {
            assert_eq!(speed_after_rad_per_s, 0.0);
        }
    }
}

/// The same edges whatever stands between shaft and counts: at the time found, the counts before rounding are a half.
#[test]
fn edges_follow_sign_gear_offset_and_cyclic_error() {
    let error = [(1, 0.05), (16, 0.004)].map(|(per_turn, peak_rad)| CyclicError { per_turn, peak_rad, phase_rad: 0.7 });
    for sign in [1.0, -1.0] {
        let parameters = SensorParameters {
            sign,
            gear: 2.5,
            offset_rad: 40.0 * DEG_RAD,
            cyclic_error: error.to_vec(),
            ..sensor_of(720.0)
        };
        for speed_rad_per_s in [30.0, -7.0] {
            let mut axis = Axis::new(&parameters, 0.3, speed_rad_per_s);
            let mut found = 0;
            let mut last_counts = None;
            for tick in 0..4000 {
                let start_rad = axis.plant.angle_rad(0);
                let seen = axis.tick();
                let before = last_counts.replace(seen.counts).unwrap_or(seen.counts);
                assert!((seen.counts - before).abs() <= 2, "tick {tick}");
                let Some(edge) = seen.edge else { continue };
                let counts = parameters.counts_at(start_rad + speed_rad_per_s * edge.elapsed_s);
                assert!((counts - (edge.count as f64 + 0.5)).abs() < 1e-8, "tick {tick}: {counts} {edge:?}");
                found += 1;
            }
            assert!(300 < found, "{found}");
        }
    }
}

/// Largest error at a constant speed of so many counts a tick, after the first edges: of the M/T method as a share of the
/// speed, of the difference in counts a tick.
fn largest_errors(counts_per_tick: f64) -> (f64, f64) {
    let count_rad_per_s = TURN_RAD / 4096.0 * f64::from(RATE.hz);
    let true_rad_per_s = counts_per_tick * count_rad_per_s;
    let mut axis = Axis::new(&sensor_of(4096.0), 0.1, true_rad_per_s);
    let settled = 4.0 / counts_per_tick + 4.0;
    let mut largest = (0.0_f64, 0.0_f64);
    for tick in 0..40_000 {
        let seen = axis.tick();
        if settled < f64::from(tick) {
            largest.0 = largest.0.max((seen.speed_rad_per_s - true_rad_per_s).abs());
            largest.1 = largest.1.max((seen.difference_rad_per_s - true_rad_per_s).abs());
        }
    }
    (largest.0 / true_rad_per_s, largest.1 / count_rad_per_s)
}

/// At constant speed the difference is off by up to a count in a tick, whatever the speed; the M/T method by one timer tick
/// of those between its two edges, as a share of the speed. Between them lie at least a tick less an edge's time, or one
/// edge's time where edges are farther apart than ticks.
#[test]
fn both_methods_are_as_coarse_as_their_formulas_say() {
    let timer_ticks_per_tick = TIMER_HZ / f64::from(RATE.hz);
    for counts_per_tick in [37.3, 2.37, 0.61, 0.013] {
        let (relative, counts) = largest_errors(counts_per_tick);
        let edge_ticks = 1.0 / counts_per_tick;
        let between = timer_ticks_per_tick * edge_ticks.max(1.0 - edge_ticks);
        assert!(relative <= 1.0 / (between - 1.0), "{counts_per_tick}: {relative}, {between} timer ticks");
        let fraction = counts_per_tick.fract();
        let coarsest = fraction.max(1.0 - fraction);
        assert!((counts - coarsest).abs() < 1e-6, "{counts_per_tick}: {counts} counts in a tick");
    }
}

/// A motor that is stopped between two edges: the speed shown falls as one edge over the time since the last.
#[test]
fn at_standstill_the_speed_falls_as_one_over_time() {
    let count_rad = TURN_RAD / 4096.0;
    let mut axis = Axis::new(&sensor_of(4096.0), 0.0, 0.9 * count_rad * f64::from(RATE.hz));
    for _ in 0..200 {
        axis.tick();
    }
    axis.input = TickInput { clamp_motor: true, drive: Applied::Off, ..TickInput::default() };
    axis.tick();
    let mut last = f64::INFINITY;
    for ticks in 1..4000 {
        let seen = axis.tick();
        assert_eq!(seen.edge, None);
        let since_s = (seen.edges.now_ticks - seen.edges.timer_ticks) as f64 / TIMER_HZ;
        let bound_rad_per_s = count_rad / since_s;
        assert!(seen.speed_rad_per_s <= bound_rad_per_s * (1.0 + 1e-12), "{ticks}: {}", seen.speed_rad_per_s);
        assert!(seen.speed_rad_per_s <= last);
        if 2 < ticks {
            assert!((seen.speed_rad_per_s / bound_rad_per_s - 1.0).abs() < 1e-12, "{ticks}");
        }
        last = seen.speed_rad_per_s;
    }
    assert!(last < 0.001 * count_rad * f64::from(RATE.hz));
}

/// White noise is jitter of the edges: at many edges a tick two of them, a tick apart, make √2 σ counts in a tick.
#[test]
fn noise_is_jitter_of_the_edges() {
    let (counts_per_tick, noise_counts_rms) = (200.37, 0.4);
    let parameters = SensorParameters { noise_counts_rms, ..sensor_of(65_536.0) };
    let count_rad_per_s = TURN_RAD / 65_536.0 * f64::from(RATE.hz);
    let mut axis = Axis::new(&parameters, 0.0, counts_per_tick * count_rad_per_s);
    let ticks = 20_000;
    let errors = (0..ticks + 10).map(|_| axis.tick().speed_rad_per_s / count_rad_per_s - counts_per_tick);
    let sum: f64 = errors.skip(10).map(|error| error * error).sum();
    let rms = (sum / f64::from(ticks)).sqrt();
    // The timer adds counts_per_tick / (TIMER_HZ / tick_hz), uniform, at both ends; the record's own scatter is below 1 %.
    let timer = counts_per_tick / (TIMER_HZ / f64::from(RATE.hz)) / 6.0_f64.sqrt();
    let expected = (2.0 * noise_counts_rms * noise_counts_rms + timer * timer).sqrt();
    assert!((rms / expected - 1.0).abs() < 0.02, "{rms} {expected}");
}

/// A sensor whose edges are timed shows the counts that it shows without: edges or none, the noise is drawn once a tick.
#[test]
fn timing_edges_changes_no_count() {
    let timed = SensorParameters { noise_counts_rms: 1.3, latency_ticks: 2, ..sensor_of(4096.0) };
    let mut plain = Sensor::new(&SensorParameters { timer_hz: None, ..timed.clone() }, Stream::new(3, "sensor"), 0.0);
    let mut axis = Axis::new(&SensorParameters { latency_ticks: 0, ..timed.clone() }, 0.0, 90.0);
    let mut late = Axis::new(&timed, 0.0, 90.0);
    let mut undelayed =
        Sensor::new(&SensorParameters { timer_hz: None, latency_ticks: 0, ..timed }, Stream::new(3, "sensor"), 0.0);
    let mut shown = Vec::new();
    for tick in 0..500 {
        let angle_rad = axis.plant.angle_rad(0);
        shown.push(axis.tick());
        assert_eq!(shown[tick].counts, undelayed.sample(angle_rad), "tick {tick}");
        plain.sample(angle_rad);
        let seen = late.tick();
        if let Some(before) = tick.checked_sub(2) {
            assert_eq!((seen.counts, seen.edges.count), (shown[before].counts, shown[before].edges.count));
            assert_eq!(seen.edges.timer_ticks, shown[before].edges.timer_ticks);
            assert_eq!(seen.edges.now_ticks, shown[tick].edges.now_ticks);
        }
    }
}
