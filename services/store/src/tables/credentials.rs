//! Credentials: what proves who makes a call. Of secrets only digests are kept: they are random and long, so that
//! a digest gives nothing away.

use std::collections::BTreeSet;

use jiff::Timestamp;
use ringtrue_fleet::credential::{Credential, CredentialWish};
use ringtrue_fleet::grant::{Grant, Reach};
use ringtrue_fleet::key::{CredentialId, SiteGroupId, SiteId};
use serde::{Deserialize, Serialize};

use super::sites::reach;
use super::wishes::{WishColumns, covers, raise_access_version, site_ids};
use crate::audit::hexadecimal;
use crate::columns::{Place, json};
use crate::database::{Connection, query, query_as, query_scalar};
use crate::{Error, Page, Read, Request, Tx};

/// A credential with the sites that it reaches now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proving {
    /// The credential, whether or not it may still be used.
    pub credential: Credential,
    /// Its sites, those of its groups included; none for the whole network.
    pub sites: Option<BTreeSet<SiteId>>,
}

/// A credential with its last use, and whether it can sign.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptCredential {
    /// The credential.
    pub credential: Credential,
    /// When and from which address it was used last; none before the first use.
    pub last_use: Option<(Timestamp, String)>,
    /// Whether its holder has set a signing phrase.
    pub has_signing_phrase: bool,
}

/// A row of `credential`; also its document in the audit chain.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct CredentialRow {
    id: String,
    #[sqlx(flatten)]
    #[serde(flatten)]
    wish: WishColumns,
    secret_digest: String,
    previous_digest: String,
    previous_until: Option<i64>,
    certificate_digest: String,
    created_at: i64,
    expires_at: i64,
    revoked_at: Option<i64>,
    revoke_reason: String,
}

/// A row with what `credential_use` says of it.
#[derive(sqlx::FromRow)]
struct KeptRow {
    #[sqlx(flatten)]
    row: CredentialRow,
    used_at: Option<i64>,
    address: Option<String>,
    has_signing_phrase: bool,
}

pub(super) fn written_digest(digest: Option<[u8; 32]>) -> String {
    digest.map_or_else(String::new, |digest| hexadecimal(&digest))
}

impl CredentialRow {
    fn of(credential: &Credential, revoke_reason: &str) -> Self {
        let (previous, until) = credential.previous.unzip();
        Self {
            id: credential.key.to_string(),
            wish: WishColumns::of(
                &credential.display_name,
                &credential.holder,
                &credential.grant,
                credential.lifetime_days,
            ),
            secret_digest: written_digest(credential.secret),
            previous_digest: written_digest(previous),
            previous_until: until.map(Timestamp::as_microsecond),
            certificate_digest: written_digest(credential.certificate),
            created_at: credential.created_at.as_microsecond(),
            expires_at: credential.expires_at.as_microsecond(),
            revoked_at: credential.revoked_at.map(Timestamp::as_microsecond),
            revoke_reason: revoke_reason.to_owned(),
        }
    }

    pub(crate) fn name(&self) -> String {
        format!("credentials/{}", self.id)
    }

    pub(crate) fn credential(self) -> Result<Credential, Error> {
        let place = Place {
            table: "credential",
            key: &self.id,
        };
        let previous = place.sha256("previous_digest", &self.previous_digest)?;
        let previous = match (previous, self.previous_until) {
            (Some(digest), Some(until)) => Some((digest, place.moment("previous_until", until)?)),
            (None, None) => None,
            _ => return Err(place.corrupt("previous_until")),
        };
        let certificate = place.sha256("certificate_digest", &self.certificate_digest)?;
        let wish = self.wish.wish(place, certificate)?;
        Ok(Credential {
            key: place.id("id", CredentialId::new(&self.id))?,
            display_name: wish.display_name,
            holder: wish.holder,
            grant: wish.grant,
            secret: place.sha256("secret_digest", &self.secret_digest)?,
            previous,
            certificate,
            lifetime_days: wish.lifetime_days,
            created_at: place.moment("created_at", self.created_at)?,
            expires_at: place.moment("expires_at", self.expires_at)?,
            revoked_at: match self.revoked_at {
                Some(at) => Some(place.moment("revoked_at", at)?),
                None => None,
            },
        })
    }
}

