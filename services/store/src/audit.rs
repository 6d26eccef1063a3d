//! The audit chain: who did what, in an order that cannot be changed unseen; and the answers already
//! given to requests.
//!
//! Each site has a chain of its own, the network another (`''`). An entry holds the SHA-256 digest of
//! the record it is about and the hash of the entry before it; its own hash covers both. To alter a
//! record, its entry and every later entry of its chain would have to be altered too.

mod entries;

use jiff::Timestamp;
use ringtrue_fleet::act::Act;
use ringtrue_fleet::adjustment::Adjustment;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::credential::Credential;
use ringtrue_fleet::delivery::Feed;
use ringtrue_fleet::enrolment::Enrolment;
use ringtrue_fleet::event::FurnaceEvent;
use ringtrue_fleet::exposure::Decision;
use ringtrue_fleet::furnace::Furnace;
use ringtrue_fleet::gauge::{Gauge, GaugeCheck};
use ringtrue_fleet::grant::SiteGroup;
use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::programme::Programme;
use ringtrue_fleet::ring_batch::RingBatch;
use ringtrue_fleet::rule::Rule;
use ringtrue_fleet::sign_off::SignOff;
use ringtrue_fleet::site::Site;
use serde::de::DeserializeOwned;
use sha2::{Digest as _, Sha256};

use crate::columns::{Place, json};
use crate::database::{Connection, Sequence, hold_sequence, insert_rows, query_as, query_scalar};
use crate::reference::raise_version;
use crate::tables::acts::ActRow;
use crate::tables::adjustments::AdjustmentRow;
use crate::tables::agenda;
use crate::tables::credentials::CredentialRow;
use crate::tables::enrolments::EnrolmentRecord;
use crate::tables::events::EventRow;
use crate::tables::exposure_decisions::DecisionRow;
use crate::tables::feeds::FeedRow;
use crate::tables::furnaces::FurnaceRow;
use crate::tables::gauges::{CheckRow, GaugeRow};
use crate::tables::programmes::ProgrammeRow;
use crate::tables::readings::chunks;
use crate::tables::ring_batches::BatchDocument;
use crate::tables::rules::RuleRow;
use crate::tables::sign_offs::SignOffRow;
use crate::tables::site_groups::SiteGroupRow;
use crate::tables::sites::SiteRow;
use crate::{Error, Read, Tx};

pub use entries::{Entry, EntryFilter};

/// A request that changes something, for answering repeats with the first answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Request {
    /// UUID chosen by the caller; none when the caller wants no such promise.
    pub id: Option<uuid::Uuid>,
    /// The RPC.
    pub method: &'static str,
    /// SHA-256 of what was asked.
    pub digest: [u8; 32],
}

/// The answer that was given to a request before.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answered {
    /// Resource name of the answer.
    pub subject: String,
    /// The answer as it was, for content that may have changed since.
    pub(crate) document: Option<String>,
}

/// A row of `audit`.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub(crate) struct AuditRow {
    pub(crate) site_id: String,
    pub(crate) seq: i64,
    pub(crate) at: i64,
    pub(crate) actor: String,
    pub(crate) action: String,
    pub(crate) subject: String,
    pub(crate) document: Option<String>,
    pub(crate) digest: String,
    pub(crate) previous: String,
    pub(crate) hash: String,
    pub(crate) origin: String,
}

impl AuditRow {
    /// The hash over everything else. Parts are joined with their lengths, so that no two entries read
    /// the same. An origin is a part only where there is one.
    pub(crate) fn computed_hash(&self) -> String {
        let mut hasher = Sha256::new();
        for part in [
            self.site_id.as_bytes(),
            &self.seq.to_be_bytes(),
            &self.at.to_be_bytes(),
            self.actor.as_bytes(),
            self.action.as_bytes(),
            self.subject.as_bytes(),
            self.document.as_deref().unwrap_or_default().as_bytes(),
            self.digest.as_bytes(),
            self.previous.as_bytes(),
            self.origin.as_bytes(),
        ]
        .iter()
        .take(if self.origin.is_empty() { 9 } else { 10 })
        {
            hasher.update(part.len().to_be_bytes());
            hasher.update(part);
        }
        hexadecimal(&hasher.finalize())
    }
}

