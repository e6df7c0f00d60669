//! The keys of an angle sensor.
//!
//! What it does not: the other keys of the machine (`machine.rs`). Start reading at [`SENSOR`].

use crate::scenario::shape::{Key, Presence, Section, Shape, key, number, whole};

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

/// The motor's sensor.
pub(crate) static SENSOR: Section = Section {
    what: "The angle sensor on the motor.",
    keys: &[counts_per_turn(), noise(), latency(), offset(), sign(), gear(), cyclic_error()],
    later: &["kind", "speed_method", "timer_hz", "lost_counts", "index", "screen_noise"],
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
