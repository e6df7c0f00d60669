//! The keys of the machine: motor, sensor, train, loads, start, axis.
//!
//! What it does not: the examination's keys (`examination.rs`). Start reading at [`MOTOR`].

use crate::scenario::keys::sensor;
use crate::scenario::shape::{Key, Presence, Range, Section, Shape, Tagged, Variant, key, number, pair, text, whole};

/// Nodes of a train, the motor among them: more than any axis has, few enough for a tick.
pub(crate) const MAX_NODES: usize = 8;
/// Loads, likewise.
pub(crate) const MAX_LOADS: usize = 16;

const fn inertia() -> Key {
    number("inertia_kgm2", "kg·m²", 1e-7, 1000.0, "Moment of inertia.")
}

const fn friction() -> Key {
    key("friction", Shape::Tagged(&FRICTION), "Friction at the node; none unless given.").optional()
}

/// The motor.
pub(crate) static MOTOR: Section = Section {
    what: "The motor: node 0 of the train, and its nameplate.",
    keys: &[
        key("kind", Shape::Choice { built: &["ideal_torque"], later: &["pmsm", "brushed"] }, "How torque comes about."),
        number("lag_s", "s", 0.0, 0.1, "Time constant from torque command to torque; 0 is none.")
            .or(Presence::Number(0.0)),
        whole("pole_pairs", "", 1, 100, "Nameplate: pole pairs.").optional(),
        number("resistance_ohm", "ohm", 1e-4, 1e4, "Nameplate: phase resistance.").optional(),
        number("inductance_d_h", "H", 1e-7, 10.0, "Nameplate: inductance of the d axis.").optional(),
        number("inductance_q_h", "H", 1e-7, 10.0, "Nameplate: inductance of the q axis.").optional(),
        number("flux_linkage_vs", "Vs", 1e-5, 100.0, "Nameplate: flux linkage.").optional(),
        inertia(),
        number("rated_torque_nm", "Nm", 1e-4, 1e5, "Nameplate: rated torque."),
        number("peak_torque_nm", "Nm", 1e-4, 1e6, "Nameplate: peak torque."),
        number("rated_speed_rpm", "rpm", 1.0, 1e5, "Nameplate: rated speed."),
        number("bus_v", "V", 1.0, 2000.0, "Nameplate: voltage of the bus.").optional(),
        friction(),
        key("sensor", Shape::Table(&sensor::SENSOR), "The angle sensor on the motor."),
    ],
    later: &[
        "cogging",
        "torque_ripple",
        "saturation",
        "winding_temperature",
        "inverter_dead_time",
        "current_sensor",
        "commutation_offset_deg",
        "phase_order",
        "rated_current_a_rms",
        "brake",
    ],
};

/// A coupling and the node behind it.
pub(crate) static TRAIN: Section = Section {
    what: "A coupling and the node behind it; all values on the coupling's load side.",
    keys: &[
        text("name", "A name for people.").optional(),
        number(
            "ratio",
            "",
            -10_000.0,
            10_000.0,
            "Motor-side turns per load-side turn, not 0; negative turns the other way.",
        )
        .or(Presence::Number(1.0)),
        number("stiffness_nm_per_rad", "Nm/rad", 1e-3, 1e10, "Torsional stiffness."),
        number("damping_nms_per_rad", "Nm·s/rad", 0.0, 1e7, "Torsional damping.").or(Presence::Number(0.0)),
        number("backlash_arcmin", "arcmin", 0.0, 3600.0, "The whole free angle.").or(Presence::Number(0.0)),
        inertia(),
        friction(),
    ],
    later: &[
        "kind",
        "belt",
        "screw",
        "rack",
        "mass_kg",
        "pulley_radius_m",
        "lead_m",
        "stiffness_n_per_m",
        "torque_limit_nm",
        "limiter",
        "brake",
        "sensor",
        "coupled",
        "slack_arcmin",
    ],
};

