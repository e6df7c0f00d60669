//! The measures by name: what there is, in which unit, of which kind, and whether it is built.
//!
//! The rows themselves stand in `measure_table.rs`; each kind is computed in the file named after it. What it does not:
//! compute. Start reading at [`Measure::evaluate`].

use crate::score::answer::{Answer, NoNumber};
use crate::score::measure_table::{self, Row};
use crate::score::window::{Options, Window};
use crate::score::{effort, integral, load_step, noise, smoothness, step};

/// Every measure that a scenario may name, in the order of the table.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Measure {
    /// `overshoot_percent`
    Overshoot,
    /// `undershoot_percent`
    Undershoot,
    /// `rise_time_s`
    RiseTime,
    /// `delay_s`
    Delay,
    /// `peak_time_s`
    PeakTime,
    /// `settling_time_s`
    SettlingTime,
    /// `steady_deviation_rpm`
    SteadyDeviation,
    /// `iae_rad`
    Iae,
    /// `ise_rad2_per_s`
    Ise,
    /// `itae_rad_s`
    Itae,
    /// `dip_rpm`
    Dip,
    /// `dip_percent`
    DipPercent,
    /// `recovery_time_s`
    RecoveryTime,
    /// `dip_area_rad`
    DipArea,
    /// `torque_noise_rms_percent`
    TorqueNoise,
    /// `speed_ripple_rms_rpm`
    SpeedRippleRms,
    /// `speed_ripple_peak_rpm`
    SpeedRipplePeak,
    /// `torque_travel_percent_per_s`
    TorqueTravel,
    /// `whine_db`
    Whine,
    /// `hunting_peak_deg`
    HuntingPeak,
    /// `hunting_hz`
    HuntingFrequency,
    /// `dwell_s`
    Dwell,
    /// `stick_slip_ratio`
    StickSlipRatio,
    /// `phase_margin_deg`
    PhaseMargin,
    /// `gain_margin_db`
    GainMargin,
    /// `delay_margin_s`
    DelayMargin,
    /// `crossover_hz`
    Crossover,
    /// `sensitivity_peak`
    SensitivityPeak,
    /// `bandwidth_hz`
    Bandwidth,
    /// `resonance_peak_db`
    ResonancePeak,
    /// `torque_rms_percent`
    TorqueRms,
    /// `torque_peak_percent`
    TorquePeak,
    /// `time_at_limit_percent`
    TimeAtLimit,
    /// `winding_rise_k`
    WindingRise,
    /// `travel_window_deg`
    TravelWindow,
    /// `travel_path_deg`
    TravelPath,
    /// `travel_overrun_deg`
    TravelOverrun,
    /// `stop_strikes`
    StopStrikes,
    /// `stop_energy_j`
    StopEnergy,
    /// `overspeed_percent`
    Overspeed,
    /// `faults`
    Faults,
    /// `moves`
    Moves,
    /// `tuning_time_s`
    TuningTime,
    /// `settings_kept`
    SettingsKept,
    /// `missed_ticks`
    MissedTicks,
    /// `silent_ticks`
    SilentTicks,
    /// `late_p999_us`
    LateP999,
    /// `late_max_us`
    LateMax,
    /// `stale_commands`
    StaleCommands,
}

/// What a measure is taken from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A window that opens with a step (or ramp) of the setpoint.
    Step,
    /// A window that opens with a step of the load torque.
    LoadStep,
    /// A window, for noise and smoothness.
    Noise,
    /// A window with a reversal or a creep.
    Reversal,
    /// The linear model of the loop; needs no `during`.
    Loop,
    /// A window, for the effort of the motor.
    Effort,
    /// The whole tuning; needs no `during`.
    Conduct,
    /// The exchange in real time; needs no `during`.
    Timing,
}

/// Keys of a limit that only some measures take.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OptionKey {
    /// `band_percent`
    BandPercent,
    /// `band_rpm`
    BandRpm,
    /// `hold_s`
    HoldS,
    /// `last_s`
    LastS,
    /// `highpass_hz`, which must be given
    HighpassHz,
    /// `side`
    Side,
}

impl OptionKey {
    /// Every key.
    pub const ALL: [Self; 6] =
        [Self::BandPercent, Self::BandRpm, Self::HoldS, Self::LastS, Self::HighpassHz, Self::Side];

