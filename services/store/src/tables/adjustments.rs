//! Adjustments.

use jiff::Timestamp;
use ringtrue_fleet::adjustment::{Adjustment, AdjustmentDetails};
use ringtrue_fleet::key::{
    AdjustmentId, AdjustmentKey, FurnaceId, FurnaceKey, ProgrammeId, ProgrammeKey, ReadingId,
    ReadingKey, SiteId,
};
use serde::{Deserialize, Serialize};

use super::sign_offs::AsItStands;
use crate::audit::digest;
use crate::columns::{Place, json};
use crate::database::{Connection, query, query_as};
use crate::{Error, Page, Read, Request, Tx};

/// A row of `adjustment`; also its record in the audit chain.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct AdjustmentRow {
    site_id: String,
    furnace_id: String,
    adjusted_at: i64,
    id: String,
    programme_id: String,
    reading_id: Option<String>,
    previous_setpoint_c: f64,
    setpoint_c: f64,
    advised_setpoint_c: Option<f64>,
    performed_by: String,
    override_reason: String,
    received_at: i64,
}

impl From<&Adjustment> for AdjustmentRow {
    fn from(adjustment: &Adjustment) -> Self {
        let details = &adjustment.details;
        Self {
            site_id: adjustment.key.furnace.site.to_string(),
            furnace_id: adjustment.key.furnace.furnace.to_string(),
            adjusted_at: details.adjusted_at.map_or(0, Timestamp::as_microsecond),
            id: adjustment.key.adjustment.to_string(),
            programme_id: details
                .programme
                .as_ref()
                .map_or_else(String::new, |p| p.programme.to_string()),
            reading_id: details.reading.as_ref().map(|r| r.reading.to_string()),
            previous_setpoint_c: adjustment.previous_setpoint_c,
            setpoint_c: details.setpoint_c,
            advised_setpoint_c: adjustment.advised_setpoint_c,
            performed_by: details.performed_by.clone(),
            override_reason: details.override_reason.clone(),
            received_at: adjustment.received_at.as_microsecond(),
        }
    }
}

impl AdjustmentRow {
    pub(crate) fn name(&self) -> String {
        format!(
            "sites/{}/furnaces/{}/adjustments/{}",
            self.site_id, self.furnace_id, self.id
        )
    }

    pub(crate) fn adjustment(self) -> Result<Adjustment, Error> {
        let place = Place {
            table: "adjustment",
            key: &self.id,
        };
        let furnace = FurnaceKey {
            site: place.id("site_id", SiteId::new(&self.site_id))?,
            furnace: place.id("furnace_id", FurnaceId::new(&self.furnace_id))?,
        };
        let programme = place.id("programme_id", ProgrammeId::new(&self.programme_id))?;
        let reading = match &self.reading_id {
            Some(reading) => Some(ReadingKey {
                furnace: furnace.clone(),
                reading: place.id("reading_id", ReadingId::new(reading))?,
            }),
            None => None,
        };
        Ok(Adjustment {
            key: AdjustmentKey {
                furnace: furnace.clone(),
                adjustment: place.id("id", AdjustmentId::new(&self.id))?,
            },
            details: AdjustmentDetails {
                programme: Some(ProgrammeKey { furnace, programme }),
                reading,
                setpoint_c: self.setpoint_c,
                adjusted_at: Some(place.moment("adjusted_at", self.adjusted_at)?),
                performed_by: self.performed_by,
                override_reason: self.override_reason,
            },
            previous_setpoint_c: self.previous_setpoint_c,
            advised_setpoint_c: self.advised_setpoint_c,
            received_at: place.moment("received_at", self.received_at)?,
        })
    }
}

/// Every adjustment of a furnace, earliest first.
pub(crate) async fn adjustments_of(
    connection: &mut Connection,
    furnace: &FurnaceKey,
) -> Result<Vec<Adjustment>, Error> {
    const SQL: &str = "SELECT * FROM adjustment WHERE site_id = $1 AND furnace_id = $2
        ORDER BY adjusted_at, id";
    let rows: Vec<AdjustmentRow> = query_as(SQL)
        .bind(furnace.site.as_str())
        .bind(furnace.furnace.as_str())
        .fetch_all(connection)
        .await?;
    rows.into_iter().map(AdjustmentRow::adjustment).collect()
}

async fn row(
    connection: &mut Connection,
    key: &AdjustmentKey,
) -> Result<Option<AdjustmentRow>, Error> {
    const SQL: &str = "SELECT * FROM adjustment WHERE site_id = $1 AND furnace_id = $2 AND id = $3";
    let rows: Vec<AdjustmentRow> = query_as(SQL)
        .bind(key.furnace.site.as_str())
        .bind(key.furnace.furnace.as_str())
        .bind(key.adjustment.as_str())
        .fetch_all(connection)
        .await?;
    Ok(rows.into_iter().next())
}

/// What an adjustment says of itself, for signing.
pub(crate) async fn as_it_stands(
    connection: &mut Connection,
    key: &AdjustmentKey,
) -> Result<Option<AsItStands>, Error> {
    let found = row(connection, key).await?;
    Ok(found.map(|row| AsItStands {
        digest: digest(&json(&row)),
        performed_by: row.performed_by,
        amended_by: None,
    }))
}

impl Read {
    /// One adjustment.
    pub async fn adjustment(&self, key: &AdjustmentKey) -> Result<Option<Adjustment>, Error> {
        self.within(&key.furnace.site)?;
        let row = row(&mut self.connection().await?, key).await?;
        row.map(AdjustmentRow::adjustment).transpose()
    }

    /// A furnace's adjustments, latest first.
    pub async fn adjustments(
        &self,
        key: &FurnaceKey,
        page: &Page,
    ) -> Result<Vec<Adjustment>, Error> {
        const SQL: &str = "SELECT * FROM adjustment WHERE site_id = $1 AND furnace_id = $2
            AND (adjusted_at, id) < ($3, $4) ORDER BY adjusted_at DESC, id DESC LIMIT $5";
        self.within(&key.site)?;
        let rows: Vec<AdjustmentRow> = query_as(SQL)
            .bind(key.site.as_str())
            .bind(key.furnace.as_str())
            .bind(page.moment(0))
            .bind(page.text(1))
            .bind(page.limit())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(AdjustmentRow::adjustment).collect()
    }
}

impl Tx {
    /// Stores an adjustment.
    pub async fn insert_adjustment(
        &mut self,
        adjustment: &Adjustment,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str =
            "INSERT INTO adjustment (site_id, furnace_id, adjusted_at, id, programme_id,
            reading_id, previous_setpoint_c, setpoint_c, advised_setpoint_c, performed_by,
            override_reason, received_at)
            VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)";
        self.within(&adjustment.key.furnace.site)?;
        let row = AdjustmentRow::from(adjustment);
        query(SQL)
            .bind(row.site_id)
            .bind(row.furnace_id)
            .bind(row.adjusted_at)
            .bind(row.id)
            .bind(row.programme_id)
            .bind(row.reading_id)
            .bind(row.previous_setpoint_c)
            .bind(row.setpoint_c)
            .bind(row.advised_setpoint_c)
            .bind(row.performed_by)
            .bind(row.override_reason)
            .bind(row.received_at)
            .execute(self.connection())
            .await
            .map_err(Error::of_insert)?;
        let document = json(&AdjustmentRow::from(adjustment));
        self.happened(
            Some(&adjustment.key.furnace.site),
            "adjustment.confirm",
            adjustment.key.name(),
            document,
            request,
            adjustment.received_at,
        )
        .await
    }
}
