//! All that is on record of a furnace, with what each decision rested on: for looking back over years.

use ringtrue_fleet::backtest::{Fired, FurnacePast};
use ringtrue_fleet::exposure::JudgedReading;
use ringtrue_fleet::key::{FurnaceKey, ProgrammeId, ReadingId};
use ringtrue_fleet::reading::Inputs;

use super::{PointRow, counted_readings, unamended_reading};
use crate::columns::{Place, json};
use crate::database::{Connection, query_as};
use crate::documents::evaluation::ADVICE;
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
async fn fired_of(connection: &mut Connection, furnace: &FurnaceKey) -> Result<Vec<Fired>, Error> {
    const SQL: &str = counted_readings!(", r.programme_id, e.inputs");
    let rows: Vec<FiredRow> = query_as(SQL)
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

    /// Counted readings of a furnace with what they showed, in order of firing and id.
    pub async fn judged_readings(&self, furnace: &FurnaceKey) -> Result<Vec<JudgedReading>, Error> {
        const SQL: &str = concat!(
            "SELECT e.reading_id, e.fired_at, e.conformance, e.advice FROM evaluation AS e
            WHERE e.site_id = $1 AND e.furnace_id = $2 AND e.counts AND ",
            unamended_reading!("e", "reading_id"),
            " ORDER BY e.fired_at, e.reading_id"
        );
        self.within(&furnace.site)?;
        let rows: Vec<(String, i64, Option<f64>, Option<String>)> = query_as(SQL)
            .bind(furnace.site.as_str())
            .bind(furnace.furnace.as_str())
            .fetch_all(&mut self.connection().await?)
            .await?;
        let mut judged = Vec::with_capacity(rows.len());
        for (reading, fired_at, conformance, advice) in rows {
            let place = Place {
                table: "evaluation",
                key: &reading,
            };
            judged.push(JudgedReading {
                fired_at: place.moment("fired_at", fired_at)?,
                reading: place.id("reading_id", ReadingId::new(&reading))?,
                conformance,
                advice: match advice.as_deref() {
                    None => None,
                    Some(word) => Some(place.word("advice", word, ADVICE)?),
                },
            });
        }
        Ok(judged)
    }
}
