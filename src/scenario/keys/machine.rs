//! The keys of the machine: motor, sensor, train, loads, start, axis.
//!
//! What it does not: the examination's keys (`examination.rs`). Start reading at [`MOTOR`].

use crate::scenario::keys::{sensor, winding};
use crate::scenario::shape::{Key, Presence, Range, Section, Shape, Tagged, Variant, key, number, pair, text, whole};

/// Nodes of a train, the motor among them: enough for a long shaft in pieces, few enough for a tick.
pub(crate) const MAX_NODES: usize = 64;
/// Loads, likewise.
pub(crate) const MAX_LOADS: usize = 16;

const fn inertia() -> Key {
    number("inertia_kgm2", "kg·m²", 1e-7, 1000.0, "Moment of inertia.")
}

const fn friction() -> Key {
    key("friction", Shape::Tagged(&FRICTION), "Friction at the node; none unless given.").optional()
}

const fn brake() -> Key {
    key("brake", Shape::Table(&BRAKE), "The holding brake of the train, on this node; none unless given.").optional()
}

static BRAKE: Section = Section {
    what: "The holding brake: dry friction that comes and goes; it slips above its torque.",
    keys: &[
        number("torque_nm", "Nm", 1e-4, 1e6, "Torque up to which it holds while closed, and with which it slips."),
        number("drag_nm", "Nm", 0.0, 1e5, "Torque with which it drags while open.").or(Presence::Number(0.0)),
        number("opens_after_s", "s", 0.0, 10.0, "Time from its command until it is open.").or(Presence::Number(0.0)),
        number("closes_after_s", "s", 0.0, 10.0, "Time from its command until it is closed.").or(Presence::Number(0.0)),
    ],
    later: &[],
};

/// The motor.
pub(crate) static MOTOR: Section = Section {
    what: "The motor: node 0 of the train, and its nameplate.",
    keys: &[
        key("kind", Shape::Choice { built: &["ideal_torque", "pmsm"], later: &["brushed"] }, "How torque comes about."),
        number("lag_s", "s", 0.0, 0.1, "With ideal_torque: time constant from torque command to torque; 0 is none.")
            .or(Presence::Number(0.0)),
        whole("pole_pairs", "", 1, 100, "Pole pairs. Needed by pmsm, print with ideal_torque.").optional(),
        number("resistance_ohm", "ohm", 1e-4, 1e4, "Phase resistance. Needed by pmsm, print with ideal_torque.").optional(),
        number("inductance_d_h", "H", 1e-7, 10.0, "Inductance of the d axis. Needed by pmsm, print with ideal_torque.").optional(),
        number("inductance_q_h", "H", 1e-7, 10.0, "Inductance of the q axis. Needed by pmsm, print with ideal_torque.").optional(),
        number("flux_linkage_vs", "Vs", 1e-5, 100.0, "Flux linkage; 1.5 pole pairs times it is the torque per peak ampere. Needed by pmsm, print with ideal_torque.").optional(),
        inertia(),
        number("rated_torque_nm", "Nm", 1e-4, 1e5, "Nameplate: rated torque."),
        number("peak_torque_nm", "Nm", 1e-4, 1e6, "Nameplate: peak torque."),
        number("rated_speed_rpm", "rpm", 1.0, 1e5, "Nameplate: rated speed."),
        number("bus_v", "V", 1.0, 2000.0, "Voltage of the bus. Needed by pmsm, print with ideal_torque.").optional(),
        friction(),
        brake(),
        key("sensor", Shape::Table(&sensor::SENSOR), "The angle sensor on the motor."),
        key(
            "current_sensor",
            Shape::Table(&sensor::CURRENT_SENSOR),
            "The current sensors of a pmsm; clean ones unless given.",
        )
        .optional(),
        key("cogging", Shape::Tables(&winding::COGGING), "Cogging torque; none unless given.").optional(),
        key("torque_ripple", Shape::Tables(&winding::TORQUE_RIPPLE), "Ripple of a pmsm; none unless given.").optional(),
        key("saturation", Shape::Table(&winding::SATURATION), "Saturation of a pmsm; none unless given.").optional(),
        key(
            "winding_temperature",
            Shape::Table(&winding::WINDING_TEMPERATURE),
            "Warming of a pmsm; its winding stays at 20 °C unless given.",
        )
        .optional(),
        key(
            "inverter_dead_time",
            Shape::Table(&winding::INVERTER_DEAD_TIME),
            "Dead time of a pmsm's inverter; none unless given.",
        )
        .optional(),
        key(
            "phase_order",
            Shape::Choice { built: &["abc", "acb"], later: &[] },
            "How a pmsm is wired to its drive; acb: two phases changed over. abc unless given.",
        )
        .optional(),
    ],
    later: &["commutation_offset_deg", "rated_current_a_rms"],
};

