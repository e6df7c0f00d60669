//! The keys of the sensors: angle, on the motor and at the load, and current.
//!
//! What it does not: the other keys of the machine (`machine.rs`). Start reading at [`SENSOR`].

use crate::scenario::shape::{Key, Presence, Range, Section, Shape, key, number, whole};

/// Harmonics of a cyclic error: more than any sensor's test sheet lists.
pub(crate) const MAX_HARMONICS: usize = 16;

const fn counts_per_turn() -> Key {
    whole("counts_per_turn", "counts", 16, 1 << 32, "Counts per turn of the sensor.")
}

const fn noise() -> Key {
    number("noise_counts_rms", "counts", 0.0, 1e6, "White noise of the angle.").or(Presence::Number(0.0))
}

const fn latency() -> Key {
    whole("latency_ticks", "ticks", 0, 64, "Ticks from the angle to the sample that shows it.").or(Presence::Whole(0))
}

const fn offset() -> Key {
    number("offset_deg", "°", -360.0, 360.0, "Mounting offset: the angle it shows where its shaft stands at 0.")
        .or(Presence::Number(0.0))
}

const fn sign() -> Key {
    key(
        "sign",
        Shape::SignedWhole { most: 1, unit: "" },
        "1, or -1 where it counts the other way round; 1 unless given.",
    )
    .optional()
}

const fn gear() -> Key {
    number("gear", "", 1e-3, 1e3, "Turns of the sensor per turn of its shaft.").or(Presence::Number(1.0))
}

const fn cyclic_error() -> Key {
    key("cyclic_error", Shape::Tables(&CYCLIC_ERROR), "What the angle is off by over a turn of the sensor.").optional()
}

const fn lost_counts() -> Key {
    key("lost_counts", Shape::Table(&LOST_COUNTS), "Counts that its counter loses while it turns; none unless given.")
        .optional()
}

const fn index() -> Key {
    key("index", Shape::Table(&INDEX), "A mark a turn of the sensor, at which its counter is looked at.").optional()
}

const fn screen_noise() -> Key {
    number(
        "screen_noise_counts_per_nm",
        "counts/Nm",
        0.0,
        1e6,
        "An open cable screen: white noise, its rms per Nm of the torque that the drive commands.",
    )
    .or(Presence::Number(0.0))
}

/// The motor's sensor.
pub(crate) static SENSOR: Section = Section {
    what: "The angle sensor on the motor.",
    keys: &[
        key("kind", Shape::Choice { built: &["absolute", "incremental"], later: &[] }, "How it counts; absolute unless given.")
            .optional(),
        counts_per_turn(),
        noise(),
        latency(),
        offset(),
        sign(),
        gear(),
        cyclic_error(),
        lost_counts(),
        index(),
        screen_noise(),
        key(
            "speed_method",
            Shape::Choice { built: &["difference", "m_t"], later: &[] },
            "How speed is made of it: a difference of counts over a tick, or, incremental sensors only, the M/T method; a difference unless given.",
        )
        .optional(),
        number("timer_hz", "Hz", 1e4, 1e9, "Rate of the timer of the M/T method, at least 10 ticks of it in a tick.").optional(),
    ],
    later: &[],
};

/// A sensor at the load.
pub(crate) static LOAD_SENSOR: Section = Section {
    what: "A second angle sensor, on the last node; the drive shows it and closes no loop on it.",
    keys: &[
        counts_per_turn(),
        noise(),
        latency(),
        offset(),
        sign(),
        gear(),
        cyclic_error(),
        lost_counts(),
        index(),
        screen_noise(),
    ],
    later: &["kind", "speed_method", "timer_hz"],
};

static LOST_COUNTS: Section = Section {
    what: "Counts that a counter loses while its sensor turns, against the motion. It needs each_s or per_turn.",
    keys: &[
        whole("counts", "counts", 1, 1 << 31, "Counts lost at a time."),
        number("each_s", "s", 1e-3, 1e6, "Mean time between losses at random.").optional(),
        whole("per_turn", "", 1, 65_536, "Places a turn of the sensor at which they are lost.").optional(),
    ],
    later: &[],
};

static INDEX: Section = Section {
    what: "One mark a turn of the sensor. Counts found missing there since the first pass are shown.",
    keys: &[
        number("at_deg", "°", -360.0, 360.0, "The sensor's angle at the mark.").or(Presence::Number(0.0)),
        key("corrects", Shape::Flag, "Whether the counter is put right at the mark.").or(Presence::Flag(false)),
        whole(
            "tolerance_counts",
            "counts",
            0,
            1 << 31,
            "Beyond so many missing the sensor calls itself faulty until the next pass; never unless given.",
        )
        .optional(),
    ],
    later: &[],
};

static CYCLIC_ERROR: Section = Section {
    what: "One harmonic of the angle's error, peak_arcsec sin(per_turn angle + phase_deg).",
    keys: &[
        whole("per_turn", "", 1, 65_536, "Periods per turn of the sensor."),
        number("peak_arcsec", "arcsec", 0.0, 36_000.0, "Peak of the sensor's angle."),
        number("phase_deg", "°", -360.0, 360.0, "Phase at the sensor's angle 0.").or(Presence::Number(0.0)),
    ],
    later: &[],
};

/// The current sensors.
pub(crate) static CURRENT_SENSOR: Section = Section {
    what: "The current sensors of phases a and b; the third current follows from the two.",
    keys: &[
        key(
            "gain",
            Shape::Numbers(Range { low: -10.0, high: 10.0, unit: "" }),
            "What phase a and phase b show per ampere; 1 each unless given.",
        )
        .optional(),
        key(
            "offset_a",
            Shape::Numbers(Range { low: -1e4, high: 1e4, unit: "A" }),
            "What phase a and phase b show without current; 0 unless given.",
        )
        .optional(),
        number("noise_a_rms", "A", 0.0, 1e4, "White noise of each.").or(Presence::Number(0.0)),
        number("resolution_a", "A", 0.0, 1e3, "Smallest step that is shown; 0 is none.").or(Presence::Number(0.0)),
    ],
    later: &[],
};
