//! Signatures on readings and adjustments. Only ever added to.

use jiff::Timestamp;
use ringtrue_fleet::key::{
    AdjustmentId, AdjustmentKey, CredentialId, FurnaceId, FurnaceKey, ReadingId, ReadingKey,
    SignOffId, SiteId,
};
use ringtrue_fleet::sign_off::{
    AwaitedContent, AwaitedSignOff, Meaning, SignOff, SignOffSubject, Signable,
};
use serde::{Deserialize, Serialize};

use super::readings::unamended_reading;
use super::{adjustments, readings};
use crate::audit::{By, Happening, digest};
use crate::columns::{Place, json, written};
use crate::database::{Connection, query, query_as, query_scalar};
use crate::{Error, Page, Read, Request, Tx};

const MEANINGS: &[(Meaning, &str)] = &[
    (Meaning::Reviewed, "reviewed"),
    (Meaning::Rejected, "rejected"),
];

/// The word for a kind of subject.
fn kind_of(subject: &SignOffSubject) -> &'static str {
    match subject {
        SignOffSubject::Reading(_) => "reading",
        SignOffSubject::Adjustment(_) => "adjustment",
    }
}

fn subject_of(
    place: Place<'_>,
    site: &str,
    furnace: &str,
    kind: &str,
    id: &str,
) -> Result<SignOffSubject, Error> {
    let furnace = FurnaceKey {
        site: place.id("site_id", SiteId::new(site))?,
        furnace: place.id("furnace_id", FurnaceId::new(furnace))?,
    };
    match kind {
        "reading" => Ok(SignOffSubject::Reading(ReadingKey {
            furnace,
            reading: place.id("subject_id", ReadingId::new(id))?,
        })),
        "adjustment" => Ok(SignOffSubject::Adjustment(AdjustmentKey {
            furnace,
            adjustment: place.id("subject_id", AdjustmentId::new(id))?,
        })),
        _ => Err(place.corrupt("subject_kind")),
    }
}

/// A row of `sign_off`; also its record in the audit chain.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct SignOffRow {
    site_id: String,
    furnace_id: String,
    subject_kind: String,
    subject_id: String,
    id: String,
    meaning: String,
    comment: String,
    person: String,
    credential_id: String,
    signed_at: i64,
    pub(crate) record_digest: String,
}

impl From<&SignOff> for SignOffRow {
    fn from(sign_off: &SignOff) -> Self {
        let subject = &sign_off.subject;
        Self {
            site_id: subject.site().to_string(),
            furnace_id: subject.furnace().furnace.to_string(),
            subject_kind: kind_of(subject).to_owned(),
            subject_id: subject.id().to_owned(),
            id: sign_off.id.to_string(),
            meaning: written(&sign_off.meaning, MEANINGS),
            comment: sign_off.comment.clone(),
            person: sign_off.person.clone(),
            credential_id: sign_off.credential.to_string(),
            signed_at: sign_off.signed_at.as_microsecond(),
            record_digest: sign_off.record_digest.clone(),
        }
    }
}

impl SignOffRow {
    /// Resource name of what it signs.
    pub(crate) fn subject_name(&self) -> String {
        format!(
            "sites/{}/furnaces/{}/{}s/{}",
            self.site_id, self.furnace_id, self.subject_kind, self.subject_id
        )
    }

    pub(crate) fn name(&self) -> String {
        format!("{}/signOffs/{}", self.subject_name(), self.id)
    }

    /// Its place in the order of sites and ids.
    pub(crate) fn place_in_order(&self) -> (String, String) {
        (self.site_id.clone(), self.id.clone())
    }

    pub(crate) fn sign_off(self) -> Result<SignOff, Error> {
        let place = Place {
            table: "sign_off",
            key: &self.id,
        };
        Ok(SignOff {
            id: place.id("id", SignOffId::new(&self.id))?,
            subject: subject_of(
                place,
                &self.site_id,
                &self.furnace_id,
                &self.subject_kind,
                &self.subject_id,
            )?,
            meaning: place.word("meaning", &self.meaning, MEANINGS)?,
            credential: place.id("credential_id", CredentialId::new(&self.credential_id))?,
            signed_at: place.moment("signed_at", self.signed_at)?,
            record_digest: self.record_digest,
            comment: self.comment,
            person: self.person,
        })
    }
}

