//! Parts K and L, as far as quantisation and count noise go.
//!
//! What it does not: the M/T method (`edges.rs`), load noise. Start reading at [`record`].

use plantstand::base::random::Stream;
use plantstand::base::time::TickRate;
use plantstand::base::units::{ARCSEC_RAD, DEG_RAD, RPM_RAD_PER_S, TURN_RAD};
use plantstand::plant::counting::{IndexMark, LossTime, Losses};
use plantstand::plant::sensor::{CyclicError, Sensor, SensorParameters, SensorStreams};

use crate::rows::Row;

const IDEAL: SensorParameters = SensorParameters::plain(4096.0);

/// Counts of a sensor on a motor that turns by the same angle every tick, in counts.
fn record(parameters: &SensorParameters, counts_per_tick: f64, ticks: u32) -> Vec<i64> {
    let mut sensor = Sensor::new(parameters, Stream::new(7, "sensor"), 0.0);
    let angle = |tick: u32| counts_per_tick * f64::from(tick) * TURN_RAD / parameters.counts_per_turn;
    (0..ticks).map(|tick| sensor.sample(angle(tick))).collect()
}

fn rms(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + value * value, count + 1.0));
    f64::sqrt(sum / count)
}

/// Deviation of the differences of neighbouring counts from the true speed, in counts per tick.
fn speed_deviations(counts: &[i64], counts_per_tick: f64) -> impl Iterator<Item = f64> {
    counts.windows(2).map(move |pair| (pair[1] - pair[0]) as f64 - counts_per_tick)
}

/// Row `count-per-tick`: common practice. One count per tick as a speed.
#[test]
fn one_count_per_tick() {
    let row = Row::named("count-per-tick");
    let speeds = row.inputs("counts_per_turn").into_iter().map(|counts_per_turn| {
        let counts = record(&SensorParameters { counts_per_turn, ..IDEAL }, 1.0, 1000);
        let per_tick = (counts[999] - counts[0]) as f64 / 999.0;
        per_tick * TURN_RAD / counts_per_turn * row.input("tick_hz") / RPM_RAD_PER_S
    });
    row.check(&speeds.collect::<Vec<_>>());
}

/// Row `quantisation-angle`: Widrow and Kollar, Quantization Noise.
#[test]
fn rounding_the_angle() {
    let row = Row::named("quantisation-angle");
    let (counts_per_tick, count_rad) = (0.618_033_988_749_895, TURN_RAD / 4096.0);
    let counts = record(&IDEAL, counts_per_tick, 200_000);
    let errors = counts.iter().enumerate().map(|(tick, counts)| *counts as f64 - counts_per_tick * tick as f64);
    row.check(&[rms(errors) * count_rad]);
}

/// Row `quantisation-speed-exact`: derived; the difference is floor or ceiling.
#[test]
fn speed_by_difference_at_a_fraction_of_a_count() {
    let row = Row::named("quantisation-speed-exact");
    let deviations = row.inputs("fraction_of_a_count").into_iter().map(|fraction| {
        // The fraction a little off, so that the angle meets every place inside a count.
        let counts_per_tick = 2.0 + fraction + 1e-7;
        rms(speed_deviations(&record(&IDEAL, counts_per_tick, 400_001), counts_per_tick))
    });
    row.check(&deviations.collect::<Vec<_>>());
}

/// Row `quantisation-speed-mean`: two independent uniform errors, over many speeds.
#[test]
fn speed_by_difference_over_all_speeds() {
    let row = Row::named("quantisation-speed-mean");
    let speeds = 2000;
    let deviations = (0..speeds).flat_map(|speed| {
        let counts_per_tick = 2.0 + (f64::from(speed) + 0.5) / f64::from(speeds);
        speed_deviations(&record(&IDEAL, counts_per_tick, 500), counts_per_tick).collect::<Vec<_>>()
    });
    row.check(&[rms(deviations) * TURN_RAD / 4096.0 * row.input("tick_hz") / RPM_RAD_PER_S]);
}

