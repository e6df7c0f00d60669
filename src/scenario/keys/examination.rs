//! The keys of the examination: programme, limits, corners, scatter.
//!
//! What it does not: the machine's keys (`machine.rs`). Start reading at [`PROGRAMME`].

use crate::scenario::shape::{Presence, Range, Section, Shape, key, number, text, whole};

/// Entries of a programme, so that a file cannot ask for more than a sheet can show.
pub(crate) const MAX_ENTRIES: usize = 100;
/// Limits, likewise.
pub(crate) const MAX_LIMITS: usize = 200;
/// Corners, likewise: each is an examination of its own.
pub(crate) const MAX_CORNERS: usize = 64;
/// Changes of a corner, likewise: more than a machine has numbers that matter.
pub(crate) const MAX_CHANGES: usize = 50;

/// Shortest and longest time of a fault: a tick of the fastest clock, and longer than any controller takes to start.
const SHORTEST_FAULT_S: f64 = 1.0 / 64_000.0;
const LONGEST_FAULT_S: f64 = 10.0;

/// One entry of the programme.
pub(crate) static PROGRAMME: Section = Section {
    what: "One entry of the programme. What it does not name stays as it was; an entry that changes nothing opens a window.",
    keys: &[
        text("name", "Its name; limits point at it."),
        number("at_s", "s", 0.0, 600.0, "When it acts, on a tick."),
        number("speed_rpm", "rpm", -1e5, 1e5, "New setpoint of the motor speed.").optional(),
        number("over_s", "s", 0.0, 600.0, "How long the setpoint takes to get there.").or(Presence::Number(0.0)),
        number("load_torque_nm", "Nm", -1e6, 1e6, "New load torque at the load, against positive motion.").optional(),
        number("resisting_torque_nm", "Nm", 0.0, 1e6, "New torque at the load that only opposes motion.").optional(),
        number("load_over_s", "s", 0.0, 600.0, "How long both torques take to get there.").or(Presence::Number(0.0)),
        number(
            "controller_reset_s",
            "s",
            SHORTEST_FAULT_S,
            LONGEST_FAULT_S,
            "The outside's controller is reset and gives no torque for so long; with commands = \"torque\" or \"voltage\".",
        )
        .optional(),
        number(
            "sensor_frozen_s",
            "s",
            SHORTEST_FAULT_S,
            LONGEST_FAULT_S,
            "The angle sensor shows its last value for so long.",
        )
        .optional(),
        number(
            "sensor_faulty_s",
            "s",
            SHORTEST_FAULT_S,
            LONGEST_FAULT_S,
            "The angle sensor says for so long that its counts are not to be trusted; they go on all the same.",
        )
        .optional(),
        key(
            "sensor_counts_lost",
            Shape::SignedWhole { most: 1 << 32, unit: "counts" },
            "From here on the angle sensor shows so many counts too few; below 0 too many.",
        )
        .optional(),
    ],
    later: &["torque_nm", "angle_deg", "hand_action", "impairment", "fault"],
};

/// One limit.
pub(crate) static LIMIT: Section = Section {
    what: "One limit. It needs max or min.",
    keys: &[
        text("measure", "What is measured."),
        text("during", "Name of the programme entry whose window it is taken over.").optional(),
        number("max", "", -1e12, 1e12, "Highest value allowed.").optional(),
        number("min", "", -1e12, 1e12, "Lowest value allowed.").optional(),
        number("target", "", -1e12, 1e12, "Full marks from here on.").optional(),
        key("in", Shape::Choices(&["nominal", "corners"]), "The machines it is asked of; all unless given.").optional(),
        number("weight", "", 1e-3, 1e3, "Weight in the grade.").or(Presence::Number(1.0)),
        number("band_percent", "%", 1e-3, 100.0, "Band of a settling or recovery time; 2 unless given.").optional(),
        number("band_rpm", "rpm", 1e-4, 1e5, "The same as a speed.").optional(),
        number("hold_s", "s", 1e-4, 600.0, "How long the speed must have stayed in the band; 0.05 unless given.")
            .optional(),
        number("last_s", "s", 1e-4, 600.0, "Narrows the window to its last seconds.").optional(),
        number("highpass_hz", "Hz", 1e-3, 32_000.0, "Corner of the high-pass of a noise measure.").optional(),
        key(
            "side",
            Shape::Choice { built: &["load", "motor"], later: &[] },
            "Whose true speed is judged; the load's unless given.",
        )
        .optional(),
    ],
    later: &["still_rpm", "at_rpm", "torque_nm", "periods", "low_hz", "high_hz"],
};

/// One corner.
pub(crate) static CORNER: Section = Section {
    what: "A named variation of the machine.",
    keys: &[text("name", "Its name."), key("set", Shape::Changes, "What differs, by the key's path.")],
    later: &["settings"],
};

/// One change of a corner.
pub(crate) static CHANGE: Section = Section {
    what: "How a number differs: one of the three.",
    keys: &[
        number("times", "", -1e9, 1e9, "The file's number times this.").optional(),
        number("to", "", -1e12, 1e12, "This number.").optional(),
        number("plus", "", -1e12, 1e12, "The file's number plus this.").optional(),
    ],
    later: &[],
};

/// The keys of `[scatter]` that are no paths.
pub(crate) static SCATTER: Section = Section {
    what: "Random variations round the nominal machine. Its other keys are paths of the machine's keys.",
    keys: &[whole("draws", "", 1, 1_000_000, "How many machines.")],
    later: &["sampling"],
};

/// One factor of the scatter.
pub(crate) static FACTOR: Section = Section {
    what: "How the factor on a number is distributed: one of the two.",
    keys: &[
        number("factor_normal", "", 0.0, 0.33, "Normal round 1 with this standard deviation, cut at three of them.")
            .optional(),
        key("factor_uniform", Shape::Pair(Range { low: 0.0, high: 1e3, unit: "" }), "Uniform between two ends.")
            .optional(),
    ],
    later: &["offset_normal", "offset_uniform"],
};
