//! What was committed and is not in the change feed yet, and the order in which it goes there.
//!
//! Chains have their own order, and so has the log of alerts. Between them goes what happened first; a record goes
//! before an alert of the same moment, which may follow from it.

use std::collections::{BTreeMap, HashMap};

use ringtrue_fleet::change::{ActorKind, actor_of, is_everybodys, reading_in, type_of};
use serde_json::Value;

use super::{Log, log};
use crate::audit::digest;
use crate::columns::json;
use crate::database::{Connection, query_as};
use crate::{Error, Read};

/// Most entries of one source that are numbered in a turn.
const MOST: i64 = 1_000;

/// Entries of all chains that are read in a turn, about: where very many chains have grown, each gives fewer.
const MOST_OF_ALL: i64 = 20_000;

/// Fewest entries that a chain may give. What is told of a turn ends with the first chain of which more waits, so with one
/// of each a turn would tell of next to nothing.
const FEWEST: i64 = 16;

/// What was found new at one moment.
#[derive(Debug)]
pub struct Unfed {
    log: Log,
    places: BTreeMap<String, Growing>,
    entries: Vec<Entry>,
    /// Most entries that a chain gave.
    each: i64,
    alerts: Vec<AlertChange>,
    kinds: HashMap<String, ActorKind>,
}

/// How far the feed has come at a site, and how far it could.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
struct Growing {
    site_id: String,
    changes: i64,
    seen_changes: i64,
    audit_seq: i64,
    sequence: i64,
}

/// An entry of an audit chain, without what is not told.
#[derive(Debug, Clone, sqlx::FromRow)]
struct Entry {
    site_id: String,
    seq: i64,
    at: i64,
    actor: String,
    action: String,
    subject: String,
    hash: String,
    /// The document of what does not say by its name what it is about.
    document: String,
}

/// A change of an alert.
#[derive(Debug, Clone, sqlx::FromRow)]
struct AlertChange {
    seq: i64,
    alert_id: String,
    site_id: String,
    kind: String,
    at: i64,
    document: String,
}

/// A row of `change` to be.
#[derive(Debug)]
pub(super) struct NewChange {
    pub(super) seq: i64,
    pub(super) site_id: String,
    pub(super) sequence: i64,
    pub(super) kind: String,
    pub(super) subject: String,
    pub(super) about: String,
    pub(super) reading: String,
    pub(super) at: i64,
    pub(super) actor_kind: &'static str,
    pub(super) is_shared: bool,
    pub(super) mark: String,
}

/// What one turn writes.
#[derive(Debug)]
pub(super) struct Turn {
    pub(super) rows: Vec<NewChange>,
    /// Site, changes seen, entry told, last sequence.
    pub(super) places: Vec<(String, i64, i64, i64)>,
    pub(super) alerts_seq: i64,
    pub(super) has_more: bool,
}

/// Something to be told, with what it is ordered by: the moment, never before that of the one before it in its own
/// order; records before alerts; its own order.
struct Next<'u> {
    at: i64,
    source: (bool, &'u str),
    seq: i64,
    of: Source<'u>,
}