/// A record that waits for a signature: of a reading setpoint and true temperature, of an adjustment the
/// setpoints as found and as left.
#[derive(sqlx::FromRow)]
struct AwaitedRow {
    subject_kind: String,
    furnace_id: String,
    subject_id: String,
    received_at: i64,
    performed_by: String,
    first_c: f64,
    second_c: Option<f64>,
}

impl AwaitedRow {
    fn awaited(self, site: &SiteId) -> Result<AwaitedSignOff, Error> {
        let place = Place {
            table: "reading",
            key: &self.subject_id,
        };
        let subject = subject_of(
            place,
            site.as_str(),
            &self.furnace_id,
            &self.subject_kind,
            &self.subject_id,
        )?;
        let content = match &subject {
            SignOffSubject::Reading(_) => AwaitedContent::Firing {
                setpoint_c: self.first_c,
                true_c: self.second_c,
            },
            SignOffSubject::Adjustment(_) => AwaitedContent::Setpoint {
                from_c: self.first_c,
                to_c: self.second_c.ok_or_else(|| place.corrupt("setpoint_c"))?,
            },
        };
        Ok(AwaitedSignOff {
            recorded_at: place.moment("received_at", self.received_at)?,
            performed_by: self.performed_by,
            subject,
            content,
        })
    }
}

/// Most records that are listed as waiting.
const MOST_AWAITED: i64 = 1000;

impl Read {
    /// Signatures at a site, of one record where it is named; latest first.
    pub async fn sign_offs(
        &self,
        site: &SiteId,
        subject: Option<&SignOffSubject>,
        page: &Page,
    ) -> Result<Vec<SignOff>, Error> {
        const SQL: &str = "SELECT * FROM sign_off WHERE site_id = $1
                AND ($2 IS NULL OR (furnace_id = $2 AND subject_kind = $3 AND subject_id = $4))
                AND (signed_at, id) < ($5, $6)
            ORDER BY signed_at DESC, id DESC LIMIT $7";
        self.within(site)?;
        let rows: Vec<SignOffRow> = query_as(SQL)
            .bind(site.as_str())
            .bind(subject.map(|subject| subject.furnace().furnace.as_str()))
            .bind(subject.map(kind_of))
            .bind(subject.map(SignOffSubject::id))
            .bind(page.moment(0))
            .bind(page.text(1))
            .bind(page.limit())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(SignOffRow::sign_off).collect()
    }

    /// What waits for a signature by the site's policy, as recorded since it is in force; earliest first, at most
    /// 1000. Practice waits for nobody, and of an amended reading only the last version does.
    pub async fn awaited_sign_offs(&self, site: &SiteId) -> Result<Vec<AwaitedSignOff>, Error> {
        const SQL: &str = concat!(
            "SELECT 'reading' AS subject_kind, r.furnace_id, r.id AS subject_id, r.received_at,
                r.performed_by, r.setpoint_c AS first_c,
                CASE WHEN e.advice IS NULL THEN NULL ELSE r.setpoint_c + e.observed_offset_c END AS second_c
            FROM site AS s
            JOIN reading AS r ON r.site_id = s.id AND r.received_at >= s.readings_sign_off_since
            JOIN evaluation AS e ON e.site_id = r.site_id AND e.furnace_id = r.furnace_id
                AND e.fired_at = r.fired_at AND e.reading_id = r.id
            WHERE s.id = $1 AND r.purpose <> 'practice'
                AND ",
            unamended_reading!("r", "id"),
            " AND NOT EXISTS (SELECT 1 FROM sign_off AS o WHERE o.site_id = r.site_id
                    AND o.furnace_id = r.furnace_id AND o.subject_kind = 'reading' AND o.subject_id = r.id)
            UNION ALL
            SELECT 'adjustment', j.furnace_id, j.id, j.received_at, j.performed_by, j.previous_setpoint_c,
                j.setpoint_c
            FROM site AS s
            JOIN adjustment AS j ON j.site_id = s.id AND j.received_at >= s.adjustments_sign_off_since
            WHERE s.id = $1
                AND NOT EXISTS (SELECT 1 FROM sign_off AS o WHERE o.site_id = j.site_id
                    AND o.furnace_id = j.furnace_id AND o.subject_kind = 'adjustment' AND o.subject_id = j.id)
            ORDER BY 4, 3 LIMIT $2"
        );
        self.within(site)?;
        let rows: Vec<AwaitedRow> = query_as(SQL)
            .bind(site.as_str())
            .bind(MOST_AWAITED)
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(|row| row.awaited(site)).collect()
    }
}

