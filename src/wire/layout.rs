//! Where every field stands in a frame: one table per kind, each offset chained to the end of the field before it.
//!
//! A frame is a header, a payload and a checksum; offsets count from the frame's first byte. Numbers are little-endian,
//! floats IEEE 754 doubles, flags one byte of 0 or 1. What has no fixed length (texts, samples, values) stands at the
//! end of the payload, one after the other, its length or count in a field before. The codec reads these ranges, and
//! the page prints the same tables. What it does not: read or write a byte. Start reading at [`header`], then
//! [`feedback`].

// Long because it is one table: every field of every kind, each chained to the one before.

use std::ops::Range;

use super::numbered::numbered;
use super::series::STRIDE_TICKS_MAX;

/// The first two bytes of every frame, `PS`.
pub const MAGIC: [u8; 2] = *b"PS";

/// The version that is spoken here.
pub const VERSION: u8 = 1;

/// Lowest and highest version that is spoken here.
pub const VERSIONS: [u8; 2] = [VERSION, VERSION];

/// Bytes of the checksum at the end.
pub const CRC_BYTES: usize = 4;

/// Bytes of the smallest frame, one without payload.
pub const MIN_FRAME_BYTES: usize = header::END + CRC_BYTES;

/// Bytes of the largest frame, a voltage feedback of [`STRIDE_TICKS_MAX`] samples.
pub const MAX_FRAME_BYTES: usize = voltage_feedback::END + STRIDE_TICKS_MAX * voltage_sample::END + CRC_BYTES;

/// No other series is longer.
const _: () = assert!(
    sample::END <= voltage_sample::END
        && torque_sample::END <= voltage_sample::END
        && winding_sample::END <= voltage_sample::END
        && winding_answer::END <= voltage_feedback::END
);

/// Bytes of the largest sealed frame.
pub const MAX_SEALED_FRAME_BYTES: usize = MAX_FRAME_BYTES + seal::END;

/// Bytes of the smallest and of the largest frame without its checksum fit the header's length field.
const _: () = assert!(MAX_SEALED_FRAME_BYTES - MIN_FRAME_BYTES <= u16::MAX as usize);

numbered! {
    /// The kinds of frames by number.
    Kind {
        /// client → bench, to the listening port: wants to be the method of this run
        Open = 1 "open",
        /// bench → client, from the listening port: is in command; facts of the run and the new port
        Accept = 2 "accept",
        /// bench → client, from the listening port: an open that was not accepted
        Refuse = 3 "refuse",
        /// either: ends the connection
        Close = 4 "close",
        /// bench → client: a part of the trial begins
        Phase = 5 "phase",
        /// bench → client: what the drive showed during the ticks of one exchange
        Feedback = 6 "feedback",
        /// client → bench: the answer to one feedback
        Command = 7 "command",
        /// client → bench: tuning is finished; no payload
        Done = 8 "done",
        /// bench → client: the verdict
        Result = 9 "result",
        /// client → bench: a line for the record; not answered
        Log = 10 "log",
        /// either: are you there? Answered by an echo
        Probe = 11 "probe",
        /// either: the answer to a probe
        Echo = 12 "echo",
        /// client → bench: wants one row of the table of settings
        SettingList = 16 "setting_list",
        /// bench → client: one row of the table of settings
        SettingRow = 17 "setting_row",
        /// client → bench: wants a setting's volatile value
        SettingRead = 18 "setting_read",
        /// client → bench: changes a setting's volatile value
        SettingWrite = 19 "setting_write",
        /// client → bench: stores all settings; no payload
        Store = 20 "store",
        /// bench → client: the answer to a read, a write, a store, or to a list whose row does not exist
        SettingAnswer = 21 "setting_answer",
        /// client → bench: what a person at the machine would do
        HandAction = 24 "hand_action",
        /// bench → client: the answer to a hand action
        HandAnswer = 25 "hand_answer",
        /// client → bench: wants a voltage on the d axis of an enabled axis at rest, to identify the winding
        WindingTest = 26 "winding_test",
        /// client → bench: wants samples of the last winding test
        WindingRead = 27 "winding_read",
        /// bench → client: the answer to a winding test or a winding read
        WindingAnswer = 28 "winding_answer",
        /// bench → client, with `commands = torque`: what the drive showed during the ticks of one exchange
        TorqueFeedback = 32 "torque_feedback",
        /// client → bench, with `commands = torque`: the answer to one torque feedback
        TorqueCommand = 33 "torque_command",
        /// bench → client, with `commands = voltage`: what the drive showed during the ticks of one exchange
        VoltageFeedback = 34 "voltage_feedback",
        /// client → bench, with `commands = voltage`: the answer to one voltage feedback
        VoltageCommand = 35 "voltage_command",
        /// client → bench, with `commands = torque` or `voltage`: ready for the phase that was announced
        PhaseAcknowledgement = 36 "phase_acknowledgement",
    }
}

