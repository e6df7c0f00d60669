//! An angle sensor: counts, sign, gear, offset, cyclic error, noise, latency, and faults.
//!
//! The counts of an incremental sensor begin at its shaft's angle, as after a reference run. What it does not: find the
//! edges on the motion (`edge.rs`), lose counts (`counting.rs`), reckon a speed from counts (see `drive`). Start reading at
//! [`Sensor::read`].

use crate::base::random::Stream;
use crate::base::real;
use crate::base::signal::Edges;
use crate::base::time::TickRate;
use crate::base::units::TURN_RAD;
use crate::plant::counting::{Counting, IndexMark, Losses};
use crate::plant::edge::Edge;

/// What an angle sensor is like.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorParameters {
    /// N, counts per turn of the sensor, above 0.
    pub counts_per_turn: f64,
    /// Standard deviation of the white angle noise in counts, before rounding; 0: none.
    pub noise_counts_rms: f64,
    /// n: the sample of tick k shows the angle at the start of tick k − n.
    pub latency_ticks: u32,
    /// +1, or −1 for a sensor wired the wrong way round.
    pub sign: f64,
    /// Turns of the sensor per turn of the shaft that it sits at, above 0; 1: it sits on the shaft itself.
    pub gear: f64,
    /// Mounting offset in rad of that shaft, added to the angle.
    pub offset_rad: f64,
    /// What the shown angle is off by, in periods of the sensor's own turn.
    pub cyclic_error: Vec<CyclicError>,
    /// Counts that its counter loses; none: a sound one.
    pub losses: Option<Losses>,
    /// A mark a turn at which the counter is looked at; none: without.
    pub index: Option<IndexMark>,
    /// Standard deviation of a further noise in counts per Nm of the torque that the drive commands: what an open screen
    /// lets in of the motor cable beside it, which grows with the current in that; 0: the screen is sound.
    pub screen_noise_counts_per_nm: f64,
    /// Rate of the timer that notes when its last edge came, for the M/T method; none: edges are not timed.
    pub timer_hz: Option<f64>,
}

/// One harmonic of what an angle sensor is off by: peak · sin(per_turn · φ + phase), φ the sensor's own angle with its
/// offset. With tracks of n periods a turn that are read as sine and cosine, an offset of either shows at n, a mismatch of
/// their amplitudes or of their quadrature at 2n; an eccentric disc shows at 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CyclicError {
    /// Periods per turn of the sensor.
    pub per_turn: u32,
    /// Peak in rad of the sensor's angle.
    pub peak_rad: f64,
    /// Phase at the sensor's angle 0, in rad.
    pub phase_rad: f64,
}

impl SensorParameters {
    /// A sensor of so many counts per turn and nothing else.
    #[must_use]
    pub const fn plain(counts_per_turn: f64) -> Self {
        Self {
            counts_per_turn,
            noise_counts_rms: 0.0,
            latency_ticks: 0,
            sign: 1.0,
            gear: 1.0,
            offset_rad: 0.0,
            cyclic_error: Vec::new(),
            losses: None,
            index: None,
            screen_noise_counts_per_nm: 0.0,
            timer_hz: None,
        }
    }

    /// Counts per turn of the shaft that it sits at: what a nameplate calls counts per turn.
    #[must_use]
    pub fn counts_per_shaft_turn(&self) -> f64 {
        self.counts_per_turn * self.gear
    }

    /// φ, the sensor's own angle in rad at an angle of the shaft: the gear times angle and offset.
    #[must_use]
    pub fn sensor_angle_rad(&self, shaft_angle_rad: f64) -> f64 {
        self.gear * (shaft_angle_rad + self.offset_rad)
    }

    /// Counts before noise and rounding at an angle of the shaft in rad: sign (φ + cyclic(φ)) N / 2π.
    #[must_use]
    pub fn counts_at(&self, shaft_angle_rad: f64) -> f64 {
        let mut angle_rad = self.sensor_angle_rad(shaft_angle_rad);
        if !self.cyclic_error.is_empty() {
            angle_rad += self.cyclic_rad(angle_rad);
        }
        self.sign * angle_rad * self.counts_per_turn / TURN_RAD
    }

