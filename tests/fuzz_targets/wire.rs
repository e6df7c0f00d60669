//! The promise of the wire's decoder: any bytes are a frame or are refused with a listed reason; a frame encodes to the
//! bytes that it was read from, and holds no number that is not finite.
//!
//! Bytes are tried as they are, and with their length and checksum made right, since hardly any others get past those.
//! Start reading at [`check`].

use plantstand::wire::checksum::checksum;
use plantstand::wire::codec::{Malformed, decode, encode};
use plantstand::wire::layout::{CRC_BYTES, MAX_FRAME_BYTES, MIN_FRAME_BYTES, header};
use plantstand::wire::message::Message;

/// Pieces of frames.
pub const WORDS: &[&str] = &["PS", "PS\u{1}", "\0\0\0\0", "\u{1}", "@", "A"];

/// Checks the promise.
pub fn check(bytes: &[u8]) {
    check_as_it_is(bytes);
    let mut sealed = bytes.to_vec();
    if seal(&mut sealed) {
        check_as_it_is(&sealed);
    }
}

fn check_as_it_is(bytes: &[u8]) {
    match decode(bytes) {
        Ok(frame) => {
            let mut out = [0; MAX_FRAME_BYTES];
            let length = encode(&frame, &mut out);
            // A refuse is read whatever its version, so that a bench can say which ones it speaks; we write our own.
            if matches!(frame.message, Message::Refuse(_)) {
                out[header::VERSION].copy_from_slice(&bytes[header::VERSION]);
                seal(&mut out[..length]);
            }
            assert_eq!(&out[..length], bytes, "{frame:?} encodes to other bytes");
            let shown = without_texts(&format!("{frame:?}"));
            assert!(!shown.contains("NaN") && !shown.contains("inf"), "not finite: {shown}");
        }
        Err(malformed) => assert!(Malformed::KEYS.contains(&malformed.key()), "{malformed}"),
    }
}

/// What stands outside quotation marks.
fn without_texts(shown: &str) -> String {
    let (mut within, mut escaped) = (false, false);
    let outside = |letter: &char| {
        let border = *letter == '"' && !escaped;
        escaped = *letter == '\\' && !escaped;
        within ^= border;
        !within && !border
    };
    shown.chars().filter(outside).collect()
}

/// Makes magic, length and checksum right; `false` when these bytes are too few for any frame.
pub fn seal(bytes: &mut [u8]) -> bool {
    if !(MIN_FRAME_BYTES..=MIN_FRAME_BYTES + usize::from(u16::MAX)).contains(&bytes.len()) {
        return false;
    }
    let payload_bytes = (bytes.len() - MIN_FRAME_BYTES) as u16;
    bytes[header::MAGIC].copy_from_slice(&plantstand::wire::layout::MAGIC);
    bytes[header::PAYLOAD_BYTES].copy_from_slice(&payload_bytes.to_le_bytes());
    let (body, sum) = bytes.split_at_mut(bytes.len() - CRC_BYTES);
    sum.copy_from_slice(&checksum(body).to_le_bytes());
    true
}
