//! What crosses the link, one type per kind of frame. Every number is in SI units unless its name says otherwise.
//!
//! What it does not: bytes (`layout.rs`, `codec.rs`), or who may send what when (`PROTOCOL.md`). No type here has a
//! heap. Start reading at [`Message`].

// Long because it has one type per kind of frame.

use super::numbered::numbered;

pub use super::series::{STRIDE_TICKS_MAX, Series};
pub use super::text::{TEXT_BYTES_MAX, Text};

/// One frame: a datagram on UDP.
#[derive(Clone, Debug, PartialEq)]
pub struct Frame {
    /// Number of the frame among its sender's: 1 for the first, one more for each new one. A frame that is sent again
    /// is sent bit by bit as it was and keeps its number.
    pub sequence: u32,
    /// What it says.
    pub message: Message,
}

/// What a frame says. "Bench" and "client" name the sender.
#[derive(Clone, Debug, PartialEq)]
pub enum Message {
    /// Client: wants to be the method of this run.
    Open(Open),
    /// Bench: is in command from now on; the facts of the run.
    Accept(Accept),
    /// Bench: an open that was not accepted.
    Refuse(Refuse),
    /// Either: ends the connection.
    Close(Close),
    /// Bench: a part of the trial begins.
    Phase(Phase),
    /// Bench: what the drive showed during the ticks of one exchange.
    Feedback(FeedbackFrame),
    /// Client: what the drive is asked for; the answer to one feedback.
    Command(CommandFrame),
    /// Client: tuning is finished.
    Done,
    /// Bench: the verdict.
    Result(ResultFrame),
    /// Client: a line for the record; not answered.
    Log(Log),
    /// Either: are you there?
    Probe(Probe),
    /// Either: the answer to a probe.
    Echo(Probe),
    /// Client: wants one row of the table of settings; answered by a setting row.
    SettingList(SettingList),
    /// Bench: one row of the table of settings.
    SettingRow(SettingRow),
    /// Client: wants a setting's volatile value; answered by a setting answer.
    SettingRead(SettingRead),
    /// Client: changes a setting's volatile value; answered by a setting answer.
    SettingWrite(SettingWrite),
    /// Client: stores all settings, atomically; answered by a setting answer with number 0 and value 0.
    Store,
    /// Bench: the answer to a read, a write, a store, or to a list whose row does not exist.
    SettingAnswer(SettingAnswer),
    /// Client: does what a person at the machine would do; answered by a hand answer.
    HandAction(HandAction),
    /// Bench: the answer to a hand action.
    HandAnswer(HandAnswer),
    /// Bench, where the outside commands torque: what the drive showed during the ticks of one exchange.
    TorqueFeedback(TorqueFeedbackFrame),
    /// Client, where it commands torque: the answer to one torque feedback.
    TorqueCommand(TorqueCommandFrame),
    /// Bench, where the outside commands voltage: what the drive showed during the ticks of one exchange.
    VoltageFeedback(VoltageFeedbackFrame),
    /// Client, where it commands voltage: the answer to one voltage feedback.
    VoltageCommand(VoltageCommandFrame),
    /// Client, where it commands torque or voltage: ready for the phase that was announced.
    PhaseAcknowledgement(Phase),
    /// Client: wants a voltage on the d axis, to identify the winding; answered by a winding answer.
    WindingTest(WindingTest),
    /// Client: wants samples of the last winding test; answered by a winding answer.
    WindingRead(WindingRead),
    /// Bench: the answer to a winding test or a winding read.
    WindingAnswer(WindingAnswer),
}

/// A client's first frame, sent to the listening port.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Open {
    /// The run's token, from `PLANTSTAND_TOKEN`.
    pub token: [u8; 16],
    /// What the method calls itself, for the score sheet.
    pub name: Text,
}

