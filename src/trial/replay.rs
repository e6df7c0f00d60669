//! A recorded trial once more: the frames that the method sent then, the same ticks, the same bits.
//!
//! What it does not: read a record (`cli/replay.rs`). Start reading at [`replay`].

use crate::base::recording::Row;
use crate::bench::frames;
use crate::bench::session::{End, Session};
use crate::scenario::Scenario;
use crate::trial::bits::Bits;
use crate::trial::phases::{Tuned, power_cycle, tuning};
use crate::trial::result::TuningEnd;

/// Runs the tuning phase again from `frames.bin`. `ended` says what ended it then, where no frame did. `None`: the bytes
/// are no record of frames.
#[must_use]
pub fn replay(scenario: &Scenario, seed: u64, bytes: &[u8], ended: TuningEnd, link: String) -> Option<Tuned> {
    let mut session = tuning(scenario, seed);
    let mut bits = Bits::default();
    for (_, frame) in frames::read(bytes)? {
        if frame == frames::BEGIN {
            session.begin(&mut |_| {});
        } else {
            session.receive(frame, &mut |_| {});
        }
        take(&mut session, &mut bits);
    }
    let end = end_of(&mut session, ended);
    take(&mut session, &mut bits);
    Some(power_cycle(scenario, &mut session, end, bits, link))
}

fn end_of(session: &mut Session, ended: TuningEnd) -> End {
    match (session.end(), ended) {
        // Also when it was done and the interrupt came while the machines were examined.
        (_, TuningEnd::Interrupted) => return End::Interrupted,
        (Some(end), _) => return end.clone(),
        (None, TuningEnd::Left) => session.leave("left then".to_owned()),
        (None, TuningEnd::OutOfWallTime) => session.run_out_of_wall_time(),
        (None, _) => session.fall_silent(),
    }
    session.end().cloned().unwrap_or(End::Silent)
}

fn take(session: &mut Session, bits: &mut Bits) {
    let rows: Vec<Row> = session.taken.rows.drain(..).collect();
    bits.rows(&rows);
    session.taken.frames.clear();
}
