//! Acts of care. Only ever added to.

use jiff::civil::Date;
use ringtrue_fleet::act::{Act, ActDetails, ActKind, ActSubject, Use};
use ringtrue_fleet::key::{ActId, ActKey, SiteId};
use ringtrue_fleet::task::TaskKind;
use serde::{Deserialize, Serialize};

use crate::audit::{By, Happening, digest};
use crate::columns::{Place, json};
use crate::database::{query, query_as};
use crate::{Error, Page, Read, Request, Tx};

/// A row of `care_act`; also its record in the audit chain.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct ActRow {
    site_id: String,
    subject: String,
    acted_at: i64,
    id: String,
    kind: String,
    task: String,
    deferred_until: Option<String>,
    reason: String,
    from_day: Option<String>,
    until_day: Option<String>,
    firings: Option<i64>,
    hours_hot: Option<f64>,
    rings_left: Option<i64>,
    chamber_was_empty: bool,
    performed_by: String,
    received_at: i64,
}

impl From<&Act> for ActRow {
    fn from(act: &Act) -> Self {
        let details = &act.details;
        let kind = match details.kind {
            None => "",
            Some(ActKind::Done) => "done",
            Some(ActKind::Skipped) => "skipped",
            Some(ActKind::Deferred { .. }) => "deferred",
            Some(ActKind::RingFired) => "ring_fired",
            Some(ActKind::UseCounted(_)) => "use_counted",
            Some(ActKind::RingsCounted { .. }) => "rings_counted",
        };
        let counted = match details.kind {
            Some(ActKind::UseCounted(counted)) => Some(counted),
            _ => None,
        };
        let deferred_until = match details.kind {
            Some(ActKind::Deferred { until }) => until.map(|day| day.to_string()),
            _ => None,
        };
        let rings_left = match details.kind {
            Some(ActKind::RingsCounted { left }) => Some(i64::from(left)),
            _ => None,
        };
        Self {
            site_id: act.key.site.to_string(),
            subject: details
                .subject
                .as_ref()
                .map_or_else(String::new, ActSubject::name),
            acted_at: details.acted_at.as_microsecond(),
            id: act.key.act.to_string(),
            kind: kind.to_owned(),
            task: details
                .task
                .map_or_else(String::new, |task| task.word().to_owned()),
            deferred_until,
            reason: details.reason.clone(),
            from_day: counted.map(|counted| counted.from.to_string()),
            until_day: counted.map(|counted| counted.until.to_string()),
            firings: counted.map(|counted| i64::from(counted.firings)),
            // SQLite keeps a negative zero as zero: adding zero makes it so in the document too.
            hours_hot: counted.map(|counted| counted.hours_hot + 0.0),
            rings_left,
            chamber_was_empty: details.chamber_was_empty,
            performed_by: details.performed_by.clone(),
            received_at: act.received_at.as_microsecond(),
        }
    }
}

impl ActRow {
    pub(crate) fn name(&self) -> String {
        format!("sites/{}/careActs/{}", self.site_id, self.id)
    }

    /// Its place in the order of sites and ids.
    pub(crate) fn place_in_order(&self) -> (String, String) {
        (self.site_id.clone(), self.id.clone())
    }

