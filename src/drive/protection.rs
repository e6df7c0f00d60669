//! What makes the drive trip, and how it reacts.
//!
//! A trip watches only while torque acts: without torque there is nothing that it could take away. What it does not:
//! change states (`mod.rs` does). Start reading at [`Trip`], then [`Monitor`].

use crate::base::safeguard::Inputs;
use crate::base::time::TickRate;
use crate::base::units::{DEG_RAD, RPM_RAD_PER_S};
use crate::drive::setting::{Setting, Settings, TRAVEL_UNLIMITED_DEG};

/// How long the speed deviation has to last, in ms.
pub const DEVIATION_LASTS_MS: u64 = 50;

/// A quick stop has come to its end below this speed; and an axis beyond its travel limit that moves outward slower
/// than this does not trip, so that it can be enabled there and driven back. In rpm at the motor.
pub const STANDSTILL_RPM: f64 = 5.0;

/// A latched trip. It is cleared by a fault reset only, or by a power cycle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Trip {
    /// The motor turned faster than `speed_limit_rpm`, taken behind the fixed low-pass of
    /// `measured_speed::STEADY_FILTER_HZ`. Takes the torque off at once: a drive that runs away is no longer trusted to
    /// brake.
    Overspeed,
    /// Setpoint (with offset) and measured speed differed by more than `deviation_trip_rpm` for 50 ms without a break:
    /// in this tick and in every one of the 50 ms before it. Watched in operation enabled. Takes the torque off at
    /// once.
    SpeedDeviation,
    /// The load is beyond `travel_min_deg` or `travel_max_deg`, or on a travel switch, and moves, or is asked to move, further outward. Brakes
    /// along `quick_stop_rpm_per_s`.
    TravelLimit,
    /// The commander was silent for longer than the scenario lets it. Brakes along `quick_stop_rpm_per_s`.
    CommanderSilent,
    /// The measured current, as a peak of phase, was greater than `overcurrent_a`. Takes the torque off at once.
    Overcurrent,
    /// The motor was warmer by its current, or where none is measured by its torque, than the rated one makes it
    /// (`overload.rs`, `overload_time_s`). Brakes along `quick_stop_rpm_per_s`: the motor is hot, not broken.
    Overload,
    /// The bus was below `bus_min_v`. Takes the torque off at once: what feeds the motor fails.
    BusVoltageLow,
    /// The bus was above `bus_max_v`. Takes the torque off at once: braking would raise it further.
    BusVoltageHigh,
    /// The angle sensor says that it is not to be trusted, or its counts jump faster than `sensor_jump_rpm`. Takes the
    /// torque off at once: nothing is known to brake by.
    SensorFault,
}

impl Trip {
    /// Every trip, in the order of the numbers.
    pub const ALL: [Self; 9] = [
        Self::Overspeed,
        Self::SpeedDeviation,
        Self::TravelLimit,
        Self::CommanderSilent,
        Self::Overcurrent,
        Self::Overload,
        Self::BusVoltageLow,
        Self::BusVoltageHigh,
        Self::SensorFault,
    ];

    /// The number that feedback carries, from 1; 0 there means none.
    #[must_use]
    pub fn number(self) -> u16 {
        self as u16 + 1
    }

    /// The trip of this number; `None` when there is none.
    #[must_use]
    pub fn from_number(number: u16) -> Option<Self> {
        Self::ALL.into_iter().find(|trip| trip.number() == number)
    }

    /// The name that people read and files hold.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Overspeed => "overspeed",
            Self::SpeedDeviation => "speed deviation",
            Self::TravelLimit => "travel limit",
            Self::CommanderSilent => "commander silent",
            Self::Overcurrent => "overcurrent",
            Self::Overload => "overload",
            Self::BusVoltageLow => "bus voltage low",
            Self::BusVoltageHigh => "bus voltage high",
            Self::SensorFault => "sensor fault",
        }
    }

    /// Whether the axis brakes before the torque goes off (else it goes off at once).
    #[must_use]
    pub fn brakes(self) -> bool {
        matches!(self, Self::TravelLimit | Self::CommanderSilent | Self::Overload)
    }
}

