//! When an incremental sensor's last edge came: located on the motion inside a tick, for the M/T method.
//!
//! Edges are the angles at which the counts change. The motion of a piece is at hand as a power series, so the last edge
//! is where, running backwards from the piece's end, the angle leaves the room between the two edges round it. White noise
//! shifts the edges of a tick together: jitter. What it does not: time edges by a timer (`sensor.rs`), reckon a speed.
//! Start reading at [`EdgeWatch::piece`].

use crate::base::real;
use crate::plant::chain::Chain;
use crate::plant::dry::Law;
use crate::plant::expansion::Expansion;
use crate::plant::sensor::SensorParameters;
use crate::plant::series::{self, INVERSE, TERMS};

/// The last edge of a tick.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Edge {
    /// It stands between this count and the next.
    pub count: i64,
    /// When it came, in s from the tick's start.
    pub elapsed_s: f64,
}

/// Looks for the last edge of every tick.
#[derive(Clone, Debug)]
pub(crate) struct EdgeWatch {
    sensor: SensorParameters,
    noise_counts: f64,
    counts: i64,
    elapsed_s: f64,
    last: Option<Edge>,
}

impl EdgeWatch {
    pub(crate) fn new(sensor: SensorParameters, motor_angle_rad: f64) -> Self {
        let mut watch = Self { sensor, noise_counts: 0.0, counts: 0, elapsed_s: 0.0, last: None };
        watch.counts = watch.counts_at(motor_angle_rad);
        watch
    }

    fn counts_at(&self, motor_angle_rad: f64) -> i64 {
        real::round_half_to_even(self.sensor.counts_at(motor_angle_rad) + self.noise_counts) as i64
    }

    /// A tick begins, with its edges shifted by so many counts. Counts that change by the shift alone are an edge at its
    /// start.
    pub(crate) fn begin(&mut self, noise_counts: f64, motor_angle_rad: f64) {
        (self.noise_counts, self.elapsed_s, self.last) = (noise_counts, 0.0, None);
        self.arrive(motor_angle_rad, 0.0);
    }

    /// The last edge of the tick so far.
    pub(crate) fn last(&self) -> Option<Edge> {
        self.last
    }

    /// The counts at an angle; where they are others, their last edge came just now, at the time given.
    fn arrive(&mut self, motor_angle_rad: f64, elapsed_s: f64) {
        let counts = self.counts_at(motor_angle_rad);
        if counts != self.counts {
            let count = if self.counts < counts { counts - 1 } else { counts };
            self.last = Some(Edge { count, elapsed_s });
            self.counts = counts;
        }
    }

    /// A piece from the chain's present state up to τ, before the chain moves there.
    pub(crate) fn piece(&mut self, chain: &Chain, expansion: &Expansion, tau: f64) {
        let start_s = self.elapsed_s;
        self.elapsed_s += expansion.length_s * tau;
        if expansion.bends[0].dry.law == Law::Rest {
            return;
        }
        let end_rad = chain.nodes[0].angle_rad + expansion.turn_rad(0, tau);
        match self.last_crossing(end_rad, expansion, tau) {
            Some((count, back)) => {
                self.counts = self.counts_at(end_rad);
                self.last = Some(Edge { count, elapsed_s: start_s + expansion.length_s * tau * (1.0 - back) });
            }
            // Rounding may keep an edge from being seen in the piece at whose very start or end it lies.
            None => self.arrive(end_rad, start_s),
        }
    }

    /// The edge through which the angle came into the room in which the piece ends, and how long before the end, as a
    /// share of the way.
    fn last_crossing(&self, end_rad: f64, expansion: &Expansion, tau: f64) -> Option<(i64, f64)> {
        let counts = self.counts_at(end_rad);
        let speed = &expansion.speeds[0][..expansion.terms];
        let mut angle = [0.0; TERMS];
        for k in 1..speed.len() {
            angle[k] = expansion.length_s * INVERSE[k] * speed[k - 1];
        }
        let mut backwards = [0.0; TERMS];
        let backwards = series::shifted(&angle[..speed.len()], tau, -tau, &mut backwards);
        let mut found: Option<(i64, f64)> = None;
        for (count, side) in [(counts - 1, 1.0), (counts, -1.0)] {
            let edge_rad = self.sensor.angle_of_rad(count as f64 + 0.5 - self.noise_counts);
            let inward = side * self.sensor.sign;
            let mut distance = [0.0; TERMS];
            for (distance, coefficient) in distance.iter_mut().zip(backwards) {
                *distance = inward * coefficient;
            }
            distance[0] = (inward * (end_rad - edge_rad)).max(0.0);
            let upto = found.map_or(1.0, |(_, back)| back);
            if let Some(back) = series::first_fall(&distance[..speed.len()], upto)
                && found.is_none_or(|(_, nearest)| back < nearest)
            {
                found = Some((count, back));
            }
        }
        found
    }
}
