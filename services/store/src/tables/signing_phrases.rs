//! Signing phrases: kept as salted hashes, each of one credential.

use jiff::Timestamp;
use ringtrue_fleet::key::CredentialId;
use ringtrue_fleet::sign_off::{SigningPhrase, Tries};
use serde::Serialize;

use super::sign_offs::optional_moment;
use crate::audit::{By, Happening, digest};
use crate::columns::{Place, json};
use crate::database::{query, query_as};
use crate::{Error, Request, Tx};

/// A row of `signing_phrase`.
#[derive(sqlx::FromRow)]
pub(crate) struct PhraseRow {
    pub(crate) credential_id: String,
    phrase_hash: String,
    failures: i64,
    locked_until: Option<i64>,
    updated_at: i64,
}

/// What the audit chain vouches for, by its digest alone: wrong phrases come and go without an entry.
#[derive(Serialize)]
struct PhraseRecord<'a> {
    credential_id: &'a str,
    phrase_hash: &'a str,
    updated_at: i64,
}

/// Resource name for the audit chain.
pub(crate) fn name_of(credential: &str) -> String {
    format!("credentials/{credential}/signingPhrase")
}

impl From<&SigningPhrase> for PhraseRow {
    fn from(phrase: &SigningPhrase) -> Self {
        Self {
            credential_id: phrase.credential.to_string(),
            phrase_hash: phrase.hash.clone(),
            failures: i64::from(phrase.tries.wrong),
            locked_until: phrase.tries.locked_until.map(Timestamp::as_microsecond),
            updated_at: phrase.updated_at.as_microsecond(),
        }
    }
}

impl PhraseRow {
    /// Digest of what the audit chain vouches for.
    pub(crate) fn digest(&self) -> String {
        digest(&json(&PhraseRecord {
            credential_id: &self.credential_id,
            phrase_hash: &self.phrase_hash,
            updated_at: self.updated_at,
        }))
    }

    fn phrase(self) -> Result<SigningPhrase, Error> {
        let place = Place {
            table: "signing_phrase",
            key: &self.credential_id,
        };
        Ok(SigningPhrase {
            credential: place.id("credential_id", CredentialId::new(&self.credential_id))?,
            hash: self.phrase_hash,
            tries: Tries {
                wrong: place.id("failures", u32::try_from(self.failures))?,
                locked_until: optional_moment(place, "locked_until", self.locked_until)?,
            },
            updated_at: place.moment("updated_at", self.updated_at)?,
        })
    }
}

impl Tx {
    /// Fails unless this credential is the one that acts: nobody touches another's phrase.
    fn own(&self, credential: &CredentialId) -> Result<(), Error> {
        let (door, _) = self
            .scope
            .actor()
            .split_once(':')
            .unwrap_or((self.scope.actor(), ""));
        if door == credential.name() {
            Ok(())
        } else {
            Err(Error::OutOfScope)
        }
    }

    /// The phrase of the credential that acts.
    pub async fn signing_phrase(
        &mut self,
        credential: &CredentialId,
    ) -> Result<Option<SigningPhrase>, Error> {
        const SQL: &str = "SELECT * FROM signing_phrase WHERE credential_id = $1";
        self.own(credential)?;
        let rows: Vec<PhraseRow> = query_as(SQL)
            .bind(credential.as_str())
            .fetch_all(self.connection())
            .await?;
        rows.into_iter().next().map(PhraseRow::phrase).transpose()
    }

    /// Sets the phrase of the credential that acts.
    pub async fn put_signing_phrase(&mut self, phrase: &SigningPhrase) -> Result<(), Error> {
        const SQL: &str =
            "INSERT INTO signing_phrase (credential_id, phrase_hash, failures, locked_until, updated_at)
            VALUES ($1, $2, $3, $4, $5)
            ON CONFLICT (credential_id) DO UPDATE SET phrase_hash = excluded.phrase_hash,
                failures = excluded.failures, locked_until = excluded.locked_until,
                updated_at = excluded.updated_at";
        self.own(&phrase.credential)?;
        let row = PhraseRow::from(phrase);
        let digest = row.digest();
        query(SQL)
            .bind(row.credential_id)
            .bind(row.phrase_hash)
            .bind(row.failures)
            .bind(row.locked_until)
            .bind(row.updated_at)
            .execute(self.connection())
            .await?;
        self.phrase_happened("signing_phrase.set", phrase, digest, phrase.updated_at)
            .await
    }

    /// Keeps how often the phrase of the credential that acts was wrong.
    pub async fn put_phrase_tries(&mut self, phrase: &SigningPhrase) -> Result<(), Error> {
        const SQL: &str =
            "UPDATE signing_phrase SET failures = $2, locked_until = $3 WHERE credential_id = $1";
        self.own(&phrase.credential)?;
        let row = PhraseRow::from(phrase);
        query(SQL)
            .bind(row.credential_id)
            .bind(row.failures)
            .bind(row.locked_until)
            .execute(self.connection())
            .await?;
        Ok(())
    }

    /// Tells the audit chain that too many wrong phrases locked the credential that acts.
    pub async fn note_phrase_lock(
        &mut self,
        phrase: &SigningPhrase,
        now: Timestamp,
    ) -> Result<(), Error> {
        self.own(&phrase.credential)?;
        let digest = PhraseRow::from(phrase).digest();
        self.phrase_happened("signing_phrase.lock", phrase, digest, now)
            .await
    }

    async fn phrase_happened(
        &mut self,
        action: &'static str,
        phrase: &SigningPhrase,
        digest: String,
        at: Timestamp,
    ) -> Result<(), Error> {
        let happening = Happening {
            chain: String::new(),
            at,
            by: By::of(&self.scope),
            action,
            subject: name_of(phrase.credential.as_str()),
            document: None,
            digest,
            request: Some(Request::NONE),
        };
        self.append(vec![happening]).await
    }
}
