//! Alerts and the log of their changes.
//!
//! An alert follows from records, so the audit chains hold only what people said about it. The log holds every
//! change in the order of commit: whoever knows the number of the last change he saw misses none.

mod log;
mod row;

use jiff::Timestamp;
use ringtrue_fleet::alert::{Alert, AlertKind, AlertState, ChangeKind, Level, Stage};
use ringtrue_fleet::key::{AlertId, SiteId};

use super::sites::reach;
use crate::columns::json;
use crate::database::{Connection, query_as, query_scalar};
use crate::{Error, Page, PagePart, Read};

pub(crate) use row::AlertRow;
use row::{ChangeRow, NamedRow};

/// Which alerts are wanted.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct AlertFilter {
    /// Of this site; of all that the scope reaches, and those that the whole network shares, when none.
    pub site: Option<SiteId>,
    /// In this state; those that are not closed when none.
    pub state: Option<AlertState>,
    /// Of this kind.
    pub kind: Option<AlertKind>,
    /// Having reached at least this level.
    pub level: Option<Level>,
}

/// An alert with what people call its subject.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedAlert {
    /// The alert.
    pub alert: Alert,
    /// What people call its subject; of a batch its code, of a finding that of the finding's subject.
    pub subject_display_name: String,
    /// What people call its site; empty for what the network shares.
    pub site_display_name: String,
    /// Time zone of its site; `UTC` for what the network shares.
    pub time_zone: String,
}

/// A change of an alert as it was logged.
#[derive(Debug, Clone, PartialEq)]
pub struct LoggedChange {
    /// Its place in the order of commit; counts from 1 without gaps.
    pub seq: i64,
    /// What happened.
    pub kind: ChangeKind,
    /// When.
    pub at: Timestamp,
    /// The alert as it was then, with the names of today.
    pub alert: NamedAlert,
}

impl NamedAlert {
    /// Its place in the list of [`Read::alerts`], for the page after it.
    pub fn place(&self) -> Vec<PagePart> {
        let rank = match self.alert.stage {
            Stage::Lapsed => 0,
            Stage::Overdue => 1,
            Stage::Due => 2,
            Stage::Soon => 3,
        };
        vec![
            PagePart::Number(rank),
            PagePart::Number(self.alert.raised_at.as_microsecond()),
            PagePart::Text(self.alert.id.to_string()),
        ]
    }
}

// Names of the subject and the site of alerts `a`. A finding's are those of its own subject; the ids are cut
// out of the resource names, so that each is found by its key.
macro_rules! named_alerts {
    ($columns:literal, $from:literal) => {
        concat!(
            "SELECT ",
            $columns,
            ", COALESCE(f.display_name, g.display_name, b.code, cr.display_name, s.display_name, '')
                AS subject_display_name, COALESCE(s.display_name, '') AS site_display_name,
            COALESCE(s.time_zone, 'UTC') AS time_zone
            FROM ",
            $from,
            " LEFT JOIN site AS s ON s.id = a.site_id
            LEFT JOIN finding AS fi ON fi.id = substr(a.subject, 10)
                AND a.subject = 'findings/' || fi.id
            LEFT JOIN furnace AS f ON f.site_id = a.site_id
                AND f.id = substr(COALESCE(fi.subject, a.subject), 17 + length(a.site_id))
                AND COALESCE(fi.subject, a.subject) = 'sites/' || f.site_id || '/furnaces/' || f.id
            LEFT JOIN gauge AS g ON g.site_id = a.site_id
                AND g.id = substr(COALESCE(fi.subject, a.subject), 15 + length(a.site_id))
                AND COALESCE(fi.subject, a.subject) = 'sites/' || g.site_id || '/gauges/' || g.id
            LEFT JOIN ring_batch AS b ON b.id = substr(COALESCE(fi.subject, a.subject), 13)
                AND COALESCE(fi.subject, a.subject) = 'ringBatches/' || b.id
            LEFT JOIN credential AS cr ON cr.id = substr(a.subject, 13)
                AND a.subject = 'credentials/' || cr.id "
        )
    };
}

/// One alert, when it is the network's or of one of these sites; `sites` as [`reach`] gives them.
async fn one_alert(
    connection: &mut Connection,
    id: &AlertId,
    sites: Option<String>,
) -> Result<Option<NamedAlert>, Error> {
    const SQL: &str = concat!(
        named_alerts!("a.*", "alert AS a"),
        "WHERE a.id = $1 AND ((a.site_id = '' AND a.kind <> 'credential_ends') OR $2 IS NULL
            OR a.site_id IN (SELECT value FROM json_each($2)))"
    );
    let rows: Vec<NamedRow> = query_as(SQL)
        .bind(id.as_str())
        .bind(sites)
        .fetch_all(connection)
        .await?;
    rows.into_iter().next().map(NamedRow::named).transpose()
}

/// The number of the last change; 0 before the first.
pub(crate) async fn last_change(connection: &mut Connection) -> Result<i64, Error> {
    const SQL: &str = "SELECT seq FROM alert_log_end";
    Ok(query_scalar(SQL).fetch_one(connection).await?)
}