impl KeptRow {
    fn kept(self) -> Result<KeptCredential, Error> {
        let place = Place {
            table: "credential_use",
            key: &self.row.id,
        };
        let last_use = match self.used_at {
            Some(at) => Some((
                place.moment("used_at", at)?,
                self.address.unwrap_or_default(),
            )),
            None => None,
        };
        Ok(KeptCredential {
            last_use,
            has_signing_phrase: self.has_signing_phrase,
            credential: self.row.credential()?,
        })
    }
}

async fn credential(
    connection: &mut Connection,
    id: &CredentialId,
) -> Result<Option<Credential>, Error> {
    const SQL: &str = "SELECT * FROM credential WHERE id = $1";
    let rows: Vec<CredentialRow> = query_as(SQL)
        .bind(id.as_str())
        .fetch_all(connection)
        .await?;
    rows.into_iter()
        .next()
        .map(CredentialRow::credential)
        .transpose()
}

/// The sites that a grant reaches now; none for the whole network.
async fn sites_now(
    connection: &mut Connection,
    grant: &Grant,
) -> Result<Option<BTreeSet<SiteId>>, Error> {
    const SQL: &str = "SELECT g.id, g.sites FROM json_each($1) AS wanted
        CROSS JOIN site_group AS g ON g.id = wanted.value WHERE NOT g.is_removed";
    let Reach::Sites { sites, groups } = &grant.reach else {
        return Ok(None);
    };
    let mut sites = sites.clone();
    if !groups.is_empty() {
        let ids: Vec<&str> = groups.iter().map(SiteGroupId::as_str).collect();
        let rows: Vec<(String, String)> =
            query_as(SQL).bind(json(&ids)).fetch_all(connection).await?;
        for (id, list) in rows {
            let place = Place {
                table: "site_group",
                key: &id,
            };
            sites.append(&mut site_ids(place, "sites", &list)?);
        }
    }
    Ok(Some(sites))
}

impl Read {
    /// The number that every change of a credential or a group of sites raises: what was read of them holds while
    /// it stands.
    pub async fn access_version(&self) -> Result<i64, Error> {
        const SQL: &str = "SELECT version FROM access_version WHERE id = 1";
        self.everywhere()?;
        Ok(query_scalar(SQL)
            .fetch_one(&mut self.connection().await?)
            .await?)
    }

    /// A credential with the sites that it reaches now, for finding out who calls. For the server's own work.
    pub async fn credential_to_prove(&self, id: &CredentialId) -> Result<Option<Proving>, Error> {
        self.everywhere()?;
        let mut connection = self.connection().await?;
        let Some(credential) = credential(&mut connection, id).await? else {
            return Ok(None);
        };
        let sites = sites_now(&mut connection, &credential.grant).await?;
        Ok(Some(Proving { credential, sites }))
    }

    /// The credential of a client certificate by the certificate's SHA-256, unless it was revoked. For the server's
    /// own work.
    pub async fn credential_of_certificate(
        &self,
        sha256: &[u8; 32],
    ) -> Result<Option<Proving>, Error> {
        const SQL: &str =
            "SELECT * FROM credential WHERE certificate_digest = $1 AND certificate_digest <> ''
                AND revoked_at IS NULL";
        self.everywhere()?;
        let mut connection = self.connection().await?;
        let rows: Vec<CredentialRow> = query_as(SQL)
            .bind(hexadecimal(sha256))
            .fetch_all(&mut connection)
            .await?;
        let Some(row) = rows.into_iter().next() else {
            return Ok(None);
        };
        let credential = row.credential()?;
        let sites = sites_now(&mut connection, &credential.grant).await?;
        Ok(Some(Proving { credential, sites }))
    }

