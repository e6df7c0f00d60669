//! Curves drawn with characters: a Bode plot for the terminal.
//!
//! Braille patterns give two by four dots a character; where only ASCII can be shown, one mark a character. What it
//! does not: compute a response, or print. Start reading at [`terminal_bode`].

use super::Style;
use super::axis::{Axis, Tick};
use super::loop_plot::unwrapped;
use super::{BodePoint, figure::figure};

/// Columns of the picture where the terminal's width is not known.
const WIDTH: usize = 80;
/// Columns left of the picture, for the numbers.
const MARGIN: usize = 7;
/// Rows of the gain's picture.
const GAIN_ROWS: usize = 12;
/// Rows of the phase's picture.
const PHASE_ROWS: usize = 8;
/// Gains this far below the greatest are cut off: notches and roll-off would flatten the rest.
const DEPTH_DB: f64 = 100.0;

/// Gain and phase over frequency, drawn with characters; axes with numbers; ends with a newline. A sentence for fewer
/// than two points.
#[must_use]
pub fn terminal_bode(points: &[(f64, f64, f64)], style: Style) -> String {
    let points: Vec<BodePoint> = points
        .iter()
        .filter(|(hz, db, deg)| 0.0 < *hz && hz.is_finite() && db.is_finite() && deg.is_finite())
        .map(|(hz, magnitude_db, phase_deg)| BodePoint { hz: *hz, magnitude_db: *magnitude_db, phase_deg: *phase_deg })
        .collect();
    let [first, .., last] = points.as_slice() else {
        return "There is no frequency response to draw.\n".to_owned();
    };
    let x = Axis::logarithmic(first.hz, last.hz);
    let phase = unwrapped(&points);
    let gains: Vec<(f64, f64)> = points.iter().map(|point| (point.hz, point.magnitude_db)).collect();
    let phases: Vec<(f64, f64)> = points.iter().zip(&phase).map(|(point, deg)| (point.hz, *deg)).collect();
    let highest = gains.iter().fold(f64::NEG_INFINITY, |most, (_, db)| most.max(*db));
    let y = Axis::linear_round(gains.iter().map(|(_, db)| db.max(highest - DEPTH_DB)), 0.02);
    let (low, high) = phase.iter().fold((0.0_f64, -360.0_f64), |(low, high), deg| (low.min(*deg), high.max(*deg)));
    let whole = |deg: f64, round: fn(f64) -> f64| 90.0 * round(deg / 90.0);
    let phase_axis = Axis::linear(whole(low.max(-720.0), f64::floor), whole(high, f64::ceil));
    let gain = Panel { name: "gain in dB", x, y, ticks: y.ticks(4), rows: GAIN_ROWS };
    let phase_ticks = phase_axis.linear_ticks(if phase_axis.high - phase_axis.low <= 360.0 { 90.0 } else { 180.0 });
    let phase = Panel { name: "phase in degrees", x, y: phase_axis, ticks: phase_ticks, rows: PHASE_ROWS };
    let columns = style.width.unwrap_or(WIDTH).clamp(MARGIN + 20, 160) - MARGIN - 1;
    let mut text = gain.drawn(&gains, columns, style.unicode);
    text.push_str(&phase.drawn(&phases, columns, style.unicode));
    text.push_str(&frequencies(x, columns));
    text
}

/// One picture of the two.
struct Panel {
    name: &'static str,
    x: Axis,
    y: Axis,
    ticks: Vec<Tick>,
    rows: usize,
}

impl Panel {
    fn drawn(&self, curve: &[(f64, f64)], columns: usize, unicode: bool) -> String {
        let mut canvas = Canvas::new(columns, self.rows, unicode);
        canvas.curve(curve.iter().map(|(hz, value)| (self.x.place_frac(*hz), self.y.place_frac(*value))));
        let decades = decades(self.x, columns);
        let mut text = format!("{:MARGIN$} {}\n", "", self.name);
        for row in 0..self.rows {
            let label = self.ticks.iter().find(|tick| row_of(tick.place_frac, self.rows) == row);
            let number = label.and_then(|tick| tick.label.clone()).unwrap_or_default();
            let edge = match (unicode, number.is_empty()) {
                (true, true) => '│',
                (true, false) => '┤',
                (false, true) => '|',
                (false, false) => '+',
            };
            let width = MARGIN - 1;
            let line = canvas.row(row, !number.is_empty(), &decades);
            text.push_str(format!("{number:>width$} {edge}{line}").trim_end());
            text.push('\n');
        }
        text
    }
}

