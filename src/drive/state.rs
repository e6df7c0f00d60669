//! The states of the drive profile IEC 61800-7-201 as one table: state, event, next state.
//!
//! Controlword in, statusword out, bits as the standard has them. What it does not: decide when an event comes
//! (`mod.rs` does, tick by tick), nor what a trip is (`protection.rs`). Start reading at [`TRANSITIONS`].

/// A state of the drive, IEC 61800-7-201.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum State {
    /// Just powered; left by itself before the first tick.
    NotReadyToSwitchOn,
    /// Waits for "shutdown".
    SwitchOnDisabled,
    /// Waits for "switch on".
    ReadyToSwitchOn,
    /// Waits for "enable operation"; no torque acts.
    SwitchedOn,
    /// Torque acts, setpoints are followed.
    OperationEnabled,
    /// Torque acts, the axis brakes along `quick_stop_rpm_per_s`.
    QuickStopActive,
    /// A trip has switched the torque off; lasts one tick.
    FaultReactionActive,
    /// A trip is latched; waits for a fault reset.
    Fault,
}

impl State {
    /// Every state.
    pub const ALL: [Self; 8] = [
        Self::NotReadyToSwitchOn,
        Self::SwitchOnDisabled,
        Self::ReadyToSwitchOn,
        Self::SwitchedOn,
        Self::OperationEnabled,
        Self::QuickStopActive,
        Self::FaultReactionActive,
        Self::Fault,
    ];

    /// The state's name in the standard's words.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::NotReadyToSwitchOn => "not ready to switch on",
            Self::SwitchOnDisabled => "switch on disabled",
            Self::ReadyToSwitchOn => "ready to switch on",
            Self::SwitchedOn => "switched on",
            Self::OperationEnabled => "operation enabled",
            Self::QuickStopActive => "quick stop active",
            Self::FaultReactionActive => "fault reaction active",
            Self::Fault => "fault",
        }
    }

    /// Off means off: torque acts in operation enabled and in quick stop active, nowhere else.
    #[must_use]
    pub fn torque_may_act(self) -> bool {
        matches!(self, Self::OperationEnabled | Self::QuickStopActive)
    }

    /// The state after an event, by [`TRANSITIONS`]; the same state where the table has no row.
    #[must_use]
    pub fn next(self, event: Event) -> Self {
        NEXT[self as usize][event as usize]
    }

    /// The statusword's bits that the state alone decides: 0 to 3, 5, 6, and the two that hold once the drive is
    /// powered, voltage enabled and remote.
    #[must_use]
    pub fn statusword(self) -> u16 {
        const POWERED: u16 = status::VOLTAGE_ENABLED | status::REMOTE;
        const READY: u16 = POWERED | status::NO_QUICK_STOP | status::READY_TO_SWITCH_ON;
        match self {
            Self::NotReadyToSwitchOn => 0,
            Self::SwitchOnDisabled => POWERED | status::NO_QUICK_STOP | status::SWITCH_ON_DISABLED,
            Self::ReadyToSwitchOn => READY,
            Self::SwitchedOn => READY | status::SWITCHED_ON,
            Self::OperationEnabled => READY | status::SWITCHED_ON | status::OPERATION_ENABLED,
            Self::QuickStopActive => {
                POWERED | status::READY_TO_SWITCH_ON | status::SWITCHED_ON | status::OPERATION_ENABLED
            }
            Self::FaultReactionActive => READY | status::SWITCHED_ON | status::OPERATION_ENABLED | status::FAULT,
            Self::Fault => POWERED | status::NO_QUICK_STOP | status::FAULT,
        }
    }
}

/// What moves the drive from state to state.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Event {
    /// Command "shutdown".
    Shutdown,
    /// Command "switch on"; in operation enabled the same bits are "disable operation".
    SwitchOn,
    /// Command "enable operation"; in ready to switch on the same bits are "switch on and enable operation".
    EnableOperation,
    /// Command "disable voltage".
    DisableVoltage,
    /// Command "quick stop", and the same reaction to a trip that brakes.
    QuickStop,
    /// Rising edge of the controlword's bit 7.
    FaultReset,
    /// A trip takes the torque off.
    Tripped,
    /// The quick stop has come to its end.
    QuickStopFinished,
    /// What the drive does by itself in the next tick.
    Automatic,
}

