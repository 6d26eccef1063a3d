//! Enrolments: invitations with a one-time code that somebody types by hand.
//!
//! A code is twelve characters of Crockford's base 32 (no I, L, O, U): the first four find the enrolment, the other
//! eight, 40 random bits, prove it. Five wrong tries lock it, so that guessing succeeds with a chance of one in
//! 200 thousand million.

use std::fmt;

use jiff::{SignedDuration, Timestamp};

use crate::credential::CredentialWish;
use crate::key::{CredentialId, EnrolmentId};

/// The alphabet of codes (Crockford's base 32).
pub const ALPHABET: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";

/// Characters that find the enrolment.
const SELECTOR: usize = 4;

/// Characters that prove it.
const PROOF: usize = 8;

/// Wrong codes that lock an enrolment.
pub const MOST_TRIES: u8 = 5;

/// Minutes that a code is good when nobody says otherwise.
pub const USUAL_VALID_MIN: u16 = 60;

/// Most minutes that a code may be good: a week.
pub const LONGEST_VALID_MIN: u16 = 7 * 24 * 60;

/// A code as somebody types it. Never shown by `Debug`.
#[derive(Clone, PartialEq, Eq)]
pub struct Code {
    /// Finds the enrolment.
    pub selector: String,
    /// Proves it.
    pub proof: String,
}

/// A text that is no code.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("this is no enrolment code: it has 12 letters and digits, such as 7K3M-Q9XW-2B4D")]
pub struct BadCode;

impl Code {
    /// Makes a code of 60 random bits.
    pub fn of(random: u64) -> Self {
        let mut text = String::with_capacity(SELECTOR + PROOF);
        for place in 0..SELECTOR + PROOF {
            let five = (random >> (5 * place)) & 31;
            text.push(char::from(ALPHABET[usize::try_from(five).unwrap_or(0)]));
        }
        let proof = text.split_off(SELECTOR);
        Self {
            selector: text,
            proof,
        }
    }

    /// Reads a code in any case, with or without hyphens and spaces; I and L are read as 1, O as 0.
    pub fn parse(text: &str) -> Result<Self, BadCode> {
        let mut plain = String::with_capacity(SELECTOR + PROOF);
        for letter in text.chars() {
            let read = match letter.to_ascii_uppercase() {
                '-' | ' ' => continue,
                'I' | 'L' => '1',
                'O' => '0',
                other => other,
            };
            let known = read.is_ascii() && ALPHABET.contains(&(read as u8));
            if !known || plain.len() == SELECTOR + PROOF {
                return Err(BadCode);
            }
            plain.push(read);
        }
        if plain.len() != SELECTOR + PROOF {
            return Err(BadCode);
        }
        let proof = plain.split_off(SELECTOR);
        Ok(Self {
            selector: plain,
            proof,
        })
    }

    /// Writes it for people, `XXXX-XXXX-XXXX`.
    pub fn text(&self) -> String {
        let (middle, end) = self.proof.split_at(self.proof.len() / 2);
        format!("{}-{middle}-{end}", self.selector)
    }
}

impl fmt::Debug for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Code({}, proof hidden)", self.selector)
    }
}

/// How an enrolment stands at a moment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum EnrolmentStanding {
    /// Its code waits to be used.
    Waiting,
    /// Its code was used and made this credential.
    Used(CredentialId),
    /// Its time is over.
    Expired,
    /// It was revoked.
    Revoked,
    /// Too many wrong codes were tried.
    Locked,
}

/// What comes of a code that somebody typed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Trial {
    /// It makes the credential.
    Makes,
    /// It made this credential before, for the same client: its answer may have been lost.
    MadeBefore(CredentialId),
    /// It is wrong, and that counts.
    Counts,
    /// It cannot be used.
    Refused,
}

/// An invitation to enrol.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Enrolment {
    /// Its id.
    pub key: EnrolmentId,
    /// The credential that it will make.
    pub wish: CredentialWish,
    /// Wrong codes tried so far.
    pub tries: u8,
    /// When it was made.
    pub created_at: Timestamp,
    /// When its code becomes worthless.
    pub expires_at: Timestamp,
    /// What came of it.
    pub made: Option<CredentialId>,
    /// When it was revoked.
    pub revoked_at: Option<Timestamp>,
}

impl Enrolment {
    /// A new one, good for so many minutes.
    pub fn new(key: EnrolmentId, wish: CredentialWish, now: Timestamp, valid_min: u16) -> Self {
        let expires_at = now
            .checked_add(SignedDuration::from_mins(i64::from(valid_min)))
            .unwrap_or(Timestamp::MAX);
        Self {
            key,
            wish,
            tries: 0,
            created_at: now,
            expires_at,
            made: None,
            revoked_at: None,
        }
    }

    /// How it stands.
    pub fn standing(&self, now: Timestamp) -> EnrolmentStanding {
        if let Some(made) = &self.made {
            EnrolmentStanding::Used(made.clone())
        } else if self.revoked_at.is_some() {
            EnrolmentStanding::Revoked
        } else if self.tries >= MOST_TRIES {
            EnrolmentStanding::Locked
        } else if now >= self.expires_at {
            EnrolmentStanding::Expired
        } else {
            EnrolmentStanding::Waiting
        }
    }

    /// What comes of a code that found this enrolment. `proved` says whether the rest of it was right, `secret` is the
    /// SHA-256 of the client's secret, `made_with` that of the secret the code was used with before.
    pub fn tried(
        &self,
        proved: bool,
        secret: &[u8; 32],
        made_with: Option<&[u8; 32]>,
        now: Timestamp,
    ) -> Trial {
        match (self.standing(now), proved) {
            (EnrolmentStanding::Waiting, true) => Trial::Makes,
            (EnrolmentStanding::Waiting, false) => Trial::Counts,
            (EnrolmentStanding::Used(made), true)
                if now < self.expires_at && made_with == Some(secret) =>
            {
                Trial::MadeBefore(made)
            }
            _ => Trial::Refused,
        }
    }

    /// Wrong codes that may still be tried.
    pub fn tries_left(&self) -> u8 {
        MOST_TRIES.saturating_sub(self.tries)
    }
}

#[cfg(test)]
mod tests;