/// The angle of the load as a drive can know it: from counts and nameplate data.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoadAngle {
    /// Load angle of one count in degrees; negative when the load turns the other way.
    pub count_deg: f64,
    /// Counts at load angle 0.
    pub zero_counts: f64,
}

impl LoadAngle {
    /// The scale that these settings make.
    #[must_use]
    pub fn new(settings: &Settings) -> Self {
        Self {
            count_deg: settings.get(Setting::SensorSign) * 360.0
                / (settings.get(Setting::CountsPerTurn) * settings.get(Setting::GearRatio)),
            zero_counts: settings.get(Setting::AngleZero),
        }
    }

    /// The angle at these counts in degrees.
    #[inline]
    #[must_use]
    pub fn deg(&self, counts: i64) -> f64 {
        (counts as f64 - self.zero_counts) * self.count_deg
    }

    /// The angle at these counts in rad.
    #[must_use]
    pub fn rad(&self, counts: i64) -> f64 {
        self.deg(counts) * DEG_RAD
    }
}

/// The settings of the protections, as used.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MonitorCoefficients {
    overspeed_rad_per_s: f64,
    deviation_rad_per_s: f64,
    travel_min_deg: f64,
    travel_max_deg: f64,
    angle: LoadAngle,
    /// Direction of the motor, +1 or −1, that raises the load's angle.
    upward: f64,
    deviation_lasts_ticks: u32,
    overcurrent_squared_a2: f64,
    bus_min_v: f64,
    bus_max_v: f64,
    jump_counts: f64,
}

impl MonitorCoefficients {
    /// The coefficients that these settings make at this rate; what is off is infinite.
    #[must_use]
    pub fn new(settings: &Settings, rate: TickRate) -> Self {
        let deviation_rpm = settings.get(Setting::DeviationTrip);
        let travel_min_deg = settings.get(Setting::TravelMin);
        let travel_max_deg = settings.get(Setting::TravelMax);
        let off_is_infinite = |setting| match settings.get(setting) {
            0.0 => f64::INFINITY,
            value => value,
        };
        let overcurrent_a = off_is_infinite(Setting::Overcurrent);
        let counts_per_rpm_tick = settings.get(Setting::CountsPerTurn) / (60.0 * f64::from(rate.hz));
        let lasts = (u64::from(rate.hz) * DEVIATION_LASTS_MS).div_ceil(1000);
        Self {
            overspeed_rad_per_s: settings.get(Setting::SpeedLimit) * RPM_RAD_PER_S,
            deviation_rad_per_s: if deviation_rpm == 0.0 { f64::INFINITY } else { deviation_rpm * RPM_RAD_PER_S },
            travel_min_deg: if travel_min_deg <= -TRAVEL_UNLIMITED_DEG { f64::NEG_INFINITY } else { travel_min_deg },
            travel_max_deg: if TRAVEL_UNLIMITED_DEG <= travel_max_deg { f64::INFINITY } else { travel_max_deg },
            angle: LoadAngle::new(settings),
            upward: settings.get(Setting::GearRatio).signum(),
            overcurrent_squared_a2: overcurrent_a * overcurrent_a,
            bus_min_v: settings.get(Setting::BusMin),
            bus_max_v: off_is_infinite(Setting::BusMax),
            jump_counts: off_is_infinite(Setting::SensorJump) * counts_per_rpm_tick,
            deviation_lasts_ticks: u32::try_from(lasts).unwrap_or(u32::MAX),
        }
    }
}

/// What the monitor looks at before the loop computes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observed {
    /// The counts are not to be trusted.
    pub sensor_faulty: bool,
    /// Square of the measured current, peak of phase, in A²; 0 where none is measured.
    pub current_squared_a2: f64,
    /// Voltage of the bus in V; none where none is measured.
    pub bus_v: Option<f64>,
    /// The motor is warmer than its rated current makes it.
    pub overloaded: bool,
    /// The steady speed, in rad/s at the motor.
    pub steady_rad_per_s: f64,
    /// Which way leads further out, see [`Monitor::outward`].
    pub outward: f64,
    /// Setpoint and offset as asked for, before the ramp, in rad/s; 0 while a quick stop decides.
    pub asked_rad_per_s: f64,
}

