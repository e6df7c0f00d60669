//! Traces thinned to what a picture can show: the least and the greatest sample of every column of pixels stay.
//!
//! So a spike of one sample is never lost, and a page stays small. What it does not: axes, colours, smoothing.
//! Start reading at [`thinned`].

use std::fmt::Write;

/// The samples that are drawn, rising: all when there are no more than two a column, else in each of `columns` equal
/// stretches the least and the greatest finite sample, and the first and last of all. A sample that is not finite is
/// left out.
#[must_use]
pub fn thinned(values: &[f64], columns: usize) -> Vec<usize> {
    let columns = columns.max(1);
    if values.len() <= 2 * columns {
        return (0..values.len()).filter(|place| values[*place].is_finite()).collect();
    }
    let mut kept = Vec::with_capacity(2 * columns + 2);
    kept.push(0);
    for column in 0..columns {
        let start = column * values.len() / columns;
        let end = (column + 1) * values.len() / columns;
        let mut extremes = [start, start];
        for place in start..end {
            extremes[0] = better(values, extremes[0], place, |new, old| new < old);
            extremes[1] = better(values, extremes[1], place, |new, old| old < new);
        }
        extremes.sort_unstable();
        kept.extend(extremes);
    }
    kept.push(values.len() - 1);
    kept.dedup();
    kept.retain(|place| values[*place].is_finite());
    kept
}

fn better(values: &[f64], old: usize, new: usize, is_better: fn(f64, f64) -> bool) -> usize {
    if is_better(values[new], values[old]) || (!values[old].is_finite() && values[new].is_finite()) { new } else { old }
}

/// A path through points in whole units of a picture, written as small relative steps; points that fall on the one
/// before are left out. Empty for fewer than two points.
#[must_use]
pub fn path(points: impl IntoIterator<Item = (f64, f64)>) -> String {
    let mut text = String::new();
    let mut last: Option<(i64, i64)> = None;
    for (x, y) in points {
        let (x, y) = (x.round() as i64, y.round() as i64);
        match last {
            None => write_step(&mut text, 'M', x, y),
            Some(old) if old == (x, y) => continue,
            Some((old_x, old_y)) => write_step(&mut text, 'l', x - old_x, y - old_y),
        }
        last = Some((x, y));
    }
    if text.contains('l') { text } else { String::new() }
}

/// A path that keeps each value until the next point comes, as a setpoint does.
#[must_use]
pub fn stairs(points: impl IntoIterator<Item = (f64, f64)>) -> String {
    let mut corners: Vec<(f64, f64)> = Vec::new();
    for (x, y) in points {
        if let Some((_, old_y)) = corners.last().copied() {
            corners.push((x, old_y));
        }
        corners.push((x, y));
    }
    path(corners)
}

/// One command letter serves all steps after it, and a minus sign parts two numbers by itself.
fn write_step(text: &mut String, command: char, x: i64, y: i64) {
    if command == 'M' || !text.contains('l') {
        text.push(command);
    } else if 0 <= x {
        text.push(' ');
    }
    let parting = if y < 0 { "" } else { " " };
    let written = write!(text, "{x}{parting}{y}");
    debug_assert!(written.is_ok(), "writing into a string cannot fail");
}
