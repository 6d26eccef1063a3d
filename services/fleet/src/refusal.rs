//! Why a valid request was refused: one variant per reason that a person could be told.

use jiff::Timestamp;
use jiff::civil::Date;

use crate::key::{
    AlertId, BatchId, CredentialId, EnrolmentId, FindingId, FiringKey, FurnaceKey, GaugeKey,
    ReadingKey, SiteGroupId,
};
use crate::reading::AskedQuestion;
use crate::sign_off::{LOCKED_MIN, MOST_WRONG};

/// A refusal; nothing was changed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refusal {
    /// The furnace is retired.
    #[error("{} is retired and takes no more records; choose another furnace", furnace.name())]
    FurnaceRetired {
        /// The furnace.
        furnace: FurnaceKey,
    },
    /// The batch is on hold or withdrawn.
    #[error(
        "{} is {}{}; fire a ring of a released batch",
        batch.name(),
        if *withdrawn { "withdrawn" } else { "on hold" },
        if reason.is_empty() { String::new() } else { format!(" ({reason})") }
    )]
    BatchNotReleased {
        /// The batch.
        batch: BatchId,
        /// Whether it is withdrawn for good.
        withdrawn: bool,
        /// Why.
        reason: String,
    },
    /// The rings were fired after the batch had expired.
    #[error(
        "{} expired on {expires_on}, the ring was fired on {fired_on}; fire a ring of a batch in date",
        batch.name()
    )]
    BatchExpired {
        /// The batch.
        batch: BatchId,
        /// Last day on which its rings may be fired.
        expires_on: Date,
        /// Local date of the firing.
        fired_on: Date,
    },
    /// The gauge is withdrawn.
    #[error("{} is withdrawn; measure with a gauge in use", gauge.name())]
    GaugeWithdrawn {
        /// The gauge.
        gauge: GaugeKey,
    },
    /// Values are doubtful and the caller has not confirmed them.
    #[error(
        "{} open question(s): {}; correct the values, or list the codes in reading.answered_questions to \
         confirm them",
        questions.len(),
        words(questions)
    )]
    OpenQuestions {
        /// The questions not yet answered.
        questions: Vec<AskedQuestion>,
    },
    /// The reading was amended already.
    #[error(
        "{} was amended already; amend its latest version {}",
        reading.name(),
        by.name()
    )]
    AmendedAlready {
        /// The version asked for.
        reading: ReadingKey,
        /// The version that took its place.
        by: ReadingKey,
    },
    /// The firing was amended already.
    #[error(
        "{} was amended already; amend its latest version {}",
        firing.name(),
        by.name()
    )]
    FiringAmendedAlready {
        /// The version asked for.
        firing: FiringKey,
        /// The version that took its place.
        by: FiringKey,
    },
    /// The alert is closed.
    #[error("{} is closed already: its cause is mended", alert.name())]
    AlertClosed {
        /// The alert.
        alert: AlertId,
    },
    /// The alert may not rest, or not that long.
    #[error("{} may not rest: {why}", alert.name())]
    MayNotRest {
        /// The alert.
        alert: AlertId,
        /// Why, and what to do next.
        why: String,
    },
    /// The credential cannot get a new secret.
    #[error("{} cannot be rotated: {why}", credential.name())]
    MayNotRotate {
        /// The credential.
        credential: CredentialId,
        /// Why, and what to do next.
        why: &'static str,
    },
    /// Nobody could say any more who may do what.
    #[error(
        "{} is the last credential of an administrator that can be used; make another one first, then end this one",
        credential.name()
    )]
    LastAdministrator {
        /// The credential.
        credential: CredentialId,
    },
    /// The enrolment's code was used.
    #[error("the code of {} was used already; revoke {}, which came of it", enrolment.name(), made.name())]
    EnrolmentUsed {
        /// The enrolment.
        enrolment: EnrolmentId,
        /// What came of it.
        made: CredentialId,
    },
    /// The group was removed, and whoever was granted it would get its next sites unasked.
    #[error(
        "{} was removed, and credentials may still name it; choose another id for a new group",
        group.name()
    )]
    SiteGroupRemoved {
        /// The group.
        group: SiteGroupId,
    },
    /// The finding is closed.
    #[error(
        "{} is resolved already; it opens anew by itself when later readings show the same",
        finding.name()
    )]
    FindingResolved {
        /// The finding.
        finding: FindingId,
    },
    /// Nobody can be told to be the one person who signs.
    #[error(
        "only a person signs: enrol a credential of your own that names your staff code, and sign with it; \
         devices, programs and callers without a credential do not"
    )]
    NotAPerson,
    /// The signer performed or recorded what is to be signed.
    #[error(
        "{subject} was performed or recorded by {person}; somebody else has to look at it and sign"
    )]
    OwnRecord {
        /// Resource name of the record.
        subject: String,
        /// Staff code of the signer.
        person: String,
    },
    /// Nobody is named who performed or recorded it, so nobody can be told to be another person.
    #[error(
        "{subject} names nobody who performed or recorded it, so nobody can sign as a second person; record it \
         again with the staff code of whoever did it"
    )]
    NobodyNamed {
        /// Resource name of the record.
        subject: String,
    },
    /// The reading was amended after it was looked at.
    #[error(
        "{} was amended since; look at its latest version {} and sign that",
        reading.name(),
        by.name()
    )]
    AmendedSince {
        /// The version asked for.
        reading: ReadingKey,
        /// The version that took its place.
        by: ReadingKey,
    },
    /// The same person signed it before.
    #[error(
        "{subject} is signed by {person} already, and a signature stays; to say something else, amend the record \
         or have another person sign"
    )]
    SignedAlready {
        /// Resource name of the record.
        subject: String,
        /// Staff code of the signer.
        person: String,
    },
    /// The record is not what was recorded.
    #[error(
        "{subject} is no longer what was recorded: do not sign it, and have the administrator verify the database"
    )]
    RecordAltered {
        /// Resource name of the record.
        subject: String,
    },
    /// The signing phrase is wrong, or there is none.
    #[error(
        "the signing phrase is not the one of this credential, or none is set yet; type it again, or set one. \
         After {MOST_WRONG} wrong ones in a row nobody signs with this credential for {LOCKED_MIN} minutes"
    )]
    PhraseNotAccepted,
    /// Nobody gave a key that secrets of webhooks could follow from.
    #[error(
        "the server has no key that events could be signed with: make one with `ringtrue-server audit-key --out FILE` \
         and name it in the settings (audit.key)"
    )]
    NoSigningKey,
    /// Too many wrong phrases.
    #[error(
        "too many wrong signing phrases: nobody signs with this credential before {until}. If it was not you who \
         typed them, have the credential revoked"
    )]
    SigningLocked {
        /// Until when.
        until: Timestamp,
    },
}

