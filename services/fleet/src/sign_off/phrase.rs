//! The signing phrase: the second component of a signature, beside the person's credential.

use jiff::{SignedDuration, Timestamp};

use crate::key::CredentialId;
use crate::refusal::Refusal;
use crate::violation::Violations;

/// Fewest characters of a phrase.
pub const LEAST_PHRASE: usize = 8;

/// Most characters of it.
pub const MOST_PHRASE: usize = 200;

/// Wrong phrases in a row after which signing is locked (common practice, no source).
pub const MOST_WRONG: u32 = 5;

/// How long it is locked then, minutes (common practice, no source).
pub const LOCKED_MIN: i64 = 15;

/// A phrase as kept: never itself, only what tells whether another one is the same.
#[derive(Clone, PartialEq, Eq)]
pub struct SigningPhrase {
    /// Whose credential it belongs to.
    pub credential: CredentialId,
    /// Salted hash in the PHC string format.
    pub hash: String,
    /// Wrong phrases since the last right one.
    pub tries: Tries,
    /// When it was set.
    pub updated_at: Timestamp,
}

impl std::fmt::Debug for SigningPhrase {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("SigningPhrase")
            .field("credential", &self.credential)
            .field("tries", &self.tries)
            .finish_non_exhaustive()
    }
}

/// How often a phrase was wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Tries {
    /// Wrong ones in a row.
    pub wrong: u32,
    /// Until when no phrase is looked at.
    pub locked_until: Option<Timestamp>,
}

impl Tries {
    /// Counts a phrase as wrong before it is looked at, so that many at once are no more than many in a row; a
    /// right one begins anew with [`Tries::default`]. Refused while signing is locked.
    pub fn counted(self, now: Timestamp) -> Result<Self, Refusal> {
        let before = match self.locked_until {
            Some(until) if now < until => return Err(Refusal::SigningLocked { until }),
            Some(_) => 0,
            None => self.wrong,
        };
        let wrong = before + 1;
        let locked_until = (wrong >= MOST_WRONG).then(|| {
            now.checked_add(SignedDuration::from_mins(LOCKED_MIN))
                .unwrap_or(Timestamp::MAX)
        });
        Ok(Self {
            wrong,
            locked_until,
        })
    }

    /// Whether this count is the one that locks.
    pub fn is_locking(self) -> bool {
        self.wrong == MOST_WRONG
    }
}

/// Checks a new phrase; what is wrong is said without repeating it.
pub fn check_phrase(field: &str, phrase: &str, violations: &mut Violations) {
    let length = phrase.chars().count();
    if !(LEAST_PHRASE..=MOST_PHRASE).contains(&length) {
        violations.add(
            field,
            "WRONG_LENGTH",
            format!(
                "has {length} characters; choose {LEAST_PHRASE} to {MOST_PHRASE} that only you know, several \
                 words for example"
            ),
        );
    } else if phrase.chars().any(char::is_control) {
        violations.add(
            field,
            "CONTROL_CHARACTER",
            "holds control characters; choose letters, digits, signs and spaces",
        );
    }
}
