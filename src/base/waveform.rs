//! Test signals: multisines with low peaks and chirps, as samples of a closed form.
//!
//! What it does not: inject them, or read an answer (see `method/sweep.rs`). Start reading at [`Multisine`].

use std::f64::consts::PI;

use crate::base::real;

/// One cosine of a multisine.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Whole periods of this cosine in one period of the multisine.
    pub harmonic: usize,
    /// Peak of this cosine, in the signal's unit.
    pub amplitude: f64,
    /// Phase of the cosine at sample 0, in rad.
    pub phase_rad: f64,
}

/// A sum of cosines that repeats after a whole number of samples, with phases after Schroeder.
#[derive(Clone, Debug, PartialEq)]
pub struct Multisine {
    /// Its cosines, lowest first.
    pub lines: Vec<Line>,
    /// One period, sample by sample.
    pub samples: Vec<f64>,
}

impl Multisine {
    /// A multisine of equal cosines of amplitude 1 at the given harmonics (rising) of a period of `samples_per_period`.
    ///
    /// Schroeder, Synthesis of low-peak-factor signals, IEEE Trans. Information Theory IT-16 (1970): the phase's slope
    /// sets when a line has its turn, and each line gets time in proportion to its power. With line k of n that gives
    /// φ_k = φ_{k−1} − 2π (h_k − h_{k−1}) k/n, which is −π k (k + 1)/n for neighbouring harmonics.
    #[must_use]
    pub fn schroeder(harmonics: &[usize], samples_per_period: usize) -> Self {
        assert!(!harmonics.is_empty() && 0 < samples_per_period, "a multisine needs a line and a period");
        let count = harmonics.len() as f64;
        let mut phase_rad = 0.0;
        let mut before = harmonics[0];
        let mut lines = Vec::with_capacity(harmonics.len());
        for (index, &harmonic) in harmonics.iter().enumerate() {
            phase_rad -= 2.0 * PI * (harmonic - before) as f64 * index as f64 / count;
            phase_rad %= 2.0 * PI;
            before = harmonic;
            lines.push(Line { harmonic, amplitude: 1.0, phase_rad });
        }
        let samples = (0..samples_per_period).map(|sample| sum_of_lines(&lines, sample, samples_per_period)).collect();
        Self { lines, samples }
    }

    /// The same signal with every line `factor` times as large.
    #[must_use]
    pub fn scaled(mut self, factor: f64) -> Self {
        self.lines.iter_mut().for_each(|line| line.amplitude *= factor);
        self.samples.iter_mut().for_each(|sample| *sample *= factor);
        self
    }

    /// The value at a sample, counted on from period to period.
    #[must_use]
    pub fn at(&self, sample: usize) -> f64 {
        self.samples[sample % self.samples.len()]
    }

    /// Root of the mean square over one period.
    #[must_use]
    pub fn rms(&self) -> f64 {
        (self.samples.iter().map(|sample| sample * sample).sum::<f64>() / self.samples.len() as f64).sqrt()
    }

    /// Largest magnitude over one period.
    #[must_use]
    pub fn peak(&self) -> f64 {
        self.samples.iter().fold(0.0, |peak, sample| sample.abs().max(peak))
    }
}

/// Reduces harmonic times sample by whole periods first, so that the cosine's argument stays small and exact.
fn sum_of_lines(lines: &[Line], sample: usize, samples_per_period: usize) -> f64 {
    let one = |line: &Line| {
        let within = (line.harmonic * sample) % samples_per_period;
        let turn_rad = 2.0 * PI * within as f64 / samples_per_period as f64;
        line.amplitude * real::cos(turn_rad + line.phase_rad)
    };
    lines.iter().map(one).sum()
}

/// A sine whose frequency runs from a start to an end.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Chirp {
    /// Frequency at time 0, in Hz, above 0.
    pub start_hz: f64,
    /// Frequency at the end, in Hz, above 0 and other than the start for the logarithmic one.
    pub end_hz: f64,
    /// From start to end, in s.
    pub duration_s: f64,
}

impl Chirp {
    /// Frequency rises in proportion to time: sin 2π (f0 t + (f1 − f0) t²/(2 T)).
    #[must_use]
    pub fn linear(&self, time_s: f64) -> f64 {
        let slope_hz_per_s = (self.end_hz - self.start_hz) / self.duration_s;
        real::sin(2.0 * PI * (self.start_hz * time_s + slope_hz_per_s * time_s * time_s / 2.0))
    }

    /// Frequency rises by the same factor in the same time: sin(2π f0 T/ln(f1/f0) ((f1/f0)^(t/T) − 1)).
    #[must_use]
    pub fn logarithmic(&self, time_s: f64) -> f64 {
        let ratio = self.end_hz / self.start_hz;
        let growth = real::pow(ratio, time_s / self.duration_s) - 1.0;
        real::sin(2.0 * PI * self.start_hz * self.duration_s / real::ln(ratio) * growth)
    }
}

#[cfg(test)]
mod tests {
    use super::{Chirp, Multisine};

    const CHIRP: Chirp = Chirp { start_hz: 5.0, end_hz: 400.0, duration_s: 1.0 };
    const TIMES_S: [f64; 5] = [0.0, 0.1, 0.25, 0.5, 1.0];

    fn check_chirp(wave: impl Fn(f64) -> f64, expected: [f64; 5]) {
        for (time_s, expected) in TIMES_S.into_iter().zip(expected) {
            assert!((wave(time_s) - expected).abs() < 1e-9, "at {time_s} s: {} is not {expected}", wave(time_s));
        }
    }

    /// Check row `chirp-linear` (textbook closed form); 1e-9 since the phase is large.
    #[test]
    fn a_linear_chirp_follows_its_closed_form() {
        check_chirp(
            |time_s| CHIRP.linear(time_s),
            [0.0, 0.156_434_465_040_230_6, -0.555_570_233_019_600_7, -0.707_106_781_186_547_5, 0.0],
        );
    }

    /// Check row `chirp-logarithmic` (textbook closed form); 1e-9 since the phase is large.
    #[test]
    fn a_logarithmic_chirp_follows_its_closed_form() {
        check_chirp(
            |time_s| CHIRP.logarithmic(time_s),
            [0.0, -0.717_999_784_577_973_6, 0.990_944_503_963_903_1, 0.394_893_971_696_818_4, 0.774_264_573_086_084_5],
        );
    }

    /// Check row `multisine-schroeder` (Schroeder 1970, 31 equal cosines): rms, peak, value at sample 100.
    #[test]
    fn a_schroeder_multisine_has_a_low_peak() {
        let harmonics: Vec<usize> = (1..=31).collect();
        let multisine = Multisine::schroeder(&harmonics, 4096);
        let found = [multisine.rms(), multisine.peak(), multisine.peak() / multisine.rms(), multisine.at(100)];
        let expected =
            [3.937_003_937_005_905_6, 7.015_239_265_186_54, 1.781_872_555_230_827_2, 1.329_927_483_428_607_2];
        for (found, expected) in found.into_iter().zip(expected) {
            assert!((found / expected - 1.0).abs() < 1e-9, "{found} is not {expected}");
        }
    }
}
