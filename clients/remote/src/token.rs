//! Secrets that a client makes for itself, and the tokens put together from them.
//!
//! A token is `rt1.{id}.{secret}`: `id` is the credential's UUID without hyphens, `secret` 32 random bytes in
//! base64url without padding (RFC 4648, section 5). The server only ever learns the SHA-256 of a new secret.
//! Neither type shows what it holds: not by `Debug`, not by `Display`.

use std::fmt;

use data_encoding::BASE64URL_NOPAD;
use ring::rand::{SecureRandom as _, SystemRandom};
use uuid::Uuid;

/// How every token begins.
const BEGINNING: &str = "rt1.";

/// Bytes of a secret.
const BYTES: usize = 32;

/// A secret, 32 random bytes.
#[derive(Clone, PartialEq, Eq)]
pub struct TokenSecret([u8; BYTES]);

/// The operating system gives no random bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the operating system gives no random numbers; restart this computer and try again")]
pub struct NoChance;

impl TokenSecret {
    /// Draws one from the operating system's randomness.
    ///
    /// # Errors
    /// [`NoChance`] when there is none.
    pub fn drawn() -> Result<Self, NoChance> {
        let mut bytes = [0; BYTES];
        SystemRandom::new().fill(&mut bytes).map_err(|_| NoChance)?;
        Ok(Self(bytes))
    }

    /// Reads one as [`TokenSecret::text`] wrote it; none when it is none.
    pub fn parse(text: &str) -> Option<Self> {
        let bytes = BASE64URL_NOPAD.decode(text.as_bytes()).ok()?;
        Some(Self(bytes.try_into().ok()?))
    }

    /// Writes it, for keeping. Whoever reads this can use it.
    pub fn text(&self) -> String {
        BASE64URL_NOPAD.encode(&self.0)
    }

    /// SHA-256 of it, as the server keeps it: of the text in base64url, which is what a token holds.
    pub fn sha256(&self) -> Vec<u8> {
        sha256(self.text().as_bytes())
    }

    /// The token for a credential, `credentials/{credential}`; none when that is no name of one.
    pub fn token(&self, credential: &str) -> Option<Token> {
        let id = credential.strip_prefix("credentials/")?;
        let id = Uuid::try_parse(id).ok()?;
        Some(Token(format!("{BEGINNING}{}.{}", id.simple(), self.text())))
    }
}

impl fmt::Debug for TokenSecret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("TokenSecret(hidden)")
    }
}

/// A token: who holds a credential, and the proof.
#[derive(Clone, PartialEq, Eq)]
pub struct Token(String);

/// A text that is no token; it does not say what the text was.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "this is no token of Ringtrue: it begins with rt1. and has three parts with points between them"
)]
pub struct BadToken;

impl Token {
    /// Reads a token, blanks and line ends around it left out.
    ///
    /// # Errors
    /// [`BadToken`] when it is none.
    pub fn parse(text: &str) -> Result<Self, BadToken> {
        let text = text.trim();
        let rest = text.strip_prefix(BEGINNING).ok_or(BadToken)?;
        let (id, secret) = rest.split_once('.').ok_or(BadToken)?;
        let lower = |byte: u8| byte.is_ascii_digit() || (b'a'..=b'f').contains(&byte);
        if id.len() != 32 || !id.bytes().all(lower) || TokenSecret::parse(secret).is_none() {
            return Err(BadToken);
        }
        Ok(Self(text.to_owned()))
    }

    /// The credential that it is of, `credentials/{credential}`.
    pub fn credential(&self) -> String {
        let id = self
            .0
            .split('.')
            .nth(1)
            .and_then(|id| Uuid::try_parse(id).ok());
        let id = id.unwrap_or_default();
        format!("credentials/{id}")
    }

    /// SHA-256 of its secret, as the server keeps it.
    pub fn secret_sha256(&self) -> Vec<u8> {
        let secret = self.0.rsplit('.').next().unwrap_or_default();
        sha256(secret.as_bytes())
    }

    /// The token itself. Whoever reads this can use it.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Token({}, secret hidden)", self.credential())
    }
}

/// SHA-256 of some bytes.
pub fn sha256(bytes: &[u8]) -> Vec<u8> {
    ring::digest::digest(&ring::digest::SHA256, bytes)
        .as_ref()
        .to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;

    const CREDENTIAL: &str = "credentials/0198f3a0-0000-7000-8000-0000000000aa";

    #[test]
    fn a_token_holds_the_credentials_id_and_the_secret_and_shows_neither_by_debug() {
        let secret =
            TokenSecret::parse("AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8").expect("32 bytes");
        let token = secret.token(CREDENTIAL).expect("a credential");
        assert_eq!(
            token.reveal(),
            "rt1.0198f3a0000070008000000000000 0aa.AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8"
                .replace(' ', "")
        );
        assert_eq!(token.credential(), CREDENTIAL);
        assert_eq!(token.secret_sha256(), secret.sha256());
        let debugged = format!("{token:?} {secret:?}");
        assert!(!debugged.contains("AAEC"), "{debugged}");
        assert_eq!(Token::parse(&format!(" {}\n", token.reveal())), Ok(token));
        assert_eq!(secret.token("credentials/bench"), None);
    }

    #[test]
    fn two_secrets_are_never_the_same() {
        let one = TokenSecret::drawn().expect("random bytes");
        let other = TokenSecret::drawn().expect("random bytes");
        assert_ne!(one.text(), other.text());
        assert_eq!(one.text().len(), 43);
        assert_ne!(one.sha256(), other.sha256());
        assert_eq!(TokenSecret::parse(&one.text()), Some(one));
    }

    #[test]
    fn what_is_no_token_is_refused_without_being_repeated() {
        for text in [
            "",
            "rt1",
            "rt1.x.y",
            "rt1.0198F3A0000070008000000000000AAA.AA",
        ] {
            let refused = Token::parse(text).expect_err(text);
            assert!(!refused.to_string().contains(text) || text.len() < 4);
        }
    }

    #[test]
    fn a_digest_is_the_published_one() {
        // NIST, examples of FIPS 180-4: SHA-256 of "abc".
        assert_eq!(
            crate::hex(&sha256(b"abc")),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }
}