    /// The key as a scenario writes it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::BandPercent => "band_percent",
            Self::BandRpm => "band_rpm",
            Self::HoldS => "hold_s",
            Self::LastS => "last_s",
            Self::HighpassHz => "highpass_hz",
            Self::Side => "side",
        }
    }
}

impl Kind {
    /// The words for people.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Step => "step of the setpoint",
            Self::LoadStep => "step of the load",
            Self::Noise => "noise and smoothness",
            Self::Reversal => "reversal and low speed",
            Self::Loop => "the loop",
            Self::Effort => "effort",
            Self::Conduct => "conduct",
            Self::Timing => "timing",
        }
    }

    /// Whether a measure of this kind is taken over a programme entry's window.
    #[must_use]
    pub fn has_window(self) -> bool {
        matches!(self, Self::Step | Self::LoadStep | Self::Noise | Self::Reversal | Self::Effort)
    }
}

impl Measure {
    /// Every measure, built or not.
    pub fn all() -> impl Iterator<Item = Self> {
        measure_table::ROWS.iter().map(|row| row.measure)
    }

    /// The measure of a name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        measure_table::ROWS.iter().find(|row| row.name == name).map(|row| row.measure)
    }

    /// Its row in the table.
    #[must_use]
    pub fn row(self) -> &'static Row {
        &measure_table::ROWS[self as usize]
    }

    /// Its name with its unit, as scenarios and results write it.
    #[must_use]
    pub fn name(self) -> &'static str {
        self.row().name
    }

    /// Its unit for people; empty for a plain number.
    #[must_use]
    pub fn unit(self) -> &'static str {
        self.row().unit
    }

    /// What it is taken from.
    #[must_use]
    pub fn kind(self) -> Kind {
        self.row().kind
    }

    /// Whether this program computes it; a scenario that asks for another is refused as `not built yet`.
    #[must_use]
    pub fn is_built(self) -> bool {
        self.row().built
    }

    /// Whether a larger number is the worse one.
    #[must_use]
    pub fn larger_is_worse(self) -> bool {
        self.row().larger_is_worse
    }

    /// Whether a limit on it may have this key.
    #[must_use]
    pub fn takes(self, key: OptionKey) -> bool {
        self.row().options.contains(&key)
    }

    /// Takes the measure over a window. Measures that are not taken over a window (loop, conduct, timing) and those not
    /// built are `not defined` here.
    #[must_use]
    pub fn evaluate(self, window: &Window, options: &Options) -> Answer {
        let narrowed = match options.last_s {
            Some(last_s) if self.takes(OptionKey::LastS) => window.narrowed(last_s),
            _ => *window,
        };
        let window = &narrowed;
        match self {
            Self::Overshoot => step::overshoot_percent(window, options),
            Self::Undershoot => step::undershoot_percent(window, options),
            Self::RiseTime => step::rise_time_s(window, options),
            Self::Delay => step::delay_s(window, options),
            Self::PeakTime => step::peak_time_s(window, options),
            Self::SettlingTime => step::settling_time_s(window, options),
            Self::SteadyDeviation => step::steady_deviation_rpm(window, options),
            Self::Iae => integral::iae_rad(window, options),
            Self::Ise => integral::ise_rad2_per_s(window, options),
            Self::Itae => integral::itae_rad_s(window, options),
            Self::Dip => load_step::dip_rpm(window, options),
            Self::DipPercent => load_step::dip_percent(window, options),
            Self::RecoveryTime => load_step::recovery_time_s(window, options),
            Self::DipArea => load_step::dip_area_rad(window, options),
            Self::TorqueNoise => noise::torque_noise_rms_percent(window, options),
            Self::SpeedRippleRms => smoothness::speed_ripple_rms_rpm(window, options),
            Self::SpeedRipplePeak => smoothness::speed_ripple_peak_rpm(window, options),
            Self::TorqueTravel => smoothness::torque_travel_percent_per_s(window, options),
            Self::TorqueRms => effort::torque_rms_percent(window, options),
            Self::TorquePeak => effort::torque_peak_percent(window, options),
            Self::TimeAtLimit => effort::time_at_limit_percent(window, options),
            _ => Answer::Without(NoNumber::NotDefined),
        }
    }
}
