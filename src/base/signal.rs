//! What crosses between bench, drive and plant in one tick, and the constant of the loop's delay.
//!
//! What it does not: bytes (see `wire`). Start reading at [`COMMAND_DELAY_TICKS`].

use crate::base::safeguard::Inputs;

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
    /// Voltages of a current controller outside on d and q, in V, which take the place of the drive's own current loop
    /// while operation is enabled; none where the drive closes that loop itself.
    pub outside_voltage_dq_v: Option<[f64; 2]>,
}

/// A voltage step on the d axis of an enabled axis at rest, which gives current but no torque: its winding shows itself.
/// It is an input of its own, asked for between ticks.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct WindingTest {
    /// The voltage in V.
    pub axis_d_voltage_v: f64,
    /// How long it lasts, in s.
    pub time_s: f64,
}

/// What the sensors show the drive at the start of a tick.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sample {
    /// Motor angle in counts.
    pub counts: i64,
    /// The second angle sensor, at the load, in counts; none where there is none.
    pub load_counts: Option<i64>,
    /// Measured currents into phases a and b in A; c follows, since the three sum to 0. 0 where the motor has no winding.
    pub phase_current_a: [f64; 2],
    /// Voltage of the bus in V; 0 where the motor has no winding.
    pub bus_v: f64,
    /// What an M/T speed is made of; none where the speed is a difference of counts.
    pub edges: Option<Edges>,
    /// Counts found missing at the last pass of the sensor's index mark; none before the first, and without a mark.
    pub missing_counts: Option<i64>,
    /// The sensor says itself that its value is not to be trusted.
    pub sensor_faulty: bool,
    /// Emergency stop, guard and travel switches.
    pub inputs: Inputs,
}

/// The last edge of an incremental sensor and a timer that runs on, as a drive's counter hardware latches them: speed by
/// the M/T method is the edges between two latches over the timer ticks between them.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Edges {
    /// The last edge stands between this count and the next.
    pub count: i64,
    /// What the timer stood at when it came.
    pub timer_ticks: u64,
    /// What the timer stands at when the sample is taken.
    pub now_ticks: u64,
    /// Timer ticks per second.
    pub timer_hz: f64,
}

impl Sample {
    /// What is shown of an axis with nothing but an angle sensor.
    #[must_use]
    pub fn of_counts(counts: i64) -> Self {
        Self { counts, ..Self::default() }
    }
}

/// What the drive does to the motor during one tick.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Actuation {
    /// The inverter is blocked: no current flows, no torque acts (and a clamp may hold the motor, where the scenario says
    /// so).
    Off,
    /// Torque command into the torque path of a motor without a winding, in Nm at the motor shaft.
    Torque {
        /// The command in Nm.
        torque_nm: f64,
    },
    /// Voltage vector in the stator's frame, held over the tick; its length is the peak of a phase.
    Voltage {
        /// Along phase a, in V.
        alpha_v: f64,
        /// A quarter of a turn ahead of it, in V.
        beta_v: f64,
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
    /// Measured current on the d axis, as the drive reckons it, in A (peak of phase).
    pub current_d_a: f64,
    /// Measured current on the q axis, likewise.
    pub current_q_a: f64,
    /// Voltage on the d axis, acts from tick k + 1, in V.
    pub voltage_d_v: f64,
    /// Voltage on the q axis, likewise.
    pub voltage_q_v: f64,
    /// Voltage of the bus in V.
    pub bus_v: f64,
    /// The second angle sensor, at the load, in counts; none where there is none.
    pub load_counts: Option<i64>,
    /// Counts found missing at the last pass of the motor sensor's index mark; none before the first, and without a mark.
    pub missing_counts: Option<i64>,
    /// IEC 61800-7-201 statusword.
    pub statusword: u16,
    /// Number of the latched trip, 0 without one (`drive::protection::Trip`).
    pub trip: u16,
}