const fn slack() -> Key {
    number("slack_arcmin", "arcmin", 0.0, 36_000.0, "Free angle that wear or a loose fit adds to the backlash.")
        .or(Presence::Number(0.0))
}

const fn torque_limit() -> Key {
    number("torque_limit_nm", "Nm", 1e-4, 1e6, "Torque above which it slips, on its load side; never unless given.")
        .optional()
}

const fn coupled() -> Key {
    key("coupled", Shape::Flag, "Whether it is coupled at the start.").or(Presence::Flag(true))
}

const fn train_name() -> Key {
    text("name", "A name for people.").optional()
}

const fn mass() -> Key {
    number("mass_kg", "kg", 1e-4, 1e6, "Mass that moves in a straight line, payload and all.")
}

const fn linear_stiffness() -> Key {
    number("stiffness_n_per_m", "N/m", 1.0, 1e13, "Stiffness along the line of motion.")
}

const fn linear_damping() -> Key {
    number("damping_ns_per_m", "N·s/m", 0.0, 1e10, "Damping along the line of motion.").or(Presence::Number(0.0))
}

const fn play(name: &'static str, what: &'static str) -> Key {
    number(name, "mm", 0.0, 100.0, what).or(Presence::Number(0.0))
}

const fn linear_friction() -> Key {
    key("friction", Shape::Tagged(&LINEAR_FRICTION), "Friction of the guide; none unless given.").optional()
}

/// A coupling and the node behind it.
pub(crate) static TRAIN: Tagged = Tagged {
    variants: &[
        Variant { name: "coupling", section: COUPLING },
        Variant { name: "belt", section: BELT },
        Variant { name: "screw", section: SCREW },
        Variant { name: "rack", section: RACK },
    ],
    later: &[],
    preset: Some("coupling"),
};

const COUPLING: Section = Section {
    what: "A coupling or gear and the node behind it; all values on the coupling's load side.",
    keys: &[
        train_name(),
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
        slack(),
        torque_limit(),
        coupled(),
        inertia(),
        friction(),
        brake(),
        load_sensor(),
    ],
    later: &[],
};

/// At the last coupling only.
const fn load_sensor() -> Key {
    key("sensor", Shape::Table(&sensor::LOAD_SENSOR), "A second angle sensor; at the last coupling only.").optional()
}

const BELT: Section = Section {
    what: "A toothed belt between two pulleys, and what turns with the load's pulley.",
    keys: &[
        train_name(),
        number("motor_pulley_radius_mm", "mm", 0.1, 1e5, "Pitch radius of the pulley on the motor's side."),
        number("load_pulley_radius_mm", "mm", 0.1, 1e5, "Pitch radius of the pulley on the load's side."),
        number(
            "stiffness_n_per_m",
            "N/m",
            1.0,
            1e13,
            "Stiffness of the belt between the pulleys, both spans together.",
        ),
        linear_damping(),
        play("slack_mm", "Way that a loose belt runs before it pulls."),
        number("belt_mass_kg", "kg", 0.0, 1e4, "Mass of the belt.").or(Presence::Number(0.0)),
        torque_limit(),
        coupled(),
        inertia(),
        friction(),
        brake(),
        load_sensor(),
    ],
    later: &[],
};

const SCREW: Section = Section {
    what: "A screw with its nut, and the mass that the nut moves; the node's angle is the spindle's.",
    keys: &[
        train_name(),
        number("lead_mm", "mm", -1000.0, 1000.0, "Way of the nut at one turn, not 0; negative for a left-hand thread."),
        mass(),
        linear_stiffness(),
        linear_damping(),
        play("backlash_mm", "The nut's whole free way."),
        number("spindle_inertia_kgm2", "kg·m²", 0.0, 1000.0, "Inertia of the spindle, rigid on the node before.")
            .or(Presence::Number(0.0)),
        torque_limit(),
        coupled(),
        linear_friction(),
        brake(),
        load_sensor(),
    ],
    later: &[],
};