/// Row `angle-noise-to-speed`: derived, a difference of two independent samples.
#[test]
fn noise_of_the_differenced_speed() {
    let row = Row::named("angle-noise-to-speed");
    let counts_per_turn = row.input("counts_per_turn");
    let noise_counts_rms = row.input("noise_counts_rms");
    let counts = record(&SensorParameters { counts_per_turn, noise_counts_rms, ..IDEAL }, 0.3, 400_000);
    let deviation = rms(speed_deviations(&counts, 0.3));
    row.check(&[deviation * TURN_RAD / counts_per_turn * row.input("tick_hz") / RPM_RAD_PER_S]);
}

/// Row `rms-of-rounded-noise`: Sheppard's correction, Widrow and Kollar. A record of n samples adds 1/sqrt(2n) to the
/// row's 1e-6: three times that here.
#[test]
fn rounded_noise() {
    let row = Row::named("rms-of-rounded-noise");
    let samples = 1_000_000;
    let counts = record(&SensorParameters { noise_counts_rms: row.input("noise_counts_rms"), ..IDEAL }, 0.0, samples);
    let tolerance = 1e-6 + 3.0 / f64::sqrt(2.0 * f64::from(samples));
    row.check_within(&[rms(counts.iter().map(|counts| *counts as f64))], tolerance);
}

/// Row `gauss-percentiles`: table. The stream that makes the noise: shares of a million numbers beyond each point,
/// within four deviations of a share of that many.
#[test]
fn the_noise_is_normal() {
    let row = Row::named("gauss-percentiles");
    let samples = 1_000_000;
    let mut stream = Stream::new(11, "percentiles");
    let numbers: Vec<f64> = (0..samples).map(|_| stream.normal()).collect();
    let check = |name: &str, hits: usize, share: f64| {
        let deviation = f64::sqrt(share * (1.0 - share) / f64::from(samples));
        let found = hits as f64 / f64::from(samples);
        assert!((found - share).abs() < 4.0 * deviation, "{name}: {found} of {share}");
    };
    let expected = row.expected();
    for (point, share) in expected.iter().zip([0.90, 0.95, 0.975, 0.99, 0.999]) {
        check("percentile", numbers.iter().filter(|number| *number < point).count(), share);
    }
    for (sigmas, share) in [1.0, 2.0, 3.0].into_iter().zip(&expected[5..]) {
        check("within sigmas", numbers.iter().filter(|number| number.abs() < sigmas).count(), *share);
    }
}

/// Latency shows the angle of n ticks before, before that the initial one; sign and offset act on the angle; halves are
/// rounded to the even count.
#[test]
fn latency_sign_offset_and_rounding() {
    let parameters =
        SensorParameters { latency_ticks: 2, sign: -1.0, offset_rad: TURN_RAD / 8.0, ..SensorParameters::plain(8.0) };
    let mut sensor = Sensor::new(&parameters, Stream::new(1, "sensor"), TURN_RAD);
    let shown: Vec<i64> = [0.5, 1.5, 2.5, 3.5].iter().map(|count| sensor.sample(count * TURN_RAD / 8.0)).collect();
    assert_eq!(shown, [-9, -9, -2, -2]);
}

/// Row `cyclic-error-speed`: derived, peak times harmonic times speed. Read from the angle itself, before rounding,
/// over ticks of the fastest clock, 64 kHz: at 8 kHz the ticks miss the ripple's peak by more than the row's 1e-4.
#[test]
fn a_cyclic_error_is_a_ripple_of_the_speed() {
    let row = Row::named("cyclic-error-speed");
    let step_rad = row.input("speed_rpm") * RPM_RAD_PER_S / 64_000.0;
    let ripples_rpm = [(1, "once_arcsec"), (2, "twice_arcsec")].map(|(per_turn, key)| {
        let error = CyclicError { per_turn, peak_rad: row.input(key) * ARCSEC_RAD, phase_rad: 0.3 };
        let sensor = SensorParameters { cyclic_error: vec![error], ..SensorParameters::plain(4096.0) };
        let shown_rad = |tick: i32| sensor.counts_at(f64::from(tick) * step_rad) / 4096.0 * TURN_RAD;
        let deviation_rad = |tick: i32| (shown_rad(tick + 1) - shown_rad(tick) - step_rad).abs();
        let largest_rad = (0..160_000).map(deviation_rad).fold(0.0, f64::max);
        largest_rad * 64_000.0 / RPM_RAD_PER_S
    });
    row.check(&ripples_rpm);
}

