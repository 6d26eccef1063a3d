//! Findings: what readings show together, and what people said about it.
//!
//! The audit chains hold what opens, is acknowledged and closes. The figures behind a finding follow from
//! readings and are refreshed without an entry.

use std::collections::HashMap;

use jiff::Timestamp;
use ringtrue_fleet::due::OpenFinding;
use ringtrue_fleet::finding::{Evidence, Finding, FindingKind, FindingState, Subject};
use ringtrue_fleet::key::{FindingId, ReadingKey, SiteId};
use serde::{Deserialize, Serialize};

use super::readings::chunks;
use super::sites::reach;
use crate::audit::{Answered, By, Happening, digest};
use crate::columns::{Place, json};
use crate::database::{Connection, insert_rows, query_as, query_scalar};
use crate::{Error, Page, PagePart, Read, Request, Tx};

/// Which findings are wanted.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct FindingFilter {
    /// Of this site; of all that the scope reaches, and those that the whole network shares, when none.
    pub site: Option<SiteId>,
    /// In this state; open and acknowledged ones when none.
    pub state: Option<FindingState>,
    /// Of this kind.
    pub kind: Option<FindingKind>,
    /// About this subject.
    pub subject: Option<Subject>,
}

/// A finding with what people call its subject.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedFinding {
    /// The finding.
    pub finding: Finding,
    /// What people call its subject; of a batch its code.
    pub subject_display_name: String,
    /// What people call its site; empty for a batch.
    pub site_display_name: String,
}

impl NamedFinding {
    /// Its place in the list of [`Read::findings`], for the page after it.
    pub fn place(&self) -> Vec<PagePart> {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "a probability of at most 1 in thousandths"
        )]
        let thousandths = (self.finding.probability * 1000.0).round() as i64;
        let rank = match self.finding.state {
            FindingState::Open => 0,
            FindingState::Acknowledged => 1,
            FindingState::Resolved => 2,
        };
        vec![
            PagePart::Number(rank),
            PagePart::Number(-thousandths),
            PagePart::Text(self.finding.id.to_string()),
        ]
    }
}

/// A row of `finding`.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub(crate) struct FindingRow {
    id: String,
    kind: String,
    site_id: String,
    subject: String,
    state: String,
    probability: f64,
    statement: String,
    next_step: String,
    evidence: String,
    readings: String,
    first_seen_at: i64,
    last_seen_at: i64,
    false_discovery_rate: f64,
    note: String,
    noted_by: String,
    noted_at: Option<i64>,
    revision: i64,
}

#[derive(sqlx::FromRow)]
struct NamedRow {
    #[sqlx(flatten)]
    finding: FindingRow,
    subject_display_name: String,
    site_display_name: String,
}

/// What of a finding the audit chain vouches for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct FindingRecord {
    id: String,
    kind: String,
    site_id: String,
    subject: String,
    state: String,
    first_seen_at: i64,
    note: String,
    noted_by: String,
    noted_at: Option<i64>,
    revision: i64,
}

impl From<&Finding> for FindingRow {
    fn from(finding: &Finding) -> Self {
        let evidence: Vec<(&str, f64, &str)> = finding
            .evidence
            .iter()
            .map(|figure| (figure.label.as_str(), figure.value, figure.unit.as_str()))
            .collect();
        let readings: Vec<String> = finding.readings.iter().map(ReadingKey::name).collect();
        Self {
            id: finding.id.to_string(),
            kind: finding.kind.word().to_owned(),
            site_id: chain_of(finding),
            subject: finding.subject.name(),
            state: finding.state.word().to_owned(),
            probability: finding.probability,
            statement: finding.statement.clone(),
            next_step: finding.next_step.clone(),
            evidence: json(&evidence),
            readings: json(&readings),
            first_seen_at: finding.first_seen_at.as_microsecond(),
            last_seen_at: finding.last_seen_at.as_microsecond(),
            false_discovery_rate: finding.false_discovery_rate,
            note: finding.note.clone(),
            noted_by: finding.noted_by.clone(),
            noted_at: finding.noted_at.map(Timestamp::as_microsecond),
            revision: finding.revision,
        }
    }
}

