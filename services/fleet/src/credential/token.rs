//! Tokens: how a credential's id and its secret travel.

use std::fmt;

use crate::key::CredentialId;

/// How every token begins: its kind and version.
const BEGINNING: &str = "rt1.";

/// Digits of a UUID without hyphens.
const ID: usize = 32;

/// Characters of 32 bytes in base64url without padding (RFC 4648, section 5).
const SECRET: usize = 43;

/// A token, `rt1.{id}.{secret}`. Never shown by `Debug`.
#[derive(Clone, PartialEq, Eq)]
pub struct Token {
    /// Which credential it is of.
    pub credential: CredentialId,
    /// The secret, 32 random bytes in base64url.
    pub secret: String,
}

/// A text that is no token; it does not say what the text was.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("this is no token of this service; enrol again or ask for a new one")]
pub struct BadToken;

impl Token {
    /// Reads a token. Case matters.
    pub fn parse(text: &str) -> Result<Self, BadToken> {
        let rest = text.strip_prefix(BEGINNING).ok_or(BadToken)?;
        let (id, secret) = rest.split_once('.').ok_or(BadToken)?;
        let is_id = id.len() == ID
            && id
                .bytes()
                .all(|byte| byte.is_ascii_digit() || (b'a'..=b'f').contains(&byte));
        let is_secret = secret.len() == SECRET
            && secret
                .bytes()
                .all(|byte| byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'_');
        if !is_id || !is_secret {
            return Err(BadToken);
        }
        let uuid = uuid::Uuid::try_parse(id).map_err(|_| BadToken)?;
        Ok(Self {
            credential: CredentialId::from_uuid(uuid),
            secret: secret.to_owned(),
        })
    }

    /// Writes the token as it travels.
    pub fn text(&self) -> String {
        let id = self.credential.as_str().replace('-', "");
        format!("{BEGINNING}{id}.{}", self.secret)
    }
}

impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Token({}, secret hidden)", self.credential)
    }
}
