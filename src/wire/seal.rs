//! Sealed frames: a counter and a keyed code before the checksum, so that nobody without the run's token can make,
//! change, repeat or reflect a frame.
//!
//! The code is the first half of an HMAC-SHA-256 (RFC 2104, cut as its section 5 allows), keyed with the token, over the
//! frame up to the code, one byte for the direction, the client's challenge and the bench's nonce. The token never
//! crosses. What it does not: hide anything (every byte can be read), make random numbers, or send. Start reading at
//! [`seal`] and [`open`]; [`Channel`] keeps what both need from frame to frame.

use std::fmt;

use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;

use super::checksum::checksum;
use super::codec::{check_whole, get, put};
use super::layout::{self, AUTHENTICATED_KIND_BIT, CRC_BYTES, Kind, MAX_SEALED_FRAME_BYTES, header};
use super::malformed::Malformed;

/// How many counters below the highest one may still arrive: datagrams overtake each other by a few.
pub const WINDOW: u64 = 64;

/// Who sends. It stands in the code, so that a frame that comes back to its sender is none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Direction {
    /// From the client to the bench.
    ToBench = 1,
    /// From the bench to the client.
    ToClient = 2,
}

impl Direction {
    /// The other way.
    #[must_use]
    pub const fn back(self) -> Self {
        match self {
            Self::ToBench => Self::ToClient,
            Self::ToClient => Self::ToBench,
        }
    }
}

/// What both sides have drawn for one connection. Each stands in the code of every frame, so that no frame of another
/// connection, run or day is one of this.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Nonces {
    /// Drawn by the client for its open.
    pub challenge: [u8; 16],
    /// Drawn by the bench for its accept; 0 at the listening port, where the client does not know it yet.
    pub nonce: u64,
}

/// The run's token as a key, worked out once.
#[derive(Clone)]
pub struct Key(Hmac<Sha256>);

impl Key {
    /// Of a token.
    #[must_use]
    pub fn new(token: &[u8; 16]) -> Self {
        // RFC 2104: a key shorter than a block of the hash is filled up with zeros.
        let mut block = [0; 64];
        block[..token.len()].copy_from_slice(token);
        Self(Hmac::new(&block.into()))
    }

    /// The code over what stands before it.
    fn over(&self, before: &[u8], direction: Direction, nonces: &Nonces) -> Hmac<Sha256> {
        let around = [direction as u8];
        let code = self.0.clone().chain_update(before).chain_update(around);
        code.chain_update(nonces.challenge).chain_update(nonces.nonce.to_le_bytes())
    }
}

impl fmt::Debug for Key {
    /// Says nothing: what is printed ends in logs.
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str("Key")
    }
}

/// Why bytes are no sealed frame of this connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unsealed {
    /// They are no frame at all.
    Malformed(Malformed),
    /// A plain frame.
    NotSealed,
    /// The code is not that of the bytes, the key, the direction and the nonces.
    Mac,
    /// A counter that was seen before, or one too far below the highest.
    Replayed,
}

impl Unsealed {
    /// Every key that is not one of [`Malformed::KEYS`], in the order in which the reasons are looked for.
    pub const KEYS: [&'static str; 3] = ["not_sealed", "mac", "replayed"];

    /// A stable name of the reason, for counting.
    #[must_use]
    pub const fn key(&self) -> &'static str {
        match self {
            Self::Malformed(malformed) => malformed.key(),
            Self::NotSealed => Self::KEYS[0],
            Self::Mac => Self::KEYS[1],
            Self::Replayed => Self::KEYS[2],
        }
    }
}

impl From<Malformed> for Unsealed {
    fn from(malformed: Malformed) -> Self {
        Self::Malformed(malformed)
    }
}

/// A frame out of its seal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Opened {
    /// Its counter. Whether it came before is for a [`Window`] to say.
    pub counter: u64,
    /// Bytes of the plain frame.
    pub length: usize,
}

/// Seals a plain frame and says how many bytes it takes. Number and payload stay as they are.
///
/// # Errors
/// Bytes that are no whole plain frame, or one too long.
pub fn seal(
    frame: &[u8],
    key: &Key,
    direction: Direction,
    nonces: &Nonces,
    counter: u64,
    out: &mut [u8; MAX_SEALED_FRAME_BYTES],
) -> Result<usize, Malformed> {
    check_whole(frame)?;
    let [kind] = get(frame, header::KIND)?;
    if kind & AUTHENTICATED_KIND_BIT != 0 {
        return Err(Malformed::KindReserved { found: kind });
    }
    let payload_end = frame.len() - CRC_BYTES;
    let sealed_end = payload_end + layout::seal::END;
    let length = sealed_end + CRC_BYTES;
    if out.len() < length {
        return Err(Malformed::Length { found_bytes: frame.len(), stated_bytes: layout::MAX_FRAME_BYTES });
    }
    out[..payload_end].copy_from_slice(&frame[..payload_end]);
    put(out, header::KIND, [kind | AUTHENTICATED_KIND_BIT]);
    put(out, header::PAYLOAD_BYTES, ((sealed_end - header::END) as u16).to_le_bytes());
    let mac_start = payload_end + layout::seal::MAC.start;
    put(out, payload_end..mac_start, counter.to_le_bytes());
    let code = key.over(&out[..mac_start], direction, nonces).finalize().into_bytes();
    out[mac_start..sealed_end].copy_from_slice(&code[..layout::seal::MAC.len()]);
    let crc = checksum(&out[..sealed_end]);
    put(out, sealed_end..length, crc.to_le_bytes());
    Ok(length)
}

