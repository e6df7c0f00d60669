//! The window a measure looks at: the samples from a programme entry to the next one.
//!
//! What it does not: measure. Start reading at [`Signals::window`].

use crate::base::recording::{Recording, Signal};
use crate::base::time::TickRate;

/// Seconds a response must stay inside its band before the window's end, unless a limit says otherwise.
pub const DEFAULT_HOLD_S: f64 = 0.05;

/// Which speed is judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// The true speed of the motor.
    Motor,
    /// The true speed of the load times the train's total ratio: a motor speed. The default of every limit.
    Load,
}

/// The columns of a run that measures read, all speeds as motor speeds.
#[derive(Clone, Debug)]
pub struct Signals<'a> {
    /// Ticks per second.
    pub rate: TickRate,
    /// The programme's setpoint in rad/s, one per tick.
    pub setpoint_rad_per_s: &'a [f64],
    /// True motor speed in rad/s.
    pub motor_speed_rad_per_s: &'a [f64],
    /// True load speed times the total ratio, in rad/s.
    pub load_speed_at_motor_rad_per_s: Vec<f64>,
    /// True load angle in rad, load side.
    pub load_angle_rad: &'a [f64],
    /// Torque command after filters and limit, in Nm.
    pub torque_command_nm: &'a [f64],
}

impl<'a> Signals<'a> {
    /// The columns of a recording; `total_ratio` is motor turns per load turn and may be negative.
    #[must_use]
    pub fn of(recording: &'a Recording, total_ratio: f64) -> Self {
        Self {
            rate: recording.rate,
            setpoint_rad_per_s: recording.column(Signal::Setpoint),
            motor_speed_rad_per_s: recording.column(Signal::MotorSpeed),
            load_speed_at_motor_rad_per_s: recording
                .column(Signal::LoadSpeed)
                .iter()
                .map(|speed| speed * total_ratio)
                .collect(),
            load_angle_rad: recording.column(Signal::LoadAngle),
            torque_command_nm: recording.column(Signal::TorqueCommand),
        }
    }

    /// The window from the entry at `ticks.start` to the next one at `ticks.end` (or the run's end). `None` when it is
    /// empty or the run ended before it: the measure is then `not reached`.
    #[must_use]
    pub fn window(&self, ticks: std::ops::Range<u64>) -> Option<Window<'_>> {
        let rows = self.setpoint_rad_per_s.len();
        let (start, end) = (usize::try_from(ticks.start).ok()?, usize::try_from(ticks.end).ok()?);
        if end <= start || rows < end {
            return None;
        }
        let with_end = start..rows.min(end + 1);
        Some(Window {
            rate: self.rate,
            entry_tick: ticks.start,
            start_tick: ticks.start,
            setpoint_before_rad_per_s: if start == 0 { 0.0 } else { self.setpoint_rad_per_s[start - 1] },
            setpoint_rad_per_s: &self.setpoint_rad_per_s[start..end],
            motor_speed_rad_per_s: &self.motor_speed_rad_per_s[with_end.clone()],
            load_speed_at_motor_rad_per_s: &self.load_speed_at_motor_rad_per_s[with_end.clone()],
            load_angle_rad: &self.load_angle_rad[with_end],
            torque_command_nm: &self.torque_command_nm[start..end],
        })
    }
}

/// The samples of one window.
///
/// What is held over a tick (setpoint, torque command) has one value per tick; what is sampled (speeds, angle) has one
/// more, the sample at the window's end, where the run recorded it. The setpoint that belongs to that last sample is the
/// one that was held up to it, not the next entry's.
#[derive(Clone, Copy, Debug)]
pub struct Window<'a> {
    /// Ticks per second.
    pub rate: TickRate,
    /// The tick of the entry; times of a measure count from here.
    pub entry_tick: u64,
    /// The tick of the first sample: the entry's, unless the window was narrowed.
    pub start_tick: u64,
    /// The setpoint before the entry, in rad/s: the step's initial value. 0 at the start of a run.
    pub setpoint_before_rad_per_s: f64,
    /// The setpoint, one value per tick, at least one.
    pub setpoint_rad_per_s: &'a [f64],
    /// True motor speed: one per tick, and the sample at the end where recorded.
    pub motor_speed_rad_per_s: &'a [f64],
    /// True load speed times the total ratio, likewise.
    pub load_speed_at_motor_rad_per_s: &'a [f64],
    /// True load angle in rad (load side), likewise.
    pub load_angle_rad: &'a [f64],
    /// Torque command, one value per tick.
    pub torque_command_nm: &'a [f64],
}

