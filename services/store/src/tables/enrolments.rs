//! Enrolments: invitations with a one-time code. Of the code only the part that finds it is kept, and argon2id of
//! the part that proves it.

use std::fmt;

use jiff::Timestamp;
use ringtrue_fleet::credential::Credential;
use ringtrue_fleet::enrolment::Enrolment;
use ringtrue_fleet::key::{CredentialId, EnrolmentId};
use serde::{Deserialize, Serialize};

use super::credentials::{columns_of, written_digest};
use super::sites::reach;
use super::wishes::{WishColumns, covers};
use crate::audit::digest;
use crate::columns::Place;
use crate::database::{Connection, query, query_as};
use crate::{Error, Page, Read, Request, Tx};

/// An enrolment with what its code is checked against.
#[derive(Clone, PartialEq, Eq)]
pub struct Invited {
    /// The enrolment.
    pub enrolment: Enrolment,
    /// Argon2id of the part of its code that proves it, as a PHC string.
    pub proof_hash: String,
    /// SHA-256 of the secret that its code was used with; none before.
    pub made_with: Option<[u8; 32]>,
}

impl fmt::Debug for Invited {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Invited({}, proof hidden)", self.enrolment.key)
    }
}

/// A row of `enrolment`.
#[derive(sqlx::FromRow)]
pub(crate) struct EnrolmentRow {
    id: String,
    #[sqlx(flatten)]
    wish: WishColumns,
    selector: String,
    proof_hash: String,
    tries: i64,
    created_at: i64,
    expires_at: i64,
    made: String,
    made_secret_digest: String,
    revoked_at: Option<i64>,
}

/// An enrolment's document in the audit chain. A code is short, so not even its hash leaves its table: the digest of
/// the hash shows that it was not altered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct EnrolmentRecord {
    id: String,
    #[serde(flatten)]
    wish: WishColumns,
    selector: String,
    proof_digest: String,
    tries: i64,
    created_at: i64,
    expires_at: i64,
    made: String,
    made_secret_digest: String,
    revoked_at: Option<i64>,
}

impl From<&EnrolmentRow> for EnrolmentRecord {
    fn from(row: &EnrolmentRow) -> Self {
        Self {
            id: row.id.clone(),
            wish: row.wish.clone(),
            selector: row.selector.clone(),
            proof_digest: digest(&row.proof_hash),
            tries: row.tries,
            created_at: row.created_at,
            expires_at: row.expires_at,
            made: row.made.clone(),
            made_secret_digest: row.made_secret_digest.clone(),
            revoked_at: row.revoked_at,
        }
    }
}

impl EnrolmentRecord {
    pub(crate) fn name(&self) -> String {
        format!("enrolments/{}", self.id)
    }

    pub(crate) fn enrolment(self) -> Result<Enrolment, Error> {
        let place = Place {
            table: "enrolment",
            key: &self.id,
        };
        Ok(Enrolment {
            key: place.id("id", EnrolmentId::new(&self.id))?,
            wish: self.wish.wish(place, None)?,
            tries: u8::try_from(self.tries).map_err(|_| place.corrupt("tries"))?,
            created_at: place.moment("created_at", self.created_at)?,
            expires_at: place.moment("expires_at", self.expires_at)?,
            made: match self.made.as_str() {
                "" => None,
                made => Some(place.id("made", CredentialId::new(made))?),
            },
            revoked_at: match self.revoked_at {
                Some(at) => Some(place.moment("revoked_at", at)?),
                None => None,
            },
        })
    }
}

impl EnrolmentRow {
    fn enrolment(&self) -> Result<Enrolment, Error> {
        EnrolmentRecord::from(self).enrolment()
    }

    fn invited(self) -> Result<Invited, Error> {
        let place = Place {
            table: "enrolment",
            key: &self.id,
        };
        Ok(Invited {
            enrolment: self.enrolment()?,
            made_with: place.sha256("made_secret_digest", &self.made_secret_digest)?,
            proof_hash: self.proof_hash,
        })
    }
}

async fn row_of(
    connection: &mut Connection,
    id: &EnrolmentId,
) -> Result<Option<EnrolmentRow>, Error> {
    const SQL: &str = "SELECT * FROM enrolment WHERE id = $1";
    let rows: Vec<EnrolmentRow> = query_as(SQL)
        .bind(id.as_str())
        .fetch_all(connection)
        .await?;
    Ok(rows.into_iter().next())
}

impl Read {
    /// The enrolment that a code's first characters find. For the server's own work: whoever has the code may use
    /// it.
    pub async fn enrolment_of_selector(&self, selector: &str) -> Result<Option<Invited>, Error> {
        const SQL: &str = "SELECT * FROM enrolment WHERE selector = $1";
        self.everywhere()?;
        let rows: Vec<EnrolmentRow> = query_as(SQL)
            .bind(selector)
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter()
            .next()
            .map(EnrolmentRow::invited)
            .transpose()
    }

    /// Enrolments that the scope covers, newest first.
    pub async fn enrolments(&self, page: &Page) -> Result<Vec<Enrolment>, Error> {
        const SQL: &str = "SELECT * FROM enrolment AS e
            WHERE ($1 IS NULL OR (NOT e.whole_network AND e.site_groups = '[]' AND e.sites <> '[]'
                    AND NOT EXISTS (SELECT 1 FROM json_each(e.sites) AS one
                        WHERE one.value NOT IN (SELECT value FROM json_each($1)))))
                AND (e.created_at < $2 OR (e.created_at = $2 AND e.id > $3))
            ORDER BY e.created_at DESC, e.id LIMIT $4";
        let rows: Vec<EnrolmentRow> = query_as(SQL)
            .bind(reach(&self.scope))
            .bind(page.moment(0))
            .bind(page.text(1))
            .bind(page.limit())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.iter().map(EnrolmentRow::enrolment).collect()
    }
}

