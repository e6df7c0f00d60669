//! The golden hash: SHA-256 over every recorded state and every measure in time, so that two runs can be compared.
//!
//! What goes in, in this order: the rows of tuning, the rows of each examination (nominal first, then the corners in
//! file order), each row's values as little-endian f64 in the order of the columns; then the value of every limit and
//! measure that is taken over a window, in the result's order. What it does not: hash file bytes, times on the wall,
//! versions, paths, or what the linear model says. Start reading at [`Bits`].

use sha2::{Digest, Sha256};

use crate::base::recording::Row;

/// A hash as it grows.
#[derive(Clone, Debug, Default)]
pub struct Bits(Sha256);

impl Bits {
    /// Adds rows.
    pub fn rows(&mut self, rows: &[Row]) {
        for row in rows {
            self.numbers(row);
        }
    }

    /// Adds numbers. They are finite: a state that is not ended its run before it was recorded.
    pub fn numbers(&mut self, numbers: &[f64]) {
        for number in numbers {
            self.0.update(number.to_le_bytes());
        }
    }

    /// The hash in hex.
    #[must_use]
    pub fn hex(self) -> String {
        hex(&self.0.finalize())
    }
}

/// SHA-256 of bytes, in hex.
#[must_use]
pub fn sha256_hex(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// Bytes in hex.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}