    fn place(&self) -> Place<'_> {
        Place {
            table: "care_act",
            key: &self.id,
        }
    }

    fn day(&self, column: &'static str, day: Option<&str>) -> Result<Date, Error> {
        let place = self.place();
        place.date(column, day.ok_or_else(|| place.corrupt(column))?)
    }

    fn kind(&self) -> Result<ActKind, Error> {
        let place = self.place();
        let count = |column, count: Option<i64>| {
            place.small(column, count.ok_or_else(|| place.corrupt(column))?)
        };
        Ok(match self.kind.as_str() {
            "done" => ActKind::Done,
            "skipped" => ActKind::Skipped,
            "ring_fired" => ActKind::RingFired,
            "deferred" => ActKind::Deferred {
                until: match &self.deferred_until {
                    Some(day) => Some(place.date("deferred_until", day)?),
                    None => None,
                },
            },
            "use_counted" => ActKind::UseCounted(Use {
                from: self.day("from_day", self.from_day.as_deref())?,
                until: self.day("until_day", self.until_day.as_deref())?,
                firings: count("firings", self.firings)?,
                hours_hot: self.hours_hot.ok_or_else(|| place.corrupt("hours_hot"))?,
            }),
            "rings_counted" => ActKind::RingsCounted {
                left: count("rings_left", self.rings_left)?,
            },
            _ => return Err(place.corrupt("kind")),
        })
    }

    pub(crate) fn act(self) -> Result<Act, Error> {
        let place = self.place();
        let task = match self.task.as_str() {
            "" => None,
            word => Some(TaskKind::parse(word).ok_or_else(|| place.corrupt("task"))?),
        };
        Ok(Act {
            key: ActKey {
                site: place.id("site_id", SiteId::new(&self.site_id))?,
                act: place.id("id", ActId::new(&self.id))?,
            },
            details: ActDetails {
                kind: Some(self.kind()?),
                task,
                subject: Some(place.id("subject", ActSubject::parse(&self.subject))?),
                acted_at: place.moment("acted_at", self.acted_at)?,
                chamber_was_empty: self.chamber_was_empty,
                reason: self.reason.clone(),
                performed_by: self.performed_by.clone(),
            },
            received_at: place.moment("received_at", self.received_at)?,
        })
    }
}

impl Read {
    /// One act.
    pub async fn act(&self, key: &ActKey) -> Result<Option<Act>, Error> {
        const SQL: &str = "SELECT * FROM care_act WHERE site_id = $1 AND id = $2";
        self.within(&key.site)?;
        let rows: Vec<ActRow> = query_as(SQL)
            .bind(key.site.as_str())
            .bind(key.act.as_str())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().next().map(ActRow::act).transpose()
    }

    /// Acts at a site, of one subject where its resource name is given; latest first.
    pub async fn acts(
        &self,
        site: &SiteId,
        subject: Option<&str>,
        page: &Page,
    ) -> Result<Vec<Act>, Error> {
        const SQL: &str = "SELECT * FROM care_act
            WHERE site_id = $1 AND ($2 IS NULL OR subject = $2) AND (acted_at, id) < ($3, $4)
            ORDER BY acted_at DESC, id DESC LIMIT $5";
        self.within(site)?;
        let rows: Vec<ActRow> = query_as(SQL)
            .bind(site.as_str())
            .bind(subject)
            .bind(page.moment(0))
            .bind(page.text(1))
            .bind(page.limit())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(ActRow::act).collect()
    }
}

impl Tx {
    /// Stores an act. Fails with [`Error::Exists`] when its id is taken at the site.
    pub async fn insert_act(&mut self, act: &Act, request: &Request) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO care_act (site_id, subject, acted_at, id, kind, task,
                deferred_until, reason, from_day, until_day, firings, hours_hot, rings_left,
                chamber_was_empty, performed_by, received_at)
            VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16)";
        self.within(&act.key.site)?;
        if let Some(site) = act.details.subject.as_ref().and_then(ActSubject::site) {
            self.within(site)?;
        }
        let row = ActRow::from(act);
        let document = json(&row);
        query(SQL)
            .bind(row.site_id)
            .bind(row.subject)
            .bind(row.acted_at)
            .bind(row.id)
            .bind(row.kind)
            .bind(row.task)
            .bind(row.deferred_until)
            .bind(row.reason)
            .bind(row.from_day)
            .bind(row.until_day)
            .bind(row.firings)
            .bind(row.hours_hot)
            .bind(row.rings_left)
            .bind(row.chamber_was_empty)
            .bind(row.performed_by)
            .bind(row.received_at)
            .execute(self.connection())
            .await
            .map_err(Error::of_insert)?;
        let happening = Happening {
            chain: act.key.site.to_string(),
            at: act.received_at,
            by: By::of(&self.scope),
            action: "care.act",
            subject: act.key.name(),
            digest: digest(&document),
            document: Some(document),
            request: Some(request.clone()),
        };
        // Not through `happened`: no recording refers to an act.
        self.append(vec![happening]).await
    }
}