/// Friction at a node.
static FRICTION: Tagged = Tagged {
    variants: &[
        Variant { name: "none", section: Section { what: "No friction.", keys: &[], later: &[] } },
        Variant {
            name: "coulomb",
            section: Section {
                what: "Coulomb and Stribeck friction with exact stick, and a viscous part.",
                keys: &[
                    number("kinetic_nm", "Nm", 0.0, 1e5, "Kinetic friction at high speed, without the viscous part."),
                    number("static_nm", "Nm", 0.0, 1e5, "Static friction, not below kinetic."),
                    number("stribeck_rpm", "rpm", 1e-4, 1e4, "Stribeck speed of the node."),
                    // 2 is the usual choice in the literature on the Stribeck curve.
                    number("stribeck_exponent", "", 0.1, 10.0, "Exponent of the Stribeck curve.")
                        .or(Presence::Number(2.0)),
                    number("viscous_nms_per_rad", "Nm·s/rad", 0.0, 1e5, "Viscous friction.").or(Presence::Number(0.0)),
                ],
                later: &[
                    "kinetic_negative_nm",
                    "static_negative_nm",
                    "viscous_negative_nms_per_rad",
                    "per_turn",
                    "per_turn_amplitude",
                    "per_turn_phase_deg",
                    "falls_with_warmth",
                ],
            },
        },
    ],
    later: &["bristle"],
};

const fn node() -> Key {
    whole("node", "", 0, MAX_NODES as u64 - 1, "The node it acts on, from 0 at the motor; the last unless given.")
        .optional()
}

/// A load.
pub(crate) static LOAD: Tagged = Tagged {
    variants: &[
        Variant {
            name: "constant",
            section: Section {
                what: "A constant torque, such as a weight on a linear axis.",
                keys: &[node(), number("torque_nm", "Nm", -1e6, 1e6, "The torque, against positive motion.")],
                later: &["name"],
            },
        },
        Variant {
            name: "unbalanced_arm",
            section: Section {
                what: "An arm in gravity: peak_nm sin(angle - zero_deg).",
                keys: &[
                    node(),
                    number("peak_nm", "Nm", -1e6, 1e6, "Mass times gravity times radius."),
                    number("zero_deg", "°", -360.0, 360.0, "Where it hangs down.").or(Presence::Number(0.0)),
                ],
                later: &["name"],
            },
        },
        Variant {
            name: "resisting",
            section: Section {
                what: "A torque that only ever opposes motion, such as a seal.",
                keys: &[node(), number("torque_nm", "Nm", 0.0, 1e6, "The torque.")],
                later: &["name"],
            },
        },
    ],
    later: &["fan", "quadratic", "harmonic", "harmonics", "noise", "ornstein_uhlenbeck"],
};

/// Where the train stands at the start.
pub(crate) static INITIAL: Section = Section {
    what: "Where the train stands at the start; at rest, every coupling in the middle of its backlash, unless given.",
    keys: &[
        key("angle_rad", Shape::Numbers(Range { low: -1e9, high: 1e9, unit: "rad" }), "One angle per node.").optional(),
        key("speed_rad_per_s", Shape::Numbers(Range { low: -1e5, high: 1e5, unit: "rad/s" }), "One speed per node.")
            .optional(),
        key(
            "gap_position_rad",
            Shape::Numbers(Range { low: -1.0, high: 1.0, unit: "rad" }),
            "One gap position per coupling.",
        )
        .optional(),
    ],
    later: &["temperature_k"],
};

/// The axis.
pub(crate) static AXIS: Section = Section {
    what: "Travel, start, stops and clamp (all at the load), highest speed (of the motor).",
    keys: &[
        key("endless", Shape::Flag, "No travel limits, no stops.").or(Presence::Flag(false)),
        number("start_deg", "°", -1e9, 1e9, "Where the load stands at the start.").optional(),
        pair("travel_deg", "°", -1e9, 1e9, "Lowest and highest load angle.").optional(),
        key("stops", Shape::Table(&STOPS), "End stops on the last node.").optional(),
        key("clamped_when_off", Shape::Flag, "Whether a clamp holds the motor while the drive gives no torque.")
            .or(Presence::Flag(false)),
        number("max_speed_rpm", "rpm", 0.1, 1e5, "Highest speed of the motor."),
    ],
    later: &["brake", "switches", "emergency_stop", "guard", "units"],
};

static STOPS: Section = Section {
    what: "End stops on the last node, one-sided spring-dampers.",
    keys: &[
        pair("at_deg", "°", -1e9, 1e9, "Where they stand, outside the travel."),
        number("stiffness_nm_per_rad", "Nm/rad", 1e-3, 1e10, "Stiffness."),
        number("damping_nms_per_rad", "Nm·s/rad", 0.0, 1e7, "Damping.").or(Presence::Number(0.0)),
    ],
    later: &[],
};
