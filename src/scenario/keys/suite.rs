//! Every key that a suite and a file of tolerances may hold.
//!
//! What it does not: relations between keys (`suite.rs`). Start reading at [`ROOT`].

use crate::scenario::shape::{Key, Presence, Range, Section, Shape, key, text};

/// What a tolerance may be: wide, since it stops slips of the finger only.
pub(crate) const TOLERANCE_RANGE: Range = Range { low: 0.0, high: 1e9, unit: "" };

/// A suite.
pub(crate) static ROOT: Section = Section {
    what: "Trials that must keep giving their known-good results.",
    keys: &[
        text("title", "What the suite is called."),
        METHOD,
        BY,
        text("listen", "Wait for whoever connects to this link, one trial after the other.").optional(),
        text("tolerances", "File of tolerances that hold where a trial gives none; looked for beside the suite.")
            .optional(),
        key("trial", Shape::Tables(&TRIAL), "One method on one scenario, with one or more seeds."),
    ],
    later: &[],
};

const METHOD: Key =
    text("method", "Command of an outside program, started in the working directory without a shell.").optional();

const BY: Key = text("by", "A method that the program carries, such as careful.").optional();

static TRIAL: Section = Section {
    what: "One method on one scenario, with one or more seeds.",
    keys: &[
        text("name", "What it is called in known-good results; the scenario's file name unless given.").optional(),
        text("scenario", "Scenario file; looked for beside the suite, then from the working directory."),
        key("seeds", Shape::Wholes { low: 0, high: i64::MAX as u64 }, "The trial runs once with each."),
        text("corner", "Examine the nominal machine and this corner only.").optional(),
        METHOD,
        BY,
        key("expect", Shape::Choice { built: &["pass", "fail"], later: &[] }, "Red when the verdict is another.")
            .optional(),
        key("frames", Shape::Choice { built: &["same", "any"], later: &[] }, "Whether frames that differ are red.")
            .optional(),
        key("tolerance", Shape::Tolerances, "What a measure may move by, in its unit; goes before the suite's file.")
            .optional(),
    ],
    later: &[],
};

/// A tolerance in two parts.
pub(crate) static TOLERANCE: Section = Section {
    what: "The larger of the two parts holds.",
    keys: &[
        key("absolute", Shape::Number(TOLERANCE_RANGE), "In the measure's unit.").or(Presence::Number(0.0)),
        key(
            "relative_frac",
            Shape::Number(Range { low: 0.0, high: 1.0, unit: "" }),
            "Share of the known-good value, 0.01 for one percent.",
        )
        .or(Presence::Number(0.0)),
    ],
    later: &[],
};

/// A file of tolerances.
pub(crate) static TOLERANCES_ROOT: Section = Section {
    what: "Tolerances, as a study of rounding leaves them.",
    keys: &[
        text("about", "Where the tolerances come from.").optional(),
        key("tolerance", Shape::Tolerances, "What a measure may move by, in its unit."),
    ],
    later: &[],
};