impl<'a> Window<'a> {
    /// The speed judged on a side.
    #[must_use]
    pub fn speed(&self, side: Side) -> &'a [f64] {
        match side {
            Side::Motor => self.motor_speed_rad_per_s,
            Side::Load => self.load_speed_at_motor_rad_per_s,
        }
    }

    /// The setpoint at the window's end, in rad/s: the step's final value.
    #[must_use]
    pub fn final_setpoint_rad_per_s(&self) -> f64 {
        self.setpoint_rad_per_s.last().copied().unwrap_or(self.setpoint_before_rad_per_s)
    }

    /// Setpoint minus speed at every sample, in rad/s.
    pub fn deviation(&self, side: Side) -> impl Iterator<Item = f64> + Clone + 'a {
        let (setpoint, end) = (self.setpoint_rad_per_s, self.final_setpoint_rad_per_s());
        let speed = self.speed(side);
        speed.iter().enumerate().map(move |(k, speed)| setpoint.get(k).copied().unwrap_or(end) - speed)
    }

    /// Seconds of the run at a place in the samples, counted from the first sample in ticks (with fractions).
    #[must_use]
    pub fn run_time_s(&self, place_ticks: f64) -> f64 {
        (self.start_tick as f64 + place_ticks) / f64::from(self.rate.hz)
    }

    /// Seconds since the entry at a place in the samples, counted from the first sample in ticks (with fractions).
    #[must_use]
    pub fn since_entry_s(&self, place_ticks: f64) -> f64 {
        ((self.start_tick - self.entry_tick) as f64 + place_ticks) / f64::from(self.rate.hz)
    }

    /// Start and end in seconds of the run.
    #[must_use]
    pub fn span_s(&self) -> [f64; 2] {
        let end_tick = self.start_tick + self.setpoint_rad_per_s.len() as u64;
        [self.rate.seconds(self.start_tick), self.rate.seconds(end_tick)]
    }

    /// The last `last_s` seconds of the window, to the nearest tick, at least one tick; the whole window when it is
    /// shorter. The entry, and with it the step's initial value and the start of times, stays where it is.
    #[must_use]
    pub fn narrowed(&self, last_s: f64) -> Self {
        let ticks = self.setpoint_rad_per_s.len();
        let keep = usize::try_from(self.rate.nearest_tick(last_s)).unwrap_or(ticks).clamp(1, ticks);
        let drop = ticks - keep;
        Self {
            start_tick: self.start_tick + drop as u64,
            setpoint_rad_per_s: &self.setpoint_rad_per_s[drop..],
            motor_speed_rad_per_s: &self.motor_speed_rad_per_s[drop..],
            load_speed_at_motor_rad_per_s: &self.load_speed_at_motor_rad_per_s[drop..],
            load_angle_rad: &self.load_angle_rad[drop..],
            torque_command_nm: &self.torque_command_nm[drop..],
            ..*self
        }
    }
}

/// The torques that percentages of torque refer to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Torques {
    /// Rated torque of the motor in Nm.
    pub rated_nm: f64,
    /// The drive's torque limit in Nm.
    pub limit_nm: f64,
}

/// What a limit may say about how its measure is taken. Keys that a measure does not take are ignored by it
/// ([`crate::score::measure::Measure::takes`] tells which it takes).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// Whose speed is judged.
    pub side: Side,
    /// Half width of the band in percent, of the step (settling) or of the setpoint (recovery); 2 when neither is given.
    pub band_percent: Option<f64>,
    /// Half width of the band in rpm; goes before `band_percent`.
    pub band_rpm: Option<f64>,
    /// How long the response must be inside before the window's end, in seconds.
    pub hold_s: f64,
    /// Narrows the window to its last seconds.
    pub last_s: Option<f64>,
    /// Corner of the high-pass of the torque noise in Hz; the noise is `not defined` without it.
    pub highpass_hz: Option<f64>,
    /// What percentages of torque refer to.
    pub torques: Torques,
}

impl Options {
    /// What holds where a limit says nothing: the load judged, band 2 %, hold 50 ms, the whole window, no high-pass.
    #[must_use]
    pub fn with(torques: Torques) -> Self {
        Self {
            side: Side::Load,
            band_percent: None,
            band_rpm: None,
            hold_s: DEFAULT_HOLD_S,
            last_s: None,
            highpass_hz: None,
            torques,
        }
    }
}