impl Event {
    /// Every event.
    pub const ALL: [Self; 9] = [
        Self::Shutdown,
        Self::SwitchOn,
        Self::EnableOperation,
        Self::DisableVoltage,
        Self::QuickStop,
        Self::FaultReset,
        Self::Tripped,
        Self::QuickStopFinished,
        Self::Automatic,
    ];
}

/// One row of the table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Transition {
    /// The standard's number of it.
    pub number: u8,
    /// The state left.
    pub from: State,
    /// What happened.
    pub event: Event,
    /// The state entered.
    pub next: State,
}

const fn row(number: u8, from: State, event: Event, next: State) -> Transition {
    Transition { number, from, event, next }
}

/// Every transition, IEC 61800-7-201. Number 0 is power-up itself, which enters "not ready to switch on". Number 16,
/// from quick stop active back to operation enabled, is for drives that hold their quick stop, and not offered: this
/// one ends in switch on disabled. "Switch on and enable operation" goes through switched on, one state a tick.
pub const TRANSITIONS: [Transition; 24] = [
    row(1, State::NotReadyToSwitchOn, Event::Automatic, State::SwitchOnDisabled),
    row(2, State::SwitchOnDisabled, Event::Shutdown, State::ReadyToSwitchOn),
    row(3, State::ReadyToSwitchOn, Event::SwitchOn, State::SwitchedOn),
    row(3, State::ReadyToSwitchOn, Event::EnableOperation, State::SwitchedOn),
    row(4, State::SwitchedOn, Event::EnableOperation, State::OperationEnabled),
    row(5, State::OperationEnabled, Event::SwitchOn, State::SwitchedOn),
    row(6, State::SwitchedOn, Event::Shutdown, State::ReadyToSwitchOn),
    row(7, State::ReadyToSwitchOn, Event::DisableVoltage, State::SwitchOnDisabled),
    row(7, State::ReadyToSwitchOn, Event::QuickStop, State::SwitchOnDisabled),
    row(8, State::OperationEnabled, Event::Shutdown, State::ReadyToSwitchOn),
    row(9, State::OperationEnabled, Event::DisableVoltage, State::SwitchOnDisabled),
    row(10, State::SwitchedOn, Event::DisableVoltage, State::SwitchOnDisabled),
    row(10, State::SwitchedOn, Event::QuickStop, State::SwitchOnDisabled),
    row(11, State::OperationEnabled, Event::QuickStop, State::QuickStopActive),
    row(12, State::QuickStopActive, Event::QuickStopFinished, State::SwitchOnDisabled),
    row(12, State::QuickStopActive, Event::DisableVoltage, State::SwitchOnDisabled),
    row(13, State::NotReadyToSwitchOn, Event::Tripped, State::FaultReactionActive),
    row(13, State::SwitchOnDisabled, Event::Tripped, State::FaultReactionActive),
    row(13, State::ReadyToSwitchOn, Event::Tripped, State::FaultReactionActive),
    row(13, State::SwitchedOn, Event::Tripped, State::FaultReactionActive),
    row(13, State::OperationEnabled, Event::Tripped, State::FaultReactionActive),
    row(13, State::QuickStopActive, Event::Tripped, State::FaultReactionActive),
    row(14, State::FaultReactionActive, Event::Automatic, State::Fault),
    row(15, State::Fault, Event::FaultReset, State::SwitchOnDisabled),
];

/// [`TRANSITIONS`] laid out by state and event, so that a tick looks one place up.
const NEXT: [[State; Event::ALL.len()]; State::ALL.len()] = laid_out();

const fn laid_out() -> [[State; Event::ALL.len()]; State::ALL.len()] {
    let mut next = [[State::NotReadyToSwitchOn; Event::ALL.len()]; State::ALL.len()];
    let mut state = 0;
    while state < State::ALL.len() {
        next[state] = [State::ALL[state]; Event::ALL.len()];
        state += 1;
    }
    let mut index = 0;
    while index < TRANSITIONS.len() {
        let transition = TRANSITIONS[index];
        next[transition.from as usize][transition.event as usize] = transition.next;
        index += 1;
    }
    next
}

/// Bits of the controlword, IEC 61800-7-201.
pub mod control {
    /// Bit 0: switch on.
    pub const SWITCH_ON: u16 = 1 << 0;
    /// Bit 1: enable voltage.
    pub const ENABLE_VOLTAGE: u16 = 1 << 1;
    /// Bit 2: quick stop, 0 stops.
    pub const NO_QUICK_STOP: u16 = 1 << 2;
    /// Bit 3: enable operation.
    pub const ENABLE_OPERATION: u16 = 1 << 3;
    /// Bit 7: fault reset, on its rising edge.
    pub const FAULT_RESET: u16 = 1 << 7;
    /// Bit 8: halt.
    pub const HALT: u16 = 1 << 8;