/// The error belongs to the sensor's own turn: behind a gear of 3 its two periods a turn come six times in a turn of the
/// shaft, and phase and offset shift it.
#[test]
fn the_cyclic_error_turns_with_the_sensor() {
    let error = CyclicError { per_turn: 2, peak_rad: 0.01, phase_rad: 30.0 * DEG_RAD };
    let (gear, offset_rad) = (3.0, 20.0 * DEG_RAD);
    let sensor = SensorParameters { gear, offset_rad, cyclic_error: vec![error], ..SensorParameters::plain(1000.0) };
    for turn in [0.0, 1.0 / 6.0, 0.5, 2.0] {
        let off_counts = |angle_deg: f64| {
            let angle_rad = turn * TURN_RAD + angle_deg * DEG_RAD;
            sensor.counts_at(angle_rad) - (angle_rad + offset_rad) * gear * 1000.0 / TURN_RAD
        };
        // 2 (3 (a + 20)) + 30 is 90 at a = −10, 270 at 20 and 180 at 5.
        let peak_counts = 0.01 * 1000.0 / TURN_RAD;
        for (angle_deg, expected) in [(-10.0, peak_counts), (20.0, -peak_counts), (5.0, 0.0)] {
            assert!((off_counts(angle_deg) - expected).abs() < 1e-9, "{turn} {angle_deg}");
        }
    }
}

/// A sensor that the motor drives through a gear shows the gear's counts more a turn, and its sign turns all of it round,
/// offset and error too.
#[test]
fn gear_and_sign_scale_everything_shown() {
    let error = CyclicError { per_turn: 1, peak_rad: 0.2, phase_rad: 0.0 };
    let geared =
        SensorParameters { gear: 2.5, offset_rad: 0.4, cyclic_error: vec![error], ..SensorParameters::plain(4096.0) };
    let reversed = SensorParameters { sign: -1.0, ..geared.clone() };
    assert_eq!(geared.counts_per_shaft_turn(), 10_240.0);
    let turned = geared.counts_at(0.1 + 2.0 * TURN_RAD) - geared.counts_at(0.1);
    assert!((turned - 20_480.0).abs() < 1e-9, "{turned}");
    let show = |parameters: &SensorParameters| Sensor::new(parameters, Stream::new(1, "sensor"), 0.0).sample(1.7);
    assert_eq!(show(&reversed), -show(&geared));
}

/// A count per tick, with noise; what a fault does to it at tick 4, beside what a sound sensor shows.
fn faulty(fault: impl Fn(&mut Sensor)) -> Vec<[i64; 2]> {
    let parameters = SensorParameters { noise_counts_rms: 3.0, latency_ticks: 1, ..IDEAL };
    let mut sensors = [(); 2].map(|()| Sensor::new(&parameters, Stream::new(7, "sensor"), 0.0));
    (0..12)
        .map(|tick| {
            if tick == 4 {
                fault(&mut sensors[1]);
            }
            let angle_rad = 100.0 * f64::from(tick) * TURN_RAD / parameters.counts_per_turn;
            [sensors[0].sample(angle_rad), sensors[1].sample(angle_rad)]
        })
        .collect()
}