/// The facts of the run. It leaves from the listening port.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Accept {
    /// Port of the bench from which it talks from now on, and to which the client does.
    pub port: u16,
    /// Lowest protocol version that the bench speaks.
    pub version_min: u8,
    /// Highest protocol version that the bench speaks.
    pub version_max: u8,
    /// What the outside commands.
    pub commands: Commands,
    /// Who waits for whom.
    pub pace: Pace,
    /// Ticks per second.
    pub tick_hz: u32,
    /// Ticks per exchange, 1 to [`STRIDE_TICKS_MAX`].
    pub stride_ticks: u16,
    /// Whether the axis turns without end; then `travel_deg` is 0, 0 and the window counts from the start.
    pub endless: bool,
    /// Lowest and highest load angle that the machine has, in degrees.
    pub travel_deg: [f64; 2],
    /// Lowest and highest load angle at which the method may be while tuning, in degrees.
    pub window_deg: [f64; 2],
    /// How far the load may turn in all while tuning, in degrees.
    pub path_deg: f64,
    /// Highest speed of the axis, at the motor.
    pub max_speed_rad_per_s: f64,
    /// Simulated time that tuning may take.
    pub time_s: f64,
    /// Number of this connection, different for each: tells a late frame of an old one.
    pub nonce: u64,
    /// The scenario's title.
    pub title: Text,
}

/// Why an open was not accepted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Refuse {
    /// The reason.
    pub reason: RefuseReason,
    /// Lowest protocol version that the bench speaks.
    pub version_min: u8,
    /// Highest protocol version that the bench speaks.
    pub version_max: u8,
    /// The facts in a sentence, for people.
    pub detail: Text,
}

/// The end of a connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Close {
    /// The reason.
    pub reason: CloseReason,
}

/// A part of the trial.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Phase {
    /// The part that begins.
    pub phase: PhaseKind,
    /// During an examination 0 for the nominal machine, else the corner's number from 1; 0 in every other phase.
    pub corner: u16,
}

/// What the drive showed during one exchange, sent after the last of its ticks.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FeedbackFrame {
    /// Number n of the exchange, from 0.
    pub exchange: u32,
    /// First tick that it carries: n times the stride.
    pub first_tick: u64,
    /// Number of the latched trip after the last tick, 0 without one.
    pub trip: u16,
    /// IEC 61800-7-201 statusword of the last tick.
    pub statusword: u16,
    /// One sample per tick, never empty.
    pub samples: Samples,
}

/// The samples of a feedback.
pub type Samples = Series<Sample>;

/// What the drive showed in one tick.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sample {
    /// Motor angle in counts of the sensor, at the tick's start.
    pub counts: i64,
    /// Setpoint after ramp, low-pass and offset.
    pub setpoint_rad_per_s: f64,
    /// Measured motor speed after the speed filter.
    pub measured_speed_rad_per_s: f64,
    /// c: the speed loop's output with feed-forward, before the torque offset.
    pub controller_torque_nm: f64,
    /// u: c plus the torque offset, before notches and low-pass.
    pub summed_torque_nm: f64,
    /// Torque command after filters and limit; acts from the next tick.
    pub torque_command_nm: f64,
}

/// The answer to one feedback.
#[derive(Clone, Debug, PartialEq)]
pub struct CommandFrame {
    /// Number of the exchange that it answers.
    pub exchange: u32,
    /// IEC 61800-7-201 controlword.
    pub controlword: u16,
    /// The client's own computing time for this answer in microseconds, 0 when it does not say.
    pub compute_us: u32,
    /// Empty: the last value stays. One: held during the exchange. Else one per tick of the stride.
    pub values: Values,
}

/// The values of a command.
pub type Values = Series<Value>;

/// What the drive is asked for during a tick.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Value {
    /// Speed setpoint at the motor, before ramp and low-pass.
    pub speed_rad_per_s: f64,
    /// Added to the setpoint after ramp and low-pass.
    pub speed_offset_rad_per_s: f64,
    /// Added to the speed loop's torque, before notches and low-pass.
    pub torque_offset_nm: f64,
}

/// What the drive showed during one exchange where the outside closes the speed loop.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TorqueFeedbackFrame {
    /// Number n of the exchange, from 0 in every phase.
    pub exchange: u32,
    /// First tick that it carries: n times the stride. Ticks count from 0 in every phase.
    pub first_tick: u64,
    /// Number of the latched trip after the last tick, 0 without one.
    pub trip: u16,
    /// IEC 61800-7-201 statusword of the last tick.
    pub statusword: u16,
    /// One sample per tick, never empty.
    pub samples: TorqueSamples,
}

/// The samples of a torque feedback.
pub type TorqueSamples = Series<TorqueSample>;

