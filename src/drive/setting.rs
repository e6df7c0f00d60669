//! The drive's settings: one row each, with number, name, unit, range, default and what it does.
//!
//! Values stand in the unit of their name (a setting in rpm holds rpm), as people write them and as they cross the
//! link; the loops convert once, when a setting changes. What it does not: decide whether a write is taken, keep
//! volatile and stored copies (see `store.rs`). Start reading at [`Setting`], then at `ROWS`.

// Long because it is one table: a variant, a default and a row per setting.

use crate::base::nameplate::{Nameplate, WindingPlate};
use crate::base::time::TickRate;
use crate::base::units::{DEG_RAD, RPM_RAD_PER_S};
use crate::drive::current_loop::optimal_gain_v_per_a;

/// A travel limit at or beyond this many degrees is none: how an endless axis says that it is one.
pub const TRAVEL_UNLIMITED_DEG: f64 = 1e9;

/// One setting of the drive. Every row says its unit, range and meaning: [`Setting::unit`], [`Setting::range`],
/// [`Setting::what`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Setting {
    /// `speed_gain_nms_per_rad`: Kp.
    SpeedGain,
    /// `speed_reset_time_s`: Tn.
    SpeedResetTime,
    /// `speed_filter_hz`.
    SpeedFilter,
    /// `setpoint_ramp_rpm_per_s`.
    SetpointRamp,
    /// `setpoint_lowpass_hz`.
    SetpointLowpass,
    /// `torque_limit_nm`.
    TorqueLimit,
    /// `torque_lowpass_hz`.
    TorqueLowpass,
    /// `notch_1_hz`: centre of the first notch.
    Notch1Centre,
    /// `notch_1_width_hz`.
    Notch1Width,
    /// `notch_1_depth_db`.
    Notch1Depth,
    /// `notch_2_hz`: centre of the second notch.
    Notch2Centre,
    /// `notch_2_width_hz`.
    Notch2Width,
    /// `notch_2_depth_db`.
    Notch2Depth,
    /// `inertia_feedforward_kgm2`.
    InertiaFeedforward,
    /// `quick_stop_rpm_per_s`.
    QuickStop,
    /// `travel_min_deg`.
    TravelMin,
    /// `travel_max_deg`.
    TravelMax,
    /// `speed_limit_rpm`.
    SpeedLimit,
    /// `deviation_trip_rpm`.
    DeviationTrip,
    /// `rated_torque_nm` of the nameplate.
    RatedTorque,
    /// `rated_speed_rpm` of the nameplate.
    RatedSpeed,
    /// `motor_inertia_kgm2` of the nameplate.
    MotorInertia,
    /// `counts_per_turn` of the nameplate.
    CountsPerTurn,
    /// `gear_ratio` of the nameplate.
    GearRatio,
    /// `angle_zero_counts` of the nameplate.
    AngleZero,
    /// `current_gain_v_per_a`: Kp of the current loops.
    CurrentGain,
    /// `current_reset_time_s`: their Tn.
    CurrentResetTime,
    /// `pole_pairs` of the nameplate.
    PolePairs,
    /// `resistance_ohm` of the nameplate.
    Resistance,
    /// `inductance_h` of the nameplate.
    Inductance,
    /// `flux_linkage_vs` of the nameplate.
    FluxLinkage,
    /// `rated_current_a_rms` of the nameplate.
    RatedCurrent,
    /// `sensor_sign` of the nameplate.
    SensorSign,
    /// `commutation_offset_deg` of the nameplate.
    CommutationOffset,
    /// `overcurrent_a`.
    Overcurrent,
    /// `overload_time_s`.
    OverloadTime,
    /// `bus_min_v`.
    BusMin,
    /// `bus_max_v`.
    BusMax,
    /// `sensor_jump_rpm`.
    SensorJump,
    /// `brake_opens_after_s`.
    BrakeOpens,
    /// `brake_closes_after_s`.
    BrakeCloses,
}

/// What the defaults are taken from: the nameplate and the axis that the drive is built into.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DefaultsFrom {
    /// The drive's tick rate.
    pub rate: TickRate,
    /// Nameplate data as typed in.
    pub nameplate: Nameplate,
    /// The axis' highest speed at the motor, in rad/s.
    pub max_speed_rad_per_s: f64,
    /// The axis' travel at the load, lowest and highest angle in rad; none on an endless axis.
    pub travel_rad: Option<[f64; 2]>,
}

