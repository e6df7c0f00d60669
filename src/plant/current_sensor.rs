//! The current sensors of phases a and b: gain, offset, noise, resolution.
//!
//! The third phase has none: the three currents sum to 0, and the drive reckons with that. What it does not: know a rotor's
//! frame (see `drive`). Start reading at [`CurrentSensor::sample`].

use crate::base::random::Stream;
use crate::base::real;

/// What the current sensors are like; pairs are phase a, phase b.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurrentSensorParameters {
    /// What is shown per ampere.
    pub gain: [f64; 2],
    /// What is shown without current, in A.
    pub offset_a: [f64; 2],
    /// Standard deviation of the white noise of each in A, before rounding; 0: none.
    pub noise_a_rms: f64,
    /// Smallest step that is shown, in A; 0: any value is.
    pub resolution_a: f64,
}

impl CurrentSensorParameters {
    /// Sensors that show the truth.
    pub const CLEAN: Self = Self { gain: [1.0; 2], offset_a: [0.0; 2], noise_a_rms: 0.0, resolution_a: 0.0 };
}

/// The current sensors at work. A clone goes on with the same noise.
#[derive(Clone, Debug)]
pub struct CurrentSensor {
    parameters: CurrentSensorParameters,
    noise: Stream,
}

impl CurrentSensor {
    /// Sensors before their first sample.
    #[must_use]
    pub fn new(parameters: &CurrentSensorParameters, noise: Stream) -> Self {
        Self { parameters: *parameters, noise }
    }

    /// The sample of a tick in A: gain · current + offset + noise, rounded to the resolution, halves to even. Called once
    /// per tick with the currents into phases a and b at its start; draws one number for each when there is noise, a
    /// first, none otherwise.
    #[inline]
    pub fn sample(&mut self, phase_current_a: [f64; 2]) -> [f64; 2] {
        let CurrentSensorParameters { gain, offset_a, noise_a_rms, resolution_a } = self.parameters;
        std::array::from_fn(|phase| {
            let mut shown_a = gain[phase] * phase_current_a[phase] + offset_a[phase];
            if 0.0 < noise_a_rms {
                shown_a += noise_a_rms * self.noise.normal();
            }
            if 0.0 < resolution_a { real::round_half_to_even(shown_a / resolution_a) * resolution_a } else { shown_a }
        })
    }
}