impl From<&FindingRow> for FindingRecord {
    fn from(row: &FindingRow) -> Self {
        Self {
            id: row.id.clone(),
            kind: row.kind.clone(),
            site_id: row.site_id.clone(),
            subject: row.subject.clone(),
            state: row.state.clone(),
            first_seen_at: row.first_seen_at,
            note: row.note.clone(),
            noted_by: row.noted_by.clone(),
            noted_at: row.noted_at,
            revision: row.revision,
        }
    }
}

impl FindingRow {
    pub(crate) fn name(&self) -> String {
        format!("findings/{}", self.id)
    }

    fn finding(self) -> Result<Finding, Error> {
        let place = Place {
            table: "finding",
            key: &self.id,
        };
        let figures: Vec<(String, f64, String)> = place.json("evidence", &self.evidence)?;
        let mut evidence = Vec::with_capacity(figures.len());
        for (label, value, unit) in figures {
            evidence.push(Evidence { label, value, unit });
        }
        let names: Vec<String> = place.json("readings", &self.readings)?;
        let mut readings = Vec::with_capacity(names.len());
        for name in names {
            readings.push(place.id("readings", ReadingKey::parse(&name))?);
        }
        let kind = FindingKind::parse(&self.kind).ok_or_else(|| place.corrupt("kind"))?;
        let state = FindingState::parse(&self.state).ok_or_else(|| place.corrupt("state"))?;
        Ok(Finding {
            id: place.id("id", FindingId::new(&self.id))?,
            kind,
            subject: place.id("subject", Subject::parse(&self.subject))?,
            state,
            probability: self.probability,
            evidence,
            readings,
            first_seen_at: place.moment("first_seen_at", self.first_seen_at)?,
            last_seen_at: place.moment("last_seen_at", self.last_seen_at)?,
            noted_at: match self.noted_at {
                Some(at) => Some(place.moment("noted_at", at)?),
                None => None,
            },
            statement: self.statement,
            next_step: self.next_step,
            false_discovery_rate: self.false_discovery_rate,
            note: self.note,
            noted_by: self.noted_by,
            revision: self.revision,
        })
    }
}

impl NamedRow {
    fn named(self) -> Result<NamedFinding, Error> {
        Ok(NamedFinding {
            finding: self.finding.finding()?,
            subject_display_name: self.subject_display_name,
            site_display_name: self.site_display_name,
        })
    }
}

/// The audit chain of a finding, also its `site_id`: its site's, or the network's.
fn chain_of(finding: &Finding) -> String {
    finding
        .subject
        .site()
        .map_or_else(String::new, ToString::to_string)
}

/// One finding, when it is the network's or of one of these sites; `sites` as [`reach`] gives them.
async fn finding(
    connection: &mut Connection,
    id: &FindingId,
    sites: Option<String>,
) -> Result<Option<NamedFinding>, Error> {
    const SQL: &str =
        "SELECT fi.*, COALESCE(f.display_name, g.display_name, b.code, s.display_name, '')
            AS subject_display_name, COALESCE(s.display_name, '') AS site_display_name
        FROM finding AS fi
        LEFT JOIN site AS s ON s.id = fi.site_id
        LEFT JOIN furnace AS f ON f.site_id = fi.site_id
            AND fi.subject = 'sites/' || f.site_id || '/furnaces/' || f.id
        LEFT JOIN gauge AS g ON g.site_id = fi.site_id
            AND fi.subject = 'sites/' || g.site_id || '/gauges/' || g.id
        LEFT JOIN ring_batch AS b ON fi.site_id = '' AND fi.subject = 'ringBatches/' || b.id
        WHERE fi.id = $1 AND (fi.site_id = '' OR $2 IS NULL
            OR fi.site_id IN (SELECT value FROM json_each($2)))";
    let rows: Vec<NamedRow> = query_as(SQL)
        .bind(id.as_str())
        .bind(sites)
        .fetch_all(connection)
        .await?;
    rows.into_iter().next().map(NamedRow::named).transpose()
}

