//! The score sheet says the verdict first, in words, and fits the terminal.

use crate::fabricated;
use plantstand::report::Style;
use plantstand::report::terminal::score_sheet;
use plantstand::trial::result::{NoNumber, TrialResult};

#[test]
fn show() {
    println!("{}", score_sheet(&fabricated::failed().result, Style { width: Some(100), colour: false, unicode: true }));
    println!("{}", score_sheet(&fabricated::passed().result, Style { width: Some(60), colour: false, unicode: true }));
    println!("{}", score_sheet(&fabricated::void(), Style { width: Some(72), colour: true, unicode: false }));
    println!("{}", score_sheet(&fabricated::failed().result, Style::PLAIN));
    let points: Vec<(f64, f64, f64)> = fabricated::passed().pictures().loops[0].points.iter().map(|p| (p.hz, p.magnitude_db, p.phase_deg)).collect();
    println!("{}", plantstand::report::dots::terminal_bode(&points, Style { width: Some(100), colour: false, unicode: true }));
    println!("{}", plantstand::report::dots::terminal_bode(&points, Style { width: Some(60), colour: false, unicode: false }));
}