impl Refusal {
    /// Stable code in UPPER_SNAKE; never renamed.
    pub fn reason(&self) -> &'static str {
        match self {
            Self::FurnaceRetired { .. } => "FURNACE_RETIRED",
            Self::BatchNotReleased {
                withdrawn: true, ..
            } => "BATCH_WITHDRAWN",
            Self::BatchNotReleased {
                withdrawn: false, ..
            } => "BATCH_ON_HOLD",
            Self::BatchExpired { .. } => "BATCH_EXPIRED",
            Self::GaugeWithdrawn { .. } => "GAUGE_WITHDRAWN",
            Self::OpenQuestions { .. } => "OPEN_QUESTIONS",
            Self::AmendedAlready { .. } | Self::FiringAmendedAlready { .. } => "AMENDED_ALREADY",
            Self::FindingResolved { .. } => "FINDING_RESOLVED",
            Self::AlertClosed { .. } => "ALERT_CLOSED",
            Self::MayNotRest { .. } => "MAY_NOT_REST",
            Self::MayNotRotate { .. } => "MAY_NOT_ROTATE",
            Self::LastAdministrator { .. } => "LAST_ADMINISTRATOR",
            Self::EnrolmentUsed { .. } => "ENROLMENT_USED",
            Self::SiteGroupRemoved { .. } => "SITE_GROUP_REMOVED",
            Self::NotAPerson => "NOT_A_PERSON",
            Self::OwnRecord { .. } => "OWN_RECORD",
            Self::NobodyNamed { .. } => "NOBODY_NAMED",
            Self::AmendedSince { .. } => "AMENDED_SINCE",
            Self::SignedAlready { .. } => "SIGNED_ALREADY",
            Self::RecordAltered { .. } => "RECORD_ALTERED",
            Self::PhraseNotAccepted => "PHRASE_NOT_ACCEPTED",
            Self::NoSigningKey => "NO_SIGNING_KEY",
            Self::SigningLocked { .. } => "SIGNING_LOCKED",
        }
    }

    /// Field of a request that the refusal is about.
    pub fn field(&self) -> &'static str {
        match self {
            Self::FurnaceRetired { .. } => "parent",
            Self::BatchNotReleased { .. } | Self::BatchExpired { .. } => "reading.rings.ring_batch",
            Self::GaugeWithdrawn { .. } => "reading.rings.gauge",
            Self::OpenQuestions { .. } => "reading",
            Self::AmendedAlready { .. }
            | Self::FiringAmendedAlready { .. }
            | Self::FindingResolved { .. }
            | Self::AlertClosed { .. }
            | Self::MayNotRotate { .. }
            | Self::LastAdministrator { .. }
            | Self::EnrolmentUsed { .. } => "name",
            Self::SiteGroupRemoved { .. } => "site_group.name",
            Self::MayNotRest { .. } => "until_time",
            Self::NotAPerson => "sign_off.person",
            Self::OwnRecord { .. }
            | Self::NobodyNamed { .. }
            | Self::AmendedSince { .. }
            | Self::SignedAlready { .. }
            | Self::RecordAltered { .. } => "sign_off.subject",
            Self::NoSigningKey => "webhook",
            Self::PhraseNotAccepted | Self::SigningLocked { .. } => "signing_phrase",
        }
    }
}

fn words(questions: &[AskedQuestion]) -> String {
    let mut all = String::new();
    for (at, asked) in questions.iter().enumerate() {
        if at > 0 {
            all.push(' ');
        }
        all.push_str(&asked.question.text);
    }
    all
}