const RACK: Section = Section {
    what: "A pinion on a rack, or a pulley that draws a carriage by its belt; the node's angle is the pinion's.",
    keys: &[
        train_name(),
        number("pinion_radius_mm", "mm", 0.1, 1e5, "Pitch radius of the pinion or pulley."),
        mass(),
        linear_stiffness(),
        linear_damping(),
        play("backlash_mm", "The whole free way."),
        number("pinion_inertia_kgm2", "kg·m²", 0.0, 1000.0, "Inertia of the pinion, rigid on the node before.")
            .or(Presence::Number(0.0)),
        torque_limit(),
        coupled(),
        linear_friction(),
        brake(),
        load_sensor(),
    ],
    later: &[],
};

/// Friction along a line.
static LINEAR_FRICTION: Tagged = Tagged {
    variants: &[
        Variant { name: "none", section: Section { what: "No friction.", keys: &[], later: &[] } },
        Variant {
            name: "coulomb",
            section: Section {
                what: "Coulomb and Stribeck friction of a guide with exact stick, and a viscous part.",
                keys: &[
                    number("kinetic_n", "N", 0.0, 1e7, "Kinetic friction at high speed, without the viscous part."),
                    number("static_n", "N", 0.0, 1e7, "Static friction, not below kinetic."),
                    number("stribeck_m_per_s", "m/s", 1e-6, 100.0, "Stribeck speed."),
                    number("stribeck_exponent", "", 0.1, 10.0, "Exponent of the Stribeck curve.")
                        .or(Presence::Number(2.0)),
                    number("viscous_ns_per_m", "N·s/m", 0.0, 1e7, "Viscous friction.").or(Presence::Number(0.0)),
                ],
                later: &[],
            },
        },
    ],
    later: &["bristle"],
    preset: None,
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
                    viscous(),
                    number("kinetic_negative_nm", "Nm", 0.0, 1e5, "Kinetic in negative direction, if it differs.")
                        .optional(),
                    number("static_negative_nm", "Nm", 0.0, 1e5, "Static in negative direction, if it differs.")
                        .optional(),
                    number(
                        "viscous_negative_nms_per_rad",
                        "Nm·s/rad",
                        0.0,
                        1e5,
                        "Viscous in negative direction, if it differs.",
                    )
                    .optional(),
                    whole("per_turn", "", 1, 10_000, "Periods a turn of kinetic and static friction's rise and fall.")
                        .optional(),
                    number("per_turn_amplitude", "", -0.99, 0.99, "Its peak, as a share of the friction.").optional(),
                    number("per_turn_phase_deg", "°", -360.0, 360.0, "Its phase at angle 0.").or(Presence::Number(0.0)),
                    key(
                        "falls_with_warmth",
                        Shape::Table(&FALLS_WITH_WARMTH),
                        "A bearing whose friction falls as it warms; not unless given.",
                    )
                    .optional(),
                ],
                later: &[],
            },
        },
        Variant {
            name: "bristle",
            section: Section {
                what: "Bristles that bend before they slip (LuGre): no stick, but a spring; and a viscous part.",
                keys: &[
                    number("kinetic_nm", "Nm", 1e-6, 1e5, "Kinetic friction at high speed, without the viscous part."),
                    number("static_nm", "Nm", 1e-6, 1e5, "Static friction, not below kinetic."),
                    number("stribeck_rpm", "rpm", 1e-4, 1e4, "Stribeck speed of the node."),
                    number("stribeck_exponent", "", 1.0, 2.0, "Exponent of the Stribeck curve, 1 or 2.")
                        .or(Presence::Number(2.0)),
                    viscous(),
                    number("bristle_stiffness_nm_per_rad", "Nm/rad", 1e-2, 1e9, "Stiffness of the bristles."),
                    number("bristle_damping_nms_per_rad", "Nm·s/rad", 0.0, 1e6, "Damping of the bristles.")
                        .or(Presence::Number(0.0)),
                ],
                later: &[],
            },
        },
    ],
    later: &[],
    preset: None,
};

const fn viscous() -> Key {
    number("viscous_nms_per_rad", "Nm·s/rad", 0.0, 1e5, "Viscous friction.").or(Presence::Number(0.0))
}

static FALLS_WITH_WARMTH: Section = Section {
    what: "Friction times 1 - by u / (1 + u); its warmth u follows power / at_power_w with the time constant, from 0.",
    keys: &[
        number("by", "", 0.0, 0.99, "Share by which it falls in the end."),
        number("at_power_w", "W", 1e-3, 1e6, "Friction's power at which half of the fall comes."),
        number("time_constant_s", "s", 0.01, 1e5, "Time constant of warming."),
    ],
    later: &[],
};

