//! Page tokens: what is accepted means the same when it is written again, and nothing large comes of it.

use std::fmt::Write as _;

use ringtrue_server::rpc::PageToken;

/// Most bytes of a token that is looked at.
const LONGEST: usize = 1024;

/// Reads an input as a token, as it is and as the hexadecimal digits of a token.
pub fn read(input: &[u8]) {
    let mut digits = String::with_capacity(2 * input.len());
    for byte in input {
        // Writing to a String cannot fail.
        let _written = write!(digits, "{byte:02x}");
    }
    let texts = [std::str::from_utf8(input).ok(), Some(digits.as_str())];
    for text in texts.into_iter().flatten() {
        let Some(token) = PageToken::read(text) else {
            continue;
        };
        assert!(text.len() <= LONGEST, "a token of {} bytes", text.len());
        let written = token.text();
        assert_eq!(PageToken::read(&written), Some(token), "{text}");
    }
}