    /// The word of the command "shutdown".
    pub const SHUTDOWN_WORD: u16 = ENABLE_VOLTAGE | NO_QUICK_STOP;
    /// The word of the commands "switch on" and "disable operation".
    pub const SWITCH_ON_WORD: u16 = SHUTDOWN_WORD | SWITCH_ON;
    /// The word of the command "enable operation".
    pub const ENABLE_OPERATION_WORD: u16 = SWITCH_ON_WORD | ENABLE_OPERATION;
    /// The word of the command "quick stop".
    pub const QUICK_STOP_WORD: u16 = ENABLE_VOLTAGE;
    /// The word of the command "disable voltage".
    pub const DISABLE_VOLTAGE_WORD: u16 = 0;
}

/// Bits of the statusword, IEC 61800-7-201.
pub mod status {
    /// Bit 0: ready to switch on.
    pub const READY_TO_SWITCH_ON: u16 = 1 << 0;
    /// Bit 1: switched on.
    pub const SWITCHED_ON: u16 = 1 << 1;
    /// Bit 2: operation enabled.
    pub const OPERATION_ENABLED: u16 = 1 << 2;
    /// Bit 3: fault.
    pub const FAULT: u16 = 1 << 3;
    /// Bit 4: voltage enabled. Set as soon as the drive is powered, 0 while safe torque off stands.
    pub const VOLTAGE_ENABLED: u16 = 1 << 4;
    /// Bit 5: quick stop, 0 while it is active.
    pub const NO_QUICK_STOP: u16 = 1 << 5;
    /// Bit 6: switch on disabled.
    pub const SWITCH_ON_DISABLED: u16 = 1 << 6;
    /// Bit 7: warning. A trip is latched or on its way: the load stands beyond a travel limit or on a travel switch, the deviation is beyond
    /// its trip and its 50 ms are running, or the quick stop of a trip is under way.
    pub const WARNING: u16 = 1 << 7;
    /// Bit 8, left to the maker by the standard: the emergency stop is pressed.
    pub const EMERGENCY_STOP: u16 = 1 << 8;
    /// Bit 9: remote. The controlword is followed; set as soon as the drive is powered.
    pub const REMOTE: u16 = 1 << 9;
    /// Bit 10: target reached. In operation enabled: the speed asked for is met within 1 % of the rated speed; in quick
    /// stop active and where no torque acts: never.
    pub const TARGET_REACHED: u16 = 1 << 10;
    /// Bit 11: internal limit active. The torque limit cuts in this tick, or the load is beyond a travel
    /// limit or on a travel switch.
    pub const INTERNAL_LIMIT_ACTIVE: u16 = 1 << 11;
    /// Bit 14, left to the maker by the standard: the guard is open.
    pub const GUARD_OPEN: u16 = 1 << 14;
    /// Bit 15, left to the maker by the standard: in operation enabled the holding brake opens or closes, and no setpoint
    /// is followed.
    pub const BRAKE_NOT_OPEN: u16 = 1 << 15;
}

/// A command as the controlword codes it: those words whose bits under the mask are the value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Command {
    /// The event it makes.
    pub event: Event,
    /// The bits looked at.
    pub mask: u16,
    /// What they are.
    pub value: u16,
}

/// The commands, IEC 61800-7-201; no word is two of them. A word with bit 7 set is none: it resets a fault and leaves
/// the state as it is.
pub const COMMANDS: [Command; 5] = [
    Command { event: Event::EnableOperation, mask: 0x8F, value: 0x0F },
    Command { event: Event::SwitchOn, mask: 0x8F, value: 0x07 },
    Command { event: Event::Shutdown, mask: 0x87, value: 0x06 },
    Command { event: Event::QuickStop, mask: 0x86, value: 0x02 },
    Command { event: Event::DisableVoltage, mask: 0x82, value: 0x00 },
];

/// The command in a controlword; `None` when bit 7 is set.
#[must_use]
pub fn command(controlword: u16) -> Option<Event> {
    COMMANDS.iter().find(|command| controlword & command.mask == command.value).map(|command| command.event)
}
