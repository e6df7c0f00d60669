//! What the benchmarks share: alternating blocks, medians, rows of the table of results, and how a program
//! measures as the method of a trial.
//!
//! What it does not: decide what is asked; each program names its own bound. Start reading at [`alternate`].

pub mod cases;
pub mod processors;
pub mod turning;

use std::process::{Command, Stdio};

use plantstand::host::idle::Awake;

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

/// What the table says of the processor's idle states.
#[must_use]
pub fn idle_words(awake: &Result<Awake, String>) -> &'static str {
    if awake.is_ok() { "idle states off" } else { "idle states NOT off: the system refused" }
}

/// Lets the bench start this program as its method, with `words` behind `measure OUT`, and gives back what it wrote there.
///
/// # Panics
/// When the bench does not start, or nothing was measured; with what it said.
#[must_use]
pub fn measured_as_method(plantstand: &str, scenario: &str, options: &[&str], words: &str) -> String {
    let own = std::env::current_exe().expect("a program knows its place");
    let out = own.with_extension("rows");
    let method = format!("'{}' measure '{}' {words}", own.display(), out.display());
    let finished = Command::new(plantstand)
        .args(["score", scenario, "--no-record"])
        .args(options)
        .args(["--method", &method])
        .stdin(Stdio::null())
        .output()
        .unwrap_or_else(|error| panic!("{plantstand} does not start: {error}"));
    let rows = std::fs::read_to_string(&out)
        .unwrap_or_else(|_| panic!("nothing was measured:\n{}", String::from_utf8_lossy(&finished.stderr)));
    std::fs::remove_file(&out).expect("the program's own file");
    rows
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
