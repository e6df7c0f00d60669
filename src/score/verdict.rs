//! The grade of a trial from the grades of its limits.
//!
//! What it does not: name reasons or know corners by name. Start reading at [`grade_percent`].

/// One limit on all the machines it was asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Graded {
    /// Its weight.
    pub weight: f64,
    /// Whether it held, and its grade (0 to 1), per machine.
    pub machines: Vec<Mark>,
}

/// One limit on one machine.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mark {
    /// Whether the limit held.
    pub held: bool,
    /// 1 at the target or better, 0 at the limit.
    pub grade: f64,
}

/// The trial's grade in percent: the weighted mean over its limits, of each the worst machine; 0 when any is missed.
/// Without limits, or with weights that are all zero, nothing was asked and the grade is 100.
#[must_use]
pub fn grade_percent(limits: &[Graded]) -> f64 {
    if limits.iter().flat_map(|limit| &limit.machines).any(|mark| !mark.held) {
        return 0.0;
    }
    let worst = |limit: &Graded| limit.machines.iter().map(|mark| mark.grade).fold(1.0, f64::min);
    let weights: f64 = limits.iter().map(|limit| limit.weight).sum();
    let sum: f64 = limits.iter().map(|limit| limit.weight * worst(limit)).sum();
    if 0.0 < weights { 100.0 * sum / weights } else { 100.0 }
}
