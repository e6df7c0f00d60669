//! A run as columns: one row a tick, one column a signal.
//!
//! Row k holds the truth at the start of tick k, the sample, the setpoint and the command computed in tick k (which
//! acts from k + 1). What it does not: files (see `trial/record.rs`). Start reading at [`Recording`].

use crate::base::time::TickRate;

/// The signals a measure can read, in the order of the columns.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Signal {
    /// True motor angle in rad.
    MotorAngle,
    /// True motor speed in rad/s.
    MotorSpeed,
    /// True load angle (last node) in rad, load side.
    LoadAngle,
    /// True load speed (last node) in rad/s, load side.
    LoadSpeed,
    /// Torque at the motor shaft in Nm.
    Torque,
    /// Twist of the whole train: motor angle over total ratio, less load angle, in rad.
    Twist,
    /// What the sensor shows, in counts (whole numbers).
    Counts,
    /// Speed as the drive measures it, in rad/s.
    MeasuredSpeed,
    /// The programme's setpoint before ramp and low-pass, in rad/s at the motor.
    Setpoint,
    /// Torque command after filters and limit, in Nm.
    TorqueCommand,
    /// c: the speed loop's torque before the offset, in Nm.
    ControllerTorque,
    /// u = c + torque offset, in Nm.
    SummedTorque,
    /// True current on the d axis of the rotor's frame, in A (peak of phase); 0 where the motor has no winding.
    CurrentD,
    /// True current on the q axis, likewise.
    CurrentQ,
    /// Mechanical power of the motor: torque at its shaft times its speed, in W.
    Power,
    /// What the sensor at the load shows, in counts (whole numbers); 0 where there is none.
    LoadCounts,
    /// Counts found missing at the last pass of the motor sensor's index mark (whole numbers); 0 before the first, and
    /// without a mark.
    MissingCounts,
}

impl Signal {
    /// Every signal, in the order of the columns.
    pub const ALL: [Self; 17] = [
        Self::MotorAngle,
        Self::MotorSpeed,
        Self::LoadAngle,
        Self::LoadSpeed,
        Self::Torque,
        Self::Twist,
        Self::Counts,
        Self::MeasuredSpeed,
        Self::Setpoint,
        Self::TorqueCommand,
        Self::ControllerTorque,
        Self::SummedTorque,
        Self::CurrentD,
        Self::CurrentQ,
        Self::Power,
        Self::LoadCounts,
        Self::MissingCounts,
    ];

    /// The column's name in files, unit included.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::MotorAngle => "motor_angle_rad",
            Self::MotorSpeed => "motor_speed_rad_per_s",
            Self::LoadAngle => "load_angle_rad",
            Self::LoadSpeed => "load_speed_rad_per_s",
            Self::Torque => "torque_nm",
            Self::Twist => "twist_rad",
            Self::Counts => "counts",
            Self::MeasuredSpeed => "measured_speed_rad_per_s",
            Self::Setpoint => "setpoint_rad_per_s",
            Self::TorqueCommand => "torque_command_nm",
            Self::ControllerTorque => "controller_torque_nm",
            Self::SummedTorque => "summed_torque_nm",
            Self::CurrentD => "current_d_a",
            Self::CurrentQ => "current_q_a",
            Self::Power => "power_w",
            Self::LoadCounts => "load_counts",
            Self::MissingCounts => "missing_counts",
        }
    }
}

/// One row: a value per signal, in the order of [`Signal::ALL`].
pub type Row = [f64; Signal::ALL.len()];

/// A run as columns, from tick 0 on.
#[derive(Clone, Debug)]
pub struct Recording {
    /// Ticks per second.
    pub rate: TickRate,
    columns: [Vec<f64>; Signal::ALL.len()],
}

impl Recording {
    /// An empty recording with room for `rows` rows, so that no row within it allocates.
    #[must_use]
    pub fn with_capacity(rate: TickRate, rows: usize) -> Self {
        Self { rate, columns: std::array::from_fn(|_| Vec::with_capacity(rows)) }
    }

    /// Adds a row.
    pub fn push(&mut self, row: &Row) {
        for (column, value) in self.columns.iter_mut().zip(row) {
            column.push(*value);
        }
    }

    /// One signal, a value per tick.
    #[must_use]
    pub fn column(&self, signal: Signal) -> &[f64] {
        &self.columns[signal as usize]
    }

    /// Number of rows.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.columns[0].len()
    }
}
