//! A line of text without a heap: what a frame carries for people.
//!
//! A text never holds a control character, so that bytes from outside can be printed and recorded as they are. What it
//! does not: several lines, or texts longer than [`TEXT_BYTES_MAX`]. Start reading at [`Text::new`].

use std::fmt;

/// Longest text in bytes of UTF-8. One byte holds the length on the wire, and a name, a unit or a sentence fits.
pub const TEXT_BYTES_MAX: usize = 200;

/// Up to [`TEXT_BYTES_MAX`] bytes of UTF-8 without control characters, held in place.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Text {
    length_bytes: u8,
    /// Zero behind the text, so that equal texts are equal in every byte.
    bytes: [u8; TEXT_BYTES_MAX],
}

impl Text {
    /// The text with every control character (line ends among them) turned into a space, cut at the last whole
    /// character that still fits.
    #[must_use]
    pub fn new(text: &str) -> Self {
        let mut bytes = [0; TEXT_BYTES_MAX];
        let mut length_bytes = 0;
        for character in text.chars() {
            let shown = if character.is_control() { ' ' } else { character };
            let end = length_bytes + shown.len_utf8();
            if TEXT_BYTES_MAX < end {
                break;
            }
            shown.encode_utf8(&mut bytes[length_bytes..end]);
            length_bytes = end;
        }
        Self { length_bytes: length_bytes as u8, bytes }
    }

    /// The text of bytes from outside; `None` when they are too many, not UTF-8, or hold a control character.
    #[must_use]
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let text = std::str::from_utf8(bytes).ok()?;
        let fits = text.len() <= TEXT_BYTES_MAX && !text.chars().any(char::is_control);
        fits.then(|| Self::new(text))
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