/// What the drive showed in one tick where the outside closes the speed loop.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TorqueSample {
    /// Motor angle in counts of the sensor, at the tick's start.
    pub counts: i64,
    /// Setpoint of the motor's speed in this tick, as the programme gives it; 0 while tuning.
    pub setpoint_rad_per_s: f64,
    /// Measured motor speed after the speed filter.
    pub measured_speed_rad_per_s: f64,
    /// Torque command that acts during this tick, after the torque limit.
    pub torque_nm: f64,
}

/// The answer to one torque feedback.
#[derive(Clone, Debug, PartialEq)]
pub struct TorqueCommandFrame {
    /// Number of the exchange that it answers.
    pub exchange: u32,
    /// IEC 61800-7-201 controlword.
    pub controlword: u16,
    /// The client's own computing time for this answer in microseconds, 0 when it does not say.
    pub compute_us: u32,
    /// Empty: the last value stays. One: held during the exchange. Else one per tick of the stride.
    pub values: TorqueValues,
}

/// The values of a torque command.
pub type TorqueValues = Series<TorqueValue>;

/// What the outside speed controller wants during a tick.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TorqueValue {
    /// Torque of the outside speed controller at the motor shaft.
    pub torque_nm: f64,
    /// Feed-forward, added to it.
    pub feedforward_nm: f64,
}

/// What the drive showed during one exchange where the outside closes the current loop too.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct VoltageFeedbackFrame {
    /// Number n of the exchange, from 0 in every phase.
    pub exchange: u32,
    /// First tick that it carries: n times the stride. Ticks count from 0 in every phase.
    pub first_tick: u64,
    /// Number of the latched trip after the last tick, 0 without one.
    pub trip: u16,
    /// IEC 61800-7-201 statusword of the last tick.
    pub statusword: u16,
    /// One sample per tick, never empty.
    pub samples: VoltageSamples,
}

/// The samples of a voltage feedback.
pub type VoltageSamples = Series<VoltageSample>;

/// What the drive showed in one tick where the outside closes the current loop too.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct VoltageSample {
    /// Motor angle in counts of the sensor, at the tick's start.
    pub counts: i64,
    /// Setpoint of the motor's speed in this tick, as the programme gives it; 0 while tuning.
    pub setpoint_rad_per_s: f64,
    /// Measured motor speed after the speed filter.
    pub measured_speed_rad_per_s: f64,
    /// Electrical angle of the rotor at the tick's start as the drive has it, from 0 to one turn.
    pub electrical_angle_rad: f64,
    /// Measured current along the magnet, peak of a phase.
    pub current_d_a: f64,
    /// Measured current a quarter of an electrical turn ahead of it.
    pub current_q_a: f64,
    /// Measured voltage of the bus.
    pub bus_v: f64,
    /// Voltage on the d axis that acts during this tick, after the limit.
    pub voltage_d_v: f64,
    /// The same on the q axis.
    pub voltage_q_v: f64,
}

/// The answer to one voltage feedback.
#[derive(Clone, Debug, PartialEq)]
pub struct VoltageCommandFrame {
    /// Number of the exchange that it answers.
    pub exchange: u32,
    /// IEC 61800-7-201 controlword.
    pub controlword: u16,
    /// The client's own computing time for this answer in microseconds, 0 when it does not say.
    pub compute_us: u32,
    /// Empty: the last value stays. One: held during the exchange. Else one per tick of the stride.
    pub values: VoltageValues,
}

/// The values of a voltage command.
pub type VoltageValues = Series<VoltageValue>;

/// What the outside current controller wants during a tick, peak of a phase.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct VoltageValue {
    /// Voltage on the d axis.
    pub voltage_d_v: f64,
    /// Voltage on the q axis.
    pub voltage_q_v: f64,
}

/// A voltage step on the d axis of an enabled axis at rest: it gives current and no torque.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WindingTest {
    /// The voltage.
    pub axis_d_voltage_v: f64,
    /// How long it lasts.
    pub time_s: f64,
}

/// Asks for samples of the last winding test.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WindingRead {
    /// Number of the first one wanted, from 0.
    pub first: u16,
}

/// The answer to a winding test or a winding read.
#[derive(Clone, Debug, PartialEq)]
pub struct WindingAnswer {
    /// Sequence number of the request.
    pub request: u32,
    /// Begun or read, or why not.
    pub outcome: WindingOutcome,
    /// How far the last winding test is.
    pub state: WindingState,
    /// Samples that there are of it.
    pub total: u16,
    /// Number of the first one that follows.
    pub first: u16,
    /// One sample per tick of the test; none in the answer to a winding test.
    pub samples: WindingSamples,
}