/// A frozen sensor shows its last value for as many samples as were asked for, and then what a sound one shows, noise
/// and all.
#[test]
fn a_frozen_sensor_shows_its_last_value() {
    let rows = faulty(|sensor| {
        sensor.freeze(3);
        sensor.freeze(1);
    });
    let last = rows[3][0];
    for (tick, [sound, shown]) in rows.into_iter().enumerate() {
        let expected = if (4..7).contains(&tick) { last } else { sound };
        assert_eq!(shown, expected, "tick {tick}");
    }
    let mut sensor = Sensor::new(&IDEAL, Stream::new(7, "sensor"), 0.0);
    sensor.freeze(2);
    let turn = |counts: f64| counts * TURN_RAD / IDEAL.counts_per_turn;
    assert_eq!([5.0, 6.0, 7.0].map(|counts| sensor.sample(turn(counts))), [5, 5, 7]);
}

/// Lost counts are missing from the next sample on, and add up; while it is frozen they do not show yet.
#[test]
fn lost_counts_stay_lost() {
    let rows = faulty(|sensor| {
        sensor.lose(250);
        sensor.lose(-50);
    });
    for (tick, [sound, shown]) in rows.into_iter().enumerate() {
        assert_eq!(shown, if tick < 4 { sound } else { sound - 200 }, "tick {tick}");
    }
    let rows = faulty(|sensor| {
        sensor.freeze(1);
        sensor.lose(10);
    });
    assert_eq!((rows[4][1], rows[5][1]), (rows[3][0], rows[5][0] - 10));
}

/// The sensor's counts less those of a sound one, tick by tick, while its shaft turns by so many counts a tick.
fn counts_off(parameters: &SensorParameters, counts_per_tick: impl Fn(u32) -> f64, ticks: u32) -> (Vec<i64>, Sensor) {
    let sound = SensorParameters { losses: None, index: None, ..parameters.clone() };
    let start = |parameters: &SensorParameters| {
        Sensor::with_streams(parameters, SensorStreams::new(5, "sensor"), TickRate { hz: 1000 }, 0.0)
    };
    let (mut sensor, mut sound, mut counts) = (start(parameters), start(&sound), 0.0);
    let off = (0..ticks).map(|tick| {
        let angle_rad = counts * TURN_RAD / parameters.counts_per_turn;
        counts += counts_per_tick(tick);
        sensor.sample(angle_rad) - sound.sample(angle_rad)
    });
    (off.collect(), sensor)
}

/// Counts lost at random are missing in the direction of motion, as often as asked for within four deviations of a Poisson
/// process, and never at rest.
#[test]
fn counts_are_lost_at_random_while_it_turns() {
    let losses = Some(Losses { counts: 3, when: LossTime::Random { each_s: 0.25 } });
    for sign in [1.0, -1.0] {
        let parameters = SensorParameters { sign, losses, noise_counts_rms: 0.4, ..IDEAL };
        let times = 100_000.0 / 1000.0 / 0.25;
        for direction in [1.0, -1.0] {
            let (off, _) = counts_off(&parameters, |_| direction * 50.0, 100_000);
            let lost = off[99_999] as f64 * -direction * sign / 3.0;
            assert!((lost - times).abs() < 4.0 * f64::sqrt(times), "{lost} of {times}");
            assert!(off.windows(2).all(|pair| matches!(pair[1] - pair[0], -3 | 0 | 3)));
        }
    }
    let (off, _) = counts_off(&SensorParameters { losses, ..IDEAL }, |_| 0.0, 100_000);
    assert!(off.iter().all(|off| *off == 0));
}

/// Scratches on a disc cost their counts at each pass, forwards and backwards: forth and back again nothing is missing.
#[test]
fn scratches_cost_counts_at_every_pass() {
    let losses = Some(Losses { counts: 2, when: LossTime::PerTurn(4) });
    for sign in [1.0, -1.0] {
        let parameters = SensorParameters { sign, losses, ..IDEAL };
        let (off, _) = counts_off(&parameters, |tick| if tick < 1000 { 40.96 } else { -40.96 }, 2001);
        // From just past angle 0 on, ten turns have 40 places but the one that it starts from.
        let lost = -off[1000] as f64 * sign;
        assert!((78.0..=80.0).contains(&lost), "{lost}");
        assert!(off[2000].abs() <= 2, "{}", off[2000]);
    }
}