impl Setting {
    /// Every setting, in the order of the numbers.
    pub const ALL: [Self; 41] = [
        Self::SpeedGain,
        Self::SpeedResetTime,
        Self::SpeedFilter,
        Self::SetpointRamp,
        Self::SetpointLowpass,
        Self::TorqueLimit,
        Self::TorqueLowpass,
        Self::Notch1Centre,
        Self::Notch1Width,
        Self::Notch1Depth,
        Self::Notch2Centre,
        Self::Notch2Width,
        Self::Notch2Depth,
        Self::InertiaFeedforward,
        Self::QuickStop,
        Self::TravelMin,
        Self::TravelMax,
        Self::SpeedLimit,
        Self::DeviationTrip,
        Self::RatedTorque,
        Self::RatedSpeed,
        Self::MotorInertia,
        Self::CountsPerTurn,
        Self::GearRatio,
        Self::AngleZero,
        Self::CurrentGain,
        Self::CurrentResetTime,
        Self::PolePairs,
        Self::Resistance,
        Self::Inductance,
        Self::FluxLinkage,
        Self::RatedCurrent,
        Self::SensorSign,
        Self::CommutationOffset,
        Self::Overcurrent,
        Self::OverloadTime,
        Self::BusMin,
        Self::BusMax,
        Self::SensorJump,
        Self::BrakeOpens,
        Self::BrakeCloses,
    ];

    /// The number by which the link names it, from 1. A number is never given to another setting.
    #[must_use]
    pub fn number(self) -> u16 {
        self.row().number
    }

    /// The plain name with its unit, the same in files, on the link and on screens.
    #[must_use]
    pub fn name(self) -> &'static str {
        self.row().name
    }

    /// The unit as people read it; empty for a plain number.
    #[must_use]
    pub fn unit(self) -> &'static str {
        self.row().unit
    }

    /// Lowest and highest value, whatever the drive. The drive's own rate and motor may narrow it
    /// (`store::Bounds::range`), and between 0 and [`Setting::least`] nothing is taken.
    #[must_use]
    pub fn range(self) -> (f64, f64) {
        (self.row().low, self.row().high)
    }

    /// The least magnitude that means something other than off; 0 where every value of the range is taken.
    #[must_use]
    pub fn least(self) -> f64 {
        match self.row().zero {
            Zero::Value => 0.0,
            Zero::Off { least } | Zero::Refused { least } => least,
        }
    }

    /// Whether 0 may be written: as a plain value or as "off".
    #[must_use]
    pub fn zero_is_taken(self) -> bool {
        !matches!(self.row().zero, Zero::Refused { .. }) && self.row().low <= 0.0 && 0.0 <= self.row().high
    }

    /// What it does, one sentence.
    #[must_use]
    pub fn what(self) -> &'static str {
        self.row().what
    }

    /// Whether it may change while torque acts. Nameplate data may not: counts, gear, zero and the winding's data give the
    /// angles, speed and current by which the axis is held.
    #[must_use]
    pub fn writable_while_enabled(self) -> bool {
        !matches!(
            self,
            Self::RatedTorque
                | Self::RatedSpeed
                | Self::MotorInertia
                | Self::CountsPerTurn
                | Self::GearRatio
                | Self::AngleZero
                | Self::PolePairs
                | Self::Resistance
                | Self::Inductance
                | Self::FluxLinkage
                | Self::RatedCurrent
                | Self::SensorSign
                | Self::CommutationOffset
        )
    }

    /// The value of a drive that nobody has set up. Ramps, filters, notches, feed-forward and the deviation trip are
    /// off, and so are the trips by current, overload, bus voltage and jumps of the counts; the brake takes no time; gain and reset time are 0, so that a drive without set-up does nothing; the torque limit is the rated
    /// torque (the peak torque, if the nameplate has that lower). A quick stop of 10 000 rpm/s stops from 3000 rpm in
    /// 0.3 s. The current loops are at the magnitude optimum of the nameplate's winding, gain L/(3T) and reset time L/R;
    /// what concerns a winding is 0 where there is none, and pole pairs 1.
    #[must_use]
    pub fn default_value(self, from: &DefaultsFrom) -> f64 {
        let plate = &from.nameplate;
        let winding = |value: &dyn Fn(&WindingPlate) -> f64| plate.winding.as_ref().map_or(0.0, value);
        match self {
            Self::TorqueLimit => plate.rated_torque_nm.min(plate.peak_torque_nm),
            Self::QuickStop => 10_000.0,
            Self::TravelMin => from.travel_rad.map_or(-TRAVEL_UNLIMITED_DEG, |[low, _]| cleaned(low / DEG_RAD)),
            Self::TravelMax => from.travel_rad.map_or(TRAVEL_UNLIMITED_DEG, |[_, high]| cleaned(high / DEG_RAD)),
            Self::SpeedLimit => cleaned(from.max_speed_rad_per_s / RPM_RAD_PER_S),
            Self::RatedTorque => plate.rated_torque_nm,
            Self::RatedSpeed => cleaned(plate.rated_speed_rad_per_s / RPM_RAD_PER_S),
            Self::MotorInertia => plate.motor_inertia_kgm2,
            Self::CountsPerTurn => plate.counts_per_turn,
            Self::GearRatio => plate.gear_ratio,
            Self::AngleZero => plate.angle_zero_counts,
            Self::CurrentGain => winding(&|winding| optimal_gain_v_per_a(winding.inductance_h, from.rate)),
            Self::CurrentResetTime => winding(&|winding| winding.inductance_h / winding.resistance_ohm),
            Self::PolePairs => plate.winding.as_ref().map_or(1.0, |winding| f64::from(winding.pole_pairs)),
            Self::Resistance => winding(&|winding| winding.resistance_ohm),
            Self::Inductance => winding(&|winding| winding.inductance_h),
            Self::FluxLinkage => winding(&|winding| winding.flux_linkage_vs),
            Self::RatedCurrent => winding(&|winding| winding.rated_current_a_rms),
            Self::SensorSign => plate.sensor_sign,
            Self::CommutationOffset => winding(&|winding| cleaned(winding.commutation_offset_rad / DEG_RAD)),
            _ => 0.0,
        }
    }

    /// The setting of this name; `None` when there is none.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|setting| setting.name() == name)
    }

    /// The setting of this number; `None` when there is none.
    #[must_use]
    pub fn from_number(number: u16) -> Option<Self> {
        Self::ALL.into_iter().find(|setting| setting.number() == number)
    }

    fn row(self) -> &'static Row {
        &ROWS[self as usize]
    }
}