    /// One credential with its last use, and whether it can sign; none also when the scope does not cover it, since it is not to be known
    /// there.
    pub async fn credential(&self, id: &CredentialId) -> Result<Option<KeptCredential>, Error> {
        const SQL: &str =
            "SELECT c.*, u.used_at, u.address, p.credential_id IS NOT NULL AS has_signing_phrase
            FROM credential AS c LEFT JOIN credential_use AS u ON u.credential_id = c.id
            LEFT JOIN signing_phrase AS p ON p.credential_id = c.id WHERE c.id = $1";
        let rows: Vec<KeptRow> = query_as(SQL)
            .bind(id.as_str())
            .fetch_all(&mut self.connection().await?)
            .await?;
        let Some(row) = rows.into_iter().next() else {
            return Ok(None);
        };
        let kept = row.kept()?;
        Ok(covers(&self.scope, &kept.credential.grant).then_some(kept))
    }

    /// Credentials that the scope covers, newest first; those that ended before `active_at` only when it is none.
    pub async fn credentials(
        &self,
        active_at: Option<Timestamp>,
        page: &Page,
    ) -> Result<Vec<KeptCredential>, Error> {
        const SQL: &str =
            "SELECT c.*, u.used_at, u.address, p.credential_id IS NOT NULL AS has_signing_phrase
            FROM credential AS c LEFT JOIN credential_use AS u ON u.credential_id = c.id
            LEFT JOIN signing_phrase AS p ON p.credential_id = c.id
            WHERE ($1 IS NULL OR (c.revoked_at IS NULL AND c.expires_at > $1))
                AND ($2 IS NULL OR (NOT c.whole_network AND c.site_groups = '[]' AND c.sites <> '[]'
                    AND NOT EXISTS (SELECT 1 FROM json_each(c.sites) AS one
                        WHERE one.value NOT IN (SELECT value FROM json_each($2)))))
                AND (c.created_at < $3 OR (c.created_at = $3 AND c.id > $4))
            ORDER BY c.created_at DESC, c.id LIMIT $5";
        let rows: Vec<KeptRow> = query_as(SQL)
            .bind(active_at.map(Timestamp::as_microsecond))
            .bind(reach(&self.scope))
            .bind(page.moment(0))
            .bind(page.text(1))
            .bind(page.limit())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(KeptRow::kept).collect()
    }
}

impl Read {
    /// Credentials of some sites, none for those of the network, that were not revoked and end after a moment; by
    /// site and id.
    pub async fn credentials_ending(
        &self,
        places: &[Option<SiteId>],
        after: Timestamp,
    ) -> Result<Vec<Credential>, Error> {
        const SQL: &str = "SELECT c.* FROM json_each($1) AS wanted
            CROSS JOIN credential AS c ON c.site_id = wanted.value AND c.expires_at > $2
            WHERE c.revoked_at IS NULL ORDER BY c.site_id, c.id";
        let mut wanted = Vec::with_capacity(places.len());
        for place in places {
            self.at_place(place.as_ref())?;
            wanted.push(place.as_ref().map_or("", SiteId::as_str));
        }
        let rows: Vec<CredentialRow> = query_as(SQL)
            .bind(json(&wanted))
            .bind(after.as_microsecond())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(CredentialRow::credential).collect()
    }
}

impl Tx {
    /// One credential; none also when the scope does not cover it, since it is not to be known there.
    pub async fn credential(&mut self, id: &CredentialId) -> Result<Option<Credential>, Error> {
        let found = credential(self.connection(), id).await?;
        Ok(found.filter(|credential| covers(&self.scope, &credential.grant)))
    }

    /// How many credentials of administrators may be used at a moment.
    pub async fn active_administrators(&mut self, now: Timestamp) -> Result<i64, Error> {
        const SQL: &str = "SELECT COUNT(*) FROM credential
            WHERE role = 'administrator' AND revoked_at IS NULL AND expires_at > $1";
        self.everywhere()?;
        Ok(query_scalar(SQL)
            .bind(now.as_microsecond())
            .fetch_one(self.connection())
            .await?)
    }

