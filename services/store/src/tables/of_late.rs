//! What happened at a site of late, as the rules behind findings look at it: statements over several tables.

use jiff::Timestamp;
use ringtrue_fleet::adjustment::Adjustment;
use ringtrue_fleet::event::FurnaceEvent;
use ringtrue_fleet::finding::ReadingOfLate;
use ringtrue_fleet::key::{BatchId, FurnaceId, FurnaceKey, GaugeId, ReadingId, ReadingKey, SiteId};
use serde::Deserialize;

use super::adjustments::AdjustmentRow;
use super::events::EventRow;
use super::readings::{surprise, unamended_reading};
use crate::columns::{Place, optional_id};
use crate::database::query_as;
use crate::{Error, Read};

#[derive(sqlx::FromRow)]
struct LateRow {
    furnace_id: String,
    reading_id: String,
    fired_at: i64,
    innovation_z: Option<f64>,
    innovation_sd_c: Option<f64>,
    gain: Option<f64>,
    performed_by: String,
    batch_id: Option<String>,
    gauge_id: Option<String>,
    rings: Option<String>,
}

/// Of a ring's summary within an evaluation, what tells positions apart.
#[derive(Deserialize)]
struct RingThere {
    position: String,
    temperature_c: f64,
}

impl LateRow {
    fn reading(self, site: &SiteId) -> Result<ReadingOfLate, Error> {
        let place = Place {
            table: "evaluation",
            key: &self.reading_id,
        };
        let mut rings = Vec::new();
        if let Some(document) = &self.rings {
            let there: Vec<RingThere> = place.json("result", document)?;
            for ring in there {
                rings.push((ring.position, ring.temperature_c));
            }
        }
        Ok(ReadingOfLate {
            key: ReadingKey {
                furnace: FurnaceKey {
                    site: site.clone(),
                    furnace: place.id("furnace_id", FurnaceId::new(&self.furnace_id))?,
                },
                reading: place.id("reading_id", ReadingId::new(&self.reading_id))?,
            },
            fired_at: place.moment("fired_at", self.fired_at)?,
            surprise: surprise(self.innovation_z, self.innovation_sd_c, self.gain),
            batch: optional_id(self.batch_id.as_deref(), BatchId::new, || {
                place.corrupt("batch_id")
            })?,
            gauge: optional_id(self.gauge_id.as_deref(), GaugeId::new, || {
                place.corrupt("gauge_id")
            })?,
            rings,
            performed_by: self.performed_by,
        })
    }
}

impl Read {
    /// Readings of a site that count, fired since a moment; in order of firing and id for each furnace. The
    /// rings are given where there were several.
    pub async fn readings_of_late(
        &self,
        site: &SiteId,
        since: Timestamp,
    ) -> Result<Vec<ReadingOfLate>, Error> {
        // From the furnaces on, so that each one's readings are found by their key. The long document is only looked
        // into where the short one says that there were several rings.
        const SQL: &str = concat!(
            "SELECT e.furnace_id, e.reading_id, e.fired_at, e.innovation_z,
                e.innovation_sd_c, e.gain, r.performed_by, r.batch_id, r.gauge_id,
                CASE WHEN json_array_length(r.measurement, '$.rings.rings') > 1
                    THEN CASE WHEN json_array_length(e.result, '$.rings') > 1
                        THEN json_extract(e.result, '$.rings') END END AS rings
            FROM furnace AS f
            CROSS JOIN evaluation AS e ON e.site_id = f.site_id AND e.furnace_id = f.id
                AND e.fired_at >= $2
            JOIN reading AS r ON r.site_id = e.site_id AND r.furnace_id = e.furnace_id
                AND r.fired_at = e.fired_at AND r.id = e.reading_id
            WHERE f.site_id = $1 AND e.counts AND ",
            unamended_reading!("e", "reading_id"),
            " ORDER BY e.furnace_id, e.fired_at, e.reading_id"
        );
        self.within(site)?;
        let rows: Vec<LateRow> = query_as(SQL)
            .bind(site.as_str())
            .bind(since.as_microsecond())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(|row| row.reading(site)).collect()
    }

    /// Adjustments at a site since a moment, in order for each furnace.
    pub async fn adjustments_of_late(
        &self,
        site: &SiteId,
        since: Timestamp,
    ) -> Result<Vec<Adjustment>, Error> {
        const SQL: &str = "SELECT * FROM adjustment WHERE site_id = $1 AND adjusted_at >= $2
            ORDER BY furnace_id, adjusted_at, id";
        self.within(site)?;
        let rows: Vec<AdjustmentRow> = query_as(SQL)
            .bind(site.as_str())
            .bind(since.as_microsecond())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(AdjustmentRow::adjustment).collect()
    }

    /// Every event at a site, in order for each furnace; a furnace has a few a year.
    pub async fn events_of_site(&self, site: &SiteId) -> Result<Vec<FurnaceEvent>, Error> {
        const SQL: &str = "SELECT * FROM furnace_event WHERE site_id = $1
            ORDER BY furnace_id, happened_at, id";
        self.within(site)?;
        let rows: Vec<EventRow> = query_as(SQL)
            .bind(site.as_str())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(EventRow::event).collect()
    }
}
