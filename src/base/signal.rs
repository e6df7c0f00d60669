//! What crosses between bench, drive and plant in one tick, and the constant of the loop's delay.
//!
//! What it does not: bytes (see `wire`). Start reading at [`COMMAND_DELAY_TICKS`].

/// Ticks from a sample to the tick in which the command computed from it acts: the sample taken at the start of tick k
/// gives a command that acts from the start of tick k + 1 and is held for one tick. The run loop and the linear model
/// both read this constant; it cannot be set, and no other delay is added.
pub const COMMAND_DELAY_TICKS: u64 = 1;

/// What the outside asks of the drive in one tick.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Request {
    /// IEC 61800-7-201 controlword; fault reset acts on the rising edge of bit 7.
    pub controlword: u16,
    /// Speed setpoint at the motor before ramp and low-pass, in rad/s.
    pub speed_rad_per_s: f64,
    /// Added to the setpoint after ramp and low-pass, in rad/s (for sweeps).
    pub speed_offset_rad_per_s: f64,
    /// Added to the speed loop's torque before notches and low-pass, in Nm at the motor (for sweeps).
    pub torque_offset_nm: f64,
    /// Torque of a speed controller outside, in Nm at the motor, which takes the place of the drive's own speed loop
    /// while operation is enabled; none where the drive closes the loop itself.
    pub outside_torque_nm: Option<f64>,
}

/// What the drive does to the motor during one tick.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Actuation {
    /// No torque acts (and a clamp may hold the motor, where the scenario says so).
    Off,
    /// Torque command into the motor's torque path, in Nm at the motor shaft.
    Torque {
        /// The command in Nm.
        torque_nm: f64,
    },
}

/// What a drive shows of one tick. Row k: the sample taken at the start of tick k and what was computed from it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Feedback {
    /// Tick number k.
    pub tick: u64,
    /// Motor angle in counts of the sensor.
    pub counts: i64,
    /// Setpoint after ramp, low-pass and offset, in rad/s.
    pub setpoint_rad_per_s: f64,
    /// Measured motor speed, after the speed filter, in rad/s.
    pub measured_speed_rad_per_s: f64,
    /// c: the speed loop's output with feed-forward, before `torque_offset`, in Nm.
    pub controller_torque_nm: f64,
    /// u = c + torque offset, before notches and low-pass, in Nm.
    pub summed_torque_nm: f64,
    /// Torque command after filters and limit, acts from tick k + 1, in Nm.
    pub torque_command_nm: f64,
    /// IEC 61800-7-201 statusword.
    pub statusword: u16,
    /// Number of the latched trip, 0 without one (`drive::protection::Trip`).
    pub trip: u16,
}
