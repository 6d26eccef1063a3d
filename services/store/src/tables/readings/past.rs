//! All that is on record of a furnace, with what each decision rested on: for looking back over years.

use ringtrue_fleet::backtest::{Fired, FurnacePast};
use ringtrue_fleet::key::{FurnaceKey, ProgrammeId};
use ringtrue_fleet::reading::Inputs;
use sqlx::sqlite::SqliteConnection;

use super::PointRow;
use crate::columns::{Place, json};
use crate::documents::inputs::InputsDocument;
use crate::tables::{adjustments, events};
use crate::{Error, Read};

#[derive(sqlx::FromRow)]
struct FiredRow {
    #[sqlx(flatten)]
    point: PointRow,
    programme_id: String,
    inputs: String,
}

impl FiredRow {
    fn fired(self) -> Result<Fired, Error> {
        let place = Place {
            table: "evaluation",
            key: &self.point.reading_id,
        };
        let document: InputsDocument = place.json("inputs", &self.inputs)?;
        let inputs = Inputs::from(document);
        Ok(Fired {
            programme: place.id("programme_id", ProgrammeId::new(&self.programme_id))?,
            target_c: inputs.target_c,
            limits: inputs.limits,
            policy: inputs.policy,
            point: self.point.point()?,
        })
    }
}

/// Every reading that a furnace's offset takes into account, in order of firing and id, with what its
/// decision rested on.
async fn fired_of(
    connection: &mut SqliteConnection,
    furnace: &FurnaceKey,
) -> Result<Vec<Fired>, Error> {
    const SQL: &str = "SELECT e.reading_id, e.fired_at, r.setpoint_c, e.observed_offset_c,
            e.independent_c, e.shared_c, e.mean_mm, e.removed_c, e.effects, e.innovation_z,
            e.innovation_sd_c, e.gain, r.batch_id, r.gauge_id, r.programme_id, e.inputs
        FROM evaluation AS e
        JOIN reading AS r ON r.site_id = e.site_id AND r.furnace_id = e.furnace_id
            AND r.fired_at = e.fired_at AND r.id = e.reading_id
        LEFT JOIN amendment AS a ON a.site_id = e.site_id AND a.furnace_id = e.furnace_id
            AND a.reading_id = e.reading_id
        WHERE e.site_id = $1 AND e.furnace_id = $2 AND e.counts AND a.amended_by IS NULL
        ORDER BY e.fired_at, e.reading_id";
    let rows: Vec<FiredRow> = sqlx::query_as(SQL)
        .bind(furnace.site.as_str())
        .bind(furnace.furnace.as_str())
        .fetch_all(connection)
        .await?;
    rows.into_iter().map(FiredRow::fired).collect()
}

impl Read {
    /// Every counted reading, event and confirmed setpoint of a furnace.
    pub async fn furnace_past(&self, furnace: &FurnaceKey) -> Result<FurnacePast, Error> {
        self.within(&furnace.site)?;
        let mut connection = self.connection().await?;
        let keys = json(&[[furnace.site.as_str(), furnace.furnace.as_str()]]);
        Ok(FurnacePast {
            key: furnace.clone(),
            fired: fired_of(&mut connection, furnace).await?,
            events: events::events_of(&mut connection, &keys).await?,
            adjustments: adjustments::adjustments_of(&mut connection, furnace).await?,
        })
    }
}