/// A number of the page's key; `first` on the first page.
fn number(page: &Page, at: usize, first: i64) -> i64 {
    match page.after.get(at) {
        Some(PagePart::Number(number)) => *number,
        _ => first,
    }
}

impl Read {
    /// One finding; none when the scope does not reach its site. What the whole network shares is seen by
    /// all.
    pub async fn finding(&self, id: &FindingId) -> Result<Option<NamedFinding>, Error> {
        let sites = reach(&self.scope);
        finding(&mut self.connection().await?, id, sites).await
    }

    /// Findings: open ones first, then acknowledged, then resolved; among those the most probable first, to
    /// a thousandth, and then by id.
    pub async fn findings(
        &self,
        filter: &FindingFilter,
        page: &Page,
    ) -> Result<Vec<NamedFinding>, Error> {
        const SQL: &str = "SELECT fi.*, COALESCE(f.display_name, g.display_name, b.code, s.display_name, '')
                AS subject_display_name, COALESCE(s.display_name, '') AS site_display_name
            FROM (SELECT *, CASE state WHEN 'open' THEN 0 WHEN 'acknowledged' THEN 1 ELSE 2 END AS rank,
                    -CAST(ROUND(probability * 1000) AS BIGINT) AS doubt
                FROM finding
                WHERE ($1 IS NULL OR site_id = $1)
                    AND (site_id = '' OR $2 IS NULL OR site_id IN (SELECT value FROM json_each($2)))
                    AND (CASE WHEN $3 IS NULL THEN state <> 'resolved' ELSE state = $3 END)
                    AND ($4 IS NULL OR kind = $4)
                    AND ($5 IS NULL OR subject = $5)) AS fi
            LEFT JOIN site AS s ON s.id = fi.site_id
            LEFT JOIN furnace AS f ON f.site_id = fi.site_id
                AND fi.subject = 'sites/' || f.site_id || '/furnaces/' || f.id
            LEFT JOIN gauge AS g ON g.site_id = fi.site_id
                AND fi.subject = 'sites/' || g.site_id || '/gauges/' || g.id
            LEFT JOIN ring_batch AS b ON fi.site_id = '' AND fi.subject = 'ringBatches/' || b.id
            WHERE (fi.rank, fi.doubt, fi.id) > ($6, $7, $8)
            ORDER BY fi.rank, fi.doubt, fi.id LIMIT $9";
        if let Some(site) = &filter.site {
            self.within(site)?;
        }
        let rows: Vec<NamedRow> = query_as(SQL)
            .bind(filter.site.as_ref().map(SiteId::as_str))
            .bind(reach(&self.scope))
            .bind(filter.state.map(FindingState::word))
            .bind(filter.kind.map(FindingKind::word))
            .bind(filter.subject.as_ref().map(Subject::name))
            .bind(number(page, 0, -1))
            .bind(number(page, 1, i64::MIN))
            .bind(page.text(2))
            .bind(page.limit())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(NamedRow::named).collect()
    }

    /// The subjects of a site with findings that are not resolved: resource name and how many.
    pub async fn open_findings(&self, site: &SiteId) -> Result<Vec<(String, u32)>, Error> {
        const SQL: &str = "SELECT subject, COUNT(*) FROM finding
            WHERE site_id = $1 AND state IN ('open', 'acknowledged')
            GROUP BY subject ORDER BY subject";
        self.within(site)?;
        let rows: Vec<(String, i64)> = query_as(SQL)
            .bind(site.as_str())
            .fetch_all(&mut self.connection().await?)
            .await?;
        Ok(rows
            .into_iter()
            .map(|(subject, count)| (subject, u32::try_from(count).unwrap_or(u32::MAX)))
            .collect())
    }

