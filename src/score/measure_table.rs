//! The table of measures: one row each, with definition, source and edge cases. `MEASURES.md` is made from it.
//!
//! What it does not: compute. Start reading at [`ROWS`].

use crate::score::measure::Measure::{self, *};
use crate::score::measure::{Kind, OptionKey};

/// One measure.
#[derive(Clone, Copy, Debug)]
pub struct Row {
    /// Which one; a row's place in the table is the measure's place among its fellows.
    pub measure: Measure,
    /// Name with unit, as scenarios and results write it.
    pub name: &'static str,
    /// Unit for people; empty for a plain number.
    pub unit: &'static str,
    /// What it is taken from.
    pub kind: Kind,
    /// Whether this program computes it.
    pub built: bool,
    /// Whether a larger number is the worse one.
    pub larger_is_worse: bool,
    /// Keys a limit on it may have besides `max`, `min`, `target`, `weight`, `during`, `in`.
    pub options: &'static [OptionKey],
    /// What it is.
    pub definition: &'static str,
    /// Where the definition comes from.
    pub source: &'static str,
    /// What happens at the edges.
    pub edge_cases: &'static str,
}

/// Every measure, in the order of [`Measure`].
#[rustfmt::skip] // one line a field: a table is read down its columns
pub const ROWS: &[Row] = &[
    Row {
        measure: Overshoot, name: "overshoot_percent", unit: "%", kind: Kind::Step, built: true, larger_is_worse: true,
        options: &[OptionKey::Side],
        definition: "largest excursion of the speed beyond the final value, in percent of final minus initial; initial: the setpoint before the entry, final: the setpoint at the window's end",
        source: "IEC 60050-351, overshoot; Ogata, Modern Control Engineering, transient response",
        edge_cases: "0 when the final value is never passed; a step of zero: not defined; a ramped setpoint counts from the entry's start",
    },
    Row {
        measure: Undershoot, name: "undershoot_percent", unit: "%", kind: Kind::Step, built: true, larger_is_worse: true,
        options: &[OptionKey::Side],
        definition: "the larger of (a) the excursion short of the final value after its first crossing and (b) the excursion beyond the initial value, away from the final one, before the first crossing; percent of the step",
        source: "the two extremes of a step response other than the overshoot; Åström & Murray, Feedback Systems (inverse response)",
        edge_cases: "a note names which of the two it is; without a crossing only (b) counts; 0 with no note when there is neither; a step of zero: not defined",
    },
    Row {
        measure: RiseTime, name: "rise_time_s", unit: "s", kind: Kind::Step, built: true, larger_is_worse: true,
        options: &[OptionKey::Side],
        definition: "from 10 % to 90 % of the step, first crossings, linear between samples",
        source: "IEC 60050-351, rise time; Ogata",
        edge_cases: "90 % not reached in the window: not reached; a step of zero: not defined",
    },
    Row {
        measure: Delay, name: "delay_s", unit: "s", kind: Kind::Step, built: true, larger_is_worse: true,
        options: &[OptionKey::Side],
        definition: "from the entry to 50 % of the step, first crossing",
        source: "Ogata, delay time",
        edge_cases: "not reached in the window: not reached; a step of zero: not defined",
    },
    Row {
        measure: PeakTime, name: "peak_time_s", unit: "s", kind: Kind::Step, built: true, larger_is_worse: true,
        options: &[OptionKey::Side],
        definition: "from the entry to the sample of the overshoot",
        source: "Ogata, peak time",
        edge_cases: "no overshoot: none; a step of zero: not defined",
    },
    Row {
        measure: SettlingTime, name: "settling_time_s", unit: "s", kind: Kind::Step, built: true, larger_is_worse: true,
        options: &[OptionKey::Side, OptionKey::BandPercent, OptionKey::BandRpm, OptionKey::HoldS],
        definition: "from the entry to the last entry into the band round the final value (±2 % of the step, `band_percent` or `band_rpm`)",
        source: "IEC 60050-351, settling time",
        edge_cases: "settled means inside at the window's end and for at least `hold_s` (50 ms) before it, else not settled; never outside: 0 s; on the edge is inside; a window shorter than twice `hold_s`: not defined; a step of zero: not defined",
    },
    Row {
        measure: SteadyDeviation, name: "steady_deviation_rpm", unit: "rpm", kind: Kind::Step, built: true, larger_is_worse: true,
        options: &[OptionKey::Side, OptionKey::LastS],
        definition: "mean of setpoint minus speed over the last quarter of the window, by the trapezoid rule",
        source: "IEC 60050-351, steady-state deviation",
        edge_cases: "signed: positive when the speed is too low; a step of zero: not defined",
    },
    Row {
        measure: Iae, name: "iae_rad", unit: "rad", kind: Kind::Step, built: true, larger_is_worse: true,
        options: &[OptionKey::Side, OptionKey::LastS],
        definition: "∫|setpoint − speed| dt over the window, trapezoid rule",
        source: "Graham & Lathrop (1953), integral criteria",
        edge_cases: "speeds as motor speeds in rad/s; a step of zero: not defined",
    },
    Row {
        measure: Ise, name: "ise_rad2_per_s", unit: "rad²/s", kind: Kind::Step, built: true, larger_is_worse: true,
        options: &[OptionKey::Side, OptionKey::LastS],
        definition: "∫(setpoint − speed)² dt over the window, trapezoid rule",
        source: "Newton, Gould & Kaiser, integral criteria",
        edge_cases: "a step of zero: not defined",
    },
    Row {
        measure: Itae, name: "itae_rad_s", unit: "rad·s", kind: Kind::Step, built: true, larger_is_worse: true,
        options: &[OptionKey::Side, OptionKey::LastS],
        definition: "∫t |setpoint − speed| dt over the window, t from the entry, trapezoid rule",
        source: "Graham & Lathrop (1953)",
        edge_cases: "a step of zero: not defined",
    },
    Row {
        measure: Dip, name: "dip_rpm", unit: "rpm", kind: Kind::LoadStep, built: true, larger_is_worse: true,
        options: &[OptionKey::Side, OptionKey::LastS],
        definition: "largest |setpoint − speed| in the window",
        source: "load step of a drive; Leonhard, Control of Electrical Drives",
        edge_cases: "in either direction; the window need not contain a load step",
    },
    Row {
        measure: DipPercent, name: "dip_percent", unit: "%", kind: Kind::LoadStep, built: true, larger_is_worse: true,
        options: &[OptionKey::Side, OptionKey::LastS],
        definition: "largest |setpoint − speed| in percent of the setpoint at the window's end",
        source: "as dip_rpm",
        edge_cases: "setpoint 0: not defined",
    },
    Row {
        measure: RecoveryTime, name: "recovery_time_s", unit: "s", kind: Kind::LoadStep, built: true, larger_is_worse: true,
        options: &[OptionKey::Side, OptionKey::BandPercent, OptionKey::BandRpm, OptionKey::HoldS],
        definition: "from the entry to the last entry into the band round the setpoint at the window's end (±2 % of that setpoint, `band_percent` or `band_rpm`)",
        source: "as settling_time_s",
        edge_cases: "setpoint 0 without `band_rpm`: not defined; never outside: 0 s; else as settling_time_s",
    },
    Row {
        measure: DipArea, name: "dip_area_rad", unit: "rad", kind: Kind::LoadStep, built: true, larger_is_worse: true,
        options: &[OptionKey::Side, OptionKey::LastS],
        definition: "∫(setpoint − speed) dt to the window's end, signed: the angle lost; for a PI loop load torque times reset time over gain",
        source: "derived: in the new steady state the integrator carries the load",
        edge_cases: "positive when the axis lags; only the whole of it once the speed has recovered",
    },
    Row {
        measure: TorqueNoise, name: "torque_noise_rms_percent", unit: "%", kind: Kind::Noise, built: true, larger_is_worse: true,
        options: &[OptionKey::LastS, OptionKey::HighpassHz],
        definition: "of the torque command over the window's last `last_s` (its last half): subtract the mean, second-order Butterworth high-pass at `highpass_hz` (bilinear, prewarped) once forward from rest, drop the first fifth, rms of the rest in percent of rated torque",
        source: "Butterworth by the bilinear transform: Oppenheim & Schafer",
        edge_cases: "`highpass_hz` missing, not above 0 or not below half the tick rate: not defined",
    },
    Row {
        measure: SpeedRippleRms, name: "speed_ripple_rms_rpm", unit: "rpm", kind: Kind::Noise, built: true, larger_is_worse: true,
        options: &[OptionKey::Side, OptionKey::LastS],
        definition: "rms of speed minus its mean at constant speed, over the last whole turns of the load in the window",
        source: "rms of a fluctuation over whole periods",
        edge_cases: "less than one turn of the load: over the whole window; the start of the first whole turn lies between samples, linear",
    },
    Row {
        measure: SpeedRipplePeak, name: "speed_ripple_peak_rpm", unit: "rpm", kind: Kind::Noise, built: true, larger_is_worse: true,
        options: &[OptionKey::Side, OptionKey::LastS],
        definition: "largest |speed − mean| over the same turns",
        source: "as speed_ripple_rms_rpm",
        edge_cases: "as speed_ripple_rms_rpm",
    },
    Row {
        measure: TorqueTravel, name: "torque_travel_percent_per_s", unit: "%/s", kind: Kind::Noise, built: true, larger_is_worse: true,
        options: &[OptionKey::LastS],
        definition: "total variation of the torque command over the window, per second, in percent of rated torque",
        source: "total variation of the control signal: Åström & Hägglund; 4 A f for a sine",
        edge_cases: "a window of one tick: 0",
    },
    Row {
        measure: Whine, name: "whine_db", unit: "dB", kind: Kind::Noise, built: false, larger_is_worse: true,
        options: &[],
        definition: "A-weighted level of the torque command re 1 mNm rms",
        source: "IEC 61672-1",
        edge_cases: "a stand-in for sound, not sound",
    },
    Row {
        measure: HuntingPeak, name: "hunting_peak_deg", unit: "°", kind: Kind::Noise, built: false, larger_is_worse: true,
        options: &[],
        definition: "half of peak to peak of the load angle over the window's last half, at standstill",
        source: "limit cycle of play and friction",
        edge_cases: "none below one count",
    },
    Row {
        measure: HuntingFrequency, name: "hunting_hz", unit: "Hz", kind: Kind::Noise, built: false, larger_is_worse: true,
        options: &[],
        definition: "largest line of the detrended spectrum of the load angle",
        source: "limit cycle of play and friction",
        edge_cases: "none below one count",
    },
    Row {
        measure: Dwell, name: "dwell_s", unit: "s", kind: Kind::Reversal, built: false, larger_is_worse: true,
        options: &[],
        definition: "longest stretch in which the load stands while the setpoint passes through zero",
        source: "reversal of an axis with friction",
        edge_cases: "|speed| below `still_rpm`",
    },
    Row {
        measure: StickSlipRatio, name: "stick_slip_ratio", unit: "", kind: Kind::Reversal, built: false, larger_is_worse: true,
        options: &[],
        definition: "peak to mean speed at creep",
        source: "stick-slip",
        edge_cases: "not defined when |mean| is below `still_rpm`",
    },
    Row {
        measure: PhaseMargin, name: "phase_margin_deg", unit: "°", kind: Kind::Loop, built: true, larger_is_worse: false,
        options: &[],
        definition: "smallest angular distance of L from −1 over all unity-gain crossings up to Nyquist, the loop opened at the torque command",
        source: "Åström & Murray, Feedback Systems, frequency domain analysis",
        edge_cases: "no crossing: none; unstable loop: unstable; with play gaps closed and open, the worse counts",
    },
    Row {
        measure: GainMargin, name: "gain_margin_db", unit: "dB", kind: Kind::Loop, built: true, larger_is_worse: false,
        options: &[],
        definition: "smallest |dB| over all −180° crossings up to and at Nyquist, in either direction",
        source: "Åström & Murray",
        edge_cases: "the approach to −180° as the frequency goes to 0 is no crossing; no crossing: none; unstable loop: unstable",
    },
    Row {
        measure: DelayMargin, name: "delay_margin_s", unit: "s", kind: Kind::Loop, built: true, larger_is_worse: false,
        options: &[],
        definition: "smallest ((180° + arg L) mod 360°) in rad over the angular frequency, over the unity-gain crossings",
        source: "Åström & Murray",
        edge_cases: "no crossing: none; unstable loop: unstable",
    },
    Row {
        measure: Crossover, name: "crossover_hz", unit: "Hz", kind: Kind::Loop, built: true, larger_is_worse: false,
        options: &[],
        definition: "the first unity-gain crossing",
        source: "Åström & Murray",
        edge_cases: "no crossing: none; unstable loop: unstable",
    },
    Row {
        measure: SensitivityPeak, name: "sensitivity_peak", unit: "", kind: Kind::Loop, built: true, larger_is_worse: true,
        options: &[],
        definition: "Ms = max |1/(1 + L)| up to Nyquist",
        source: "Åström & Hägglund, PID Controllers",
        edge_cases: "unstable loop: unstable",
    },
    Row {
        measure: Bandwidth, name: "bandwidth_hz", unit: "Hz", kind: Kind::Loop, built: true, larger_is_worse: false,
        options: &[OptionKey::Side],
        definition: "setpoint to true speed at the sampling instants: first fall below 1/√2 of the value at 0 Hz",
        source: "Ogata, bandwidth",
        edge_cases: "no fall up to Nyquist: none; unstable loop: unstable; load side with an open gap: not defined there, the closed one counts",
    },
    Row {
        measure: ResonancePeak, name: "resonance_peak_db", unit: "dB", kind: Kind::Loop, built: true, larger_is_worse: true,
        options: &[],
        definition: "largest |T| (setpoint to motor speed) from the first local minimum of |T| above the first crossover up to Nyquist",
        source: "Åström & Murray, resonant peak",
        edge_cases: "no such minimum, or no crossover: none; unstable loop: unstable",
    },
    Row {
        measure: TorqueRms, name: "torque_rms_percent", unit: "%", kind: Kind::Effort, built: true, larger_is_worse: true,
        options: &[OptionKey::LastS],
        definition: "rms of the torque command in percent of rated torque",
        source: "IEC 60034-1, duty by rms torque",
        edge_cases: "the command is held over a tick: a plain mean of squares",
    },
    Row {
        measure: TorquePeak, name: "torque_peak_percent", unit: "%", kind: Kind::Effort, built: true, larger_is_worse: true,
        options: &[OptionKey::LastS],
        definition: "largest |torque command| in percent of rated torque",
        source: "as torque_rms_percent",
        edge_cases: "",
    },
    Row {
        measure: TimeAtLimit, name: "time_at_limit_percent", unit: "%", kind: Kind::Effort, built: true, larger_is_worse: true,
        options: &[OptionKey::LastS],
        definition: "share of ticks with |torque command| at or above 99.9 % of the torque limit",
        source: "saturation",
        edge_cases: "equality counts as at the limit",
    },
    Row {
        measure: WindingRise, name: "winding_rise_k", unit: "K", kind: Kind::Effort, built: false, larger_is_worse: true,
        options: &[],
        definition: "rise of the winding's temperature",
        source: "first-order thermal model",
        edge_cases: "",
    },
    Row {
        measure: TravelWindow, name: "travel_window_deg", unit: "°", kind: Kind::Conduct, built: true, larger_is_worse: true,
        options: &[],
        definition: "largest minus smallest load angle while tuning",
        source: "geometry",
        edge_cases: "0 before the first tick",
    },
    Row {
        measure: TravelPath, name: "travel_path_deg", unit: "°", kind: Kind::Conduct, built: true, larger_is_worse: true,
        options: &[],
        definition: "sum of the load's movement while tuning, tick by tick",
        source: "geometry",
        edge_cases: "",
    },
    Row {
        measure: TravelOverrun, name: "travel_overrun_deg", unit: "°", kind: Kind::Conduct, built: true, larger_is_worse: true,
        options: &[],
        definition: "how far the load angle went beyond the allowed window, to the worse side",
        source: "geometry",
        edge_cases: "0 within; on an endless axis counted from the start",
    },
    Row {
        measure: StopStrikes, name: "stop_strikes", unit: "", kind: Kind::Conduct, built: true, larger_is_worse: true,
        options: &[],
        definition: "number of strikes of an end stop",
        source: "located contact events",
        edge_cases: "",
    },
    Row {
        measure: StopEnergy, name: "stop_energy_j", unit: "J", kind: Kind::Conduct, built: true, larger_is_worse: true,
        options: &[],
        definition: "work on the stop from contact up to greatest compression, of the largest strike, by the trapezoid rule over compression at the ticks",
        source: "work of a spring-damper: ∫ max(0, k p + d p′) dp",
        edge_cases: "a strike that ends between two ticks counts with the node's kinetic energy at contact; no strike: 0",
    },
    Row {
        measure: Overspeed, name: "overspeed_percent", unit: "%", kind: Kind::Conduct, built: true, larger_is_worse: true,
        options: &[],
        definition: "how far |motor speed| went above the axis' highest speed, in percent of it",
        source: "definition",
        edge_cases: "0 within",
    },
    Row {
        measure: Faults, name: "faults", unit: "", kind: Kind::Conduct, built: true, larger_is_worse: true,
        options: &[],
        definition: "number of trips of the drive",
        source: "IEC 61800-7-201, fault reaction",
        edge_cases: "",
    },
    Row {
        measure: Moves, name: "moves", unit: "", kind: Kind::Conduct, built: true, larger_is_worse: true,
        options: &[],
        definition: "starts from standstill: the load's speed, as a motor speed, passes 5 rpm after it stood below that for 50 ms",
        source: "the threshold at which the drive calls a stop finished",
        edge_cases: "a reversal without a standstill is one move; a run begins standing",
    },
    Row {
        measure: TuningTime, name: "tuning_time_s", unit: "s", kind: Kind::Conduct, built: true, larger_is_worse: true,
        options: &[],
        definition: "simulated time of the tuning",
        source: "tick count",
        edge_cases: "",
    },
    Row {
        measure: SettingsKept, name: "settings_kept", unit: "", kind: Kind::Conduct, built: true, larger_is_worse: false,
        options: &[],
        definition: "1 when a power cycle brought the tuned settings back, 0 when not",
        source: "stored and volatile set",
        edge_cases: "not reached when the trial never got to the power cycle",
    },
    Row {
        measure: MissedTicks, name: "missed_ticks", unit: "", kind: Kind::Timing, built: false, larger_is_worse: true,
        options: &[],
        definition: "ticks whose output left after the next tick's due time",
        source: "real time only",
        edge_cases: "",
    },
    Row {
        measure: SilentTicks, name: "silent_ticks", unit: "", kind: Kind::Timing, built: false, larger_is_worse: true,
        options: &[],
        definition: "ticks for which no command had come",
        source: "real time only",
        edge_cases: "",
    },
    Row {
        measure: LateP999, name: "late_p999_us", unit: "µs", kind: Kind::Timing, built: false, larger_is_worse: true,
        options: &[],
        definition: "99.9th percentile of lateness",
        source: "real time only",
        edge_cases: "",
    },
    Row {
        measure: LateMax, name: "late_max_us", unit: "µs", kind: Kind::Timing, built: false, larger_is_worse: true,
        options: &[],
        definition: "largest lateness",
        source: "real time only",
        edge_cases: "",
    },
    Row {
        measure: StaleCommands, name: "stale_commands", unit: "", kind: Kind::Timing, built: false, larger_is_worse: true,
        options: &[],
        definition: "commands that came too late to act",
        source: "real time only",
        edge_cases: "",
    },
];
