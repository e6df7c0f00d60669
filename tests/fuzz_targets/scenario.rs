//! The promise of the scenario's reader: any text is a scenario on which a bench can begin, its first ticks finite or
//! ended with a named fault; or complaints, each with a line of the file and what is allowed there.
//!
//! Start reading at [`check`].

use plantstand::bench::session::End;
use plantstand::scenario::read;
use plantstand::trial::phases;

use super::text;

/// Pieces of a scenario.
pub const WORDS: &[&str] = &[
    "[",
    "]",
    "[[",
    "{",
    "}",
    "\"",
    "\"\"\"",
    "=",
    ",",
    "\n",
    "-1",
    "0",
    "1e400",
    "1e-300",
    "1e300",
    "nan",
    "inf",
    "true",
    "x = 1\n",
    "[motor]\n",
    "[[train]]\n",
    "kind = \"none\"",
    "[]",
    "\u{e9}",
    "99999999999999999999",
];

/// Checks the promise.
pub fn check(bytes: &[u8]) {
    let Some(text) = text(bytes) else { return };
    let complaints = match read("x.toml", text) {
        Ok(scenario) => {
            let mut session = phases::tuning(&scenario, 1);
            session.begin(&mut |_| {});
            let finite = session.taken.rows.iter().flatten().all(|value| value.is_finite());
            return assert!(finite || matches!(session.end(), Some(End::Fault(_))), "its first ticks are not finite");
        }
        Err(complaints) => complaints,
    };
    assert!(!complaints.is_empty(), "refused without a complaint");
    for complaint in complaints {
        assert!(1 <= complaint.line && complaint.line <= text.split('\n').count(), "{complaint}");
        assert!(!complaint.allowed.is_empty(), "{complaint}");
    }
}
