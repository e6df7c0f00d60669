//! Every key a scenario file may hold, section by section.
//!
//! Ranges are wide: they stop slips of the finger and numbers no machine has, not unusual machines. What it does not:
//! relations between keys (`check/`). Start reading at [`ROOT`].

pub(crate) mod examination;
pub(crate) mod machine;
pub(crate) mod nameplate;
pub(crate) mod sensor;
pub(crate) mod suite;
pub(crate) mod winding;

use crate::scenario::END_S_MAX;
use crate::scenario::shape::{Key, Presence, Section, Shape, key, number, pair, text, whole};

/// The whole file.
pub(crate) static ROOT: Section = Section {
    what: "One machine and one examination. Every quantity's unit is in its key; unknown keys are errors.",
    keys: &[
        text("title", "What the scenario is called on the score sheet."),
        text("about", "A few lines for people: what machine it is, what is hard about it.").optional(),
        whole("seed", "", 0, i64::MAX as u64, "Seed of every random stream."),
        key(
            "commands",
            Shape::Choice { built: &["speed", "torque", "voltage"], later: &[] },
            "What the outside gives.",
        )
        .optional(),
        key("timing", Shape::Table(&TIMING), "Tick, exchange, silence, end."),
        key("impairment", Shape::Table(&IMPAIRMENT), "What is done to the link on purpose; nothing unless given.")
            .optional(),
        key("motor", Shape::Table(&machine::MOTOR), "The motor: node 0 of the train, and its nameplate."),
        key(
            "train",
            Shape::TaggedTables(&machine::TRAIN),
            "A coupling and the node behind it, from the motor outwards.",
        )
        .optional(),
        key("load", Shape::TaggedTables(&machine::LOAD), "Torques that act on the nodes.").optional(),
        key("nameplate", Shape::Table(&nameplate::NAMEPLATE), "The nameplate as typed in; the truth unless given.")
            .optional(),
        key("initial", Shape::Table(&machine::INITIAL), "Where the train stands at the start.").optional(),
        key("axis", Shape::Table(&machine::AXIS), "Travel, start, stops, highest speed."),
        key("drive", Shape::Table(&DRIVE), "The bench's own drive."),
        key("tuning", Shape::Table(&TUNING), "What the method may use while tuning."),
        key("programme", Shape::Tables(&examination::PROGRAMME), "What happens during the examination, in order."),
        key("limit", Shape::Tables(&examination::LIMIT), "What is judged."),
        key("corner", Shape::Tables(&examination::CORNER), "Variations of the machine the settings must hold for too.")
            .optional(),
        key("scatter", Shape::Factors, "Random variations round the nominal machine; read and checked, not drawn yet.")
            .optional(),
    ],
    later: &["margins", "faults", "wiring", "commissioning"],
};

static TIMING: Section = Section {
    what: "When things happen.",
    keys: &[
        key(
            "pace",
            Shape::Choice { built: &["lockstep", "real-time"], later: &[] },
            "Whether the bench waits for the outside or goes on by the clock; lockstep unless given.",
        )
        .optional(),
        whole("tick_hz", "Hz", 100, 64_000, "Control ticks per second."),
        // A feedback carries one sample a tick, and a datagram holds 64.
        whole("stride", "ticks", 1, 64, "Ticks per exchange.").or(Presence::Whole(1)),
        whole("allowed_missed_per_million", "ticks per million", 0, 1_000_000, "Missed ticks allowed, real time only.")
            .or(Presence::Whole(200)),
        // 5 ms at 8 kHz: some five exchanges at the usual stride, long before an axis gets far.
        whole(
            "silent_ticks_before_quick_stop",
            "ticks",
            1,
            1_000_000,
            "Ticks of silence until the drive stops by itself.",
        )
        .or(Presence::Whole(40)),
        // Longer than a slow interpreter takes to start on a busy machine.
        number("patience_s", "s", 0.1, 3600.0, "Wall-clock time the bench waits for an answer.")
            .or(Presence::Number(10.0)),
        // A second is far beyond any controller that keeps up with a tick.
        whole(
            "compute_limit_us",
            "µs",
            1,
            1_000_000,
            "Longest computing time that the outside may report; any unless given.",
        )
        .optional(),
        key("may_reset", Shape::Flag, "Whether the outside may open again in mid-run.").or(Presence::Flag(true)),
        number("end_s", "s", 0.001, END_S_MAX, "End of the examination, on a tick."),
    ],
    later: &["jitter_us"],
};

/// More than half of the frames lost leaves no link to examine.
const MOST_PERCENT: f64 = 50.0;

const fn percent(name: &'static str, what: &'static str) -> Key {
    number(name, "%", 0.0, MOST_PERCENT, what).or(Presence::Number(0.0))
}

const fn ticks(name: &'static str, what: &'static str) -> Key {
    whole(name, "ticks", 0, 1000, what).or(Presence::Whole(0))
}

static IMPAIRMENT: Section = Section {
    what: "What is done to the link on purpose, from the seed.",
    keys: &[
        percent("loss_percent", "Frames that are lost, in each direction."),
        percent("repeat_percent", "Frames that arrive twice, in each direction."),
        percent("corrupt_percent", "Frames that arrive with one bit turned over, in each direction."),
        percent("reorder_percent", "Answers that act after the one that follows them."),
        ticks("delay_ticks", "Ticks by which every answer acts later."),
        ticks("jitter_ticks", "At most so many more, drawn for each answer."),
    ],
    later: &[],
};

static DRIVE: Section = Section {
    what: "The bench's own drive.",
    keys: &[key("settings", Shape::Settings, "Settings at the start, as a new drive would hold them: safe and slow.")],
    later: &["current_loop"],
};

static TUNING: Section = Section {
    what: "What the method may use while tuning.",
    keys: &[
        number("time_s", "s", 0.1, 3600.0, "Simulated time."),
        number("wall_s", "s", 1.0, 86_400.0, "Wall-clock time; 10 times time_s plus 60 unless given.").optional(),
        pair("window_deg", "°", -1e9, 1e9, "Load angles allowed; on an endless axis counted from the start."),
        number("path_deg", "°", 1e-3, 1e12, "How far the load may turn in all."),
        whole("stop_strikes", "", 0, 1000, "Strikes of a stop that are allowed.").or(Presence::Whole(0)),
    ],
    later: &["current_a", "hand_actions"],
};

/// Settings that a scenario must give: no default suits a machine that nobody has set up.
pub(crate) const NEEDED_SETTINGS: &[&str] = &["torque_limit_nm"];

/// Settings that it must give besides where the bench's own drive closes the speed loop.
pub(crate) const NEEDED_SPEED_SETTINGS: &[&str] = &["speed_gain_nms_per_rad", "speed_reset_time_s"];