/// Who recorded something, and the digest of what was recorded. The chain is read from its end: what is signed
/// was mostly recorded of late.
async fn recorded_by(
    connection: &mut Connection,
    site: &SiteId,
    subject: &str,
) -> Result<Option<(String, String)>, Error> {
    const SQL: &str = "SELECT actor, digest FROM audit WHERE site_id = $1 AND subject = $2
        ORDER BY seq DESC LIMIT 1";
    let rows: Vec<(String, String)> = query_as(SQL)
        .bind(site.as_str())
        .bind(subject)
        .fetch_all(connection)
        .await?;
    Ok(rows.into_iter().next())
}

async fn signed_by(
    connection: &mut Connection,
    subject: &SignOffSubject,
) -> Result<Vec<String>, Error> {
    const SQL: &str = "SELECT person FROM sign_off WHERE site_id = $1 AND furnace_id = $2
        AND subject_kind = $3 AND subject_id = $4 ORDER BY signed_at, id";
    Ok(query_scalar(SQL)
        .bind(subject.site().as_str())
        .bind(subject.furnace().furnace.as_str())
        .bind(kind_of(subject))
        .bind(subject.id())
        .fetch_all(connection)
        .await?)
}

/// What a record says of itself.
pub(crate) struct AsItStands {
    /// Who performed it.
    pub(crate) performed_by: String,
    /// The digest of its record.
    pub(crate) digest: String,
    /// The version that took its place.
    pub(crate) amended_by: Option<ReadingId>,
}

impl Tx {
    /// What bears on signing a record; none when it is not on record.
    pub async fn signable(&mut self, subject: &SignOffSubject) -> Result<Option<Signable>, Error> {
        self.within(subject.site())?;
        let name = subject.name();
        let stands = match subject {
            SignOffSubject::Reading(key) => readings::as_it_stands(self.connection(), key).await?,
            SignOffSubject::Adjustment(key) => {
                adjustments::as_it_stands(self.connection(), key).await?
            }
        };
        let Some(stands) = stands else {
            return Ok(None);
        };
        let recorded = recorded_by(self.connection(), subject.site(), &name).await?;
        let (actor, digest) = recorded.unwrap_or_default();
        Ok(Some(Signable {
            subject: subject.clone(),
            is_intact: stands.digest == digest,
            performed_by: stands.performed_by,
            amended_by: stands.amended_by.map(|reading| ReadingKey {
                furnace: subject.furnace().clone(),
                reading,
            }),
            signed_by: signed_by(self.connection(), subject).await?,
            actor,
            digest,
        }))
    }

    /// Stores a signature. Fails with [`Error::Exists`] when its id is taken at the site.
    pub async fn insert_sign_off(
        &mut self,
        sign_off: &SignOff,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO sign_off (site_id, furnace_id, subject_kind, subject_id, id,
                meaning, comment, person, credential_id, signed_at, record_digest)
            VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)";
        self.within(sign_off.subject.site())?;
        let row = SignOffRow::from(sign_off);
        let document = json(&row);
        query(SQL)
            .bind(row.site_id)
            .bind(row.furnace_id)
            .bind(row.subject_kind)
            .bind(row.subject_id)
            .bind(row.id)
            .bind(row.meaning)
            .bind(row.comment)
            .bind(row.person)
            .bind(row.credential_id)
            .bind(row.signed_at)
            .bind(row.record_digest)
            .execute(self.connection())
            .await
            .map_err(Error::of_insert)?;
        let happening = Happening {
            chain: sign_off.subject.site().to_string(),
            at: sign_off.signed_at,
            by: By::of(&self.scope),
            action: match sign_off.meaning {
                Meaning::Reviewed => "sign_off.review",
                Meaning::Rejected => "sign_off.reject",
            },
            subject: sign_off.name(),
            digest: digest(&document),
            document: Some(document),
            request: Some(request.clone()),
        };
        // Not through `happened`: no recording refers to a signature.
        self.append(vec![happening]).await
    }
}

/// The gravest meaning among signatures: null for none, 0 when all have reviewed, 1 when one has rejected.
pub(crate) fn gravest(any_rejected: Option<i64>) -> Option<Meaning> {
    any_rejected.map(|any| {
        if any == 0 {
            Meaning::Reviewed
        } else {
            Meaning::Rejected
        }
    })
}

/// The moment of a column that may be null.
pub(crate) fn optional_moment(
    place: Place<'_>,
    column: &'static str,
    at: Option<i64>,
) -> Result<Option<Timestamp>, Error> {
    at.map(|at| place.moment(column, at)).transpose()
}