/// Set in a kind, it marks the same kind sealed: with a counter and a message authentication code before the checksum, as
/// [`seal`] lays them out. Where frames are plain, such a kind is refused as reserved.
pub const AUTHENTICATED_KIND_BIT: u8 = 0x80;

/// Whether a kind's number is that of a sealed frame.
#[must_use]
pub const fn is_reserved_kind(number: u8) -> bool {
    number & AUTHENTICATED_KIND_BIT != 0
}

/// How a field's bytes are read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FieldType {
    /// Two bytes as they are.
    Bytes2,
    /// Sixteen bytes as they are.
    Bytes16,
    /// One byte of 0 or 1.
    Flag,
    /// Unsigned, one byte.
    U8,
    /// Unsigned, two bytes.
    U16,
    /// Unsigned, four bytes.
    U32,
    /// Unsigned, eight bytes.
    U64,
    /// Signed in two's complement, eight bytes.
    I64,
    /// IEEE 754 double, eight bytes, always finite.
    F64,
}

impl FieldType {
    /// Bytes of such a field.
    #[must_use]
    pub const fn bytes(self) -> usize {
        match self {
            Self::Flag | Self::U8 => 1,
            Self::Bytes2 | Self::U16 => 2,
            Self::U32 => 4,
            Self::U64 | Self::I64 | Self::F64 => 8,
            Self::Bytes16 => 16,
        }
    }

    /// The type's name on the page.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Bytes2 => "2 bytes",
            Self::Bytes16 => "16 bytes",
            Self::Flag => "flag",
            Self::U8 => "u8",
            Self::U16 => "u16",
            Self::U32 => "u32",
            Self::U64 => "u64",
            Self::I64 => "i64",
            Self::F64 => "f64",
        }
    }
}

/// One field, as the page prints it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Field {
    /// Its name, with unit.
    pub name: &'static str,
    /// Where it stands.
    pub range: Range<usize>,
    /// How it is read.
    pub kind: FieldType,
    /// What it means.
    pub what: &'static str,
}

/// What stands behind the fixed fields of a payload.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tail {
    /// Nothing.
    None,
    /// Texts of these names, in this order; each one's length is the field of its name with `_bytes`.
    Texts(&'static [&'static str]),
    /// Samples, as many as the field `sample_count` says, laid out as [`sample`].
    Samples,
    /// Values, as many as the field `value_count` says, laid out as [`value`].
    Values,
    /// Samples, as many as the field `sample_count` says, laid out as [`torque_sample`].
    TorqueSamples,
    /// Values, as many as the field `value_count` says, laid out as [`torque_value`].
    TorqueValues,
    /// Samples, as many as the field `sample_count` says, laid out as [`voltage_sample`].
    VoltageSamples,
    /// Values, as many as the field `value_count` says, laid out as [`voltage_value`].
    VoltageValues,
    /// Samples, as many as the field `sample_count` says, laid out as [`winding_sample`].
    WindingSamples,
}

