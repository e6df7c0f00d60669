//! What is done to a link on purpose, so that a method's or a controller's own robustness shows.
//!
//! What it does not: do it (`bench/impairment.rs`). Start reading at [`Impairment`].

use std::fmt::{self, Display, Formatter};
use std::str::FromStr;

/// How a link is impaired; the default leaves it as it is.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Impairment {
    /// Probability that a frame is lost, each direction for itself; 0 to 0.5, as are the other three.
    pub loss_frac: f64,
    /// Probability that a frame arrives twice, each direction for itself.
    pub repeat_frac: f64,
    /// Probability that a frame arrives with one bit turned over, each direction for itself.
    pub corrupt_frac: f64,
    /// Probability that an answer acts one exchange later than it would.
    pub reorder_frac: f64,
    /// Ticks by which every answer acts later; at most [`MOST_TICKS`].
    pub delay_ticks: u32,
    /// At most so many ticks more, drawn for each answer; at most [`MOST_TICKS`].
    pub jitter_ticks: u32,
}

/// Highest probability: with more than half of the frames gone there is no link left to examine.
pub const MOST_FRAC: f64 = 0.5;

/// Longest delay and jitter in ticks, each: far beyond any at which a loop can be closed.
pub const MOST_TICKS: u32 = 1000;

impl Impairment {
    /// Whether frames themselves suffer: lost, repeated or corrupted, which a link does.
    #[must_use]
    pub fn touches_frames(&self) -> bool {
        [self.loss_frac, self.repeat_frac, self.corrupt_frac].iter().any(|frac| 0.0 < *frac)
    }
}

/// The words of a specification, in the order in which they are shown.
const WORDS: [&str; 6] = ["loss", "repeat", "corrupt", "reorder", "delay", "jitter"];

/// `loss=1,delay=2`, shares in percent, delays in ticks; what is 0 is left out, and all of it gives `none`.
impl Display for Impairment {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        let fracs = [self.loss_frac, self.repeat_frac, self.corrupt_frac, self.reorder_frac];
        // A share that a person gave in percent is shown as it was given.
        let percents = fracs.map(|frac| (frac * 1e11).round() / 1e9);
        let values = percents.into_iter().chain([self.delay_ticks, self.jitter_ticks].map(f64::from));
        let given: Vec<String> = WORDS
            .iter()
            .zip(values)
            .filter(|(_, value)| 0.0 < *value)
            .map(|(word, value)| format!("{word}={value}"))
            .collect();
        f.write_str(if given.is_empty() { "none" } else { "" })?;
        f.write_str(&given.join(","))
    }
}

/// What a command line says: `loss=1,delay=2,jitter=1,reorder=0.5,repeat=1,corrupt=0.1`, or `none`. The error holds
/// every complaint, a line each.
impl FromStr for Impairment {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let mut found = Self::default();
        if text.trim() == "none" {
            return Ok(found);
        }
        let mut complaints: Vec<String> = Vec::new();
        let mut given: Vec<&str> = Vec::new();
        for part in text.split(',').map(str::trim) {
            match part.split_once('=') {
                Some((word, _)) if given.contains(&word.trim()) => complaints.push(format!("{word} stands twice")),
                Some((word, value)) => {
                    given.push(word.trim());
                    complaints.extend(found.take(word.trim(), value.trim()).err());
                }
                None => complaints.push(format!("{part:?} is no word with a value, such as loss=1")),
            }
        }
        if complaints.is_empty() { Ok(found) } else { Err(complaints.join("\n")) }
    }
}

impl Impairment {
    fn take(&mut self, word: &str, value: &str) -> Result<(), String> {
        match word {
            "loss" => self.loss_frac = frac(word, value)?,
            "repeat" => self.repeat_frac = frac(word, value)?,
            "corrupt" => self.corrupt_frac = frac(word, value)?,
            "reorder" => self.reorder_frac = frac(word, value)?,
            "delay" => self.delay_ticks = ticks(word, value)?,
            "jitter" => self.jitter_ticks = ticks(word, value)?,
            _ => return Err(unknown(word)),
        }
        Ok(())
    }
}

fn frac(word: &str, value: &str) -> Result<f64, String> {
    let percent: Option<f64> = value.parse().ok();
    let most = 100.0 * MOST_FRAC;
    percent
        .filter(|percent| (0.0..=most).contains(percent))
        .map(|percent| percent / 100.0)
        .ok_or_else(|| format!("{word}={value}; allowed 0 to {most} %"))
}

fn ticks(word: &str, value: &str) -> Result<u32, String> {
    let ticks: Option<u32> = value.parse().ok();
    ticks
        .filter(|ticks| *ticks <= MOST_TICKS)
        .ok_or_else(|| format!("{word}={value}; allowed 0 to {MOST_TICKS} whole ticks"))
}

/// Names the nearest word where one is near: at most half of the longer one's letters differ, since the words are short.
fn unknown(word: &str) -> String {
    let nearest = WORDS
        .iter()
        .map(|known| (strsim::osa_distance(word, known), *known))
        .filter(|(distance, known)| 2 * distance <= word.chars().count().max(known.chars().count()))
        .min_by_key(|(distance, _)| *distance);
    let meant = nearest.map(|(_, known)| format!("; did you mean {known}?")).unwrap_or_default();
    format!("{word}: unknown; allowed {}{meant}", WORDS.join(", "))
}

#[cfg(test)]
mod tests {
    use super::Impairment;

    /// What a command line says is understood, and shown again in the same words.
    #[test]
    fn a_specification_is_read_and_shown() {
        let text = "loss=1,repeat=0.3,corrupt=0.1,reorder=0.5,delay=2,jitter=1";
        let read: Impairment = text.parse().expect("it is sound");
        let expected = Impairment {
            loss_frac: 0.01,
            repeat_frac: 0.003,
            corrupt_frac: 0.001,
            reorder_frac: 0.005,
            delay_ticks: 2,
            jitter_ticks: 1,
        };
        assert_eq!((read, read.to_string().as_str()), (expected, text));
        assert_eq!("jitter = 3".parse(), Ok(Impairment { jitter_ticks: 3, ..Impairment::default() }));
        assert_eq!(("none".parse(), Impairment::default().to_string().as_str()), (Ok(Impairment::default()), "none"));
    }

    fn check_refused(text: &str, says: &str) {
        assert_eq!(text.parse::<Impairment>(), Err(says.to_owned()), "{text}");
    }

    /// Every mistake is named at once, with what is allowed and the nearest word.
    #[test]
    fn mistakes_in_a_specification_are_named() {
        check_refused(
            "los=1",
            "los: unknown; allowed loss, repeat, corrupt, reorder, delay, jitter; did you mean loss?",
        );
        check_refused("loss=51,delay=1.5", "loss=51; allowed 0 to 50 %\ndelay=1.5; allowed 0 to 1000 whole ticks");
        check_refused("loss=1,loss=2", "loss stands twice");
        check_refused("loss=nan", "loss=nan; allowed 0 to 50 %");
        check_refused("jitter", "\"jitter\" is no word with a value, such as loss=1");
        check_refused("", "\"\" is no word with a value, such as loss=1");
    }
}
