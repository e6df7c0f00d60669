//! Why bytes from outside are not a frame.
//!
//! What it does not: count (the bench does, by [`Malformed::key`]). Start reading at [`Malformed`].

use std::fmt;

/// The reason, with the facts. Those of the whole frame are looked for first, in the order in which they stand here down
/// to [`Malformed::KindReserved`]; then those of its fields.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Malformed {
    /// Fewer bytes than the smallest frame has.
    TooShort {
        /// Bytes there are.
        found_bytes: usize,
        /// Bytes of the smallest frame.
        needed_bytes: usize,
    },
    /// It does not begin with the two magic bytes.
    Magic {
        /// What stands there.
        found: [u8; 2],
    },
    /// The header states another length.
    Length {
        /// Bytes there are.
        found_bytes: usize,
        /// Bytes that the frame would have by its header.
        stated_bytes: usize,
    },
    /// The checksum at the end is not that of the bytes before it.
    Crc {
        /// What stands there.
        found: u32,
        /// What it should be.
        computed: u32,
    },
    /// An intact frame of a version that is not spoken here; an open deserves an answer that says which are.
    Version {
        /// The frame's version.
        found: u8,
    },
    /// No kind of frame has this number.
    Kind {
        /// The frame's kind.
        found: u8,
    },
    /// The number of a kind that is reserved for later and not built yet.
    KindReserved {
        /// The frame's kind.
        found: u8,
    },
    /// The payload is shorter or longer than its kind and its counts say.
    Payload {
        /// Bytes of the frame.
        found_bytes: usize,
        /// Bytes that it should have.
        needed_bytes: usize,
    },
    /// A count, a rate or a length that is not allowed.
    Count {
        /// Offset of the field in the frame.
        at_byte: usize,
        /// What stands there.
        found: u32,
    },
    /// A number that stands for nothing in a field of named values.
    Value {
        /// Offset of the field in the frame.
        at_byte: usize,
        /// What stands there.
        found: u8,
    },
    /// An infinity, or not a number.
    NotFinite {
        /// Offset of the field in the frame.
        at_byte: usize,
    },
    /// A text that is not UTF-8 or holds a control character.
    Text {
        /// Offset of the text in the frame.
        at_byte: usize,
    },
}

impl Malformed {
    /// Every key, in the order of the reasons.
    pub const KEYS: [&'static str; 12] = [
        "too_short",
        "magic",
        "length",
        "crc",
        "version",
        "kind",
        "kind_reserved",
        "payload",
        "count",
        "value",
        "not_finite",
        "text",
    ];

    /// A stable name of the reason, for counting.
    #[must_use]
    pub const fn key(&self) -> &'static str {
        match self {
            Self::TooShort { .. } => "too_short",
            Self::Magic { .. } => "magic",
            Self::Length { .. } => "length",
            Self::Crc { .. } => "crc",
            Self::Version { .. } => "version",
            Self::Kind { .. } => "kind",
            Self::KindReserved { .. } => "kind_reserved",
            Self::Payload { .. } => "payload",
            Self::Count { .. } => "count",
            Self::Value { .. } => "value",
            Self::NotFinite { .. } => "not_finite",
            Self::Text { .. } => "text",
        }
    }
}

impl fmt::Display for Malformed {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooShort { found_bytes, needed_bytes } => {
                write!(formatter, "{found_bytes} bytes, the smallest frame has {needed_bytes}")
            }
            Self::Magic { found: [first, second] } => write!(formatter, "begins with {first:02x} {second:02x}"),
            Self::Length { found_bytes, stated_bytes } => {
                write!(formatter, "{found_bytes} bytes, its header says {stated_bytes}")
            }
            Self::Crc { found, computed } => write!(formatter, "checksum {found:08x}, computed {computed:08x}"),
            Self::Version { found } => write!(formatter, "version {found} is not spoken here"),
            Self::Kind { found } => write!(formatter, "no kind has number {found}"),
            Self::KindReserved { found } => write!(formatter, "kind {found} is reserved and not built yet"),
            Self::Payload { found_bytes, needed_bytes } => {
                write!(formatter, "{found_bytes} bytes, its kind and counts need {needed_bytes}")
            }
            Self::Count { at_byte, found } => write!(formatter, "count {found} at byte {at_byte} is not allowed"),
            Self::Value { at_byte, found } => write!(formatter, "value {found} at byte {at_byte} stands for nothing"),
            Self::NotFinite { at_byte } => write!(formatter, "the number at byte {at_byte} is not finite"),
            Self::Text { at_byte } => {
                write!(formatter, "the text at byte {at_byte} is not UTF-8 or holds a control character")
            }
        }
    }
}

impl std::error::Error for Malformed {}
