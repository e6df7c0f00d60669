//! The current sensors of two phases: what each does to a current, by hand-reckoned values and by the noise's size.
//!
//! What it does not: what a drive makes of it. Start reading at [`sensor`].

use plantstand::base::random::Stream;
use plantstand::plant::current_sensor::{CurrentSensor, CurrentSensorParameters};

const CLEAN: CurrentSensorParameters = CurrentSensorParameters::CLEAN;

fn sensor(parameters: &CurrentSensorParameters) -> CurrentSensor {
    CurrentSensor::new(parameters, Stream::new(8, "currents"))
}

/// Clean sensors show the very bits.
#[test]
fn clean_sensors_show_the_truth() {
    for currents in [[0.1, -7.3], [1e-9, 4e3], [0.0, -2.5]] {
        assert_eq!(sensor(&CLEAN).sample(currents).map(f64::to_bits), currents.map(f64::to_bits));
    }
}

/// Every phase has its own gain and offset; both share a resolution, and halves round to even.
#[test]
fn gain_offset_and_resolution_of_each_phase() {
    let parameters = CurrentSensorParameters { gain: [2.0, 0.5], offset_a: [0.25, -1.0], ..CLEAN };
    assert_eq!(sensor(&parameters).sample([3.0, 4.0]), [6.25, 1.0]);
    let coarse = CurrentSensorParameters { resolution_a: 0.5, ..parameters };
    assert_eq!(sensor(&coarse).sample([3.0, 4.1]), [6.0, 1.0]);
    assert_eq!(sensor(&CurrentSensorParameters { resolution_a: 0.5, ..CLEAN }).sample([0.75, -1.25]), [1.0, -1.0]);
}

/// White, of the size asked for, independent from phase to phase; the mean of 200 000 squares is right to 1 %.
#[test]
fn the_noise_has_its_size_and_the_phases_share_none() {
    let mut noisy = sensor(&CurrentSensorParameters { noise_a_rms: 0.05, ..CLEAN });
    let (mut squares, mut product, ticks) = ([0.0, 0.0], 0.0, 200_000);
    for _ in 0..ticks {
        let [a, b] = noisy.sample([0.0; 2]);
        squares = [squares[0] + a * a, squares[1] + b * b];
        product += a * b;
    }
    for square in squares {
        assert!((square / f64::from(ticks) / 0.0025 - 1.0).abs() < 0.01, "{square}");
    }
    assert!((product / f64::from(ticks) / 0.0025).abs() < 0.01, "{product}");
}