/// A number of the page's key, before every one on the first page.
fn number(page: &Page, at: usize) -> i64 {
    match page.after.get(at) {
        Some(PagePart::Number(number)) => *number,
        _ => i64::MIN,
    }
}

impl Read {
    /// One alert; none when the scope does not reach its site. What the whole network shares is seen by
    /// all, but for credentials that end.
    pub async fn alert(&self, id: &AlertId) -> Result<Option<NamedAlert>, Error> {
        let sites = reach(&self.scope);
        one_alert(&mut self.connection().await?, id, sites).await
    }

    /// Alerts: the most pressing first, then those raised first, then by id.
    pub async fn alerts(
        &self,
        filter: &AlertFilter,
        page: &Page,
    ) -> Result<Vec<NamedAlert>, Error> {
        const SQL: &str = concat!(
            named_alerts!(
                "a.*",
                "(SELECT *, CASE stage WHEN 'lapsed' THEN 0 WHEN 'overdue' THEN 1 WHEN 'due' THEN 2
                        ELSE 3 END AS rank
                    FROM alert
                    WHERE ($1 IS NULL OR site_id = $1)
                        AND ((site_id = '' AND kind <> 'credential_ends') OR $2 IS NULL
                            OR site_id IN (SELECT value FROM json_each($2)))
                        AND (CASE WHEN $3 IS NULL THEN state <> 'closed' ELSE state = $3 END)
                        AND ($4 IS NULL OR kind = $4)
                        AND ($5 IS NULL OR level IN (SELECT value FROM json_each($5)))) AS a"
            ),
            "WHERE (a.rank, a.raised_at, a.id) > ($6, $7, $8)
            ORDER BY a.rank, a.raised_at, a.id LIMIT $9"
        );
        if let Some(site) = &filter.site {
            self.within(site)?;
        }
        let reached = filter.level.map(|least| {
            let words: Vec<&str> = Level::ALL
                .iter()
                .filter(|level| **level >= least)
                .map(|level| level.word())
                .collect();
            json(&words)
        });
        let rows: Vec<NamedRow> = query_as(SQL)
            .bind(filter.site.as_ref().map(SiteId::as_str))
            .bind(reach(&self.scope))
            .bind(filter.state.map(AlertState::word))
            .bind(filter.kind.map(AlertKind::word))
            .bind(reached)
            .bind(number(page, 0))
            .bind(number(page, 1))
            .bind(page.text(2))
            .bind(page.limit())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(NamedRow::named).collect()
    }

    /// The alerts that are not closed as of one moment, with the number of the last change then; with a
    /// site only its own. In the order of [`Read::alerts`].
    pub async fn alert_snapshot(
        &self,
        site: Option<&SiteId>,
    ) -> Result<(i64, Vec<NamedAlert>), Error> {
        const SQL: &str = concat!(
            named_alerts!("a.*", "alert AS a"),
            "WHERE a.state IN ('open', 'acknowledged', 'snoozed') AND ($1 IS NULL OR a.site_id = $1)
                AND ((a.site_id = '' AND a.kind <> 'credential_ends') OR $2 IS NULL
                    OR a.site_id IN (SELECT value FROM json_each($2)))
            ORDER BY CASE a.stage WHEN 'lapsed' THEN 0 WHEN 'overdue' THEN 1 WHEN 'due' THEN 2 ELSE 3 END,
                a.raised_at, a.id"
        );
        if let Some(site) = site {
            self.within(site)?;
        }
        let mut tx = self.snapshot().await?;
        let seq = last_change(&mut tx).await?;
        let rows: Vec<NamedRow> = query_as(SQL)
            .bind(site.map(SiteId::as_str))
            .bind(reach(&self.scope))
            .fetch_all(&mut tx)
            .await?;
        tx.finish().await?;
        let alerts: Result<Vec<NamedAlert>, Error> =
            rows.into_iter().map(NamedRow::named).collect();
        Ok((seq, alerts?))
    }

    /// Changes after a number that the scope reaches, in order of commit; the alert each time as it was
    /// then, with the names of today. What the whole network shares is seen by
    /// all, but for credentials that end.
    pub async fn alert_changes(&self, after: i64, most: u32) -> Result<Vec<LoggedChange>, Error> {
        const SQL: &str = concat!(
            named_alerts!(
                "c.seq, c.kind AS change, c.at, c.document",
                "alert_change AS c JOIN alert AS a ON a.id = c.alert_id"
            ),
            "WHERE c.seq > $1 AND ((c.site_id = '' AND a.kind <> 'credential_ends') OR $2 IS NULL
                OR c.site_id IN (SELECT value FROM json_each($2)))
            ORDER BY c.seq LIMIT $3"
        );
        let rows: Vec<ChangeRow> = query_as(SQL)
            .bind(after)
            .bind(reach(&self.scope))
            .bind(i64::from(most))
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(ChangeRow::change).collect()
    }

    /// The number of the last change; 0 before the first.
    pub async fn last_alert_change(&self) -> Result<i64, Error> {
        last_change(&mut self.connection().await?).await
    }
}