fn row_of(place_frac: f64, rows: usize) -> usize {
    (((1.0 - place_frac) * rows as f64) as usize).min(rows - 1)
}

fn column_of(place_frac: f64, columns: usize) -> usize {
    ((place_frac * columns as f64) as usize).min(columns - 1)
}

fn decades(x: Axis, columns: usize) -> Vec<usize> {
    x.ticks(0).iter().filter(|tick| tick.label.is_some()).map(|tick| column_of(tick.place_frac, columns)).collect()
}

/// Numbers below the picture, as many as have room, and the unit.
fn frequencies(x: Axis, columns: usize) -> String {
    let mut line = vec![' '; columns + 1];
    let mut free_from = 0;
    for tick in x.ticks(columns / 6) {
        let Some(label) = tick.label else { continue };
        let start = column_of(tick.place_frac, columns).saturating_sub(label.len() / 2);
        if free_from <= start && start + label.len() <= columns {
            line[start..start + label.len()].iter_mut().zip(label.chars()).for_each(|(cell, c)| *cell = c);
            free_from = start + label.len() + 1;
        }
    }
    let numbers: String = line.into_iter().collect();
    let ends = format!("from {} to {}", figure(x.low), figure(x.high));
    format!("{:MARGIN$}{}\n{:MARGIN$} frequency in Hz, {ends}\n", "", numbers.trim_end(), "")
}

/// A picture of dots in character cells.
struct Canvas {
    columns: usize,
    rows: usize,
    /// Dots a cell has across and down.
    cell: (usize, usize),
    /// Per cell the pattern of its dots.
    cells: Vec<u8>,
}

/// Bits of a braille pattern, by row and column of its dots (Unicode, block U+2800).
const BRAILLE: [[u8; 2]; 4] = [[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]];

impl Canvas {
    fn new(columns: usize, rows: usize, unicode: bool) -> Self {
        let cell = if unicode { (2, 4) } else { (1, 1) };
        Self { columns, rows, cell, cells: vec![0; columns * rows] }
    }

    fn dot(&mut self, x: i64, y: i64) {
        let (Ok(x), Ok(y)) = (usize::try_from(x), usize::try_from(y)) else { return };
        let (column, row) = (x / self.cell.0, y / self.cell.1);
        if column < self.columns && row < self.rows {
            self.cells[row * self.columns + column] |= BRAILLE[y % self.cell.1][x % self.cell.0];
        }
    }

    /// Joins points given as shares of width and height by straight lines.
    fn curve(&mut self, points: impl Iterator<Item = (f64, f64)>) {
        let (width, height) = ((self.columns * self.cell.0) as f64, (self.rows * self.cell.1) as f64);
        let mut last: Option<(f64, f64)> = None;
        for (x_frac, y_frac) in points {
            let place = (x_frac * (width - 1.0), (1.0 - y_frac).clamp(-2.0, 3.0) * (height - 1.0));
            let from = last.unwrap_or(place);
            let steps = (place.0 - from.0).abs().max((place.1 - from.1).abs()).ceil().max(1.0) as u32;
            for step in 0..=steps {
                let share = f64::from(step) / f64::from(steps);
                let x = from.0 + share * (place.0 - from.0);
                let y = from.1 + share * (place.1 - from.1);
                self.dot(x.round() as i64, y.round() as i64);
            }
            last = Some(place);
        }
    }

    /// A row as text: dots, and where there are none a faint line of the grid.
    fn row(&self, row: usize, has_tick: bool, decades: &[usize]) -> String {
        let unicode = self.cell != (1, 1);
        let cells = &self.cells[row * self.columns..(row + 1) * self.columns];
        let shown = |(column, pattern): (usize, &u8)| match (*pattern, unicode) {
            (0, _) if has_tick && column.is_multiple_of(2) => {
                if unicode {
                    '·'
                } else {
                    '.'
                }
            }
            (0, _) if decades.contains(&column) => {
                if unicode {
                    '┊'
                } else {
                    ':'
                }
            }
            (0, _) => ' ',
            (_, false) => '*',
            (pattern, true) => char::from_u32(0x2800 + u32::from(pattern)).unwrap_or('*'),
        };
        cells.iter().enumerate().map(shown).collect()
    }
}
