//! The promise of a replay: any bytes are a record of frames, and run again to some end, or none; in lockstep and on the
//! clock.
//!
//! What it does not: find the bits that were recorded. Start reading at [`check`].

use plantstand::bench::frames::{TITLE, read};
use plantstand::trial::replay::replay;
use plantstand::trial::result::TuningEnd;

use super::{torque_roll, torque_roll_on_the_clock};

/// Pieces of a record.
pub const WORDS: &[&str] = super::session::WORDS;

/// Checks the promise.
pub fn check(bytes: &[u8]) {
    let file = [TITLE, bytes].concat();
    assert!(read(&file).is_some());
    for scenario in [torque_roll(), torque_roll_on_the_clock()] {
        assert!(replay(scenario, 7, &[0], &file, TuningEnd::Silent, "memory".to_owned()).is_some());
    }
}