/// The index mark shows what was lost since its first pass, once a turn; the sensor calls itself faulty beyond its
/// tolerance, and where it corrects, the counts are right again behind the mark.
#[test]
fn an_index_mark_shows_lost_counts() {
    let index = IndexMark { at_rad: 90.0 * DEG_RAD, corrects: false, tolerance_counts: Some(5) };
    for (corrects, lost) in [(false, 4), (false, 7), (true, -7), (true, 5000)] {
        let parameters = SensorParameters { index: Some(IndexMark { corrects, ..index }), ..IDEAL };
        let mut sensor = Sensor::new(&parameters, Stream::new(5, "sensor"), 0.0);
        let mut read = |turns: f64| (sensor.read(turns * TURN_RAD, 0.0), (turns * 4096.0) as i64);
        for turns in [0.0, 0.2] {
            assert_eq!(read(turns).0.missing_counts, None);
        }
        assert_eq!(read(0.3).0.missing_counts, Some(0), "the first pass");
        sensor.lose(lost);
        let mut read = |turns: f64| (sensor.read(turns * TURN_RAD, 0.0), (turns * 4096.0) as i64);
        let (before, counts) = read(1.2);
        assert_eq!((before.missing_counts, before.is_faulty), (Some(0), false));
        assert_eq!(before.counts, counts - lost);
        let (after, counts) = read(1.5);
        // A mark that looks the same each turn cannot tell whole turns.
        let seen = if lost == 5000 { 5000 - 4096 } else { lost };
        assert_eq!((after.missing_counts, after.is_faulty), (Some(seen), 5 < seen.abs()));
        assert_eq!(after.counts, counts - if corrects { lost - seen } else { lost });
        let (next, _) = read(2.5);
        assert_eq!(
            (next.missing_counts, next.is_faulty),
            (Some(if corrects { 0 } else { seen }), !corrects && 5 < seen)
        );
    }
}

/// An open screen adds noise in time with the torque, from a stream of its own: none without torque, and the sensor's own
/// noise stays as it was.
#[test]
fn an_open_screen_lets_in_noise_with_the_torque() {
    let sound = SensorParameters { noise_counts_rms: 2.0, ..SensorParameters::plain(65_536.0) };
    let open = SensorParameters { screen_noise_counts_per_nm: 15.0, ..sound.clone() };
    let start = |parameters: &SensorParameters| {
        Sensor::with_streams(parameters, SensorStreams::new(5, "sensor"), TickRate { hz: 8000 }, 0.0)
    };
    let (mut sound, mut open) = (start(&sound), start(&open));
    for commanded_nm in [0.0, 0.8, -3.0] {
        let added =
            (0..40_000).map(|_| (open.read(0.0, commanded_nm).counts - sound.read(0.0, commanded_nm).counts) as f64);
        let found = rms(added);
        let expected = 15.0 * f64::abs(commanded_nm);
        assert!((found - expected).abs() <= 0.02 * expected, "{commanded_nm} Nm: {found} {expected}");
    }
}

/// A sensor that calls itself faulty goes on counting.
#[test]
fn a_distrusted_sensor_counts_on() {
    let mut sensor = Sensor::new(&IDEAL, Stream::new(7, "sensor"), 0.0);
    sensor.distrust(2);
    let turn = |counts: f64| counts * TURN_RAD / IDEAL.counts_per_turn;
    let read = [5.0, 6.0, 7.0].map(|counts| sensor.read(turn(counts), 0.0));
    assert_eq!(read.map(|reading| (reading.counts, reading.is_faulty)), [(5, true), (6, true), (7, false)]);
}
