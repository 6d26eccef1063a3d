//! Credentials: what proves who makes a call, and how long.

mod token;

use jiff::{SignedDuration, Timestamp};

use crate::grant::{Grant, Role};
use crate::key::CredentialId;
use crate::violation::Violations;

pub use token::{BadToken, Token};

/// Days that a credential lasts when nobody says otherwise.
pub const USUAL_LIFETIME_DAYS: u16 = 365;

/// Most days that it may last from its making or its last rotation.
pub const LONGEST_LIFETIME_DAYS: u16 = 730;

/// Days before its end from which people are warned.
pub const WARNED_DAYS: u16 = 30;

/// Most characters of a staff code.
pub const MOST_STAFF_CODE: usize = 40;

/// Who holds a credential.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Holder {
    /// A device that several people may use.
    Device,
    /// One person, by their staff code.
    Person(String),
    /// A program.
    Integration,
}

/// How a credential stands at a moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It may be used.
    Active,
    /// Its time is over.
    Expired,
    /// It was revoked.
    Revoked,
}

/// What proves who makes a call; the secret itself is kept nowhere.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Credential {
    /// Its id, a UUID.
    pub key: CredentialId,
    /// What it is for.
    pub display_name: String,
    /// Who holds it.
    pub holder: Holder,
    /// What it allows, and where.
    pub grant: Grant,
    /// SHA-256 of its secret; none when the certificate alone proves it.
    pub secret: Option<[u8; 32]>,
    /// The secret before the last rotation, and until when it still works.
    pub previous: Option<([u8; 32], Timestamp)>,
    /// SHA-256 of the client certificate (DER) that must be shown; none when there is no need to.
    pub certificate: Option<[u8; 32]>,
    /// Days that it lasts from its making or its last rotation.
    pub lifetime_days: u16,
    /// When it was made.
    pub created_at: Timestamp,
    /// When it ends.
    pub expires_at: Timestamp,
    /// When it was revoked.
    pub revoked_at: Option<Timestamp>,
}

/// The moment a lifetime that begins now ends.
pub fn end_of_life(now: Timestamp, lifetime_days: u16) -> Timestamp {
    now.checked_add(SignedDuration::from_hours(24 * i64::from(lifetime_days)))
        .unwrap_or(Timestamp::MAX)
}

impl Credential {
    /// How it stands.
    pub fn standing(&self, now: Timestamp) -> Standing {
        if self.revoked_at.is_some() {
            Standing::Revoked
        } else if now >= self.expires_at {
            Standing::Expired
        } else {
            Standing::Active
        }
    }

    /// From when people are warned of its end: a tenth of its life before it, at most [`WARNED_DAYS`].
    pub fn warned_from(&self) -> Timestamp {
        let lead_h = (24 * i64::from(self.lifetime_days) / 10).min(24 * i64::from(WARNED_DAYS));
        self.expires_at
            .checked_sub(SignedDuration::from_hours(lead_h))
            .unwrap_or(Timestamp::MIN)
    }

    /// The same with a new secret and its lifetime anew. The secret before still works until `overlap_until`, and at
    /// most as long as it would have.
    #[must_use]
    pub fn rotated(
        &self,
        secret: [u8; 32],
        now: Timestamp,
        overlap_until: Option<Timestamp>,
    ) -> Self {
        let previous = self.secret.zip(overlap_until);
        Self {
            secret: Some(secret),
            previous: previous.map(|(before, until)| (before, until.min(self.expires_at))),
            expires_at: end_of_life(now, self.lifetime_days),
            ..self.clone()
        }
    }

    /// The same, ended.
    #[must_use]
    pub fn revoked(&self, now: Timestamp) -> Self {
        Self {
            secret: None,
            previous: None,
            revoked_at: Some(now),
            ..self.clone()
        }
    }
}

/// What somebody wants a credential to be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CredentialWish {
    /// What it is for.
    pub display_name: String,
    /// Who is to hold it.
    pub holder: Holder,
    /// What it is to allow, and where.
    pub grant: Grant,
    /// SHA-256 of the client certificate (DER) that must be shown.
    pub certificate: Option<[u8; 32]>,
    /// Days that it lasts.
    pub lifetime_days: u16,
}

/// Whether a text is a staff code: 1 to 40 visible ASCII characters without spaces.
pub fn is_staff_code(text: &str) -> bool {
    (1..=MOST_STAFF_CODE).contains(&text.len()) && text.bytes().all(|byte| byte.is_ascii_graphic())
}

impl CredentialWish {
    /// Checks everything about it; `field` is the credential's.
    pub fn check(&self, field: &str, violations: &mut Violations) {
        violations.text(&format!("{field}.display_name"), &self.display_name, 1, 120);
        if let Holder::Person(person) = &self.holder
            && !is_staff_code(person)
        {
            violations.add(
                format!("{field}.person"),
                "NOT_AN_OPERATOR",
                format!(
                    "is not a staff code; send 1 to {MOST_STAFF_CODE} letters, digits and signs, without \
                     spaces"
                ),
            );
        }
        if (self.holder == Holder::Integration) != (self.grant.role == Role::Integration) {
            violations.add(
                format!("{field}.grant.role"),
                "ROLE_OF_ANOTHER",
                "does not fit who holds it: programs have the role integration, and only they",
            );
        }
        if !(1..=LONGEST_LIFETIME_DAYS).contains(&self.lifetime_days) {
            violations.add(
                format!("{field}.lifetime_days"),
                "OUT_OF_RANGE",
                format!("must lie between 1 and {LONGEST_LIFETIME_DAYS} days"),
            );
        }
        self.grant.check(&format!("{field}.grant"), violations);
    }

    /// The credential that is made of it.
    pub fn credential(
        self,
        key: CredentialId,
        secret: Option<[u8; 32]>,
        now: Timestamp,
    ) -> Credential {
        Credential {
            key,
            display_name: self.display_name,
            holder: self.holder,
            grant: self.grant,
            secret,
            previous: None,
            certificate: self.certificate,
            lifetime_days: self.lifetime_days,
            created_at: now,
            expires_at: end_of_life(now, self.lifetime_days),
            revoked_at: None,
        }
    }
}

#[cfg(test)]
mod tests;
