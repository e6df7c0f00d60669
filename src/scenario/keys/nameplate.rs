//! The keys of the nameplate as a person typed it in.
//!
//! What it does not: say what a plate means to the drive (`drive/setting.rs`). Start reading at [`NAMEPLATE`].

use crate::scenario::shape::{Section, Shape, key, number, whole};

/// What was typed in, where it is not what `[motor]` and `[[train]]` say.
pub(crate) static NAMEPLATE: Section = Section {
    what: "The nameplate as typed in, right or wrong; what is not given here is the truth of [motor] and [[train]].",
    keys: &[
        whole("pole_pairs", "", 1, 100, "Pole pairs; of a motor with a winding.").optional(),
        number("resistance_ohm", "ohm", 1e-4, 1e4, "Phase resistance; of a motor with a winding.").optional(),
        number("inductance_h", "H", 1e-7, 10.0, "Mean of d and q axis; of a motor with a winding.").optional(),
        number("flux_linkage_vs", "Vs", 1e-5, 100.0, "Flux linkage; of a motor with a winding.").optional(),
        number("rated_current_a_rms", "A", 1e-3, 1e5, "Rated current, rms of a phase; of a motor with a winding.")
            .optional(),
        number(
            "commutation_offset_deg",
            "°",
            -360.0,
            360.0,
            "Electrical angle of the magnet's axis at 0 counts; of a motor with a winding.",
        )
        .optional(),
        number("rated_torque_nm", "Nm", 1e-4, 1e5, "Rated torque.").optional(),
        number("rated_speed_rpm", "rpm", 1.0, 1e5, "Rated speed.").optional(),
        number("motor_inertia_kgm2", "kg·m²", 1e-7, 1000.0, "Inertia of the motor.").optional(),
        number("counts_per_turn", "counts", 1.0, 4_294_967_296.0, "Counts of the sensor per turn of the motor.")
            .optional(),
        key(
            "sensor_sign",
            Shape::SignedWhole { most: 1, unit: "" },
            "1, or -1 where the sensor counts the other way round.",
        )
        .optional(),
        number("gear_ratio", "", -1e6, 1e6, "Turns of the motor per turn of the load, not 0.").optional(),
    ],
    later: &[],
};
