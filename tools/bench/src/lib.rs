//! What the benchmarks share: alternating blocks, medians, rows of the table of results, and a processor kept awake.
//!
//! What it does not: decide what is asked; each program names its own bound. Start reading at [`alternate`].

pub mod processors;
pub mod turning;

use std::fs::File;
use std::io::Write;

/// What came of two things measured in turn, block by block, so that whatever else the machine does meets both.
pub struct Paired {
    /// The first thing's value in each block.
    pub first: Vec<f64>,
    /// The second thing's value in the same blocks.
    pub second: Vec<f64>,
}

/// Measures two things in turn. One block of each is thrown away first: caches and clocks settle.
pub fn alternate(blocks: usize, mut first: impl FnMut() -> f64, mut second: impl FnMut() -> f64) -> Paired {
    first();
    second();
    let (first, second) = (0..blocks).map(|_| (first(), second())).unzip();
    Paired { first, second }
}

/// Measures any number of things in turn, block by block; one block of each is thrown away first.
pub fn in_turn(blocks: usize, things: &mut [&mut dyn FnMut() -> f64]) -> Vec<Vec<f64>> {
    for thing in things.iter_mut() {
        thing();
    }
    let mut values = vec![Vec::with_capacity(blocks); things.len()];
    for _ in 0..blocks {
        values.iter_mut().zip(things.iter_mut()).for_each(|(values, thing)| values.push(thing()));
    }
    values
}

/// One series over another, block by block.
#[must_use]
pub fn ratios(first: &[f64], second: &[f64]) -> Vec<f64> {
    first.iter().zip(second).map(|(first, second)| first / second).collect()
}

impl Paired {
    /// First over second, block by block.
    #[must_use]
    pub fn ratios(&self) -> Vec<f64> {
        self.first.iter().zip(&self.second).map(|(first, second)| first / second).collect()
    }
}

/// The middle value; the mean of the two middle ones when there is an even number.
///
/// # Panics
/// Without values, or with one that is not a number.
#[must_use]
pub fn median(values: &[f64]) -> f64 {
    let sorted = sorted(values);
    let middle = sorted.len() / 2;
    if sorted.len() % 2 == 1 { sorted[middle] } else { 0.5 * (sorted[middle - 1] + sorted[middle]) }
}

fn sorted(values: &[f64]) -> Vec<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(|a, b| a.partial_cmp(b).expect("a measured value is a number"));
    sorted
}

/// What is asked of a median.
#[derive(Clone, Copy)]
pub enum Asked {
    /// At least this much.
    AtLeast(f64),
    /// At most this much.
    AtMost(f64),
    /// Nothing: shown to be read beside the others.
    Nothing,
}

/// One row of the table of results, in Markdown: what, median, lowest and highest block, what is asked, whether the
/// median holds it.
#[must_use]
pub fn row(what: &str, unit: &str, values: &[f64], digits: usize, asked: Asked) -> String {
    let sorted = sorted(values);
    let (low, high, middle) = (sorted[0], sorted[sorted.len() - 1], median(values));
    let (asked, holds) = match asked {
        Asked::AtLeast(bound) => (format!("at least {bound}"), if bound <= middle { "yes" } else { "**no**" }),
        Asked::AtMost(bound) => (format!("at most {bound}"), if middle <= bound { "yes" } else { "**no**" }),
        Asked::Nothing => (String::new(), ""),
    };
    format!("| {what} | {middle:.digits$} {unit} | {low:.digits$} to {high:.digits$} | {asked} | {holds} |")
}

/// Keeps the processor out of its idle states for as long as the value lives, where the system allows it: a sleeping
/// processor takes longer to wake than a datagram takes to cross.
pub struct Awake(#[expect(dead_code, reason = "the system holds the request while the file is open")] File);

/// Asks the system for a wake-up latency of 0; `None` where it refuses.
#[must_use]
pub fn stay_awake() -> Option<Awake> {
    let mut file = File::options().write(true).open("/dev/cpu_dma_latency").ok()?;
    file.write_all(&0_i32.to_ne_bytes()).ok()?;
    Some(Awake(file))
}

#[cfg(test)]
mod tests {
    use super::{alternate, median};

    #[test]
    fn the_median_is_the_middle() {
        assert_eq!(median(&[3.0, 1.0, 2.0]), 2.0);
        assert_eq!(median(&[4.0, 1.0, 2.0, 3.0]), 2.5);
    }

    #[test]
    fn blocks_alternate_and_the_first_pair_is_thrown_away() {
        let turns = std::cell::Cell::new(0.0);
        let turn = || {
            turns.set(turns.get() + 1.0);
            turns.get()
        };
        let paired = alternate(2, turn, turn);
        assert_eq!(paired.first, [3.0, 5.0]);
        assert_eq!(paired.second, [4.0, 6.0]);
    }
}
