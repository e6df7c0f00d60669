//! The counter behind an angle sensor: counts that it loses, and the index mark by which that is seen.
//!
//! What it does not: turn angles into counts (`sensor.rs`). Start reading at [`Counting::lost`].

use crate::base::random::Stream;
use crate::base::real;
use crate::base::time::TickRate;
use crate::base::units::TURN_RAD;

/// Counts that a counter misses while its sensor turns. Missing edges shorten every way, so a loss goes against the
/// motion; a sensor at rest loses nothing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Losses {
    /// Counts lost at a time.
    pub counts: u32,
    /// When.
    pub when: LossTime,
}

/// When counts are lost.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LossTime {
    /// At random: in a tick with the chance of its length over this mean time in s, whatever happened before.
    Random {
        /// Mean time between two losses, in s.
        each_s: f64,
    },
    /// At so many places a turn of the sensor, evenly spread from its angle 0 on, as with scratches on a disc.
    PerTurn(u32),
}

/// One mark a turn of the sensor, at which its counter is looked at. Edges and mark stand on one disc, so that the same
/// number of counts lies between any two passes; what is missing, as far as half a turn, is what was lost since the first.
/// Noise and cyclic error are the same there each time and left out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct IndexMark {
    /// The sensor's angle at the mark, in rad.
    pub at_rad: f64,
    /// Whether the counter is put right at a pass.
    pub corrects: bool,
    /// Beyond so many counts missing at a pass the sensor says that its counts are not to be trusted, until the next pass;
    /// none: never.
    pub tolerance_counts: Option<u32>,
}

/// The counter of a sensor at work.
#[derive(Clone, Debug)]
pub(in crate::plant) struct Counting {
    losses: Option<(Losses, Stream)>,
    /// Chance of a loss in a tick.
    chance: f64,
    index: Option<IndexMark>,
    counts_per_turn: f64,
    sign: i64,
    /// Counts short of what a sound counter would have.
    lost_counts: i64,
    /// What was seen in the sample before.
    last: Option<Seen>,
    /// Counts short at the index mark's first pass.
    lost_at_first_pass: Option<i64>,
    missing_counts: i64,
}

/// What a counter sees of one sample.
#[derive(Clone, Copy, Debug)]
struct Seen {
    counts: i64,
    scratches: i64,
    marks: i64,
}

impl Counting {
    pub(in crate::plant) fn new(
        losses: Option<(Losses, Stream)>,
        index: Option<IndexMark>,
        [counts_per_turn, sign]: [f64; 2],
        rate: TickRate,
    ) -> Self {
        let chance = match &losses {
            Some((Losses { when: LossTime::Random { each_s }, .. }, _)) => rate.period_s() / each_s,
            _ => 0.0,
        };
        let sign = if sign < 0.0 { -1 } else { 1 };
        Self {
            losses,
            chance,
            index,
            counts_per_turn,
            sign,
            lost_counts: 0,
            last: None,
            lost_at_first_pass: None,
            missing_counts: 0,
        }
    }

    /// A loss from outside.
    pub(in crate::plant) fn lose(&mut self, counts: i64) {
        self.lost_counts = self.lost_counts.saturating_add(counts);
    }

    /// Counts short in the sample that a sound counter would show as `counts`, at this angle of the sensor in rad. Called
    /// once a sample; draws one number where losses are random.
    pub(in crate::plant) fn lost(&mut self, counts: i64, sensor_angle_rad: f64) -> i64 {
        if self.losses.is_none() && self.index.is_none() {
            return self.lost_counts;
        }
        let places = |per_turn: f64, from_rad: f64| floor((sensor_angle_rad - from_rad) / TURN_RAD * per_turn);
        let per_turn = match &self.losses {
            Some((Losses { when: LossTime::PerTurn(per_turn), .. }, _)) => f64::from(*per_turn),
            _ => 0.0,
        };
        let seen = Seen {
            counts,
            scratches: places(per_turn, 0.0),
            marks: places(1.0, self.index.map_or(0.0, |index| index.at_rad)),
        };
        let last = *self.last.get_or_insert(seen);
        self.last = Some(seen);
        self.take_losses(&last, &seen);
        if last.marks != seen.marks {
            self.pass_mark();
        }
        self.lost_counts
    }

    fn take_losses(&mut self, last: &Seen, seen: &Seen) {
        let Some((losses, stream)) = &mut self.losses else { return };
        let counts = i64::from(losses.counts);
        let lost = match losses.when {
            LossTime::Random { .. } => {
                let happens = stream.uniform() < self.chance;
                if happens { counts * (seen.counts - last.counts).signum() } else { 0 }
            }
            LossTime::PerTurn(_) => self.sign * counts * (seen.scratches - last.scratches),
        };
        self.lose(lost);
    }

    fn pass_mark(&mut self) {
        let Some(index) = self.index else { return };
        let first = *self.lost_at_first_pass.get_or_insert(self.lost_counts);
        let lost = self.lost_counts.saturating_sub(first);
        // Whole turns cannot be seen at a mark that looks the same each turn.
        let turns = real::round_half_to_even(lost as f64 / self.counts_per_turn);
        self.missing_counts = lost - (turns * self.counts_per_turn) as i64;
        if index.corrects {
            self.lost_counts -= self.missing_counts;
        }
    }

    /// Counts found missing at the last pass of the index mark; none before the first pass, and without a mark.
    pub(in crate::plant) fn missing_counts(&self) -> Option<i64> {
        self.lost_at_first_pass.map(|_| self.missing_counts)
    }

    /// Whether more is missing than the index mark tolerates.
    pub(in crate::plant) fn is_off(&self) -> bool {
        let tolerance = self.index.and_then(|index| index.tolerance_counts);
        tolerance.is_some_and(|tolerance| u64::from(tolerance) < self.missing_counts.unsigned_abs())
    }
}

fn floor(x: f64) -> i64 {
    let whole = x as i64;
    if x < whole as f64 { whole - 1 } else { whole }
}
