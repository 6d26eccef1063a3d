//! Page tokens: what is accepted means the same when it is written again, and nothing large comes of it.

use ringtrue_server::rpc::PageToken;

/// Most bytes of a token that is looked at.
const LONGEST: usize = 1024;

/// Reads an input as a token, as it is and as the hexadecimal digits of a token.
pub fn read(input: &[u8]) {
    let digits: String = input.iter().map(|byte| format!("{byte:02x}")).collect();
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