    fn cyclic_rad(&self, angle_rad: f64) -> f64 {
        let wave =
            |error: &CyclicError| error.peak_rad * real::sin(f64::from(error.per_turn) * angle_rad + error.phase_rad);
        self.cyclic_error.iter().map(wave).sum()
    }

    /// The angle of the shaft in rad at which [`SensorParameters::counts_at`] is this, by Newton's steps: the slope of the
    /// cyclic error stays below 1, so that there is one such angle.
    #[must_use]
    pub fn angle_of_rad(&self, counts: f64) -> f64 {
        let shown_rad = counts * self.sign * TURN_RAD / self.counts_per_turn;
        let mut angle_rad = shown_rad;
        for _ in 0..if self.cyclic_error.is_empty() { 0 } else { NEWTON_STEPS_MAX } {
            let step_rad = (angle_rad + self.cyclic_rad(angle_rad) - shown_rad) / (1.0 + self.cyclic_slope(angle_rad));
            angle_rad -= step_rad;
            if step_rad.abs() <= f64::EPSILON * angle_rad.abs() {
                break;
            }
        }
        angle_rad / self.gear - self.offset_rad
    }

    fn cyclic_slope(&self, angle_rad: f64) -> f64 {
        let slope = |error: &CyclicError| {
            let per_turn = f64::from(error.per_turn);
            error.peak_rad * per_turn * real::cos(per_turn * angle_rad + error.phase_rad)
        };
        self.cyclic_error.iter().map(slope).sum()
    }
}

/// They double the right digits each time, from two at the start.
const NEWTON_STEPS_MAX: u32 = 8;

/// The random streams of a sensor: one for each source, so that one more source shifts no other.
#[derive(Clone, Debug)]
pub struct SensorStreams {
    noise: Stream,
    losses: Stream,
    screen: Stream,
}

impl SensorStreams {
    /// Streams under a seed, named after the source of the white noise.
    #[must_use]
    pub fn new(seed: u64, source: &str) -> Self {
        Self {
            noise: Stream::new(seed, source),
            losses: Stream::new(seed, &format!("{source}: lost counts")),
            screen: Stream::new(seed, &format!("{source}: screen")),
        }
    }
}

/// What a sensor shows at the start of a tick.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// Angle in counts.
    pub counts: i64,
    /// When its edges came, for the M/T method; none where they are not timed.
    pub edges: Option<Edges>,
    /// Counts found missing at the last pass of the index mark; none before the first.
    pub missing_counts: Option<i64>,
    /// It says itself that its counts are not to be trusted.
    pub is_faulty: bool,
}

/// A sensor at work. A clone goes on with the same noise.
#[derive(Clone, Debug)]
pub struct Sensor {
    parameters: SensorParameters,
    noise: Stream,
    screen: Option<Stream>,
    counting: Counting,
    timing: Option<EdgeTiming>,
    /// What the last `latency_ticks` samples would have shown without latency, a ring; empty without.
    past: Vec<Moment>,
    oldest: usize,
    /// What the last sample showed; none before the first.
    shown_counts: Option<i64>,
    frozen_ticks: u64,
    faulty_ticks: u64,
}

/// What a sensor has of one instant.
#[derive(Clone, Copy, Debug)]
struct Moment {
    shaft_angle_rad: f64,
    /// Where edges are timed: the noise that shifts them; their last one and the timer then.
    noise_counts: f64,
    edge: (i64, f64),
}

/// How edges are timed.
#[derive(Clone, Debug)]
struct EdgeTiming {
    timer_hz: f64,
    timer_ticks_per_tick: f64,
    /// Samples taken.
    samples: u64,
    /// Shift of the edges in the tick that runs.
    noise_counts: f64,
    /// The last edge, and the timer then.
    edge: (i64, f64),
    /// What the last sample showed.
    shown: Option<(i64, f64)>,
}

