//! A short text without a heap: what a frame carries for people.
//!
//! What it does not: lines, markup, or texts longer than [`TEXT_BYTES_MAX`]. Start reading at [`Text::new`].

use std::fmt;

/// Longest text in bytes of UTF-8. One byte holds the length on the wire, and a name, a unit or a sentence fits.
pub const TEXT_BYTES_MAX: usize = 200;

/// Up to [`TEXT_BYTES_MAX`] bytes of UTF-8, held in place.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Text {
    length_bytes: u8,
    /// Zero behind the text, so that equal texts are equal in every byte.
    bytes: [u8; TEXT_BYTES_MAX],
}

impl Text {
    /// The text, cut at the last whole character that still fits.
    #[must_use]
    pub fn new(text: &str) -> Self {
        let fitting = text.len().min(TEXT_BYTES_MAX);
        let kept = (0..=fitting).rev().find(|&end| text.is_char_boundary(end)).unwrap_or_default();
        let mut bytes = [0; TEXT_BYTES_MAX];
        bytes[..kept].copy_from_slice(&text.as_bytes()[..kept]);
        Self { length_bytes: kept as u8, bytes }
    }

    /// The text of bytes from outside; `None` when they are too many or not UTF-8.
    #[must_use]
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let text = std::str::from_utf8(bytes).ok()?;
        (text.len() <= TEXT_BYTES_MAX).then(|| Self::new(text))
    }

    /// The text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        // Both constructors put whole UTF-8 in: the other branch is never taken.
        std::str::from_utf8(self.as_bytes()).unwrap_or_default()
    }

    /// The text's bytes, without the zeros behind it.
    #[must_use]
    pub fn as_bytes(&self) -> &[u8] {
        &self.bytes[..usize::from(self.length_bytes)]
    }
}

impl Default for Text {
    fn default() -> Self {
        Self::new("")
    }
}

impl From<&str> for Text {
    fn from(text: &str) -> Self {
        Self::new(text)
    }
}

impl fmt::Debug for Text {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Debug::fmt(self.as_str(), formatter)
    }
}

impl fmt::Display for Text {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.pad(self.as_str())
    }
}