/// The protections with what they remember: how long the deviation has lasted, and the last counts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Monitor {
    coefficients: MonitorCoefficients,
    ticks_beyond: u32,
    last_counts: Option<i64>,
}

impl Monitor {
    /// A monitor that has seen nothing.
    #[must_use]
    pub fn new(coefficients: MonitorCoefficients) -> Self {
        Self { coefficients, ticks_beyond: 0, last_counts: None }
    }

    /// Other limits, the deviation's time goes on.
    pub fn retune(&mut self, coefficients: MonitorCoefficients) {
        self.coefficients = coefficients;
    }

    /// Forgets how long the deviation has lasted.
    pub fn reset(&mut self) {
        self.ticks_beyond = 0;
    }

    /// The angle of the load.
    #[must_use]
    pub fn load_angle(&self) -> &LoadAngle {
        &self.coefficients.angle
    }

    /// Whether the counts have changed in a tick by more than the motor can turn. The first of all do not jump.
    #[inline]
    pub fn jumps(&mut self, counts: i64) -> bool {
        let last = self.last_counts.replace(counts).unwrap_or(counts);
        self.coefficients.jump_counts < counts.wrapping_sub(last).unsigned_abs() as f64
    }

    /// 0 within the travel limits; beyond one, or on a travel switch, the direction of the motor (+1 or −1) that leads further out.
    #[inline]
    #[must_use]
    pub fn outward(&self, counts: i64, inputs: &Inputs) -> f64 {
        let limits = &self.coefficients;
        let angle_deg = limits.angle.deg(counts);
        if limits.travel_max_deg < angle_deg || inputs.high_switch {
            limits.upward
        } else if angle_deg < limits.travel_min_deg || inputs.low_switch {
            -limits.upward
        } else {
            0.0
        }
    }

    /// A trip by anything but the deviation.
    #[inline]
    #[must_use]
    pub fn trip(&self, observed: &Observed) -> Option<Trip> {
        let limits = &self.coefficients;
        if observed.sensor_faulty {
            return Some(Trip::SensorFault);
        }
        if limits.overcurrent_squared_a2 < observed.current_squared_a2 {
            return Some(Trip::Overcurrent);
        }
        if let Some(bus_v) = observed.bus_v {
            if bus_v < limits.bus_min_v {
                return Some(Trip::BusVoltageLow);
            }
            if limits.bus_max_v < bus_v {
                return Some(Trip::BusVoltageHigh);
            }
        }
        if limits.overspeed_rad_per_s < observed.steady_rad_per_s.abs() {
            return Some(Trip::Overspeed);
        }
        let moves_outward = STANDSTILL_RPM * RPM_RAD_PER_S < observed.outward * observed.steady_rad_per_s;
        let asked_outward = 0.0 < observed.outward * observed.asked_rad_per_s;
        if moves_outward || asked_outward {
            return Some(Trip::TravelLimit);
        }
        observed.overloaded.then_some(Trip::Overload)
    }

    /// One tick of the deviation trip.
    #[inline]
    pub fn deviation_trip(&mut self, deviation_rad_per_s: f64) -> Option<Trip> {
        if deviation_rad_per_s.abs() <= self.coefficients.deviation_rad_per_s {
            self.ticks_beyond = 0;
            return None;
        }
        let trips = self.coefficients.deviation_lasts_ticks <= self.ticks_beyond;
        self.ticks_beyond = self.ticks_beyond.saturating_add(1);
        trips.then_some(Trip::SpeedDeviation)
    }

    /// Whether the deviation is beyond its trip and its time is running.
    #[must_use]
    pub fn deviation_is_running(&self) -> bool {
        0 < self.ticks_beyond
    }
}
