//! Does to a link what a scenario or a command line asks for: frames are lost, repeated, corrupted, answers delayed.
//!
//! Frames suffer at both paces and in both directions; in lockstep that costs a repetition and no bit. Delays are drawn
//! here and kept by the run, since they count in ticks. What it does not: decide how much (`base/impairment.rs`). Start
//! reading at [`ImpairedLink`] and [`Delays`].

use std::collections::VecDeque;

use crate::base::impairment::Impairment;
use crate::base::random::Stream;
use crate::bench::port::{Gone, Link};

/// What was done to the frames of one direction.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Harm {
    /// Frames that were lost.
    pub lost: u64,
    /// Frames that were sent on twice.
    pub repeated: u64,
    /// Copies of which one bit was turned over.
    pub corrupted: u64,
}

/// A link that harms the frames it carries; one that is asked for nothing carries them as they are.
pub struct ImpairedLink {
    /// What was done to frames on their way to the method.
    pub to_method: Harm,
    /// What was done to frames on their way from the method.
    pub from_method: Harm,
    link: Box<dyn Link + Send>,
    impairment: Impairment,
    to_dice: Stream,
    from_dice: Stream,
    /// Copies that arrived together with one that was handed on.
    waiting: VecDeque<Vec<u8>>,
    /// A frame was swallowed, and to wait for what would come of it is in vain.
    in_vain: bool,
    /// Somebody has waited in vain and not been told why.
    has_lost: bool,
}

impl ImpairedLink {
    /// A link round another one; what happens is drawn from the seed.
    #[must_use]
    pub fn new(link: Box<dyn Link + Send>, impairment: Impairment, seed: u64) -> Self {
        Self {
            to_method: Harm::default(),
            from_method: Harm::default(),
            link,
            impairment,
            to_dice: Stream::new(seed, "impairment to the method"),
            from_dice: Stream::new(seed, "impairment from the method"),
            waiting: VecDeque::new(),
            in_vain: false,
            has_lost: false,
        }
    }

    /// Hands on the next copy that waits.
    fn hand_on(&mut self, buffer: &mut [u8]) -> Option<usize> {
        let copy = self.waiting.pop_front()?;
        let length = copy.len().min(buffer.len());
        buffer[..length].copy_from_slice(&copy[..length]);
        Some(length)
    }

    /// What becomes of a frame that came.
    fn take_in(&mut self, frame: &[u8]) {
        let copies = copies(frame, &self.impairment, &mut self.from_dice, &mut self.from_method);
        self.in_vain |= !copies.iter().any(|copy| copy == frame);
        self.waiting.extend(copies);
    }
}

impl Link for ImpairedLink {
    fn send(&mut self, frame: &[u8]) -> Result<(), Gone> {
        if !self.impairment.touches_frames() {
            return self.link.send(frame);
        }
        let copies = copies(frame, &self.impairment, &mut self.to_dice, &mut self.to_method);
        self.in_vain |= !copies.iter().any(|copy| copy == frame);
        copies.iter().try_for_each(|copy| self.link.send(copy))
    }

    /// Where a frame was swallowed it does not wait for what cannot come.
    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        if !self.impairment.touches_frames() {
            return self.link.receive(buffer);
        }
        if self.waiting.is_empty() && !self.in_vain {
            let Some(length) = self.link.receive(buffer)? else { return Ok(None) };
            self.take_in(&buffer[..length]);
        }
        let handed_on = self.hand_on(buffer);
        if handed_on.is_none() {
            self.has_lost |= std::mem::take(&mut self.in_vain);
        }
        Ok(handed_on)
    }

    fn poll(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        if !self.impairment.touches_frames() {
            return self.link.poll(buffer);
        }
        while self.waiting.is_empty() {
            let Some(length) = self.link.poll(buffer)? else { return Ok(None) };
            self.take_in(&buffer[..length]);
        }
        Ok(self.hand_on(buffer))
    }

    fn has_lost(&mut self) -> bool {
        std::mem::take(&mut self.has_lost)
    }

    fn thrown_away(&self) -> Vec<(&'static str, u64)> {
        self.link.thrown_away()
    }
}