/// A value of every setting, each in the unit of its name.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    values: [f64; Setting::ALL.len()],
}

impl Settings {
    /// Every setting at its default.
    #[must_use]
    pub fn defaults(from: &DefaultsFrom) -> Self {
        Self { values: Setting::ALL.map(|setting| setting.default_value(from)) }
    }

    /// The value of a setting.
    #[must_use]
    pub fn get(&self, setting: Setting) -> f64 {
        self.values[setting as usize]
    }

    /// Puts a value in without looking at it; who takes values from outside checks them first (`store::Bounds::check`).
    pub fn set(&mut self, setting: Setting, value: f64) {
        self.values[setting as usize] = value;
    }
}

/// Takes off what the way through SI units left behind the sixth decimal, so that 900 rpm in a file shows as 900.
fn cleaned(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

/// What 0 means in a row.
enum Zero {
    /// A value like any other of the range.
    Value,
    /// Off; on, the magnitude is at least `least`, below which the numbers would no longer mean anything.
    Off { least: f64 },
    /// Not taken; the magnitude is at least `least`.
    Refused { least: f64 },
}

struct Row {
    number: u16,
    name: &'static str,
    unit: &'static str,
    low: f64,
    high: f64,
    zero: Zero,
    what: &'static str,
}

/// The table, in the order of the enum. Ranges are wide: they keep numbers finite and filters stable, they do not keep
/// a machine safe.
static ROWS: [Row; Setting::ALL.len()] = [
    Row {
        number: 1,
        name: "speed_gain_nms_per_rad",
        unit: "Nm·s/rad",
        low: 0.0,
        high: 1e3,
        zero: Zero::Off { least: 1e-9 },
        what: "proportional gain Kp of the speed loop",
    },
    Row {
        number: 2,
        name: "speed_reset_time_s",
        unit: "s",
        low: 0.0,
        high: 1e3,
        zero: Zero::Off { least: 1e-5 },
        what: "reset time Tn of the speed loop; 0: no integrator",
    },
    Row {
        number: 3,
        name: "speed_filter_hz",
        unit: "Hz",
        low: 0.0,
        high: 1e5,
        zero: Zero::Off { least: 1e-3 },
        what: "low-pass of the measured speed; 0: off",
    },
    Row {
        number: 4,
        name: "setpoint_ramp_rpm_per_s",
        unit: "rpm/s",
        low: 0.0,
        high: 1e7,
        zero: Zero::Off { least: 1e-3 },
        what: "steepest change of the setpoint; 0: off",
    },
    Row {
        number: 5,
        name: "setpoint_lowpass_hz",
        unit: "Hz",
        low: 0.0,
        high: 1e5,
        zero: Zero::Off { least: 1e-3 },
        what: "low-pass of the setpoint, after the ramp; 0: off",
    },
    Row {
        number: 6,
        name: "torque_limit_nm",
        unit: "Nm",
        low: 0.0,
        high: 1e5,
        zero: Zero::Value,
        what: "largest torque command, at most the motor's peak torque",
    },
    Row {
        number: 7,
        name: "torque_lowpass_hz",
        unit: "Hz",
        low: 0.0,
        high: 1e5,
        zero: Zero::Off { least: 1e-3 },
        what: "low-pass of the torque command, after the notches; 0: off",
    },
    Row {
        number: 8,
        name: "notch_1_hz",
        unit: "Hz",
        low: 0.0,
        high: 5e4,
        zero: Zero::Off { least: 1.0 },
        what: "centre of the first notch, below half the tick rate; 0: off",
    },
    Row {
        number: 9,
        name: "notch_1_width_hz",
        unit: "Hz",
        low: 0.0,
        high: 5e4,
        zero: Zero::Off { least: 0.1 },
        what: "width of the first notch; 0: the notch does nothing",
    },
    Row {
        number: 10,
        name: "notch_1_depth_db",
        unit: "dB",
        low: 0.0,
        high: 80.0,
        zero: Zero::Value,
        what: "depth of the first notch at its centre",
    },
    Row {
        number: 11,
        name: "notch_2_hz",
        unit: "Hz",
        low: 0.0,
        high: 5e4,
        zero: Zero::Off { least: 1.0 },
        what: "centre of the second notch, below half the tick rate; 0: off",
    },
    Row {
        number: 12,
        name: "notch_2_width_hz",
        unit: "Hz",
        low: 0.0,
        high: 5e4,
        zero: Zero::Off { least: 0.1 },
        what: "width of the second notch; 0: the notch does nothing",
    },
    Row {
        number: 13,
        name: "notch_2_depth_db",
        unit: "dB",
        low: 0.0,
        high: 80.0,
        zero: Zero::Value,
        what: "depth of the second notch at its centre",
    },
    Row {
        number: 14,
        name: "inertia_feedforward_kgm2",
        unit: "kg·m²",
        low: 0.0,
        high: 1e3,
        zero: Zero::Value,
        what: "inertia by which the setpoint's slope becomes torque; 0: off",
    },
    Row {
        number: 15,
        name: "quick_stop_rpm_per_s",
        unit: "rpm/s",
        low: 1.0,
        high: 1e7,
        zero: Zero::Value,
        what: "deceleration of the quick stop",
    },
    Row {
        number: 16,
        name: "travel_min_deg",
        unit: "°",
        low: -TRAVEL_UNLIMITED_DEG,
        high: TRAVEL_UNLIMITED_DEG,
        zero: Zero::Value,
        what: "lowest angle of the load before the quick stop; -1000000000: no limit",
    },
    Row {
        number: 17,
        name: "travel_max_deg",
        unit: "°",
        low: -TRAVEL_UNLIMITED_DEG,
        high: TRAVEL_UNLIMITED_DEG,
        zero: Zero::Value,
        what: "highest angle of the load before the quick stop; 1000000000: no limit",
    },
    Row {
        number: 18,
        name: "speed_limit_rpm",
        unit: "rpm",
        low: 1.0,
        high: 1e6,
        zero: Zero::Value,
        what: "motor speed beyond which the drive trips on overspeed",
    },
    Row {
        number: 19,
        name: "deviation_trip_rpm",
        unit: "rpm",
        low: 0.0,
        high: 1e6,
        zero: Zero::Off { least: 1e-3 },
        what: "difference of setpoint and speed that may not last 50 ms; 0: off",
    },
    Row {
        number: 20,
        name: "rated_torque_nm",
        unit: "Nm",
        low: 1e-6,
        high: 1e5,
        zero: Zero::Value,
        what: "nameplate: rated torque",
    },
    Row {
        number: 21,
        name: "rated_speed_rpm",
        unit: "rpm",
        low: 1e-3,
        high: 1e6,
        zero: Zero::Value,
        what: "nameplate: rated speed",
    },
    Row {
        number: 22,
        name: "motor_inertia_kgm2",
        unit: "kg·m²",
        low: 1e-12,
        high: 1e3,
        zero: Zero::Value,
        what: "nameplate: inertia of the motor",
    },
    Row {
        number: 23,
        name: "counts_per_turn",
        unit: "counts",
        low: 1.0,
        high: 4_294_967_296.0,
        zero: Zero::Value,
        what: "nameplate: counts of the sensor per turn of the motor",
    },
    Row {
        number: 24,
        name: "gear_ratio",
        unit: "",
        low: -1e6,
        high: 1e6,
        zero: Zero::Refused { least: 1e-6 },
        what: "nameplate: turns of the motor per turn of the load, negative when they turn opposite ways",
    },
    Row {
        number: 25,
        name: "angle_zero_counts",
        unit: "counts",
        low: -1e15,
        high: 1e15,
        zero: Zero::Value,
        what: "nameplate: counts at which the load stands at angle 0",
    },
    Row {
        number: 26,
        name: "current_gain_v_per_a",
        unit: "V/A",
        low: 0.0,
        high: 1e6,
        zero: Zero::Off { least: 1e-6 },
        what: "proportional gain Kp of the current loops",
    },
    Row {
        number: 27,
        name: "current_reset_time_s",
        unit: "s",
        low: 0.0,
        high: 1e3,
        zero: Zero::Off { least: 1e-6 },
        what: "reset time Tn of the current loops; 0: no integrators",
    },
    Row {
        number: 28,
        name: "pole_pairs",
        unit: "",
        low: 1.0,
        high: 100.0,
        zero: Zero::Value,
        what: "nameplate: pole pairs",
    },
    Row {
        number: 29,
        name: "resistance_ohm",
        unit: "ohm",
        low: 0.0,
        high: 1e4,
        zero: Zero::Value,
        what: "nameplate: resistance of a phase; 0: no winding",
    },
    Row {
        number: 30,
        name: "inductance_h",
        unit: "H",
        low: 0.0,
        high: 10.0,
        zero: Zero::Value,
        what: "nameplate: inductance, the mean of d and q axis; 0: nothing is decoupled",
    },
    Row {
        number: 31,
        name: "flux_linkage_vs",
        unit: "Vs",
        low: 0.0,
        high: 100.0,
        zero: Zero::Off { least: 1e-6 },
        what: "nameplate: flux linkage, torque per peak ampere over 1.5 pole pairs; 0: no current is asked for",
    },
    Row {
        number: 32,
        name: "rated_current_a_rms",
        unit: "A",
        low: 0.0,
        high: 1e5,
        zero: Zero::Value,
        what: "nameplate: rated current, rms of a phase; 0: no winding",
    },
    Row {
        number: 33,
        name: "sensor_sign",
        unit: "",
        low: -1.0,
        high: 1.0,
        zero: Zero::Refused { least: 1.0 },
        what: "nameplate: 1, or -1 where the sensor counts against the motor's positive direction",
    },
    Row {
        number: 34,
        name: "commutation_offset_deg",
        unit: "°",
        low: -360.0,
        high: 360.0,
        zero: Zero::Value,
        what: "nameplate: electrical angle of the magnet's axis when the sensor shows 0 counts",
    },
    Row {
        number: 35,
        name: "overcurrent_a",
        unit: "A",
        low: 0.0,
        high: 1e6,
        zero: Zero::Off { least: 1e-3 },
        what: "measured current, as a peak of phase, beyond which the drive trips; 0: off",
    },
    Row {
        number: 36,
        name: "overload_time_s",
        unit: "s",
        low: 0.0,
        high: 1e4,
        zero: Zero::Off { least: 1e-2 },
        what: "time from cold at twice the rated current until the drive trips (i²t); 0: off",
    },
    Row {
        number: 37,
        name: "bus_min_v",
        unit: "V",
        low: 0.0,
        high: 2000.0,
        zero: Zero::Off { least: 1e-3 },
        what: "voltage of the bus below which the drive trips; 0: off",
    },
    Row {
        number: 38,
        name: "bus_max_v",
        unit: "V",
        low: 0.0,
        high: 2000.0,
        zero: Zero::Off { least: 1e-3 },
        what: "voltage of the bus above which the drive trips; 0: off",
    },
    Row {
        number: 39,
        name: "sensor_jump_rpm",
        unit: "rpm",
        low: 0.0,
        high: 1e7,
        zero: Zero::Off { least: 1.0 },
        what: "speed that the motor cannot have: counts that change faster in one tick are a sensor fault; 0: off",
    },
    Row {
        number: 40,
        name: "brake_opens_after_s",
        unit: "s",
        low: 0.0,
        high: 10.0,
        zero: Zero::Value,
        what: "time that the holding brake takes to open: no setpoint is followed before",
    },
    Row {
        number: 41,
        name: "brake_closes_after_s",
        unit: "s",
        low: 0.0,
        high: 10.0,
        zero: Zero::Value,
        what: "time that the holding brake takes to close: an axis at rest is held so long",
    },
];
