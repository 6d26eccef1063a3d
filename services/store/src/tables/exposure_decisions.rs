//! Decisions about exposed cases. Only ever added to.

use ringtrue_fleet::exposure::{Decision, DecisionDetails, DecisionOutcome};
use ringtrue_fleet::key::{
    DecisionId, DecisionKey, FurnaceId, FurnaceKey, ReadingId, ReadingKey, SiteId,
};
use serde::{Deserialize, Serialize};

use super::firings::unamended_firing;
use crate::audit::{By, Happening, digest};
use crate::columns::{Place, json};
use crate::database::{query, query_as, query_scalar};
use crate::{Error, Page, Read, Request, Tx};

/// A row of `exposure_decision`; also its record in the audit chain.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct DecisionRow {
    site_id: String,
    furnace_id: String,
    decided_at: i64,
    id: String,
    span_start: i64,
    span_end: i64,
    reading_id: Option<String>,
    case_ids: String,
    outcome: String,
    reason: String,
    decided_by: String,
    received_at: i64,
}

impl From<&Decision> for DecisionRow {
    fn from(decision: &Decision) -> Self {
        let details = &decision.details;
        let micros =
            |moment: Option<jiff::Timestamp>| moment.map_or(0, jiff::Timestamp::as_microsecond);
        Self {
            site_id: decision.key.furnace.site.to_string(),
            furnace_id: decision.key.furnace.furnace.to_string(),
            decided_at: details.decided_at.as_microsecond(),
            id: decision.key.decision.to_string(),
            span_start: micros(details.start),
            span_end: micros(details.end),
            reading_id: details.reading.as_ref().map(|key| key.reading.to_string()),
            case_ids: json(&details.case_ids),
            outcome: details
                .outcome
                .map_or_else(String::new, |outcome| outcome.word().to_owned()),
            reason: details.reason.clone(),
            decided_by: details.decided_by.clone(),
            received_at: decision.received_at.as_microsecond(),
        }
    }
}

impl DecisionRow {
    pub(crate) fn name(&self) -> String {
        format!(
            "sites/{}/furnaces/{}/exposureDecisions/{}",
            self.site_id, self.furnace_id, self.id
        )
    }

    pub(crate) fn decision(self) -> Result<Decision, Error> {
        let place = Place {
            table: "exposure_decision",
            key: &self.id,
        };
        let furnace = FurnaceKey {
            site: place.id("site_id", SiteId::new(&self.site_id))?,
            furnace: place.id("furnace_id", FurnaceId::new(&self.furnace_id))?,
        };
        let reading = match &self.reading_id {
            Some(id) => Some(ReadingKey {
                furnace: furnace.clone(),
                reading: place.id("reading_id", ReadingId::new(id))?,
            }),
            None => None,
        };
        let outcome = DecisionOutcome::ALL
            .into_iter()
            .find(|outcome| outcome.word() == self.outcome)
            .ok_or_else(|| place.corrupt("outcome"))?;
        Ok(Decision {
            key: DecisionKey {
                furnace,
                decision: place.id("id", DecisionId::new(&self.id))?,
            },
            details: DecisionDetails {
                start: Some(place.moment("span_start", self.span_start)?),
                end: Some(place.moment("span_end", self.span_end)?),
                reading,
                case_ids: place.json("case_ids", &self.case_ids)?,
                outcome: Some(outcome),
                decided_at: place.moment("decided_at", self.decided_at)?,
                reason: self.reason,
                decided_by: self.decided_by,
            },
            received_at: place.moment("received_at", self.received_at)?,
        })
    }
}

impl Read {
    /// One decision.
    pub async fn exposure_decision(&self, key: &DecisionKey) -> Result<Option<Decision>, Error> {
        const SQL: &str = "SELECT * FROM exposure_decision
            WHERE site_id = $1 AND furnace_id = $2 AND id = $3";
        self.within(&key.furnace.site)?;
        let rows: Vec<DecisionRow> = query_as(SQL)
            .bind(key.furnace.site.as_str())
            .bind(key.furnace.furnace.as_str())
            .bind(key.decision.as_str())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter()
            .next()
            .map(DecisionRow::decision)
            .transpose()
    }