/// The samples of a winding answer.
pub type WindingSamples = Series<WindingSample>;

/// One tick of a winding test.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct WindingSample {
    /// Voltage on the d axis that acts during this tick.
    pub voltage_d_v: f64,
    /// Measured current along the magnet at the tick's start, peak of a phase.
    pub current_d_a: f64,
    /// Measured current a quarter of an electrical turn ahead of it.
    pub current_q_a: f64,
    /// Measured voltage of the bus.
    pub bus_v: f64,
}

/// The verdict of a trial.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ResultFrame {
    /// Pass, fail or void.
    pub verdict: Verdict,
    /// Weighted grade in percent; 0 on a fail, and on a void, which has none.
    pub grade_percent: f64,
    /// The verdict's reason in one sentence.
    pub text: Text,
}

/// A line for the record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Log {
    /// The line.
    pub text: Text,
}

/// A number that comes back in the echo.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Probe {
    /// Any number.
    pub nonce: u64,
}

/// Asks for one row of the table of settings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SettingList {
    /// Place in the table, from 0.
    pub index: u16,
}

/// One row of the table of settings. Values are in the unit of the name.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SettingRow {
    /// Sequence number of the list frame that it answers.
    pub request: u32,
    /// Place in the table, from 0.
    pub index: u16,
    /// Rows in the whole table.
    pub total: u16,
    /// The setting's number.
    pub number: u16,
    /// Whether it may change while the drive is enabled.
    pub writable_while_enabled: bool,
    /// Lowest value allowed.
    pub low: f64,
    /// Highest value allowed.
    pub high: f64,
    /// The volatile value: what acts now.
    pub value: f64,
    /// The value of a new drive.
    pub default: f64,
    /// Name with unit, `speed_gain_nms_per_rad`.
    pub name: Text,
    /// Unit for people; empty for a plain number.
    pub unit: Text,
}

/// Asks for a setting's volatile value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SettingRead {
    /// The setting's number.
    pub number: u16,
}

/// Changes a setting's volatile value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SettingWrite {
    /// The setting's number.
    pub number: u16,
    /// The new value, in the unit of the name.
    pub value: f64,
}

/// The answer to a request about settings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SettingAnswer {
    /// Sequence number of the request.
    pub request: u32,
    /// The setting's number; 0 for a store or a row that does not exist.
    pub number: u16,
    /// Done, or why not.
    pub outcome: SettingOutcome,
    /// The volatile value after the request, refused or not; 0 where there is none.
    pub value: f64,
}

/// What a person at the machine does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HandAction {
    /// The action.
    pub action: HandActionKind,
}

/// The answer to a hand action.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HandAnswer {
    /// Sequence number of the request.
    pub request: u32,
    /// Done, or why not.
    pub outcome: HandOutcome,
}

numbered! {
    /// What the outside commands.
    Commands {
        /// Speed setpoints; the bench's own drive closes the speed loop.
        Speed = 1 "speed",
        /// Torques; the outside closes the speed loop.
        Torque = 2 "torque",
        /// Voltages; the outside closes the current loop too.
        Voltage = 3 "voltage",
    }
}

numbered! {
    /// Who waits for whom.
    Pace {
        /// The bench waits for the answer to its feedback.
        Lockstep = 1 "lockstep",
        /// The bench advances on the clock.
        RealTime = 2 "real_time",
    }
}

numbered! {
    /// Why an open was not accepted.
    RefuseReason {
        /// The frame's version is not among those that the bench speaks.
        Version = 1 "version",
        /// The token is not this run's.
        Token = 2 "token",
        /// Somebody else is in command.
        Busy = 3 "busy",
        /// The scenario forbids a client to open again.
        OpenAgain = 4 "open_again",
        /// The run is over.
        Over = 5 "over",
    }
}

numbered! {
    /// Why a connection ends.
    CloseReason {
        /// The sender has finished and leaves.
        Leaving = 1 "leaving",
        /// The trial is over.
        Over = 2 "over",
        /// No answer came within the bench's patience.
        Silent = 3 "silent",
        /// The time for tuning is used up.
        OutOfTime = 4 "out_of_time",
        /// The sender cannot go on.
        Failed = 5 "failed",
        /// The same method opened again: this connection is replaced by the new one.
        Replaced = 6 "replaced",
    }
}