/// Who did something, and from where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct By {
    pub(crate) actor: String,
    pub(crate) origin: String,
}

impl By {
    /// Whoever has this scope.
    pub fn of(scope: &Scope) -> Self {
        Self {
            actor: scope.actor().to_owned(),
            origin: scope.origin().to_owned(),
        }
    }
}

/// What happened, before it has its place in a chain.
pub(crate) struct Happening {
    /// The chain: a site's id, or empty for the network's.
    pub(crate) chain: String,
    pub(crate) at: Timestamp,
    pub(crate) by: By,
    pub(crate) action: &'static str,
    pub(crate) subject: String,
    pub(crate) document: Option<String>,
    pub(crate) digest: String,
    pub(crate) request: Option<Request>,
}

/// Digest of a record or document, hexadecimal.
pub(crate) fn digest(text: &str) -> String {
    hexadecimal(&Sha256::digest(text.as_bytes()))
}

pub(crate) fn hexadecimal(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    let mut text = String::with_capacity(bytes.len() * 2);
    for byte in bytes {
        text.push(char::from(DIGITS[usize::from(byte >> 4)]));
        text.push(char::from(DIGITS[usize::from(byte & 15)]));
    }
    text
}

#[derive(sqlx::FromRow)]
struct Head {
    site_id: String,
    seq: i64,
    hash: String,
}

/// Whether a happening may bear on what is due or pressing at its site. Work that writes alerts does not put
/// the site on the agenda again that it just looked at, and what people sign with bears on nothing.
fn bears_on_due_dates(happening: &Happening) -> bool {
    let is_looks_own =
        happening.action.starts_with("alert.") && happening.by.actor.starts_with("work:");
    !is_looks_own && !happening.action.starts_with("signing_phrase.")
}

async fn append(connection: &mut Connection, happenings: Vec<Happening>) -> Result<(), Error> {
    // The ends first: behind row-level security a sub-select is no condition for the key.
    const HEADS: &str = "WITH ends AS MATERIALIZED (SELECT wanted.value AS site_id,
            (SELECT MAX(seq) FROM audit WHERE site_id = wanted.value) AS seq FROM json_each($1) AS wanted)
        SELECT a.site_id, a.seq, a.hash FROM ends
        CROSS JOIN audit AS a ON a.site_id = ends.site_id AND a.seq = ends.seq";
    let mut chains: Vec<&str> = happenings.iter().map(|h| h.chain.as_str()).collect();
    chains.sort_unstable();
    chains.dedup();
    if chains.first().is_some_and(|chain| chain.is_empty()) {
        hold_sequence(connection, Sequence::NetworkChain).await?;
    }
    let mut heads: Vec<Head> = query_as(HEADS)
        .bind(json(&chains))
        .fetch_all(&mut *connection)
        .await?;
    let mut sites: Vec<&str> = happenings
        .iter()
        .filter(|happening| bears_on_due_dates(happening))
        .map(|happening| happening.chain.as_str())
        .collect();
    sites.sort_unstable();
    sites.dedup();
    agenda::put_on(connection, &sites).await?;
    let mut entries = Vec::with_capacity(happenings.len());
    let mut requests = Vec::new();
    for happening in happenings {
        let at = heads
            .iter()
            .position(|head| head.site_id == happening.chain);
        let (seq, previous) = match at {
            Some(at) => (heads[at].seq + 1, heads[at].hash.clone()),
            None => (1, String::new()),
        };
        let mut entry = AuditRow {
            site_id: happening.chain,
            seq,
            at: happening.at.as_microsecond(),
            actor: happening.by.actor,
            action: happening.action.to_owned(),
            subject: happening.subject,
            document: happening.document,
            digest: happening.digest,
            previous,
            hash: String::new(),
            origin: happening.by.origin,
        };
        entry.hash = entry.computed_hash();
        let head = Head {
            site_id: entry.site_id.clone(),
            seq,
            hash: entry.hash.clone(),
        };
        match at {
            Some(at) => heads[at] = head,
            None => heads.push(head),
        }
        if let Some(Request {
            id: Some(id),
            method,
            digest,
        }) = happening.request
        {
            requests.push((
                id,
                method,
                hexadecimal(&digest),
                entry.subject.clone(),
                entry.site_id.clone(),
                seq,
                entry.at,
            ));
        }
        entries.push(entry);
    }
    insert_entries(connection, &entries).await?;
    insert_requests(connection, &requests).await
}