const fn node() -> Key {
    whole("node", "", 0, MAX_NODES as u64 - 1, "The node it acts on, from 0 at the motor; the last unless given.")
        .optional()
}

const fn load_name() -> Key {
    text("name", "A name for people; also that of the random numbers of a noise.").optional()
}

/// Harmonics in one load.
pub(crate) const MAX_HARMONICS: usize = 16;

static HARMONIC: Section = Section {
    what: "One harmonic: peak_nm sin(per_turn angle + phase_deg).",
    keys: &[
        whole("per_turn", "", 1, 10_000, "Periods a turn of the node."),
        number("peak_nm", "Nm", -1e6, 1e6, "Peak."),
        number("phase_deg", "°", -360.0, 360.0, "Phase at angle 0.").or(Presence::Number(0.0)),
    ],
    later: &[],
};

/// A load.
pub(crate) static LOAD: Tagged = Tagged {
    variants: &[
        Variant {
            name: "constant",
            section: Section {
                what: "A constant torque, such as a weight on a linear axis.",
                keys: &[
                    load_name(),
                    node(),
                    number("torque_nm", "Nm", -1e6, 1e6, "The torque, against positive motion."),
                ],
                later: &[],
            },
        },
        Variant {
            name: "unbalanced_arm",
            section: Section {
                what: "An arm in gravity: peak_nm sin(angle - zero_deg).",
                keys: &[
                    load_name(),
                    node(),
                    number("peak_nm", "Nm", -1e6, 1e6, "Mass times gravity times radius."),
                    number("zero_deg", "°", -360.0, 360.0, "Where it hangs down.").or(Presence::Number(0.0)),
                ],
                later: &[],
            },
        },
        Variant {
            name: "resisting",
            section: Section {
                what: "A torque that only ever opposes motion, such as a seal.",
                keys: &[load_name(), node(), number("torque_nm", "Nm", 0.0, 1e6, "The torque.")],
                later: &[],
            },
        },
        Variant {
            name: "fan",
            section: Section {
                what: "A fan, pump or stirrer: its torque goes with the square of the node's speed, against it.",
                keys: &[
                    load_name(),
                    node(),
                    number("torque_nm", "Nm", 0.0, 1e6, "The torque at that speed."),
                    number("at_rpm", "rpm", 1e-3, 1e6, "A speed of the node."),
                ],
                later: &[],
            },
        },
        Variant {
            name: "harmonics",
            section: Section {
                what: "A sum of harmonics of the node's angle, against positive motion, such as a cut's or a gear mesh's.",
                keys: &[
                    load_name(),
                    node(),
                    key("terms", Shape::Tables(&HARMONIC), "The terms: peak_nm sin(per_turn angle + phase_deg)."),
                ],
                later: &[],
            },
        },
        Variant {
            name: "noise",
            section: Section {
                what: "A random torque from the seed, white noise through a low-pass (Ornstein and Uhlenbeck).",
                keys: &[
                    load_name(),
                    node(),
                    number("rms_nm", "Nm", 0.0, 1e6, "Standard deviation."),
                    number("corner_hz", "Hz", 1e-3, 6400.0, "Corner of the low-pass, up to a tenth of timing.tick_hz."),
                ],
                later: &[],
            },
        },
    ],
    later: &[],
    preset: None,
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
        key(
            "emergency_stop",
            Shape::Choice { built: &["sto", "ss1"], later: &[] },
            "There is an emergency stop, and pressed it means safe torque off, or safe stop 1 first; none unless given.",
        )
        .optional(),
        // A category 1 stop is over when the machine stands; what takes longer than a second deserves to be said.
        number("emergency_stop_time_s", "s", 0.0, 60.0, "Longest time of a safe stop 1, from pressing to torque off.")
            .or(Presence::Number(1.0)),
        key("guard", Shape::Flag, "Whether there is a guard; open it means safe torque off.").or(Presence::Flag(false)),
        key("switches", Shape::Table(&SWITCHES), "Travel switches, that trip like the travel's ends; none unless given.")
            .optional(),
    ],
    later: &["units"],
};

static SWITCHES: Section = Section {
    what: "Travel switches at the load, struck at their place and beyond it.",
    keys: &[pair("at_deg", "°", -1e9, 1e9, "Where they are mounted, rightly or wrongly.")],
    later: &[],
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