    /// Stores a new credential. Fails with [`Error::Exists`] when another one has its certificate.
    pub async fn insert_credential(
        &mut self,
        credential: &Credential,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO credential (id, site_id, display_name, kind, person, role, permissions,
                whole_network, sites, site_groups, lifetime_days, secret_digest, previous_digest,
                previous_until, certificate_digest, created_at, expires_at, revoked_at, revoke_reason)
            VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19)";
        self.covers(&credential.grant)?;
        let row = CredentialRow::of(credential, "");
        query(SQL)
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
            .bind(&row.secret_digest)
            .bind(&row.previous_digest)
            .bind(row.previous_until)
            .bind(&row.certificate_digest)
            .bind(row.created_at)
            .bind(row.expires_at)
            .bind(row.revoked_at)
            .bind(&row.revoke_reason)
            .execute(self.connection())
            .await
            .map_err(Error::of_insert)?;
        self.credential_changed(&row, "credential.create", credential.created_at, request)
            .await
    }

    /// Stores a credential with its new secret.
    pub async fn rotate_credential(
        &mut self,
        rotated: &Credential,
        now: Timestamp,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str =
            "UPDATE credential SET secret_digest = $2, previous_digest = $3, previous_until = $4,
            expires_at = $5 WHERE id = $1";
        self.covers(&rotated.grant)?;
        let row = CredentialRow::of(rotated, "");
        query(SQL)
            .bind(&row.id)
            .bind(&row.secret_digest)
            .bind(&row.previous_digest)
            .bind(row.previous_until)
            .bind(row.expires_at)
            .execute(self.connection())
            .await?;
        self.credential_changed(&row, "credential.rotate", now, request)
            .await
    }

    /// Stores a credential that was ended; `now` is its moment.
    pub async fn revoke_credential(
        &mut self,
        revoked: &Credential,
        reason: &str,
        now: Timestamp,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str =
            "UPDATE credential SET secret_digest = $2, previous_digest = $3, previous_until = $4,
            revoked_at = $5, revoke_reason = $6 WHERE id = $1";
        self.covers(&revoked.grant)?;
        let row = CredentialRow::of(revoked, reason);
        query(SQL)
            .bind(&row.id)
            .bind(&row.secret_digest)
            .bind(&row.previous_digest)
            .bind(row.previous_until)
            .bind(row.revoked_at)
            .bind(&row.revoke_reason)
            .execute(self.connection())
            .await?;
        self.credential_changed(&row, "credential.revoke", now, request)
            .await
    }

    /// Credentials were used at these moments from these addresses. No record and no entry: it is written over.
    /// For the server's own work.
    pub async fn note_credential_uses(
        &mut self,
        uses: &[(CredentialId, Timestamp, String)],
    ) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO credential_use (credential_id, used_at, address)
            SELECT c.id, CAST(json_extract(one.value, '$[1]') AS BIGINT), json_extract(one.value, '$[2]')
                FROM json_each($1) AS one CROSS JOIN credential AS c ON c.id = json_extract(one.value, '$[0]')
            WHERE true
            ON CONFLICT (credential_id) DO UPDATE SET used_at = excluded.used_at, address = excluded.address
                WHERE excluded.used_at >= credential_use.used_at";
        self.everywhere()?;
        let rows: Vec<(&str, i64, &str)> = uses
            .iter()
            .map(|(id, at, address)| (id.as_str(), at.as_microsecond(), address.as_str()))
            .collect();
        query(SQL)
            .bind(json(&rows))
            .execute(self.connection())
            .await?;
        Ok(())
    }

    async fn credential_changed(
        &mut self,
        row: &CredentialRow,
        action: &'static str,
        at: Timestamp,
        request: &Request,
    ) -> Result<(), Error> {
        raise_access_version(self.connection()).await?;
        self.access_changed(&row.wish.site_id, action, row.name(), row, request, at)
            .await
    }
}

/// A wish as a credential's columns hold it.
pub(super) fn columns_of(wish: &CredentialWish) -> WishColumns {
    WishColumns::of(
        &wish.display_name,
        &wish.holder,
        &wish.grant,
        wish.lifetime_days,
    )
}