numbered! {
    /// The parts of a trial.
    PhaseKind {
        /// The method tunes.
        Tuning = 1 "tuning",
        /// The drive is switched off and on: stored settings only from here on. Where the outside commands torque or
        /// voltage it begins anew too, and acknowledges.
        PowerCycle = 2 "power_cycle",
        /// The bench gives the scenario's setpoints to the nominal machine or a corner. Where the outside commands
        /// torque or voltage it closes the loops, from rest and with its sums at 0.
        Examination = 3 "examination",
        /// The trial is over; the result follows.
        Over = 4 "over",
        /// In mid-run: the outside loses its state, as at a cut of its power, and goes on when it has acknowledged.
        Reset = 5 "reset",
    }
}

numbered! {
    /// The verdicts.
    Verdict {
        /// Every limit held, nominal and in every corner.
        Pass = 1 "pass",
        /// Some limit was missed, or a rule of conduct broken.
        Fail = 2 "fail",
        /// The run cannot be trusted; it has no grade.
        Void = 3 "void",
    }
}

numbered! {
    /// What became of a request about settings.
    SettingOutcome {
        /// Done; the value is what stands now.
        Done = 0 "done",
        /// No setting has this number, no row this place.
        Unknown = 1 "unknown",
        /// The value is below the lowest or above the highest allowed.
        OutOfRange = 2 "out_of_range",
        /// This setting must not change while the drive is enabled.
        NotWhileEnabled = 3 "not_while_enabled",
        /// The value is not a finite number. A frame with such a number is refused before it gets here.
        NotFinite = 4 "not_finite",
        /// Settings are locked since the method said done.
        Locked = 5 "locked",
        /// The setting can only be read.
        ReadOnly = 6 "read_only",
    }
}

numbered! {
    /// What a person at the machine would do.
    HandActionKind {
        /// Join motor and load. At rest and disabled only.
        Couple = 1 "couple",
        /// Part motor and load. At rest and disabled only.
        Uncouple = 2 "uncouple",
        /// Press the emergency stop.
        PressEmergencyStop = 3 "press_emergency_stop",
        /// Release the emergency stop.
        ReleaseEmergencyStop = 4 "release_emergency_stop",
        /// Open the guard.
        OpenGuard = 5 "open_guard",
        /// Close the guard.
        CloseGuard = 6 "close_guard",
        /// Switch the drive off and on: what was stored comes back.
        PowerCycle = 7 "power_cycle",
        /// Set the holding brake.
        SetBrake = 8 "set_brake",
        /// Lift the holding brake.
        LiftBrake = 9 "lift_brake",
    }
}

numbered! {
    /// What became of a winding test or a winding read.
    WindingOutcome {
        /// Begun, with the next tick; or read.
        Done = 0 "done",
        /// The drive is not in operation enabled.
        NotEnabled = 1 "not_enabled",
        /// The axis moves; this is done at rest only.
        NotAtRest = 2 "not_at_rest",
        /// The voltage is 0 or more than the bus gives, or the time is none or too long.
        OutOfRange = 3 "out_of_range",
        /// A test runs already.
        Running = 4 "running",
        /// The motor has no winding.
        NotHere = 5 "not_here",
        /// Tuning is over.
        Locked = 6 "locked",
    }
}

numbered! {
    /// How far the last winding test is.
    WindingState {
        /// There was none since the drive was switched on.
        None = 0 "none",
        /// It runs.
        Running = 1 "running",
        /// It lasted for its time.
        Finished = 2 "finished",
        /// It ended early: the current came to its limit.
        CurrentLimit = 3 "current_limit",
        /// It ended early: the drive left operation enabled, or the axis moved.
        Stopped = 4 "stopped",
    }
}

numbered! {
    /// What became of a hand action.
    HandOutcome {
        /// Done.
        Done = 0 "done",
        /// The axis moves; this is done at rest only.
        NotAtRest = 1 "not_at_rest",
        /// The drive is enabled; this is done while it is not.
        NotWhileEnabled = 2 "not_while_enabled",
        /// Tuning is over.
        Locked = 3 "locked",
        /// This machine has no such thing.
        NotHere = 4 "not_here",
        /// This version of the bench cannot do it yet.
        NotBuiltYet = 5 "not_built_yet",
    }
}
