//! A run's token, struck from whatever is kept: as bytes, and as hex digits in either case.
//!
//! What it does not: look for anything else that a method would rather not show. Start reading at [`Strike::from`].

/// What is struck.
#[derive(Clone, Debug)]
pub struct Strike {
    raw: [u8; 16],
    hex: String,
}

/// The longest thing that is struck, in bytes: who strikes piece by piece holds back one byte less.
pub const STRUCK_MAX_BYTES: usize = 32;

impl Strike {
    /// Strikes this token.
    #[must_use]
    pub fn of(token: &[u8; 16]) -> Self {
        Self { raw: *token, hex: crate::host::files::token_to_hex(token) }
    }

    /// Strikes it from bytes, whose number stays: zero bytes stand for bytes, the digit 0 for hex digits.
    pub fn from(&self, bytes: &mut [u8]) {
        replace(bytes, &self.raw, 0, |found, token| found == token);
        replace(bytes, self.hex.as_bytes(), b'0', |found, token| found.eq_ignore_ascii_case(token));
    }

    /// The text without it.
    #[must_use]
    pub fn from_text(&self, text: &str) -> String {
        let mut bytes = text.as_bytes().to_vec();
        self.from(&mut bytes);
        String::from_utf8_lossy(&bytes).into_owned()
    }
}

fn replace(bytes: &mut [u8], token: &[u8], with: u8, same: fn(&[u8], &[u8]) -> bool) {
    let mut place = 0;
    while let Some(found) = bytes.get_mut(place..place + token.len()) {
        if same(found, token) {
            found.fill(with);
        }
        place += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::Strike;

    const TOKEN: [u8; 16] = *b"\x01\xabcdefghijklmnop";

    fn check_struck(found: &str, left: &str) {
        assert_eq!(Strike::of(&TOKEN).from_text(found), left);
    }

    /// A token is struck wherever it stands and however often; what only resembles it stays.
    #[test]
    fn tokens_are_struck_and_nothing_else() {
        let zeros = "0".repeat(32);
        let token = crate::host::files::token_to_hex(&TOKEN);
        check_struck(&token[1..], &token[1..]);
        check_struck(&format!("T={token}{token}"), &format!("T={zeros}{zeros}"));
        check_struck(&token.to_uppercase(), &zeros);
        let mut raw = [b"a".as_slice(), &TOKEN, b"b"].concat();
        Strike::of(&TOKEN).from(&mut raw);
        assert_eq!(raw, [b"a".as_slice(), &[0; 16], b"b"].concat());
    }
}