impl Sensor {
    /// A sensor before its first sample, with nothing random but its noise. Angles from before the first sample are the
    /// initial angle.
    ///
    /// # Panics
    /// As [`Sensor::with_streams`], and when it loses counts or its screen is open: those need streams of their own.
    #[must_use]
    pub fn new(parameters: &SensorParameters, noise: Stream, initial_angle_rad: f64) -> Self {
        assert!(parameters.losses.is_none() && parameters.screen_noise_counts_per_nm == 0.0, "streams are missing");
        assert!(parameters.timer_hz.is_none(), "timing edges needs a rate");
        let streams = SensorStreams { noise: noise.clone(), losses: noise.clone(), screen: noise };
        Self::with_streams(parameters, streams, TickRate { hz: 1 }, initial_angle_rad)
    }

    /// A sensor before its first sample. Angles from before the first sample are the initial angle.
    ///
    /// # Panics
    /// When counts per turn or gear are not above 0, the noise is negative or the sign is neither +1 nor −1.
    #[must_use]
    pub fn with_streams(
        parameters: &SensorParameters,
        streams: SensorStreams,
        rate: TickRate,
        initial_angle_rad: f64,
    ) -> Self {
        assert!(0.0 < parameters.counts_per_turn, "counts per turn must be above 0");
        assert!(0.0 <= parameters.noise_counts_rms, "the noise must not be negative");
        assert!(parameters.sign.abs() == 1.0, "the sign must be +1 or -1");
        assert!(0.0 < parameters.gear, "the gear must be above 0");
        let losses = parameters.losses.map(|losses| (losses, streams.losses));
        // Before its first edge it takes the one below where it stands for the last, at the timer's start.
        let below = real::round_half_to_even(parameters.counts_at(initial_angle_rad)) as i64 - 1;
        let edge = (below, 0.0);
        let past = Moment { shaft_angle_rad: initial_angle_rad, noise_counts: 0.0, edge };
        Self {
            noise: streams.noise,
            screen: (0.0 < parameters.screen_noise_counts_per_nm).then_some(streams.screen),
            counting: Counting::new(losses, parameters.index, [parameters.counts_per_turn, parameters.sign], rate),
            timing: parameters.timer_hz.map(|timer_hz| EdgeTiming {
                timer_hz,
                timer_ticks_per_tick: timer_hz / f64::from(rate.hz),
                samples: 0,
                noise_counts: 0.0,
                edge,
                shown: None,
            }),
            past: vec![past; parameters.latency_ticks as usize],
            oldest: 0,
            shown_counts: None,
            frozen_ticks: 0,
            faulty_ticks: 0,
            parameters: parameters.clone(),
        }
    }

    /// A fault: for the next so many samples it shows what it showed last (before its first sample: what that shows).
    /// Behind it noise and latency go on, so that what comes afterwards is what would have come. Frozen already, the
    /// later end holds.
    pub fn freeze(&mut self, ticks: u64) {
        self.frozen_ticks = self.frozen_ticks.max(ticks);
    }

    /// A fault: from the next sample on it shows so many counts fewer, below 0 more; losses add up.
    pub fn lose(&mut self, counts: i64) {
        self.counting.lose(counts);
    }

    /// For the next so many samples it says itself that its counts are not to be trusted. They go on all the same.
    pub fn distrust(&mut self, ticks: u64) {
        self.faulty_ticks = self.faulty_ticks.max(ticks);
    }

    /// The counts of a sample where the drive commands no torque: [`Sensor::read`].
    pub fn sample(&mut self, shaft_angle_rad: f64) -> i64 {
        self.read(shaft_angle_rad, 0.0).counts
    }