#[derive(Clone, Copy)]
enum Source<'u> {
    Chain(&'u Entry),
    Alerts(&'u AlertChange),
}

impl Read {
    /// What was committed and is not in the change feed yet, as of one moment; none when there is nothing. For the
    /// server's own work.
    pub async fn unfed_changes(&self) -> Result<Option<Unfed>, Error> {
        const GROWN: &str =
            "SELECT g.site_id, g.changes, COALESCE(p.seen_changes, 0) AS seen_changes,
                COALESCE(p.audit_seq, 0) AS audit_seq, COALESCE(p.sequence, 0) AS sequence
            FROM site_agenda AS g LEFT JOIN change_place AS p ON p.site_id = g.site_id
            WHERE p.seen_changes IS NULL OR p.seen_changes <> g.changes";
        const ENTRIES: &str = "SELECT a.site_id, a.seq, a.at, a.actor, a.action, a.subject, a.hash,
                CASE WHEN a.action IN ('adjustment.confirm', 'care.act') OR a.action LIKE 'finding.%'
                    THEN COALESCE(a.document, '') ELSE '' END AS document
            FROM json_each($1) AS wanted
            CROSS JOIN audit AS a ON a.site_id = json_extract(wanted.value, '$[0]')
                AND a.seq > CAST(json_extract(wanted.value, '$[1]') AS BIGINT)
                AND a.seq <= CAST(json_extract(wanted.value, '$[1]') AS BIGINT) + $2
            ORDER BY a.site_id, a.seq";
        const ALERTS: &str = "SELECT seq, alert_id, site_id, kind, at, document FROM alert_change
            WHERE seq > $1 ORDER BY seq LIMIT $2";
        self.everywhere()?;
        let mut snapshot = self.snapshot().await?;
        let log = log(&mut snapshot).await?;
        let grown: Vec<Growing> = query_as(GROWN).fetch_all(&mut snapshot).await?;
        let alerts: Vec<AlertChange> = query_as(ALERTS)
            .bind(log.alerts_seq)
            .bind(MOST)
            .fetch_all(&mut snapshot)
            .await?;
        if grown.is_empty() && alerts.is_empty() {
            snapshot.finish().await?;
            return Ok(None);
        }
        let mut entries: Vec<Entry> = Vec::new();
        let each = of_each(grown.len());
        if !grown.is_empty() {
            let wanted: Vec<(&str, i64)> = grown
                .iter()
                .map(|place| (place.site_id.as_str(), place.audit_seq))
                .collect();
            entries = query_as(ENTRIES)
                .bind(json(&wanted))
                .bind(each)
                .fetch_all(&mut snapshot)
                .await?;
        }
        let mut places: BTreeMap<String, Growing> = grown
            .into_iter()
            .map(|place| (place.site_id.clone(), place))
            .collect();
        told_places(&mut snapshot, &alerts, &mut places).await?;
        let kinds = credential_kinds(&mut snapshot, &entries).await?;
        snapshot.finish().await?;
        Ok(Some(Unfed {
            log,
            places,
            entries,
            each,
            alerts,
            kinds,
        }))
    }
}

/// Most entries that each of so many chains gives.
fn of_each(chains: usize) -> i64 {
    let chains = i64::try_from(chains).unwrap_or(i64::MAX).max(1);
    (MOST_OF_ALL / chains).clamp(FEWEST, MOST)
}

/// The places of sites that only alerts are told of.
async fn told_places(
    snapshot: &mut Connection,
    alerts: &[AlertChange],
    places: &mut BTreeMap<String, Growing>,
) -> Result<(), Error> {
    const SQL: &str = "SELECT site_id, seen_changes AS changes, seen_changes, audit_seq, sequence
        FROM change_place WHERE site_id IN (SELECT value FROM json_each($1))";
    let mut wanted: Vec<&str> = alerts
        .iter()
        .map(|alert| alert.site_id.as_str())
        .filter(|site| !places.contains_key(*site))
        .collect();
    wanted.sort_unstable();
    wanted.dedup();
    if wanted.is_empty() {
        return Ok(());
    }
    let found: Vec<Growing> = query_as(SQL)
        .bind(json(&wanted))
        .fetch_all(snapshot)
        .await?;
    for site in wanted {
        let known = found.iter().find(|place| place.site_id == site);
        let place = known.cloned().unwrap_or_else(|| Growing {
            site_id: site.to_owned(),
            changes: 0,
            seen_changes: 0,
            audit_seq: 0,
            sequence: 0,
        });
        places.insert(site.to_owned(), place);
    }
    Ok(())
}

/// Whose the credentials are that entries name.
async fn credential_kinds(
    snapshot: &mut Connection,
    entries: &[Entry],
) -> Result<HashMap<String, ActorKind>, Error> {
    const SQL: &str =
        "SELECT id, kind FROM credential WHERE id IN (SELECT value FROM json_each($1))";
    let mut ids: Vec<&str> = entries
        .iter()
        .filter_map(|entry| actor_of(&entry.actor).err())
        .collect();
    ids.sort_unstable();
    ids.dedup();
    if ids.is_empty() {
        return Ok(HashMap::new());
    }
    let rows: Vec<(String, String)> = query_as(SQL).bind(json(&ids)).fetch_all(snapshot).await?;
    Ok(rows
        .into_iter()
        .filter_map(|(id, kind)| Some((id, ActorKind::parse(&kind)?)))
        .collect())
}

impl Unfed {
    /// The numbers of the last change and the last change of an alert when it was looked.
    pub(super) fn found_at(&self) -> (i64, i64) {
        (self.log.last_seq, self.log.alerts_seq)
    }

    /// Everything in the order in which it is told, and the moment after which more may be missing.
    fn in_order(&self) -> (Vec<Next<'_>>, Option<i64>) {
        let mut all: Vec<Next<'_>> = Vec::with_capacity(self.entries.len() + self.alerts.len());
        let mut cut_at: Option<i64> = None;
        let mut cut = |at: i64| cut_at = Some(cut_at.map_or(at, |before| before.min(at)));
        let mut of_chain = 0;
        for (at, entry) in self.entries.iter().enumerate() {
            let before = all.last().filter(|last| last.source.1 == entry.site_id);
            of_chain = if before.is_some() { of_chain + 1 } else { 1 };
            let moment = before.map_or(entry.at, |before| before.at.max(entry.at));
            let is_last = self
                .entries
                .get(at + 1)
                .is_none_or(|next| next.site_id != entry.site_id);
            if is_last && of_chain >= self.each {
                cut(moment);
            }
            all.push(Next {
                at: moment,
                source: (false, &entry.site_id),
                seq: entry.seq,
                of: Source::Chain(entry),
            });
        }
        let mut latest = i64::MIN;
        for alert in &self.alerts {
            latest = latest.max(alert.at);
            all.push(Next {
                at: latest,
                source: (true, ""),
                seq: alert.seq,
                of: Source::Alerts(alert),
            });
        }
        if i64::try_from(self.alerts.len()).is_ok_and(|found| found >= MOST) {
            cut(latest);
        }
        all.sort_by(|one, other| {
            (one.at, one.source, one.seq).cmp(&(other.at, other.source, other.seq))
        });
        (all, cut_at)
    }

    /// Gives each its number.
    pub(super) fn numbered(&self) -> Turn {
        let (all, cut_at) = self.in_order();
        let mut places = self.places.clone();
        let mut alerts_seq = self.log.alerts_seq;
        let mut rows = Vec::with_capacity(all.len());
        let mut last = self.log.last_seq;
        for next in &all {
            // A source of which more waits gave something of this moment at least, so there is always progress.
            if cut_at.is_some_and(|cut_at| next.at > cut_at) {
                continue;
            }
            let told = match next.of {
                Source::Chain(entry) => {
                    if let Some(place) = places.get_mut(&entry.site_id) {
                        place.audit_seq = entry.seq;
                    }
                    self.of_entry(entry)
                }
                Source::Alerts(alert) => {
                    alerts_seq = alert.seq;
                    Some(self.of_alert(alert))
                }
            };
            let Some(mut told) = told else { continue };
            last += 1;
            told.seq = last;
            if let Some(place) = places.get_mut(&told.site_id) {
                place.sequence += 1;
                told.sequence = place.sequence;
            }
            rows.push(told);
        }
        let has_more = cut_at.is_some();
        let places = places
            .into_values()
            .map(|place| {
                // Cut off, every chain is looked at once more.
                let seen = if has_more {
                    place.seen_changes
                } else {
                    place.changes
                };
                (place.site_id, seen, place.audit_seq, place.sequence)
            })
            .collect();
        Turn {
            rows,
            places,
            alerts_seq,
            has_more,
        }
    }

    fn of_entry(&self, entry: &Entry) -> Option<NewChange> {
        let kind = type_of(&entry.action)?;
        let document: Value = serde_json::from_str(&entry.document).unwrap_or_default();
        let text = |field: &str| document[field].as_str().unwrap_or_default();
        let mut reading = reading_in(&entry.subject).to_owned();
        if entry.action == "adjustment.confirm" && !text("reading_id").is_empty() {
            let furnace = entry
                .subject
                .split("/adjustments/")
                .next()
                .unwrap_or_default();
            reading = format!("{furnace}/readings/{}", text("reading_id"));
        }
        Some(NewChange {
            seq: 0,
            sequence: 0,
            is_shared: entry.site_id.is_empty() && is_everybodys(&kind),
            kind,
            about: text("subject").to_owned(),
            reading,
            at: entry.at,
            actor_kind: self.kind_of(&entry.actor).word(),
            mark: entry.hash.chars().take(8).collect(),
            subject: entry.subject.clone(),
            site_id: entry.site_id.clone(),
        })
    }

    fn of_alert(&self, alert: &AlertChange) -> NewChange {
        let document: Value = serde_json::from_str(&alert.document).unwrap_or_default();
        let name = format!("alerts/{}", alert.alert_id);
        // What somebody said is in the chain too, by the same transaction, with who it was.
        let is_said = ["acknowledged", "snoozed"].contains(&alert.kind.as_str());
        let said = self
            .entries
            .iter()
            .find(|entry| is_said && entry.subject == name && entry.at == alert.at);
        NewChange {
            seq: 0,
            sequence: 0,
            site_id: alert.site_id.clone(),
            kind: format!("alert.{}", alert.kind),
            about: document["subject"].as_str().unwrap_or_default().to_owned(),
            reading: String::new(),
            at: alert.at,
            actor_kind: said
                .map_or(ActorKind::Server, |entry| self.kind_of(&entry.actor))
                .word(),
            // Whose credential ends is for who keeps the whole network.
            is_shared: alert.site_id.is_empty() && document["kind"] != "credential_ends",
            mark: digest(&format!("{}{}", alert.seq, alert.document))
                .chars()
                .take(8)
                .collect(),
            subject: name,
        }
    }

    fn kind_of(&self, actor: &str) -> ActorKind {
        match actor_of(actor) {
            Ok(kind) => kind,
            // Credentials are never removed.
            Err(id) => self
                .kinds
                .get(id)
                .copied()
                .unwrap_or(ActorKind::Integration),
        }
    }
}
