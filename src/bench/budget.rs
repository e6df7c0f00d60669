//! What a serial line can carry, reckoned from the sizes of the frames before anything moves.
//!
//! What it does not: open a line, or know of anything that is slower than its bits: adapters hold bytes back for up to
//! some milliseconds. Start reading at [`Budget::of`].

use std::fmt;

use crate::wire::layout::{CRC_BYTES, command, feedback, sample, torque_command, torque_feedback, torque_sample};
use crate::wire::layout::{torque_value, value, voltage_command, voltage_feedback, voltage_sample, voltage_value};
use crate::wire::message::{Accept, Commands, Pace};
use crate::wire::series::STRIDE_TICKS_MAX;
use crate::wire::stream::stream_bytes;

/// Bits on the line per byte: a start bit, eight of the byte, no parity, one stop bit (8N1).
pub const BITS_PER_BYTE: f64 = 10.0;

/// Rates that adapters, boards and systems commonly have, in rising order.
pub const COMMON_BAUDS: [u32; 18] = [
    1200, 2400, 4800, 9600, 19_200, 38_400, 57_600, 115_200, 230_400, 460_800, 500_000, 921_600, 1_000_000, 1_500_000,
    2_000_000, 3_000_000, 4_000_000, 12_000_000,
];

/// What the exchange of a run asks of a line. Both directions are carried at once (full duplex), so the larger counts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Budget {
    tick_hz: f64,
    stride_ticks: usize,
    commands: Commands,
    pace: Pace,
}

/// Why a line cannot carry a run, with the numbers and the cure.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TooSlow(String);

impl fmt::Display for TooSlow {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(&self.0)
    }
}

impl std::error::Error for TooSlow {}

impl Budget {
    /// From what the client is told about the run.
    #[must_use]
    pub fn of(accept: &Accept) -> Self {
        Self {
            tick_hz: f64::from(accept.tick_hz),
            stride_ticks: usize::from(accept.stride_ticks),
            commands: accept.commands,
            pace: accept.pace,
        }
    }

    /// Bytes on the line of one feedback and of one command with a value per tick, each at its longest with the code
    /// bytes and zeros around it.
    #[must_use]
    pub fn exchange_bytes(&self) -> [usize; 2] {
        exchange_bytes(self.commands, self.stride_ticks)
    }

    /// Bytes per second in the fuller direction, in real time.
    #[must_use]
    pub fn needed_bytes_per_s(&self) -> f64 {
        needed_bytes_per_s(self.commands, self.tick_hz, self.stride_ticks)
    }

    /// Exchanges per second that lockstep comes to at most: feedback and answer wait for each other.
    #[must_use]
    pub fn lockstep_rate_hz(&self, baud: u32) -> f64 {
        carried_bytes_per_s(baud) / self.exchange_bytes().iter().sum::<usize>() as f64
    }

    /// Whether a line of this rate can carry the run, and what to expect of it, as a line for people.
    ///
    /// # Errors
    /// In real time, when the fuller direction needs more than the line carries: the numbers, and the rate or the stride
    /// that would do.
    pub fn check(&self, baud: u32) -> Result<String, TooSlow> {
        let carried = carried_bytes_per_s(baud);
        let [feedback_bytes, command_bytes] = self.exchange_bytes();
        let line = format!("{baud} baud carries {} each way", per_second(carried));
        if self.pace == Pace::Lockstep {
            let rate_hz = self.lockstep_rate_hz(baud);
            return Ok(format!(
                "{line}: up to {rate_hz:.0} exchanges/s in lockstep ({feedback_bytes} bytes there, {command_bytes} back)"
            ));
        }
        let needed = self.needed_bytes_per_s();
        let (hz, stride) = (self.tick_hz, self.stride_ticks);
        if needed <= carried {
            let on_line_ms = 1e3 * (feedback_bytes + command_bytes) as f64 / carried;
            return Ok(format!(
                "{line}, {hz} Hz with stride {stride} needs {}; feedback and answer take {on_line_ms:.2} ms",
                per_second(needed)
            ));
        }
        Err(TooSlow(format!("{line}, {hz} Hz with stride {stride} needs {}; {}", per_second(needed), self.cure(baud))))
    }

    fn cure(&self, baud: u32) -> String {
        let needed_baud = self.needed_bytes_per_s() * BITS_PER_BYTE;
        let faster = COMMON_BAUDS.into_iter().find(|common| needed_baud <= f64::from(*common));
        let longer = (self.stride_ticks..=STRIDE_TICKS_MAX).find(|stride_ticks| {
            needed_bytes_per_s(self.commands, self.tick_hz, *stride_ticks) <= carried_bytes_per_s(baud)
        });
        let faster = faster.map_or("no common rate would do".to_owned(), |baud| format!("{baud} baud would do"));
        match longer {
            Some(stride_ticks) => format!("{faster}, or stride {stride_ticks} on this line"),
            None => format!("{faster}; no stride makes this line do: take a lower tick_hz, or lockstep"),
        }
    }
}

/// Bytes per second that a line of this rate carries in each direction.
#[must_use]
pub fn carried_bytes_per_s(baud: u32) -> f64 {
    f64::from(baud) / BITS_PER_BYTE
}

fn exchange_bytes(commands: Commands, stride_ticks: usize) -> [usize; 2] {
    let [feedback_bytes, command_bytes] = match commands {
        Commands::Speed => [feedback::END + stride_ticks * sample::END, command::END + stride_ticks * value::END],
        Commands::Torque => [
            torque_feedback::END + stride_ticks * torque_sample::END,
            torque_command::END + stride_ticks * torque_value::END,
        ],
        Commands::Voltage => [
            voltage_feedback::END + stride_ticks * voltage_sample::END,
            voltage_command::END + stride_ticks * voltage_value::END,
        ],
    };
    [stream_bytes(feedback_bytes + CRC_BYTES), stream_bytes(command_bytes + CRC_BYTES)]
}

fn needed_bytes_per_s(commands: Commands, tick_hz: f64, stride_ticks: usize) -> f64 {
    let fuller = exchange_bytes(commands, stride_ticks).into_iter().max().unwrap_or(0);
    fuller as f64 * tick_hz / stride_ticks as f64
}

fn per_second(bytes_per_s: f64) -> String {
    format!("{:.1} kB/s", bytes_per_s / 1e3)
}