    /// Findings that are not resolved about what the whole network shares.
    pub async fn network_findings(&self) -> Result<Vec<OpenFinding>, Error> {
        const SQL: &str = "SELECT fi.*, COALESCE(b.code, '') AS subject_display_name,
                '' AS site_display_name
            FROM finding AS fi
            LEFT JOIN ring_batch AS b ON fi.subject = 'ringBatches/' || b.id
            WHERE fi.site_id = '' AND fi.state IN ('open', 'acknowledged') ORDER BY fi.id";
        self.everywhere()?;
        let rows: Vec<NamedRow> = query_as(SQL)
            .fetch_all(&mut self.connection().await?)
            .await?;
        let mut open = Vec::with_capacity(rows.len());
        for row in rows {
            let named = row.named()?;
            open.push(OpenFinding {
                id: named.finding.id,
                kind: named.finding.kind,
                subject: named.finding.subject,
                subject_display_name: named.subject_display_name,
                statement: named.finding.statement,
                next_step: named.finding.next_step,
                first_seen_at: named.finding.first_seen_at,
            });
        }
        Ok(open)
    }

    /// How many findings are not resolved: of a site, or of all that the scope reaches with those that the
    /// whole network shares.
    pub async fn open_finding_count(&self, site: Option<&SiteId>) -> Result<i64, Error> {
        const SQL: &str = "SELECT COUNT(*) FROM finding
            WHERE state IN ('open', 'acknowledged') AND ($1 IS NULL OR site_id = $1)
                AND (site_id = '' OR $2 IS NULL OR site_id IN (SELECT value FROM json_each($2)))";
        if let Some(site) = site {
            self.within(site)?;
        }
        Ok(query_scalar(SQL)
            .bind(site.map(SiteId::as_str))
            .bind(reach(&self.scope))
            .fetch_one(&mut self.connection().await?)
            .await?)
    }
}

impl Tx {
    /// One finding; none when the scope does not reach its site.
    pub async fn finding(&mut self, id: &FindingId) -> Result<Option<NamedFinding>, Error> {
        let sites = reach(&self.scope);
        finding(self.connection(), id, sites).await
    }

    /// What bears on which findings open and close: every finding that is not resolved, and of the others
    /// the latest for each kind and subject.
    pub async fn standing_findings(&mut self) -> Result<Vec<Finding>, Error> {
        const SQL: &str = "SELECT fi.* FROM finding AS fi WHERE fi.state <> 'resolved'
            OR NOT EXISTS (SELECT 1 FROM finding AS later WHERE later.subject = fi.subject
                AND later.kind = fi.kind AND later.id > fi.id)
            ORDER BY fi.id";
        self.everywhere()?;
        let rows: Vec<FindingRow> = query_as(SQL).fetch_all(self.connection()).await?;
        rows.into_iter().map(FindingRow::finding).collect()
    }

    /// Stores findings as the readings now show them, new and known ones. Those that open or close get an
    /// entry in the audit chain.
    pub async fn put_findings(
        &mut self,
        findings: &[Finding],
        now: Timestamp,
    ) -> Result<(), Error> {
        const KNOWN: &str = "SELECT fi.id, fi.revision FROM json_each($1) AS wanted
            CROSS JOIN finding AS fi ON fi.id = wanted.value";
        for finding in findings {
            self.reaches_subject(finding)?;
        }
        let ids: Vec<&str> = findings.iter().map(|finding| finding.id.as_str()).collect();
        let known: Vec<(String, i64)> = query_as(KNOWN)
            .bind(json(&ids))
            .fetch_all(self.connection())
            .await?;
        let known: HashMap<String, i64> = known.into_iter().collect();
        write(self.connection(), findings).await?;
        let mut happenings = Vec::new();
        for finding in findings {
            let action = match known.get(finding.id.as_str()) {
                None => "finding.open",
                Some(revision) if *revision != finding.revision => "finding.close",
                Some(_) => continue,
            };
            happenings.push(self.happening(finding, action, &Request::NONE, now));
        }
        self.append(happenings).await
    }

    /// Stores what someone said about a finding, with its entry in the audit chain.
    pub async fn note_finding(
        &mut self,
        finding: &Finding,
        request: &Request,
        now: Timestamp,
    ) -> Result<(), Error> {
        self.reaches_subject(finding)?;
        let action = match finding.state {
            FindingState::Resolved => "finding.resolve",
            FindingState::Open | FindingState::Acknowledged => "finding.acknowledge",
        };
        write(self.connection(), std::slice::from_ref(finding)).await?;
        let happening = self.happening(finding, action, request, now);
        // Not through `happened`: no recording refers to a finding, so what is remembered of the records
        // that recordings refer to still holds.
        self.append(vec![happening]).await
    }

