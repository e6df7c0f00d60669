//! The checksum at the end of every frame: CRC-32/ISCSI (Castagnoli's polynomial 0x1EDC6F41, RFC 3720).
//!
//! 32 bits rather than 16, which would let one corrupted frame in 65 536 pass. What it does not: keep anybody out (that
//! takes a MAC). Start reading at [`checksum`].

use crc::{CRC_32_ISCSI, Crc, Table};

/// Sixteen tables of 1 KiB take sixteen bytes a step. Measured on a shared x86-64 core, a feedback of eight samples
/// (415 bytes) took 0.18 µs, against 1.2 µs with one table, which would be a tenth of a loopback round trip.
static CASTAGNOLI: Crc<u32, Table<16>> = Crc::<u32, Table<16>>::new(&CRC_32_ISCSI);

/// The checksum of these bytes; 0 for none.
#[must_use]
pub fn checksum(bytes: &[u8]) -> u32 {
    CASTAGNOLI.checksum(bytes)
}
