//! Signatures: a second person answers for a reading or an adjustment (21 CFR Part 11, 11.50 to 11.200, and
//! ISO 13485:2016, 4.2.5, from memory).
//!
//! A signature says who, when and what it means, and holds the digest of the record that it is for. It is never
//! taken back; whoever does not answer for a record says so, and the record is amended.

mod phrase;

use jiff::Timestamp;

use crate::caller::Caller;
use crate::key::{AdjustmentKey, BadName, CredentialId, FurnaceKey, ReadingKey, SignOffId, SiteId};
use crate::reading::Refused;
use crate::refusal::Refusal;
use crate::violation::Violations;

pub use phrase::{
    LEAST_PHRASE, LOCKED_MIN, MOST_PHRASE, MOST_WRONG, SigningPhrase, Tries, check_phrase,
};

/// Most characters of a comment.
pub const MOST_COMMENT: usize = 500;

/// What is signed.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum SignOffSubject {
    /// A reading.
    Reading(ReadingKey),
    /// An adjustment.
    Adjustment(AdjustmentKey),
}

impl SignOffSubject {
    /// Reads the name of a reading or an adjustment.
    pub fn parse(name: &str) -> Result<Self, BadName> {
        if let Ok(adjustment) = AdjustmentKey::parse(name) {
            return Ok(Self::Adjustment(adjustment));
        }
        Ok(Self::Reading(ReadingKey::parse(name)?))
    }

    /// Writes its resource name.
    pub fn name(&self) -> String {
        match self {
            Self::Reading(reading) => reading.name(),
            Self::Adjustment(adjustment) => adjustment.name(),
        }
    }

    /// The furnace it is about.
    pub fn furnace(&self) -> &FurnaceKey {
        match self {
            Self::Reading(reading) => &reading.furnace,
            Self::Adjustment(adjustment) => &adjustment.furnace,
        }
    }

    /// The site it belongs to.
    pub fn site(&self) -> &SiteId {
        &self.furnace().site
    }

    /// Its id below the furnace.
    pub fn id(&self) -> &str {
        match self {
            Self::Reading(reading) => reading.reading.as_str(),
            Self::Adjustment(adjustment) => adjustment.adjustment.as_str(),
        }
    }
}

/// What a signature means. The gravest is the greatest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Meaning {
    /// The signer has looked at the record and found it in order.
    Reviewed,
    /// The signer has looked at it and does not answer for it.
    Rejected,
}

/// A signature, as kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SignOff {
    /// Its id, unique at the site.
    pub id: SignOffId,
    /// What is signed.
    pub subject: SignOffSubject,
    /// What it means.
    pub meaning: Meaning,
    /// Words of the signer.
    pub comment: String,
    /// Staff code of the signer.
    pub person: String,
    /// The credential that proved who it is.
    pub credential: CredentialId,
    /// When.
    pub signed_at: Timestamp,
    /// SHA-256 of the signed record, hexadecimal, as its entry in the audit chain holds it.
    pub record_digest: String,
}

impl SignOff {
    /// Writes `{subject}/signOffs/{sign_off}`.
    pub fn name(&self) -> String {
        format!("{}/signOffs/{}", self.subject.name(), self.id)
    }
}

/// What somebody wants to sign.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SignOffWish {
    /// What.
    pub subject: SignOffSubject,
    /// What it is to mean.
    pub meaning: Meaning,
    /// Words of the signer; needed for a rejection.
    pub comment: String,
}

impl SignOffWish {
    /// Checks the comment; `path` is the request field.
    pub fn check(&self, path: &str, violations: &mut Violations) {
        let field = format!("{path}.comment");
        if self.meaning == Meaning::Rejected && self.comment.trim().is_empty() {
            violations.add(
                field,
                "REQUIRED",
                "is empty; say why you do not answer for this record",
            );
        } else {
            violations.text(&field, &self.comment, 0, MOST_COMMENT);
        }
    }
}

/// The one person who signs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Signer {
    /// Staff code.
    pub person: String,
    /// The person's own credential.
    pub credential: CredentialId,
}

impl Signer {
    /// Who signs when this caller does. Only a person's own credential tells one person from another, so devices,
    /// programs and local callers are refused.
    pub fn of(caller: &Caller) -> Result<Self, Refusal> {
        match (caller.signer(), caller.credential_id()) {
            (Some(person), Some(credential)) => Ok(Self {
                person: person.to_owned(),
                credential: credential.clone(),
            }),
            _ => Err(Refusal::NotAPerson),
        }
    }