    /// The finding as a request was first answered about it, with its figures of today.
    pub async fn finding_answered(
        &mut self,
        earlier: &Answered,
    ) -> Result<Option<NamedFinding>, Error> {
        let record: FindingRecord = earlier.document()?;
        let place = Place {
            table: "audit",
            key: &earlier.subject,
        };
        let id = place.id("document", FindingId::new(&record.id))?;
        let Some(mut named) = self.finding(&id).await? else {
            return Ok(None);
        };
        let state = FindingState::parse(&record.state).ok_or_else(|| place.corrupt("document"))?;
        named.finding.state = state;
        named.finding.note = record.note;
        named.finding.noted_by = record.noted_by;
        named.finding.noted_at = match record.noted_at {
            Some(at) => Some(place.moment("document", at)?),
            None => None,
        };
        named.finding.revision = record.revision;
        Ok(Some(named))
    }

    fn reaches_subject(&self, finding: &Finding) -> Result<(), Error> {
        match finding.subject.site() {
            Some(site) => self.within(site),
            None => Ok(()),
        }
    }

    fn happening(
        &self,
        finding: &Finding,
        action: &'static str,
        request: &Request,
        at: Timestamp,
    ) -> Happening {
        let document = json(&FindingRecord::from(&FindingRow::from(finding)));
        Happening {
            chain: chain_of(finding),
            at,
            by: By::of(&self.scope),
            action,
            subject: finding.id.name(),
            digest: digest(&document),
            document: Some(document),
            request: Some(request.clone()),
        }
    }
}

/// How many findings about each subject of some sites are not resolved; `sites` is a JSON list.
pub(crate) async fn open_of_sites(
    connection: &mut Connection,
    sites: &str,
) -> Result<Vec<(String, u32)>, Error> {
    const SQL: &str = "SELECT fi.subject, COUNT(*) FROM json_each($1) AS wanted
        CROSS JOIN finding AS fi ON fi.site_id = wanted.value
        WHERE fi.state IN ('open', 'acknowledged')
        GROUP BY fi.subject ORDER BY fi.subject";
    let rows: Vec<(String, i64)> = query_as(SQL).bind(sites).fetch_all(connection).await?;
    Ok(rows
        .into_iter()
        .map(|(subject, count)| (subject, u32::try_from(count).unwrap_or(u32::MAX)))
        .collect())
}

/// Writes findings over what is known of them.
async fn write(connection: &mut Connection, findings: &[Finding]) -> Result<(), Error> {
    for now in chunks(findings) {
        insert_rows(connection, "INSERT INTO finding (id, kind, site_id, subject, state, probability, statement, next_step,
            evidence, readings, first_seen_at, last_seen_at, false_discovery_rate, note, noted_by,
            noted_at, revision) ", " ON CONFLICT (id) DO UPDATE SET state = excluded.state, probability = excluded.probability,
            statement = excluded.statement, next_step = excluded.next_step, evidence = excluded.evidence,
            readings = excluded.readings, last_seen_at = excluded.last_seen_at,
            false_discovery_rate = excluded.false_discovery_rate, note = excluded.note,
            noted_by = excluded.noted_by, noted_at = excluded.noted_at, revision = excluded.revision", now, |row, finding| {
            let written = FindingRow::from(finding);
            row.push(written.id)
                .push(written.kind)
                .push(written.site_id)
                .push(written.subject)
                .push(written.state)
                .push(written.probability)
                .push(written.statement)
                .push(written.next_step)
                .push(written.evidence)
                .push(written.readings)
                .push(written.first_seen_at)
                .push(written.last_seen_at)
                .push(written.false_discovery_rate)
                .push(written.note)
                .push(written.noted_by)
                .push(written.noted_at)
                .push(written.revision);
}).await?;
    }
    Ok(())
}
