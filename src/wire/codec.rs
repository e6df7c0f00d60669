//! Frames to bytes and bytes to frames.
//!
//! Neither takes a heap. Encoding cannot fail; decoding takes any bytes, never panics, and says why it refuses. What it
//! does not: compute where a field stands (`layout.rs`), or judge what a frame asks for (the bench does).
//! Start reading at [`encode`] and [`decode`].

use std::ops::Range;

use super::checksum::checksum;
use super::layout::{self, CRC_BYTES, Kind, MAGIC, MAX_FRAME_BYTES, MIN_FRAME_BYTES, VERSION, header};
use super::message::{Frame, Message};
use super::read::read_message;
use super::write::write_payload;

pub use super::malformed::Malformed;

/// Writes the frame and says how many bytes it takes. What stands behind them is left as it was.
///
/// A float that is not finite, a feedback without samples and an accept with a rate or stride of 0 are written as they
/// are; [`decode`] refuses them on the other side.
pub fn encode(frame: &Frame, out: &mut [u8; MAX_FRAME_BYTES]) -> usize {
    let payload_end = write_payload(&frame.message, out);
    put(out, header::MAGIC, MAGIC);
    put(out, header::VERSION, [VERSION]);
    put(out, header::KIND, [frame.message.kind().number()]);
    put(out, header::SEQUENCE, frame.sequence.to_le_bytes());
    put(out, header::PAYLOAD_BYTES, ((payload_end - header::END) as u16).to_le_bytes());
    let crc = checksum(&out[..payload_end]);
    put(out, payload_end..payload_end + CRC_BYTES, crc.to_le_bytes());
    payload_end + CRC_BYTES
}

/// Reads one frame that takes all of these bytes, or says why they are none.
pub fn decode(bytes: &[u8]) -> Result<Frame, Malformed> {
    let (kind, sequence) = check_frame(bytes)?;
    let mut frame = Frame { sequence, message: Message::Done };
    read_message(kind, &bytes[..bytes.len() - CRC_BYTES], &mut frame.message)?;
    Ok(frame)
}

/// Everything that does not depend on the kind. The checksum comes before version and kind, so that a corrupted frame
/// is never taken for one of another version.
fn check_frame(bytes: &[u8]) -> Result<(Kind, u32), Malformed> {
    check_whole(bytes)?;
    let [version] = get(bytes, header::VERSION)?;
    let [number] = get(bytes, header::KIND)?;
    // A refuse is the same in every version: it is how a bench says which ones it speaks.
    if version != VERSION && number != Kind::Refuse.number() {
        return Err(Malformed::Version { found: version });
    }
    match Kind::from_number(number) {
        Some(kind) => Ok((kind, u32::from_le_bytes(get(bytes, header::SEQUENCE)?))),
        None if layout::is_reserved_kind(number) => Err(Malformed::KindReserved { found: number }),
        None => Err(Malformed::Kind { found: number }),
    }
}

/// What holds for every frame, sealed or not: where it begins, how long it is, and that nothing in it was corrupted.
pub(super) fn check_whole(bytes: &[u8]) -> Result<(), Malformed> {
    if bytes.len() < MIN_FRAME_BYTES {
        return Err(Malformed::TooShort { found_bytes: bytes.len(), needed_bytes: MIN_FRAME_BYTES });
    }
    let found = get(bytes, header::MAGIC)?;
    if found != MAGIC {
        return Err(Malformed::Magic { found });
    }
    let payload_bytes = usize::from(u16::from_le_bytes(get(bytes, header::PAYLOAD_BYTES)?));
    let stated_bytes = MIN_FRAME_BYTES + payload_bytes;
    if bytes.len() != stated_bytes {
        return Err(Malformed::Length { found_bytes: bytes.len(), stated_bytes });
    }
    let payload_end = header::END + payload_bytes;
    let found = u32::from_le_bytes(get(bytes, payload_end..payload_end + CRC_BYTES)?);
    let computed = checksum(&bytes[..payload_end]);
    if found != computed {
        return Err(Malformed::Crc { found, computed });
    }
    Ok(())
}

/// Writes a field. Its range is its table's, so it has these many bytes.
pub(super) fn put<const BYTES: usize>(out: &mut [u8], range: Range<usize>, value: [u8; BYTES]) {
    out[range].copy_from_slice(&value);
}

/// The bytes of a field, or the complaint that the payload ends before it does.
pub(super) fn get<const BYTES: usize>(bytes: &[u8], range: Range<usize>) -> Result<[u8; BYTES], Malformed> {
    let needed_bytes = range.end + CRC_BYTES;
    let found_bytes = bytes.len() + CRC_BYTES;
    let field = bytes.get(range).and_then(|field| <[u8; BYTES]>::try_from(field).ok());
    field.ok_or(Malformed::Payload { found_bytes, needed_bytes })
}

impl Message {
    /// The kind of frame that carries this message.
    #[must_use]
    pub const fn kind(&self) -> Kind {
        match self {
            Self::Open(_) => Kind::Open,
            Self::Accept(_) => Kind::Accept,
            Self::Refuse(_) => Kind::Refuse,
            Self::Close(_) => Kind::Close,
            Self::Phase(_) => Kind::Phase,
            Self::Feedback(_) => Kind::Feedback,
            Self::Command(_) => Kind::Command,
            Self::Done => Kind::Done,
            Self::Result(_) => Kind::Result,
            Self::Log(_) => Kind::Log,
            Self::Probe(_) => Kind::Probe,
            Self::Echo(_) => Kind::Echo,
            Self::SettingList(_) => Kind::SettingList,
            Self::SettingRow(_) => Kind::SettingRow,
            Self::SettingRead(_) => Kind::SettingRead,
            Self::SettingWrite(_) => Kind::SettingWrite,
            Self::Store => Kind::Store,
            Self::SettingAnswer(_) => Kind::SettingAnswer,
            Self::HandAction(_) => Kind::HandAction,
            Self::HandAnswer(_) => Kind::HandAnswer,
            Self::TorqueFeedback(_) => Kind::TorqueFeedback,
            Self::TorqueCommand(_) => Kind::TorqueCommand,
            Self::VoltageFeedback(_) => Kind::VoltageFeedback,
            Self::VoltageCommand(_) => Kind::VoltageCommand,
            Self::WindingTest(_) => Kind::WindingTest,
            Self::WindingRead(_) => Kind::WindingRead,
            Self::WindingAnswer(_) => Kind::WindingAnswer,
            Self::PhaseAcknowledgement(_) => Kind::PhaseAcknowledgement,
        }
    }
}
