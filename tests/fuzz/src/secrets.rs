//! Tokens and enrolment codes: one spelling of a token, no secret in what the log may show.

use ringtrue_fleet::credential::Token;
use ringtrue_fleet::enrolment::{ALPHABET, Code};

/// Reads an input as a token and as a code.
pub fn read(input: &[u8]) {
    let Ok(text) = std::str::from_utf8(input) else {
        return;
    };
    if let Ok(token) = Token::parse(text) {
        assert_eq!(token.text(), text, "a token with two spellings");
        assert_eq!(token.secret.len(), 43);
        let shown = format!("{token:?}");
        assert!(!shown.contains(&token.secret), "{shown} shows the secret");
    }
    if let Ok(code) = Code::parse(text) {
        assert_eq!((code.selector.len(), code.proof.len()), (4, 8));
        let both = code.selector.bytes().chain(code.proof.bytes());
        assert!(both.clone().all(|letter| ALPHABET.contains(&letter)));
        assert_eq!(Code::parse(&code.text()).as_ref(), Ok(&code));
        assert_eq!(Code::parse(&code.text().to_lowercase()).as_ref(), Ok(&code));
        let shown = format!("{code:?}");
        assert!(!shown.contains(&code.proof), "{shown} shows the proof");
    }
    if let Some(eight) = input.first_chunk::<8>() {
        let made = Code::of(u64::from_le_bytes(*eight));
        assert_eq!(Code::parse(&made.text()), Ok(made));
    }
}