/// The copies of a frame that arrive: none, one or two, each of them whole or with one bit turned over.
fn copies(frame: &[u8], impairment: &Impairment, dice: &mut Stream, harm: &mut Harm) -> Vec<Vec<u8>> {
    let mut falls = |frac: f64| dice.uniform() < frac;
    if falls(impairment.loss_frac) {
        harm.lost += 1;
        return Vec::new();
    }
    let twice = falls(impairment.repeat_frac);
    harm.repeated += u64::from(twice);
    let mut copies = vec![frame.to_vec(); 1 + usize::from(twice)];
    for copy in copies.iter_mut().filter(|copy| !copy.is_empty()) {
        if dice.uniform() < impairment.corrupt_frac {
            harm.corrupted += 1;
            let bit = (dice.uniform() * (8 * copy.len()) as f64) as usize;
            copy[bit / 8] ^= 1 << (bit % 8);
        }
    }
    copies
}

/// Draws by how many ticks each answer acts later than it would. The draws belong to the answers in the order in which
/// they are taken, so that the same answers are delayed alike when a record is replayed.
#[derive(Clone, Debug)]
pub struct Delays {
    impairment: Impairment,
    stride_ticks: u64,
    dice: Stream,
}

impl Delays {
    /// The delays of a phase; `place` names it: tuning, or the machine that is examined.
    #[must_use]
    pub fn new(impairment: Impairment, seed: u64, place: &str, stride_ticks: u16) -> Self {
        let dice = Stream::new(seed, &format!("delays of answers: {place}"));
        Self { impairment, stride_ticks: u64::from(stride_ticks), dice }
    }

    /// The delay of the next answer in ticks: the fixed one and a whole number from 0 to the jitter, each as likely. An
    /// answer that is reordered takes two exchanges more: it comes an exchange after the one that follows it.
    pub fn draw(&mut self) -> u64 {
        let Impairment { delay_ticks, jitter_ticks, reorder_frac, .. } = self.impairment;
        // A jitter or a reordering of 0 draws nothing, so that each can be changed by itself.
        let jitter = if jitter_ticks == 0 { 0 } else { (self.dice.uniform() * f64::from(jitter_ticks + 1)) as u64 };
        let reordered = 0.0 < reorder_frac && self.dice.uniform() < reorder_frac;
        u64::from(delay_ticks) + jitter + if reordered { 2 * self.stride_ticks } else { 0 }
    }
}

#[cfg(test)]
mod tests {
    use super::{Delays, Impairment};

    fn drawn(impairment: Impairment, seed: u64, place: &str) -> Vec<u64> {
        let mut delays = Delays::new(impairment, seed, place, 8);
        (0..10_000).map(|_| delays.draw()).collect()
    }

    /// Every whole delay from the fixed one up to the jitter comes, each about as often: within five deviations of the
    /// share of a quarter.
    #[test]
    fn delays_are_even_over_the_jitter() {
        let drawn = drawn(Impairment { delay_ticks: 2, jitter_ticks: 3, ..Impairment::default() }, 20, "tuning");
        for delay in 2..=5 {
            let hits = drawn.iter().filter(|drawn| **drawn == delay).count();
            assert!((2280..=2720).contains(&hits), "{delay}: {hits}");
        }
        assert!(drawn.iter().all(|delay| (2..=5).contains(delay)));
    }

    /// A reordered answer acts an exchange after the one that follows it, which comes an exchange after it.
    #[test]
    fn a_reordered_answer_comes_after_its_successor() {
        let drawn = drawn(Impairment { reorder_frac: 0.25, ..Impairment::default() }, 20, "tuning");
        let reordered = drawn.iter().filter(|delay| **delay == 16).count();
        assert!((2280..=2720).contains(&reordered), "{reordered}");
        assert_eq!(drawn.iter().filter(|delay| **delay == 0).count(), drawn.len() - reordered);
    }

    /// The same seed and place give the same delays; another of either gives others; none is drawn where none is asked.
    #[test]
    fn delays_follow_seed_and_place() {
        let impairment = Impairment { jitter_ticks: 100, ..Impairment::default() };
        assert_eq!(drawn(impairment, 20, "tuning"), drawn(impairment, 20, "tuning"));
        assert_ne!(drawn(impairment, 20, "tuning"), drawn(impairment, 21, "tuning"));
        assert_ne!(drawn(impairment, 20, "tuning"), drawn(impairment, 20, "nominal"));
        assert!(drawn(Impairment::default(), 20, "tuning").iter().all(|delay| *delay == 0));
    }
}
