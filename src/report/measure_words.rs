//! The measures in words: how a measure is spoken of, and the sentence that defines it for a reader.
//!
//! What it does not: compute or bind; the formulas stand in `score/`. A measure that has no row here is still shown,
//! under a name made from its key. Start reading at [`spoken`].

/// A measure's row: key, spoken name, definition.
struct Words(&'static str, &'static str, &'static str);

const WORDS: &[Words] = &[
    Words(
        "overshoot_percent",
        "overshoot",
        "Largest excursion beyond the final value, in percent of the step; 0 when there is none.",
    ),
    Words(
        "undershoot_percent",
        "undershoot",
        "The larger of two excursions in percent of the step: short of the final value after it was first crossed, \
         and away from it before.",
    ),
    Words("rise_time_s", "rise time", "From 10 % to 90 % of the step, first crossings."),
    Words("delay_s", "delay", "From the programme entry to half of the step."),
    Words("peak_time_s", "peak time", "From the programme entry to the overshoot's peak."),
    Words(
        "settling_time_s",
        "settling time",
        "From the programme entry until the speed enters its band round the final value for good.",
    ),
    Words(
        "steady_deviation_rpm",
        "steady deviation",
        "Mean of setpoint minus speed over the last quarter of the window.",
    ),
    Words("iae_rad", "absolute deviation area", "Integral of the absolute setpoint minus speed over the window."),
    Words("ise_rad2_per_s", "squared deviation area", "Integral of the squared setpoint minus speed over the window."),
    Words(
        "itae_rad_s",
        "time-weighted deviation area",
        "Integral of time since the entry times the absolute setpoint minus speed.",
    ),
    Words("dip_rpm", "dip", "Largest distance of the speed from the setpoint in the window."),
    Words("dip_percent", "dip", "Largest distance of the speed from the setpoint, in percent of the setpoint."),
    Words(
        "recovery_time_s",
        "recovery time",
        "From the load's change until the speed is back in its band round the setpoint for good.",
    ),
    Words("dip_area_rad", "lost angle", "Signed integral of setpoint minus speed to the window's end."),
    Words(
        "torque_noise_rms_percent",
        "torque noise",
        "Rms of the torque command above a given frequency over the window's last part, in percent of rated torque.",
    ),
    Words("speed_ripple_rms_rpm", "speed ripple, rms", "Rms of the speed about its mean at constant speed."),
    Words("speed_ripple_peak_rpm", "speed ripple, peak", "Largest distance of the speed from its mean."),
    Words(
        "torque_travel_percent_per_s",
        "torque travel",
        "Total up and down of the torque command per second, in percent of rated torque.",
    ),
    Words(
        "phase_margin_deg",
        "phase margin",
        "How much phase the opened loop can lose before it is unstable: the smallest angular distance from -1 over \
         all crossings of unity gain.",
    ),
    Words(
        "gain_margin_db",
        "gain margin",
        "How much gain the opened loop can gain or lose before it is unstable: the smallest over all crossings of \
         -180°.",
    ),
    Words(
        "delay_margin_s",
        "delay margin",
        "How much more delay the loop can bear: the smallest over all crossings of unity gain.",
    ),
    Words("crossover_hz", "crossover", "The first frequency at which the opened loop's gain falls through 1."),
    Words(
        "sensitivity_peak",
        "sensitivity peak Ms",
        "Largest magnitude of 1/(1 + L): the inverse of the opened loop's smallest distance from -1. It sees what \
         phase and gain margin can miss.",
    ),
    Words(
        "bandwidth_hz",
        "bandwidth",
        "Frequency at which the speed answers the setpoint with 0.707 of its value at 0 Hz.",
    ),
    Words(
        "resonance_peak_db",
        "resonance peak",
        "Largest magnitude of the closed loop above its first dip after the crossover.",
    ),
    Words("torque_rms_percent", "torque, rms", "Rms of the torque command in percent of rated torque."),
    Words("torque_peak_percent", "torque, peak", "Largest torque command in percent of rated torque."),
    Words(
        "time_at_limit_percent",
        "time at the torque limit",
        "Share of the ticks in which the command is at 99.9 % of the torque limit or above.",
    ),
    Words("travel_window_deg", "travel window", "Largest minus smallest load angle."),
    Words("travel_path_deg", "travel path", "Sum of the load's movement."),
    Words("travel_overrun_deg", "travel overrun", "How far the load went beyond its window."),
    Words("stop_strikes", "stop strikes", "How often a stop was struck."),
    Words("stop_energy_j", "stop energy", "Work on the stop up to greatest compression, of the hardest strike."),
    Words("overspeed_percent", "overspeed", "How far above the axis' highest speed, in percent of it."),
    Words("faults", "trips", "How often a protection tripped."),
    Words("moves", "moves", "Starts from standstill."),
    Words("tuning_time_s", "tuning time", "Simulated time until the method said that it was done."),
    Words("settings_kept", "settings kept", "Whether a power cycle brought the tuned settings back."),
];

/// Endings of a key that only repeat the unit.
const UNIT_ENDINGS: [&str; 8] = ["_percent", "_rpm", "_deg", "_db", "_hz", "_rad", "_nm", "_s"];

/// How a measure is spoken of: `settling_time_s` is `settling time`. A key without a row loses its unit and underscores.
#[must_use]
pub fn spoken(measure: &str) -> String {
    if let Some(row) = row(measure) {
        return row.1.to_owned();
    }
    let bare = UNIT_ENDINGS.iter().find_map(|ending| measure.strip_suffix(ending)).unwrap_or(measure);
    super::figure::shown(bare).replace('_', " ")
}

/// One sentence that defines a measure; none for a measure without a row.
#[must_use]
pub fn definition(measure: &str) -> Option<&'static str> {
    row(measure).map(|row| row.2)
}

fn row(measure: &str) -> Option<&'static Words> {
    WORDS.iter().find(|row| row.0 == measure)
}