/// The fixed fields of a kind, and what stands behind them.
#[must_use]
pub const fn fields(kind: Kind) -> (&'static [Field], Tail) {
    match kind {
        Kind::Open => (open::FIELDS, open::TAIL),
        Kind::Accept => (accept::FIELDS, accept::TAIL),
        Kind::Refuse => (refuse::FIELDS, refuse::TAIL),
        Kind::Close => (close::FIELDS, close::TAIL),
        Kind::Phase => (phase::FIELDS, phase::TAIL),
        Kind::Feedback => (feedback::FIELDS, feedback::TAIL),
        Kind::Command => (command::FIELDS, command::TAIL),
        Kind::Done | Kind::Store => (&[], Tail::None),
        Kind::Result => (result::FIELDS, result::TAIL),
        Kind::Log => (log::FIELDS, log::TAIL),
        Kind::Probe | Kind::Echo => (probe::FIELDS, probe::TAIL),
        Kind::SettingList => (setting_list::FIELDS, setting_list::TAIL),
        Kind::SettingRow => (setting_row::FIELDS, setting_row::TAIL),
        Kind::SettingRead => (setting_read::FIELDS, setting_read::TAIL),
        Kind::SettingWrite => (setting_write::FIELDS, setting_write::TAIL),
        Kind::SettingAnswer => (setting_answer::FIELDS, setting_answer::TAIL),
        Kind::HandAction => (hand_action::FIELDS, hand_action::TAIL),
        Kind::HandAnswer => (hand_answer::FIELDS, hand_answer::TAIL),
        Kind::TorqueFeedback => (torque_feedback::FIELDS, torque_feedback::TAIL),
        Kind::TorqueCommand => (torque_command::FIELDS, torque_command::TAIL),
        Kind::VoltageFeedback => (voltage_feedback::FIELDS, voltage_feedback::TAIL),
        Kind::VoltageCommand => (voltage_command::FIELDS, voltage_command::TAIL),
        Kind::WindingTest => (winding_test::FIELDS, winding_test::TAIL),
        Kind::WindingRead => (winding_read::FIELDS, winding_read::TAIL),
        Kind::WindingAnswer => (winding_answer::FIELDS, winding_answer::TAIL),
        Kind::PhaseAcknowledgement => (phase_acknowledgement::FIELDS, phase_acknowledgement::TAIL),
    }
}

