//! How late the ticks of a paced run were: a histogram with room for every tick, and what was missed.
//!
//! Lateness is actual minus scheduled start of a tick. Deadlines are reckoned from the run's start, one division each and
//! never a running sum, so that they cannot drift. Nothing here allocates once a [`Timing`] is made. What it does not:
//! read a clock, or wait (`host/realtime.rs`). Start reading at [`Timing`].

use hdrhistogram::Histogram;

use crate::base::time::TickRate;

/// Longest lateness that is told apart, 10 s: a run that is later is lost, by how much does not matter.
const LONGEST_NS: u64 = 10_000_000_000;

/// Significant digits that the histogram keeps.
const DIGITS: u8 = 3;

/// Shortest upper edge of a bar in nanoseconds; what is shorter is as good as in time.
const FIRST_EDGE_NS: u64 = 100;

/// Edges of the bars in each power of ten: ten even ratios as ISO 3 rounds them (series R10).
const EDGES_PERCENT: [u64; 10] = [100, 125, 160, 200, 250, 315, 400, 500, 630, 800];

/// When a tick is due, in nanoseconds from the start: round(k · 10⁹ / `tick_hz`), exact for every tick number whose time
/// fits, which is 584 years.
#[must_use]
pub fn due_ns(rate: TickRate, tick: u64) -> u64 {
    let hz = u128::from(rate.hz);
    ((u128::from(tick) * 1_000_000_000 + hz / 2) / hz) as u64
}

/// The timing of one paced run, or of several merged.
#[derive(Clone, Debug)]
pub struct Timing {
    lateness_ns: Histogram<u64>,
    /// Ticks whose output left after the next tick was due.
    pub missed_ticks: u64,
    /// The longest unbroken row of missed ticks.
    pub longest_run_of_misses: u64,
    /// Ticks for which no command had come.
    pub silent_ticks: u64,
    /// Commands that came too late to act in the tick they were meant for, or that answered no open feedback.
    pub stale_commands: u64,
    misses_now: u64,
}

/// A bar of the histogram.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bar {
    /// Ticks in this bar were at most this late, in microseconds, and later than the bar before allows.
    pub up_to_us: f64,
    /// How many they are.
    pub ticks: u64,
}

impl Default for Timing {
    fn default() -> Self {
        Self::new()
    }
}

impl Timing {
    /// A timing without a tick. The room for all that follows, some 200 kB, is taken here.
    ///
    /// # Panics
    /// Never: the histogram's bounds are constants that it accepts.
    #[must_use]
    pub fn new() -> Self {
        let lateness_ns = Histogram::new_with_bounds(1, LONGEST_NS, DIGITS).expect("constant bounds in order");
        Self {
            lateness_ns,
            missed_ticks: 0,
            longest_run_of_misses: 0,
            silent_ticks: 0,
            stale_commands: 0,
            misses_now: 0,
        }
    }

    /// Counts one tick: how many nanoseconds after its due time it began, and whether its output left after the next
    /// tick was due. More than 10 s count as 10 s.
    pub fn tick(&mut self, late_ns: u64, missed: bool) {
        self.lateness_ns.saturating_record(late_ns);
        if missed {
            self.missed_ticks += 1;
            self.misses_now += 1;
            self.longest_run_of_misses = self.longest_run_of_misses.max(self.misses_now);
        } else {
            self.misses_now = 0;
        }
    }

    /// Adds the ticks of another run. A row of misses does not go on from one run into the next.
    ///
    /// # Panics
    /// Never: every histogram here has the same bounds.
    pub fn merge(&mut self, other: &Self) {
        self.lateness_ns.add(&other.lateness_ns).expect("the same bounds");
        self.missed_ticks += other.missed_ticks;
        self.longest_run_of_misses = self.longest_run_of_misses.max(other.longest_run_of_misses);
        self.silent_ticks += other.silent_ticks;
        self.stale_commands += other.stale_commands;
        self.misses_now = 0;
    }

    /// Ticks counted.
    #[must_use]
    pub fn ticks(&self) -> u64 {
        self.lateness_ns.len()
    }

    /// The lateness in microseconds that this share of all ticks does not exceed, to three digits: 0.5 is the median, 1
    /// the latest tick. `None` before the first tick.
    #[must_use]
    pub fn late_us(&self, share_frac: f64) -> Option<f64> {
        (!self.lateness_ns.is_empty()).then(|| us(self.lateness_ns.value_at_quantile(share_frac)))
    }

    /// Missed ticks in a million; 0 before the first tick.
    #[must_use]
    pub fn missed_per_million(&self) -> f64 {
        self.missed_ticks as f64 * 1e6 / self.ticks().max(1) as f64
    }

    /// The histogram in bars of even ratios, ten a power of ten, from the first that holds a tick to the last. The first
    /// edge of all is 0.1 µs. Every tick is in one bar; edges are kept to a thousandth.
    #[must_use]
    pub fn bars(&self) -> Vec<Bar> {
        let mut bars: Vec<Bar> = edges_ns().map(|edge| Bar { up_to_us: us(edge), ticks: 0 }).collect();
        for found in self.lateness_ns.iter_recorded() {
            let late_us = us(self.lateness_ns.lowest_equivalent(found.value_iterated_to()));
            let place = bars.partition_point(|bar| bar.up_to_us < late_us).min(bars.len() - 1);
            bars[place].ticks += found.count_at_value();
        }
        let last = bars.iter().rposition(|bar| 0 < bar.ticks).map_or(0, |place| place + 1);
        bars.truncate(last);
        let first = bars.iter().position(|bar| 0 < bar.ticks).unwrap_or(0);
        bars.split_off(first)
    }
}

/// The upper edges of all bars, rising, the last one [`LONGEST_NS`].
fn edges_ns() -> impl Iterator<Item = u64> {
    let scales = std::iter::successors(Some(FIRST_EDGE_NS), |scale| Some(10 * scale));
    let edges = scales.flat_map(|scale| EDGES_PERCENT.map(|percent| scale * percent / 100));
    edges.take_while(|edge| *edge <= LONGEST_NS)
}

fn us(ns: u64) -> f64 {
    ns as f64 / 1000.0
}
