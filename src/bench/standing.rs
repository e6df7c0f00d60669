//! What the outside wants: the command that stands, and those that are still on their way.
//!
//! A command answers one feedback and acts for the ticks of one exchange; until another one acts, it stands. What it
//! does not: know bytes or ticks of a drive (`session.rs`). Start reading at [`Standing::at`].

use std::collections::VecDeque;

use crate::wire::message::{CommandFrame, STRIDE_TICKS_MAX, TorqueCommandFrame, VoltageCommandFrame};

/// What the outside wants in one tick.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Wanted {
    /// Speed setpoint in rad/s; nothing where the outside commands torque or voltage.
    pub speed_rad_per_s: f64,
    /// Added to the setpoint, in rad/s.
    pub speed_offset_rad_per_s: f64,
    /// Added to the speed loop's torque, in Nm.
    pub torque_offset_nm: f64,
    /// Torque of the controller outside with its feed-forward, in Nm; 0 where the drive closes the loop.
    pub outside_torque_nm: f64,
    /// Voltages of the current controller outside on d and q, in V; 0 where the drive closes that loop.
    pub outside_voltage_dq_v: [f64; 2],
}

/// One command, of any kind.
#[derive(Clone, Debug)]
pub struct Command {
    /// The feedback that it answers.
    pub exchange: u32,
    /// Controlword.
    pub controlword: u16,
    /// How long the client says that it computed, in microseconds.
    pub compute_us: u32,
    count: usize,
    values: [Wanted; STRIDE_TICKS_MAX],
}

impl Command {
    /// From the frame of a client that commands speed.
    #[must_use]
    pub fn of_speed(frame: &CommandFrame) -> Self {
        let mut command = Self::empty(frame.exchange, frame.controlword, frame.compute_us);
        for value in frame.values.as_slice() {
            command.push(Wanted {
                speed_rad_per_s: value.speed_rad_per_s,
                speed_offset_rad_per_s: value.speed_offset_rad_per_s,
                torque_offset_nm: value.torque_offset_nm,
                ..Wanted::default()
            });
        }
        command
    }

    /// From the frame of a client that commands torque.
    #[must_use]
    pub fn of_torque(frame: &TorqueCommandFrame) -> Self {
        let mut command = Self::empty(frame.exchange, frame.controlword, frame.compute_us);
        for value in frame.values.as_slice() {
            command.push(Wanted { outside_torque_nm: value.torque_nm + value.feedforward_nm, ..Wanted::default() });
        }
        command
    }

    /// From the frame of a client that commands voltage.
    #[must_use]
    pub fn of_voltage(frame: &VoltageCommandFrame) -> Self {
        let mut command = Self::empty(frame.exchange, frame.controlword, frame.compute_us);
        for value in frame.values.as_slice() {
            let outside_voltage_dq_v = [value.voltage_d_v, value.voltage_q_v];
            command.push(Wanted { outside_voltage_dq_v, ..Wanted::default() });
        }
        command
    }

    fn empty(exchange: u32, controlword: u16, compute_us: u32) -> Self {
        Self { exchange, controlword, compute_us, count: 0, values: [Wanted::default(); STRIDE_TICKS_MAX] }
    }

    /// How many values it carries.
    #[must_use]
    pub fn count(&self) -> usize {
        self.count
    }

    /// A series of the wire has no more values than fit.
    fn push(&mut self, value: Wanted) {
        self.values[self.count] = value;
        self.count += 1;
    }
}

/// The command that stands.
#[derive(Clone, Debug)]
pub struct Standing {
    stride_ticks: u64,
    command: Option<Command>,
    controlword: u16,
    last: Wanted,
    waiting: VecDeque<(u64, Command)>,
}

impl Standing {
    /// Before the first command: this controlword, all values 0.
    #[must_use]
    pub fn new(stride_ticks: u16, controlword: u16) -> Self {
        Self {
            stride_ticks: u64::from(stride_ticks),
            command: None,
            controlword,
            last: Wanted::default(),
            waiting: VecDeque::new(),
        }
    }

    /// Takes a command, newer than all before it, that acts so many ticks later than it could; 0 is at once. Each exchange
    /// is answered once, so that no more are on their way than exchanges fit into the longest delay.
    pub fn take(&mut self, command: Command, delay_ticks: u64) {
        if delay_ticks == 0 && self.waiting.is_empty() {
            self.stand(command);
        } else {
            self.waiting.push_back((self.first_tick_of(&command) + delay_ticks, command));
        }
    }

    /// Moves to an acting tick: what is due stands from now on. Returns how many came too late to stand, since a newer
    /// one stood already or is due as well.
    pub fn advance_to(&mut self, acting_tick: u64) -> u64 {
        let mut overtaken = 0;
        let mut place = 0;
        while place < self.waiting.len() {
            if acting_tick < self.waiting[place].0 {
                place += 1;
                continue;
            }
            let Some((_, command)) = self.waiting.remove(place) else { break };
            if self.command.as_ref().is_none_or(|standing| standing.exchange < command.exchange) {
                self.stand(command);
            } else {
                overtaken += 1;
            }
        }
        overtaken
    }

    fn stand(&mut self, command: Command) {
        self.controlword = command.controlword;
        self.command = Some(command);
    }

    /// The first tick that belongs to an answer: (n + 1) times the stride for the answer to feedback n.
    fn first_tick_of(&self, command: &Command) -> u64 {
        (u64::from(command.exchange) + 1) * self.stride_ticks
    }

    /// What is wanted in an acting tick. The values of the answer to feedback n belong to the ticks from (n + 1) times
    /// the stride on; one value is held, and beyond the last value that one stays.
    pub fn at(&mut self, acting_tick: u64) -> Wanted {
        if let Some(command) = &self.command
            && 0 < command.count
        {
            let first = self.first_tick_of(command);
            let place = acting_tick.saturating_sub(first).min(command.count as u64 - 1);
            self.last = command.values[place as usize];
        }
        self.last
    }

    /// The controlword that stands.
    #[must_use]
    pub fn controlword(&self) -> u16 {
        self.controlword
    }

    /// Whether the answer that belongs to an acting tick stands. In the first exchange no answer can be there yet.
    #[must_use]
    pub fn is_heard(&self, acting_tick: u64) -> bool {
        let exchange = acting_tick / self.stride_ticks;
        exchange == 0 || self.command.as_ref().is_some_and(|command| exchange <= u64::from(command.exchange) + 1)
    }

    /// The newest answer that stands or is on its way.
    #[must_use]
    pub fn newest(&self) -> Option<u32> {
        let waiting = self.waiting.iter().map(|(_, command)| command.exchange);
        waiting.chain(self.command.as_ref().map(|command| command.exchange)).max()
    }

    /// Nobody commands any more: all values are 0, and what is on its way is dropped.
    pub fn clear(&mut self) {
        self.last = Wanted::default();
        self.waiting.clear();
        if let Some(command) = &mut self.command {
            command.count = 0;
        }
    }
}