/// Chains each field's range to the end of the one before.
macro_rules! chained {
    ($start:expr;) => {
        /// Where the fixed fields end.
        pub const END: usize = $start;
    };
    ($start:expr; $(#[doc = $what:literal])+ $name:ident $label:literal $type:ident, $($rest:tt)*) => {
        $(#[doc = $what])+
        pub const $name: std::ops::Range<usize> = $start..$start + super::FieldType::$type.bytes();
        chained! { $name.end; $($rest)* }
    };
}

/// One table: a module with a range per field, all of them as a list for the page, and what stands behind them.
macro_rules! table {
    (
        $(#[doc = $about:literal])+
        $module:ident, from $start:expr, then $tail:expr;
        $($(#[doc = $what:literal])+ $name:ident $label:literal $type:ident,)+
    ) => {
        $(#[doc = $about])+
        pub mod $module {
            chained! { $start; $($(#[doc = $what])+ $name $label $type,)+ }

            /// Every fixed field, in order.
            pub const FIELDS: &[super::Field] = &[
                $(super::Field {
                    name: $label,
                    range: $name,
                    kind: super::FieldType::$type,
                    what: concat!($($what),+),
                },)+
            ];

            /// What stands behind them.
            pub const TAIL: super::Tail = $tail;
        }
    };
}

table! {
    /// The beginning of every frame.
    header, from 0, then super::Tail::None;
    /// `50 53`, the letters `PS`
    MAGIC "magic" Bytes2,
    /// protocol version, 1
    VERSION "version" U8,
    /// kind of frame
    KIND "kind" U8,
    /// number of the frame among its sender's, 1 for the first; a frame that is sent again keeps it
    SEQUENCE "sequence" U32,
    /// bytes between header and checksum, the seal's too
    PAYLOAD_BYTES "payload_bytes" U16,
}

table! {
    /// What a sealed frame has between payload and checksum, from the payload's end.
    seal, from 0, then super::Tail::None;
    /// number of the frame as it left: 1 for the first of its sender, a higher one each time, also when the same frame is sent again
    COUNTER "counter" U64,
    /// first 16 bytes of the HMAC-SHA-256
    MAC "mac" Bytes16,
}

table! {
    /// Payload of an open.
    open, from super::header::END, then super::Tail::Texts(&["name"]);
    /// the run's token, 16 bytes in the order of its 32 hex digits; in a sealed open 16 fresh random bytes in its place, the challenge
    TOKEN "token" Bytes16,
    /// length of the name
    NAME_BYTES "name_bytes" U8,
}

table! {
    /// Payload of an accept.
    accept, from super::header::END, then super::Tail::Texts(&["title"]);
    /// the bench's new port
    PORT "port" U16,
    /// lowest protocol version that the bench speaks
    VERSION_MIN "version_min" U8,
    /// highest protocol version that the bench speaks
    VERSION_MAX "version_max" U8,
    /// what the outside commands
    COMMANDS "commands" U8,
    /// who waits for whom
    PACE "pace" U8,
    /// ticks per second, at least 1
    TICK_HZ "tick_hz" U32,
    /// ticks per exchange, 1 to 64
    STRIDE_TICKS "stride_ticks" U16,
    /// 1 when the axis turns without end: no travel, and the window counts from the start
    ENDLESS "endless" Flag,
    /// lowest load angle of the machine, 0 on an endless axis
    TRAVEL_MIN_DEG "travel_min_deg" F64,
    /// highest load angle of the machine, 0 on an endless axis
    TRAVEL_MAX_DEG "travel_max_deg" F64,
    /// lowest load angle allowed while tuning
    WINDOW_MIN_DEG "window_min_deg" F64,
    /// highest load angle allowed while tuning
    WINDOW_MAX_DEG "window_max_deg" F64,
    /// how far the load may turn in all while tuning, both directions counted
    PATH_DEG "path_deg" F64,
    /// highest speed of the axis, at the motor
    MAX_SPEED_RAD_PER_S "max_speed_rad_per_s" F64,
    /// simulated time that tuning may take
    TIME_S "time_s" F64,
    /// number of this connection, different for each
    NONCE "nonce" U64,
    /// length of the scenario's title
    TITLE_BYTES "title_bytes" U8,
}

table! {
    /// Payload of a refuse. It stays as it is in every version, so that any client can read it.
    refuse, from super::header::END, then super::Tail::Texts(&["detail"]);
    /// why
    REASON "reason" U8,
    /// lowest protocol version that the bench speaks
    VERSION_MIN "version_min" U8,
    /// highest protocol version that the bench speaks
    VERSION_MAX "version_max" U8,
    /// length of the detail, a sentence for people
    DETAIL_BYTES "detail_bytes" U8,
}

table! {
    /// Payload of a close.
    close, from super::header::END, then super::Tail::None;
    /// why
    REASON "reason" U8,
}

table! {
    /// Payload of a phase.
    phase, from super::header::END, then super::Tail::None;
    /// the part that begins
    PHASE "phase" U8,
    /// in an examination 0 for the nominal machine, else the corner's number from 1; 0 in other phases
    CORNER "corner" U16,
}

table! {
    /// Payload of a feedback.
    feedback, from super::header::END, then super::Tail::Samples;
    /// number n of the exchange, from 0
    EXCHANGE "exchange" U32,
    /// first tick that it carries, n times the stride
    FIRST_TICK "first_tick" U64,
    /// number of the latched trip after the last tick, 0 without one
    TRIP "trip" U16,
    /// statusword of the last tick
    STATUSWORD "statusword" U16,
    /// samples that follow, one per tick of the stride: 1 to 64
    SAMPLE_COUNT "sample_count" U8,
}

table! {
    /// One sample of a feedback, from the sample's own first byte.
    sample, from 0, then super::Tail::None;
    /// motor angle in counts of the sensor, at the tick's start
    COUNTS "counts" I64,
    /// setpoint after ramp, low-pass and offset
    SETPOINT_RAD_PER_S "setpoint_rad_per_s" F64,
    /// measured motor speed after the speed filter
    MEASURED_SPEED_RAD_PER_S "measured_speed_rad_per_s" F64,
    /// c: the speed loop's output with feed-forward, before the torque offset
    CONTROLLER_TORQUE_NM "controller_torque_nm" F64,
    /// u: c plus the torque offset, before notches and low-pass
    SUMMED_TORQUE_NM "summed_torque_nm" F64,
    /// torque command after filters and limit; acts from the next tick
    TORQUE_COMMAND_NM "torque_command_nm" F64,
}

table! {
    /// Payload of a command.
    command, from super::header::END, then super::Tail::Values;
    /// number of the exchange that it answers
    EXCHANGE "exchange" U32,
    /// controlword
    CONTROLWORD "controlword" U16,
    /// the client's own computing time for this answer in microseconds, 0 when it does not say
    COMPUTE_US "compute_us" U32,
    /// values that follow: 0 (the last one stays), 1 (held), or one per tick of the stride
    VALUE_COUNT "value_count" U8,
}

table! {
    /// One value of a command, from the value's own first byte.
    value, from 0, then super::Tail::None;
    /// speed setpoint at the motor, before ramp and low-pass
    SPEED_RAD_PER_S "speed_rad_per_s" F64,
    /// added to the setpoint after ramp and low-pass
    SPEED_OFFSET_RAD_PER_S "speed_offset_rad_per_s" F64,
    /// added to the speed loop's torque, before notches and low-pass
    TORQUE_OFFSET_NM "torque_offset_nm" F64,
}

table! {
    /// Payload of a result.
    result, from super::header::END, then super::Tail::Texts(&["text"]);
    /// the verdict
    VERDICT "verdict" U8,
    /// weighted grade, 0 on a fail and on a void
    GRADE_PERCENT "grade_percent" F64,
    /// length of the text, the reason in one sentence
    TEXT_BYTES "text_bytes" U8,
}

table! {
    /// Payload of a log.
    log, from super::header::END, then super::Tail::Texts(&["text"]);
    /// length of the line
    TEXT_BYTES "text_bytes" U8,
}

table! {
    /// Payload of a probe, and of the echo that answers it.
    probe, from super::header::END, then super::Tail::None;
    /// any number; the echo brings it back
    NONCE "nonce" U64,
}

table! {
    /// Payload of a setting list.
    setting_list, from super::header::END, then super::Tail::None;
    /// place in the table, from 0
    INDEX "index" U16,
}

table! {
    /// Payload of a setting row.
    setting_row, from super::header::END, then super::Tail::Texts(&["name", "unit"]);
    /// sequence number of the setting list that it answers
    REQUEST "request" U32,
    /// place in the table, from 0
    INDEX "index" U16,
    /// rows in the whole table
    TOTAL "total" U16,
    /// the setting's number
    NUMBER "number" U16,
    /// 1 when it may change while the drive is enabled
    WRITABLE_WHILE_ENABLED "writable_while_enabled" Flag,
    /// lowest value allowed
    LOW "low" F64,
    /// highest value allowed
    HIGH "high" F64,
    /// volatile value: what acts now
    VALUE "value" F64,
    /// value of a new drive
    DEFAULT "default" F64,
    /// length of the name
    NAME_BYTES "name_bytes" U8,
    /// length of the unit, 0 for a plain number
    UNIT_BYTES "unit_bytes" U8,
}

table! {
    /// Payload of a setting read.
    setting_read, from super::header::END, then super::Tail::None;
    /// the setting's number
    NUMBER "number" U16,
}

table! {
    /// Payload of a setting write.
    setting_write, from super::header::END, then super::Tail::None;
    /// the setting's number
    NUMBER "number" U16,
    /// the new value, in the unit of the setting's name
    VALUE "value" F64,
}

table! {
    /// Payload of a setting answer.
    setting_answer, from super::header::END, then super::Tail::None;
    /// sequence number of the request that it answers
    REQUEST "request" U32,
    /// the setting's number; 0 for a store or a row that does not exist
    NUMBER "number" U16,
    /// done, or why not
    OUTCOME "outcome" U8,
    /// volatile value after the request, refused or not; 0 where there is none
    VALUE "value" F64,
}

table! {
    /// Payload of a hand action.
    hand_action, from super::header::END, then super::Tail::None;
    /// what is done
    ACTION "action" U8,
}

table! {
    /// Payload of a hand answer.
    hand_answer, from super::header::END, then super::Tail::None;
    /// sequence number of the hand action that it answers
    REQUEST "request" U32,
    /// done, or why not
    OUTCOME "outcome" U8,
}

table! {
    /// Payload of a torque feedback.
    torque_feedback, from super::header::END, then super::Tail::TorqueSamples;
    /// number n of the exchange, from 0 in every phase
    EXCHANGE "exchange" U32,
    /// first tick that it carries, n times the stride; ticks count from 0 in every phase
    FIRST_TICK "first_tick" U64,
    /// number of the latched trip after the last tick, 0 without one
    TRIP "trip" U16,
    /// statusword of the last tick
    STATUSWORD "statusword" U16,
    /// samples that follow, one per tick of the stride: 1 to 64
    SAMPLE_COUNT "sample_count" U8,
}

table! {
    /// One sample of a torque feedback, from the sample's own first byte.
    torque_sample, from 0, then super::Tail::None;
    /// motor angle in counts of the sensor, at the tick's start
    COUNTS "counts" I64,
    /// setpoint of the motor's speed in this tick, as the programme gives it; 0 while tuning
    SETPOINT_RAD_PER_S "setpoint_rad_per_s" F64,
    /// measured motor speed: difference of counts over one tick, then the drive's speed filter
    MEASURED_SPEED_RAD_PER_S "measured_speed_rad_per_s" F64,
    /// torque command that acts during this tick, after the torque limit
    TORQUE_NM "torque_nm" F64,
}

table! {
    /// Payload of a torque command.
    torque_command, from super::header::END, then super::Tail::TorqueValues;
    /// number of the exchange that it answers
    EXCHANGE "exchange" U32,
    /// controlword
    CONTROLWORD "controlword" U16,
    /// the client's own computing time for this answer in microseconds, 0 when it does not say
    COMPUTE_US "compute_us" U32,
    /// values that follow: 0 (the last one stays), 1 (held), or one per tick of the stride
    VALUE_COUNT "value_count" U8,
}

table! {
    /// One value of a torque command, from the value's own first byte.
    torque_value, from 0, then super::Tail::None;
    /// torque of the outside speed controller at the motor shaft
    TORQUE_NM "torque_nm" F64,
    /// feed-forward, added to it; 0 when the client has none
    FEEDFORWARD_NM "feedforward_nm" F64,
}

table! {
    /// Payload of a voltage feedback.
    voltage_feedback, from super::header::END, then super::Tail::VoltageSamples;
    /// number n of the exchange, from 0 in every phase
    EXCHANGE "exchange" U32,
    /// first tick that it carries, n times the stride; ticks count from 0 in every phase
    FIRST_TICK "first_tick" U64,
    /// number of the latched trip after the last tick, 0 without one
    TRIP "trip" U16,
    /// statusword of the last tick
    STATUSWORD "statusword" U16,
    /// samples that follow, one per tick of the stride: 1 to 64
    SAMPLE_COUNT "sample_count" U8,
}

table! {
    /// One sample of a voltage feedback, from the sample's own first byte.
    voltage_sample, from 0, then super::Tail::None;
    /// motor angle in counts of the sensor, at the tick's start
    COUNTS "counts" I64,
    /// setpoint of the motor's speed in this tick, as the programme gives it; 0 while tuning
    SETPOINT_RAD_PER_S "setpoint_rad_per_s" F64,
    /// measured motor speed, after the drive's speed filter
    MEASURED_SPEED_RAD_PER_S "measured_speed_rad_per_s" F64,
    /// electrical angle of the rotor at the tick's start as the drive has it, from 0 to 2 pi
    ELECTRICAL_ANGLE_RAD "electrical_angle_rad" F64,
    /// measured current along the magnet at the tick's start, peak of a phase
    CURRENT_D_A "current_d_a" F64,
    /// measured current a quarter of an electrical turn ahead of it
    CURRENT_Q_A "current_q_a" F64,
    /// measured voltage of the bus
    BUS_V "bus_v" F64,
    /// voltage on the d axis that acts during this tick, after the limit
    VOLTAGE_D_V "voltage_d_v" F64,
    /// the same on the q axis
    VOLTAGE_Q_V "voltage_q_v" F64,
}

table! {
    /// Payload of a voltage command.
    voltage_command, from super::header::END, then super::Tail::VoltageValues;
    /// number of the exchange that it answers
    EXCHANGE "exchange" U32,
    /// controlword
    CONTROLWORD "controlword" U16,
    /// the client's own computing time for this answer in microseconds, 0 when it does not say
    COMPUTE_US "compute_us" U32,
    /// values that follow: 0 (the last one stays), 1 (held), or one per tick of the stride
    VALUE_COUNT "value_count" U8,
}

table! {
    /// One value of a voltage command, from the value's own first byte.
    voltage_value, from 0, then super::Tail::None;
    /// voltage on the d axis, along the magnet; peak of a phase
    VOLTAGE_D_V "voltage_d_v" F64,
    /// voltage on the q axis, a quarter of an electrical turn ahead of it
    VOLTAGE_Q_V "voltage_q_v" F64,
}

table! {
    /// Payload of a winding test.
    winding_test, from super::header::END, then super::Tail::None;
    /// voltage on the d axis, at most the bus voltage / sqrt 3; peak of a phase
    AXIS_D_VOLTAGE_V "axis_d_voltage_v" F64,
    /// how long it lasts, at most 8192 ticks
    TIME_S "time_s" F64,
}

table! {
    /// Payload of a winding read.
    winding_read, from super::header::END, then super::Tail::None;
    /// number of the first sample wanted, from 0
    FIRST "first" U16,
}

table! {
    /// Payload of a winding answer.
    winding_answer, from super::header::END, then super::Tail::WindingSamples;
    /// sequence number of the request that it answers
    REQUEST "request" U32,
    /// done, or why not
    OUTCOME "outcome" U8,
    /// how far the last winding test is
    STATE "state" U8,
    /// samples that there are of it so far
    TOTAL "total" U16,
    /// number of the first one that follows
    FIRST "first" U16,
    /// samples that follow, one per tick of the test: 0 to 64; 0 in the answer to a winding test
    SAMPLE_COUNT "sample_count" U8,
}

table! {
    /// One sample of a winding answer, from the sample's own first byte.
    winding_sample, from 0, then super::Tail::None;
    /// voltage on the d axis that acts during this tick
    VOLTAGE_D_V "voltage_d_v" F64,
    /// measured current along the magnet at the tick's start, peak of a phase
    CURRENT_D_A "current_d_a" F64,
    /// measured current a quarter of an electrical turn ahead of it
    CURRENT_Q_A "current_q_a" F64,
    /// measured voltage of the bus
    BUS_V "bus_v" F64,
}

table! {
    /// Payload of a phase acknowledgement: the same as the phase that it acknowledges.
    phase_acknowledgement, from super::header::END, then super::Tail::None;
    /// the part that may begin
    PHASE "phase" U8,
    /// the machine's number as announced
    CORNER "corner" U16,
}