    /// Decisions at a site, about one furnace where it is given; latest first.
    pub async fn exposure_decisions(
        &self,
        site: &SiteId,
        furnace: Option<&FurnaceId>,
        page: &Page,
    ) -> Result<Vec<Decision>, Error> {
        const SQL: &str = "SELECT * FROM exposure_decision
            WHERE site_id = $1 AND ($2 IS NULL OR furnace_id = $2) AND (decided_at, id) < ($3, $4)
            ORDER BY decided_at DESC, id DESC LIMIT $5";
        self.within(site)?;
        let rows: Vec<DecisionRow> = query_as(SQL)
            .bind(site.as_str())
            .bind(furnace.map(FurnaceId::as_str))
            .bind(page.moment(0))
            .bind(page.text(1))
            .bind(page.limit())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(DecisionRow::decision).collect()
    }

    /// Decisions about spans of a furnace that meet a span; earliest first.
    pub async fn exposure_decisions_within(
        &self,
        furnace: &FurnaceKey,
        start: jiff::Timestamp,
        end: jiff::Timestamp,
    ) -> Result<Vec<Decision>, Error> {
        const SQL: &str = "SELECT * FROM exposure_decision WHERE site_id = $1 AND furnace_id = $2
            AND span_start <= $4 AND span_end >= $3 ORDER BY decided_at, id";
        self.within(&furnace.site)?;
        let rows: Vec<DecisionRow> = query_as(SQL)
            .bind(furnace.site.as_str())
            .bind(furnace.furnace.as_str())
            .bind(start.as_microsecond())
            .bind(end.as_microsecond())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(DecisionRow::decision).collect()
    }
}

impl Tx {
    /// Of some cases, those that were in no firing of a furnace within a span.
    pub async fn cases_not_fired(
        &mut self,
        furnace: &FurnaceKey,
        start: jiff::Timestamp,
        end: jiff::Timestamp,
        case_ids: &[String],
    ) -> Result<Vec<String>, Error> {
        const SQL: &str = concat!(
            "WITH wanted AS MATERIALIZED (SELECT value AS case_id FROM json_each($5))
            SELECT wanted.case_id FROM wanted
            WHERE NOT EXISTS (SELECT 1 FROM firing_case AS c
                WHERE c.site_id = $1 AND c.case_id = wanted.case_id AND c.furnace_id = $2
                    AND c.ended_at BETWEEN $3 AND $4 AND ",
            unamended_firing!("c", "firing_id"),
            ")"
        );
        self.within(&furnace.site)?;
        Ok(query_scalar(SQL)
            .bind(furnace.site.as_str())
            .bind(furnace.furnace.as_str())
            .bind(start.as_microsecond())
            .bind(end.as_microsecond())
            .bind(json(&case_ids))
            .fetch_all(self.connection())
            .await?)
    }

    /// Stores a decision.
    pub async fn insert_exposure_decision(
        &mut self,
        decision: &Decision,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO exposure_decision (site_id, furnace_id, decided_at, id,
                span_start, span_end, reading_id, case_ids, outcome, reason, decided_by, received_at)
            VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)";
        self.within(&decision.key.furnace.site)?;
        let row = DecisionRow::from(decision);
        let document = json(&row);
        query(SQL)
            .bind(row.site_id)
            .bind(row.furnace_id)
            .bind(row.decided_at)
            .bind(row.id)
            .bind(row.span_start)
            .bind(row.span_end)
            .bind(row.reading_id)
            .bind(row.case_ids)
            .bind(row.outcome)
            .bind(row.reason)
            .bind(row.decided_by)
            .bind(row.received_at)
            .execute(self.connection())
            .await
            .map_err(Error::of_insert)?;
        let happening = Happening {
            chain: decision.key.furnace.site.to_string(),
            at: decision.received_at,
            by: By::of(&self.scope),
            action: "exposure.decide",
            subject: decision.key.name(),
            digest: digest(&document),
            document: Some(document),
            request: Some(request.clone()),
        };
        // Not through `happened`: no recording refers to a decision.
        self.append(vec![happening]).await
    }
}
