//! The keys of what a real motor has beside the textbook's: cogging, torque ripple, saturation, warming, dead time.
//!
//! What it does not: the other keys of the motor (`machine.rs`). Start reading at [`SATURATION`].

use crate::scenario::shape::{Presence, Section, number, whole};

/// Terms of cogging or torque ripple: more than any motor's test sheet lists.
pub(crate) const MAX_TERMS: usize = 16;

/// One term of the cogging torque.
pub(crate) static COGGING: Section = Section {
    what: "One harmonic of the cogging torque on the motor, peak_nm sin(per_turn angle + phase_deg); it needs no current.",
    keys: &[
        whole("per_turn", "", 1, 10_000, "Periods a turn of the motor: slots and poles give them."),
        number("peak_nm", "Nm", 0.0, 1e4, "Peak."),
        number("phase_deg", "°", -360.0, 360.0, "Phase at the motor's angle 0.").or(Presence::Number(0.0)),
    ],
    later: &[],
};

/// One term of the torque ripple.
pub(crate) static TORQUE_RIPPLE: Section = Section {
    what: "One harmonic of the magnet's flux: it ripples torque and back-EMF by the same share of themselves.",
    keys: &[
        whole("per_electrical_turn", "", 2, 200, "Periods an electrical turn; 6 and 12 are common."),
        number("share_percent", "%", 0.0, 50.0, "Peak of the ripple, of the torque of the current."),
        number("phase_deg", "°", -360.0, 360.0, "Phase where the magnet stands in phase a.").or(Presence::Number(0.0)),
    ],
    later: &[],
};

/// Saturation.
pub(crate) static SATURATION: Section = Section {
    what: "Inductances that fall with current: the flux linkage that is left of inductance times current at one current.",
    keys: &[
        number("current_a_rms", "A", 1e-3, 1e5, "The current at which the shares hold."),
        number("left_d_percent", "%", 20.0, 100.0, "Left in the d axis, when the current flows in it alone.")
            .or(Presence::Number(100.0)),
        number("left_q_percent", "%", 20.0, 100.0, "Left in the q axis, likewise."),
        number(
            "left_across_percent",
            "%",
            20.0,
            100.0,
            "Left of the inductance of the d axis for a small current, while the current flows in the q axis.",
        )
        .or(Presence::Number(100.0)),
    ],
    later: &[],
};

/// Thermal model of the winding. Copper's 0.393 % per K is its standard coefficient at 20 °C (IEC 60228; from memory), the
/// magnet's one is usual for neodymium (from memory).
pub(crate) static WINDING_TEMPERATURE: Section = Section {
    what: "The winding as one body that its loss warms; resistance and flux follow, and are those given at 20 °C.",
    keys: &[
        number("ambient_degc", "°C", -50.0, 150.0, "Temperature of what cools it.").or(Presence::Number(20.0)),
        number("start_degc", "°C", -50.0, 250.0, "Temperature at the start; that of what cools it unless given.")
            .optional(),
        number("thermal_resistance_k_per_w", "K/W", 1e-4, 1e3, "Its rise per loss, in the end."),
        number("time_constant_s", "s", 0.1, 1e5, "Time constant of the rise."),
        number("resistance_percent_per_k", "%/K", 0.0, 1.0, "How the resistance grows.").or(Presence::Number(0.393)),
        number("flux_percent_per_k", "%/K", -1.0, 0.0, "How the magnet's flux falls.").or(Presence::Number(-0.1)),
    ],
    later: &[],
};

/// Dead time of the inverter.
pub(crate) static INVERTER_DEAD_TIME: Section = Section {
    what: "Voltage that each phase loses against its current: dead time times switching frequency times voltage of the bus.",
    keys: &[
        number("dead_time_us", "µs", 0.0, 100.0, "Time in which neither device of a phase conducts."),
        number("switching_hz", "Hz", 100.0, 1e6, "Switching frequency."),
        number("knee_a", "A", 0.01, 1e3, "Phase current within about which the loss fades to 0 at current 0."),
    ],
    later: &[],
};