async fn insert_entries(connection: &mut Connection, entries: &[AuditRow]) -> Result<(), Error> {
    for now in chunks(entries) {
        insert_rows(connection, "INSERT INTO audit (site_id, seq, at, actor, action, subject, document, digest, previous, hash, origin) ", "", now, |row, entry| {
            row.push(&entry.site_id)
                .push(entry.seq)
                .push(entry.at)
                .push(&entry.actor)
                .push(&entry.action)
                .push(&entry.subject)
                .push(&entry.document)
                .push(&entry.digest)
                .push(&entry.previous)
                .push(&entry.hash)
                .push(&entry.origin);
}).await?;
    }
    Ok(())
}

type RequestRow = (uuid::Uuid, &'static str, String, String, String, i64, i64);

async fn insert_requests(
    connection: &mut Connection,
    requests: &[RequestRow],
) -> Result<(), Error> {
    for now in chunks(requests) {
        insert_rows(
            connection,
            "INSERT INTO request (id, method, digest, subject, site_id, seq, answered_at) ",
            "",
            now,
            |row, (id, method, digest, subject, chain, seq, at)| {
                row.push(id.hyphenated().to_string())
                    .push(*method)
                    .push(digest)
                    .push(subject)
                    .push(chain)
                    .push(seq)
                    .push(at);
            },
        )
        .await
        .map_err(Error::of_insert)?;
    }
    Ok(())
}

#[derive(sqlx::FromRow)]
struct AnsweredRow {
    id: String,
    method: String,
    digest: String,
    subject: String,
    document: Option<String>,
}

/// The answers already given to some requests, by place in the list.
pub(crate) async fn answered(
    connection: &mut Connection,
    requests: &[&Request],
) -> Result<Vec<Option<Result<Answered, Error>>>, Error> {
    const SQL: &str = "SELECT r.id, r.method, r.digest, r.subject, a.document
        FROM json_each($1) AS wanted
        CROSS JOIN request AS r ON r.id = wanted.value
        LEFT JOIN audit AS a ON a.site_id = r.site_id AND a.seq = r.seq";
    let ids: Vec<String> = requests
        .iter()
        .filter_map(|r| r.id)
        .map(|id| id.hyphenated().to_string())
        .collect();
    let rows: Vec<AnsweredRow> = if ids.is_empty() {
        Vec::new()
    } else {
        query_as(SQL).bind(json(&ids)).fetch_all(connection).await?
    };
    let mut found = Vec::with_capacity(requests.len());
    for request in requests {
        let id = request.id.map(|id| id.hyphenated().to_string());
        let row = rows.iter().find(|row| Some(&row.id) == id.as_ref());
        found.push(row.map(|row| {
            if row.method == request.method && row.digest == hexadecimal(&request.digest) {
                Ok(Answered {
                    subject: row.subject.clone(),
                    document: row.document.clone(),
                })
            } else {
                Err(Error::RequestIdReused)
            }
        }));
    }
    Ok(found)
}

impl Tx {
    /// Appends to the chains, in order, remembers the answers, and puts the sites on the agenda.
    pub(crate) async fn append(&mut self, happenings: Vec<Happening>) -> Result<(), Error> {
        self.has_entered |= !happenings.is_empty();
        append(self.connection(), happenings).await
    }

    /// The answer already given to this request. Fails with [`Error::RequestIdReused`] when the id was
    /// used for something else.
    pub async fn answered(&mut self, request: &Request) -> Result<Option<Answered>, Error> {
        let mut found = answered(self.connection(), &[request]).await?;
        found.pop().flatten().transpose()
    }

    /// Writes one entry about a new version or record of what recordings refer to; it is kept whole in
    /// the entry.
    pub(crate) async fn happened(
        &mut self,
        site: Option<&SiteId>,
        action: &'static str,
        subject: String,
        document: String,
        request: &Request,
        at: Timestamp,
    ) -> Result<(), Error> {
        let happening = Happening {
            chain: site.map_or_else(String::new, ToString::to_string),
            at,
            by: By::of(&self.scope),
            action,
            subject,
            digest: digest(&document),
            document: Some(document),
            request: Some(request.clone()),
        };
        raise_version(self.connection()).await?;
        self.append(vec![happening]).await
    }
}

impl Read {
    /// The answer already given to this request, looked up without a transaction. Fails with
    /// [`Error::RequestIdReused`] when the id was used for something else.
    pub async fn answered(&self, request: &Request) -> Result<Option<Answered>, Error> {
        let mut found = answered(&mut self.connection().await?, &[request]).await?;
        found.pop().flatten().transpose()
    }
}

impl Request {
    /// No request: a change that follows from another.
    pub const NONE: Self = Self {
        id: None,
        method: "",
        digest: [0; 32],
    };
}

impl Answered {
    pub(crate) fn document<T: DeserializeOwned>(&self) -> Result<T, Error> {
        let place = Place {
            table: "audit",
            key: &self.subject,
        };
        let document = self
            .document
            .as_deref()
            .ok_or_else(|| place.corrupt("document"))?;
        place.json("document", document)
    }

    /// The site as first answered.
    pub fn site(&self) -> Result<Site, Error> {
        self.document::<SiteRow>()?.site()
    }

    /// The furnace as first answered.
    pub fn furnace(&self) -> Result<Furnace, Error> {
        self.document::<FurnaceRow>()?.furnace()
    }

    /// The programme as first answered.
    pub fn programme(&self) -> Result<Programme, Error> {
        self.document::<ProgrammeRow>()?.programme()
    }

    /// The ring batch as first answered.
    pub fn ring_batch(&self) -> Result<RingBatch, Error> {
        self.document::<BatchDocument>()?.batch()
    }

    /// The gauge as first answered.
    pub fn gauge(&self) -> Result<Gauge, Error> {
        self.document::<GaugeRow>()?.gauge()
    }

    /// The gauge check as first answered.
    pub fn gauge_check(&self) -> Result<GaugeCheck, Error> {
        self.document::<CheckRow>()?.check()
    }

    /// The furnace event as first answered.
    pub fn furnace_event(&self) -> Result<FurnaceEvent, Error> {
        self.document::<EventRow>()?.event()
    }

    /// The rule as first answered.
    pub fn rule(&self) -> Result<Rule, Error> {
        self.document::<RuleRow>()?.rule()
    }

    /// The credential as first answered.
    pub fn credential(&self) -> Result<Credential, Error> {
        self.document::<CredentialRow>()?.credential()
    }

    /// The enrolment as first answered.
    pub fn enrolment(&self) -> Result<Enrolment, Error> {
        self.document::<EnrolmentRecord>()?.enrolment()
    }

    /// The group of sites as first answered.
    pub fn site_group(&self) -> Result<SiteGroup, Error> {
        self.document::<SiteGroupRow>()?.site_group()
    }

    /// The act as first answered.
    pub fn act(&self) -> Result<Act, Error> {
        self.document::<ActRow>()?.act()
    }

    /// The decision about an exposure as first answered.
    pub fn exposure_decision(&self) -> Result<Decision, Error> {
        self.document::<DecisionRow>()?.decision()
    }

    /// The calendar feed as first answered.
    pub fn feed(&self) -> Result<Feed, Error> {
        self.document::<FeedRow>()?.feed()
    }

    /// The adjustment as first answered.
    pub fn adjustment(&self) -> Result<Adjustment, Error> {
        self.document::<AdjustmentRow>()?.adjustment()
    }

    /// The signature as first answered.
    pub fn sign_off(&self) -> Result<SignOff, Error> {
        self.document::<SignOffRow>()?.sign_off()
    }
}

impl Read {
    /// How many entries a chain has; `None` asks for the network's own.
    pub async fn audit_length(&self, site: Option<&SiteId>) -> Result<i64, Error> {
        const SQL: &str = "SELECT COUNT(*) FROM audit WHERE site_id = $1";
        if let Some(site) = site {
            self.within(site)?;
        }
        let chain = site.map_or("", SiteId::as_str);
        Ok(query_scalar(SQL)
            .bind(chain)
            .fetch_one(&mut self.connection().await?)
            .await?)
    }
}
