//! A run as CSV, for other programs: one row a tick, the columns of the record's Parquet files.
//!
//! What it does not: files. Start reading at [`csv()`].

use std::fmt::Write as _;

use crate::base::recording::{Recording, Signal};

/// The run, each number in the fewest digits that read back to the same bits.
#[must_use]
pub fn csv(recording: &Recording) -> String {
    let mut text = String::from("tick,time_s");
    for signal in Signal::ALL {
        text.push(',');
        text.push_str(signal.key());
    }
    text.push('\n');
    for row in 0..recording.rows() {
        // Writing into a String cannot fail.
        let _ = write!(text, "{row},{}", recording.rate.seconds(row as u64));
        for signal in Signal::ALL {
            let _ = write!(text, ",{}", recording.column(signal)[row]);
        }
        text.push('\n');
    }
    text
}