    /// Whether these words name the signer: alone, or among several.
    fn is_named_in(&self, words: &str) -> bool {
        let is_own = |word: &str| word.trim().to_lowercase() == self.person.to_lowercase();
        is_own(words) || words.split(is_between_codes).any(is_own)
    }

    /// Whether the signer is the one who acted, as the audit chain names who acted: a credential, a staff code or
    /// both.
    fn is(&self, actor: &str) -> bool {
        let (door, operator) = actor.split_once(':').unwrap_or((actor, ""));
        door == self.credential.name() || self.is_named_in(operator)
    }
}

/// What may stand between two staff codes.
fn is_between_codes(letter: char) -> bool {
    letter.is_whitespace() || matches!(letter, ',' | ';' | '/' | '+' | '&')
}

/// Whether somebody can be told from this actor of an audit chain.
fn names_somebody(actor: &str) -> bool {
    actor
        .split_once(':')
        .is_some_and(|(_, operator)| !operator.is_empty())
}

/// What bears on signing a record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Signable {
    /// The record.
    pub subject: SignOffSubject,
    /// Who performed it, as reported; may be empty.
    pub performed_by: String,
    /// Who recorded it, as its audit entry says.
    pub actor: String,
    /// The digest that its audit entry holds.
    pub digest: String,
    /// Whether the record still has that digest.
    pub is_intact: bool,
    /// The later version that took its place.
    pub amended_by: Option<ReadingKey>,
    /// Staff codes of those who signed it.
    pub signed_by: Vec<String>,
}

/// Signs a record. Refused for whoever performed or recorded it, for one that was amended since, and for whoever
/// signed it before.
pub fn sign(
    record: &Signable,
    wish: SignOffWish,
    signer: &Signer,
    id: SignOffId,
    now: Timestamp,
) -> Result<SignOff, Refused> {
    let mut violations = Violations::default();
    wish.check("sign_off", &mut violations);
    violations.or(()).map_err(Refused::Violations)?;
    let subject = || record.subject.name();
    let refusal = if let (Some(by), SignOffSubject::Reading(reading)) =
        (&record.amended_by, &record.subject)
    {
        Some(Refusal::AmendedSince {
            reading: reading.clone(),
            by: by.clone(),
        })
    } else if signer.is_named_in(&record.performed_by) || signer.is(&record.actor) {
        Some(Refusal::OwnRecord {
            subject: subject(),
            person: signer.person.clone(),
        })
    } else if record.performed_by.trim().is_empty() && !names_somebody(&record.actor) {
        Some(Refusal::NobodyNamed { subject: subject() })
    } else if record.signed_by.iter().any(|by| signer.is_named_in(by)) {
        Some(Refusal::SignedAlready {
            subject: subject(),
            person: signer.person.clone(),
        })
    } else if record.is_intact {
        None
    } else {
        Some(Refusal::RecordAltered { subject: subject() })
    };
    match refusal {
        Some(refusal) => Err(Refused::Refusal(refusal)),
        None => Ok(SignOff {
            id,
            subject: wish.subject,
            meaning: wish.meaning,
            comment: wish.comment,
            person: signer.person.clone(),
            credential: signer.credential.clone(),
            signed_at: now,
            record_digest: record.digest.clone(),
        }),
    }
}

/// A record that waits for a signature.
#[derive(Debug, Clone, PartialEq)]
pub struct AwaitedSignOff {
    /// The record.
    pub subject: SignOffSubject,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// Who performed it, as reported.
    pub performed_by: String,
    /// What it says.
    pub content: AwaitedContent,
}

/// What a record that waits says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum AwaitedContent {
    /// A firing.
    Firing {
        /// Setpoint, °C.
        setpoint_c: f64,
        /// True temperature by the rings, °C; none when it could not be evaluated.
        true_c: Option<f64>,
    },
    /// A setpoint.
    Setpoint {
        /// As found, °C.
        from_c: f64,
        /// As left, °C.
        to_c: f64,
    },
}

impl AwaitedSignOff {
    /// The record in a few words.
    pub fn words(&self) -> String {
        let furnace = &self.subject.furnace().furnace;
        match self.content {
            AwaitedContent::Firing {
                setpoint_c,
                true_c: Some(true_c),
            } => format!("reading of {furnace}: {true_c:.0} °C at a setpoint of {setpoint_c} °C"),
            AwaitedContent::Firing {
                setpoint_c,
                true_c: None,
            } => format!("reading of {furnace}: not evaluable, at a setpoint of {setpoint_c} °C"),
            AwaitedContent::Setpoint { from_c, to_c } => {
                format!("setpoint of {furnace}: {from_c} °C as found, {to_c} °C as left")
            }
        }
    }
}

#[cfg(test)]
mod tests;