/// Takes a frame out of its seal and writes the plain one, as its sender had it. Codes are compared in constant time.
///
/// # Errors
/// Why it is none; nothing of it must be used then.
pub fn open(
    sealed: &[u8],
    key: &Key,
    direction: Direction,
    nonces: &Nonces,
    out: &mut [u8],
) -> Result<Opened, Unsealed> {
    check_whole(sealed)?;
    let [kind] = get(sealed, header::KIND)?;
    let sealed_end = sealed.len() - CRC_BYTES;
    let payload_end = sealed_end.checked_sub(layout::seal::END).filter(|end| header::END <= *end);
    let (Some(payload_end), true) = (payload_end, kind & AUTHENTICATED_KIND_BIT != 0) else {
        return Err(Unsealed::NotSealed);
    };
    let mac_start = payload_end + layout::seal::MAC.start;
    key.over(&sealed[..mac_start], direction, nonces)
        .verify_truncated_left(&sealed[mac_start..sealed_end])
        .map_err(|_| Unsealed::Mac)?;
    let length = payload_end + CRC_BYTES;
    let found_bytes = out.len();
    let out = out.get_mut(..length).ok_or(Malformed::Length { found_bytes, stated_bytes: length })?;
    out[..payload_end].copy_from_slice(&sealed[..payload_end]);
    put(out, header::KIND, [kind & !AUTHENTICATED_KIND_BIT]);
    put(out, header::PAYLOAD_BYTES, ((payload_end - header::END) as u16).to_le_bytes());
    let crc = checksum(&out[..payload_end]);
    put(out, payload_end..length, crc.to_le_bytes());
    Ok(Opened { counter: u64::from_le_bytes(get(sealed, payload_end..mac_start)?), length })
}

/// The challenge that a sealed open carries, before anybody knows whether its code is right; `None` for other bytes.
#[must_use]
pub fn challenge_of(sealed: &[u8]) -> Option<[u8; 16]> {
    let [kind] = get(sealed, header::KIND).ok()?;
    (kind == Kind::Open.number() | AUTHENTICATED_KIND_BIT).then(|| get(sealed, layout::open::TOKEN).ok()).flatten()
}

/// Which counters have come: the highest, and which of the [`WINDOW`] up to it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Window {
    highest: u64,
    /// Bit k stands for the highest minus k.
    seen: u64,
}

impl Window {
    /// Whether a counter is new; from then on it is not. 0 never is.
    pub fn admit(&mut self, counter: u64) -> bool {
        if self.highest < counter {
            let ahead = counter - self.highest;
            let before = if ahead < WINDOW { self.seen << ahead } else { 0 };
            *self = Self { highest: counter, seen: before | 1 };
            return true;
        }
        let behind = self.highest - counter;
        if counter == 0 || WINDOW <= behind || self.seen >> behind & 1 == 1 {
            return false;
        }
        self.seen |= 1 << behind;
        true
    }
}

/// One side of a connection: seals what it sends under ever higher counters, opens what comes, each counter once.
#[derive(Clone, Debug)]
pub struct Channel {
    /// Counter of the frame that was sealed last; 0 before the first.
    pub sent: u64,
    key: Key,
    sends: Direction,
    nonces: Nonces,
    window: Window,
}

impl Channel {
    /// The side that sends in this direction, before its first frame.
    #[must_use]
    pub fn new(key: Key, sends: Direction, nonces: Nonces) -> Self {
        Self { sent: 0, key, sends, nonces, window: Window::default() }
    }

    /// Seals a frame under the next counter and says how many bytes it takes. `None`: all counters are used up, or the
    /// bytes are no plain frame; nothing may be sent then.
    pub fn seal(&mut self, frame: &[u8], out: &mut [u8; MAX_SEALED_FRAME_BYTES]) -> Option<usize> {
        let counter = self.sent.checked_add(1)?;
        let length = seal(frame, &self.key, self.sends, &self.nonces, counter, out).ok()?;
        self.sent = counter;
        Some(length)
    }

    /// Opens what came, writes the plain frame and says how many bytes it has.
    ///
    /// # Errors
    /// Why it is not a frame of the other side that comes for the first time.
    pub fn open(&mut self, sealed: &[u8], out: &mut [u8]) -> Result<usize, Unsealed> {
        let Opened { counter, length } = open(sealed, &self.key, self.sends.back(), &self.nonces, out)?;
        if self.window.admit(counter) { Ok(length) } else { Err(Unsealed::Replayed) }
    }
}