impl Tx {
    /// One enrolment with what its code is checked against; none also when the scope does not cover it, since it is
    /// not to be known there.
    pub async fn enrolment(&mut self, id: &EnrolmentId) -> Result<Option<Invited>, Error> {
        let Some(row) = row_of(self.connection(), id).await? else {
            return Ok(None);
        };
        let invited = row.invited()?;
        Ok(covers(&self.scope, &invited.enrolment.wish.grant).then_some(invited))
    }

    /// Stores a new enrolment; gives whether its selector was free. When it was not, nothing is stored: draw another
    /// one.
    pub async fn insert_enrolment(
        &mut self,
        enrolment: &Enrolment,
        selector: &str,
        proof_hash: &str,
        request: &Request,
    ) -> Result<bool, Error> {
        const SQL: &str = "INSERT INTO enrolment (id, site_id, display_name, kind, person, role, permissions,
                whole_network, sites, site_groups, lifetime_days, selector, proof_hash, tries, created_at,
                expires_at, made, made_secret_digest, revoked_at)
            VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, '', '', NULL)
            ON CONFLICT (selector) DO NOTHING";
        self.covers(&enrolment.wish.grant)?;
        let row = EnrolmentRow {
            id: enrolment.key.to_string(),
            wish: columns_of(&enrolment.wish),
            selector: selector.to_owned(),
            proof_hash: proof_hash.to_owned(),
            tries: i64::from(enrolment.tries),
            created_at: enrolment.created_at.as_microsecond(),
            expires_at: enrolment.expires_at.as_microsecond(),
            made: String::new(),
            made_secret_digest: String::new(),
            revoked_at: None,
        };
        let done = query(SQL)
            .bind(&row.id)
            .bind(&row.wish.site_id)
            .bind(&row.wish.display_name)
            .bind(&row.wish.kind)
            .bind(&row.wish.person)
            .bind(&row.wish.role)
            .bind(&row.wish.permissions)
            .bind(row.wish.whole_network)
            .bind(&row.wish.sites)
            .bind(&row.wish.site_groups)
            .bind(row.wish.lifetime_days)
            .bind(&row.selector)
            .bind(&row.proof_hash)
            .bind(row.tries)
            .bind(row.created_at)
            .bind(row.expires_at)
            .execute(self.connection())
            .await?;
        if done == 0 {
            return Ok(false);
        }
        let at = enrolment.created_at;
        self.enrolment_changed(&row, "enrolment.create", at, request)
            .await?;
        Ok(true)
    }

    /// A wrong code was tried on an enrolment; gives how many were by now.
    pub async fn count_enrolment_try(
        &mut self,
        id: &EnrolmentId,
        now: Timestamp,
    ) -> Result<i64, Error> {
        const SQL: &str = "UPDATE enrolment SET tries = $2 WHERE id = $1";
        let mut row = self.covered_row(id).await?;
        row.tries += 1;
        query(SQL)
            .bind(&row.id)
            .bind(row.tries)
            .execute(self.connection())
            .await?;
        self.enrolment_changed(&row, "enrolment.try", now, &Request::NONE)
            .await?;
        Ok(row.tries)
    }

    /// An enrolment's code was used: stores the credential that it makes. Fails with [`Error::Exists`] when another
    /// one has its certificate.
    pub async fn use_enrolment(
        &mut self,
        id: &EnrolmentId,
        made: &Credential,
    ) -> Result<(), Error> {
        const SQL: &str = "UPDATE enrolment SET made = $2, made_secret_digest = $3 WHERE id = $1";
        let mut row = self.covered_row(id).await?;
        self.insert_credential(made, &Request::NONE).await?;
        row.made = made.key.to_string();
        row.made_secret_digest = written_digest(made.secret);
        query(SQL)
            .bind(&row.id)
            .bind(&row.made)
            .bind(&row.made_secret_digest)
            .execute(self.connection())
            .await?;
        self.enrolment_changed(&row, "enrolment.use", made.created_at, &Request::NONE)
            .await
    }

    /// Makes an enrolment's code worthless.
    pub async fn revoke_enrolment(
        &mut self,
        id: &EnrolmentId,
        now: Timestamp,
        request: &Request,
    ) -> Result<Enrolment, Error> {
        const SQL: &str = "UPDATE enrolment SET revoked_at = $2 WHERE id = $1";
        let mut row = self.covered_row(id).await?;
        row.revoked_at = Some(now.as_microsecond());
        query(SQL)
            .bind(&row.id)
            .bind(row.revoked_at)
            .execute(self.connection())
            .await?;
        self.enrolment_changed(&row, "enrolment.revoke", now, request)
            .await?;
        row.enrolment()
    }

    /// The row of an enrolment; fails when there is none or the scope does not cover it.
    async fn covered_row(&mut self, id: &EnrolmentId) -> Result<EnrolmentRow, Error> {
        let row = row_of(self.connection(), id).await?;
        let row = row.ok_or(Error::OutOfScope)?;
        self.covers(&row.enrolment()?.wish.grant)?;
        Ok(row)
    }

    async fn enrolment_changed(
        &mut self,
        row: &EnrolmentRow,
        action: &'static str,
        at: Timestamp,
        request: &Request,
    ) -> Result<(), Error> {
        let record = EnrolmentRecord::from(row);
        self.access_changed(
            &row.wish.site_id,
            action,
            record.name(),
            &record,
            request,
            at,
        )
        .await
    }
}
