//! Responses with known answers, sampled into the window that a measure reads.
//!
//! What it does not: run a bench. Start reading at [`Recorded::of`].

use plantstand::base::time::TickRate;
use plantstand::score::window::{Options, Torques, Window};

/// A recorded window: a step of the setpoint from `initial` to `last`, and the response.
pub struct Recorded {
    rate: TickRate,
    initial: f64,
    setpoint: Vec<f64>,
    speed: Vec<f64>,
    torque: Vec<f64>,
}

/// Setpoint of a recorded window, before and after the entry.
pub struct SetpointStep {
    pub initial_rad_per_s: f64,
    pub last_rad_per_s: f64,
}

impl Recorded {
    /// Samples a speed in rad/s over time in s since the entry.
    pub fn of(tick_hz: u32, window_s: f64, setpoint: &SetpointStep, speed: impl Fn(f64) -> f64) -> Self {
        let rate = TickRate { hz: tick_hz };
        let ticks = usize::try_from(rate.nearest_tick(window_s)).expect("a window fits into memory");
        Self {
            rate,
            initial: setpoint.initial_rad_per_s,
            setpoint: vec![setpoint.last_rad_per_s; ticks],
            speed: (0..=ticks).map(|k| speed(rate.seconds(k as u64))).collect(),
            torque: vec![0.0; ticks],
        }
    }

    /// The window, its entry at tick 0, the load turning by nothing.
    pub fn window(&self) -> Window<'_> {
        Window {
            rate: self.rate,
            entry_tick: 0,
            start_tick: 0,
            setpoint_before_rad_per_s: self.initial,
            setpoint_rad_per_s: &self.setpoint,
            motor_speed_rad_per_s: &self.speed,
            load_speed_at_motor_rad_per_s: &self.speed,
            load_angle_rad: &[],
            torque_command_nm: &self.torque,
        }
    }
}

/// The options of a limit that says nothing, with torques of 1 Nm.
pub fn plain_options() -> Options {
    Options::with(Torques { rated_nm: 1.0, limit_nm: 1.0 })
}