    /// The sample of a tick, in counts: round_half_to_even(counts at θ_{k−n} + noise_k)
    /// ([`SensorParameters::counts_at`]), less the counts lost. Called once per tick with the shaft's angle in rad at its
    /// start and the torque that the drive's command asks for in that tick. Draws one number when there is noise, one more
    /// when the screen is open, one more when counts are lost at random.
    pub fn read(&mut self, shaft_angle_rad: f64, commanded_nm: f64) -> Reading {
        let noise_counts = match &self.timing {
            // Edges are where they were while the tick ran.
            Some(timing) if timing.samples != 0 => timing.noise_counts,
            _ => self.draw(commanded_nm),
        };
        let edge = self.timing.as_ref().map_or((0, 0.0), |timing| timing.edge);
        let moment = self.delayed(Moment { shaft_angle_rad, noise_counts, edge });
        let noise_counts = if self.timing.is_some() { moment.noise_counts } else { noise_counts };
        let counts = self.parameters.counts_at(moment.shaft_angle_rad) + noise_counts;
        let sound_counts = real::round_half_to_even(counts) as i64;
        let lost = self.counting.lost(sound_counts, self.parameters.sensor_angle_rad(moment.shaft_angle_rad));
        let true_counts = sound_counts.saturating_sub(lost);
        let is_frozen = 0 < self.frozen_ticks;
        let held_counts = if is_frozen { self.shown_counts } else { None };
        self.frozen_ticks = self.frozen_ticks.saturating_sub(1);
        let is_faulty = 0 < self.faulty_ticks || self.counting.is_off();
        self.faulty_ticks = self.faulty_ticks.saturating_sub(1);
        Reading {
            counts: *self.shown_counts.insert(held_counts.unwrap_or(true_counts)),
            edges: self.timing.as_mut().map(|timing| {
                let edge = (moment.edge.0.saturating_sub(lost), moment.edge.1);
                timing.show(edge, is_frozen)
            }),
            missing_counts: self.counting.missing_counts(),
            is_faulty,
        }
    }

    /// The noise of a sample, in counts.
    fn draw(&mut self, commanded_nm: f64) -> f64 {
        let mut noise_counts = 0.0;
        if 0.0 < self.parameters.noise_counts_rms {
            noise_counts = self.parameters.noise_counts_rms * self.noise.normal();
        }
        if let Some(screen) = &mut self.screen {
            let rms_counts = self.parameters.screen_noise_counts_per_nm * commanded_nm.abs();
            noise_counts += rms_counts * screen.normal();
        }
        noise_counts
    }

    /// By how many counts the edges are shifted while the tick runs whose start was sampled last; none where edges are not
    /// timed. The counts of the next sample are shifted by the same.
    pub fn jitter_counts(&mut self, commanded_nm: f64) -> Option<f64> {
        self.timing.as_ref()?;
        let noise_counts = self.draw(commanded_nm);
        let timing = self.timing.as_mut()?;
        timing.noise_counts = noise_counts;
        Some(noise_counts)
    }

    /// The last edge of the tick whose start was sampled last; none: none came.
    pub fn take_edge(&mut self, edge: Option<Edge>) {
        if let (Some(timing), Some(edge)) = (&mut self.timing, edge) {
            let start = timing.samples.saturating_sub(1) as f64 * timing.timer_ticks_per_tick;
            timing.edge = (edge.count, (start + edge.elapsed_s * timing.timer_hz).trunc());
        }
    }

    fn delayed(&mut self, now: Moment) -> Moment {
        let Some(place) = self.past.get_mut(self.oldest) else { return now };
        let shown = std::mem::replace(place, now);
        self.oldest = (self.oldest + 1) % self.past.len();
        shown
    }
}

impl EdgeTiming {
    /// What a sample shows: the last edge, held while the sensor is frozen, and the timer, which never is.
    fn show(&mut self, edge: (i64, f64), is_frozen: bool) -> Edges {
        let now = (self.samples as f64 * self.timer_ticks_per_tick).trunc();
        self.samples += 1;
        let held = if is_frozen { self.shown } else { None };
        let (count, at) = *self.shown.insert(held.unwrap_or(edge));
        Edges { count, timer_ticks: at.min(now) as u64, now_ticks: now as u64, timer_hz: self.timer_hz }
    }
}
