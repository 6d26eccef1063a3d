//! Texts that are shown nowhere.

use std::fmt;

/// A secret, such as a token or a private key. `Debug` hides it.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// Keeps a text.
    pub fn new(text: impl Into<String>) -> Self {
        Self(text.into())
    }

    /// Gives the text to what must have it.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("***")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_is_not_shown() {
        let secret = Secret::new("hush");
        assert_eq!(format!("{secret:?}"), "***");
        assert_eq!(secret.reveal(), "hush");
    }
}
