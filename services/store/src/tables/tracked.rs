//! What is known of each furnace's offset: worked out from readings, kept so that a recording need not
//! replay them.

use jiff::Timestamp;
use ringtrue_fleet::key::{FurnaceId, FurnaceKey, SiteId};
use ringtrue_fleet::knowledge::Fit;
use ringtrue_fleet::tracking::{AsEvaluated, TrackedOffset, replayed, suspected_drift};

use super::agenda::put_on_when_drift_changes;
use super::readings::{chunks, track_points, unamended_reading};
use super::{events, fits};
use crate::columns::{Place, bytes, json};
use crate::database::{Connection, insert_rows, query, query_as};
use crate::documents::tracked::TrackedDocument;
use crate::{Error, Page, Read, Tx};

/// The number of components of a filter that is not on disk as it is given: no fit has it, so the next fit or
/// recording takes the filter for outdated and writes it.
const NOT_KEPT: i64 = -1;

#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub(crate) struct TrackedRow {
    site_id: String,
    pub(crate) furnace_id: String,
    components: i64,
    readings: i64,
    pub(crate) last_reading_id: String,
    last_fired_at: i64,
    document: Vec<u8>,
    /// Repeats what follows from the document, for reading without it.
    may_drift: bool,
}

impl TrackedRow {
    fn of(furnace: &FurnaceKey, tracked: &TrackedOffset) -> Self {
        Self {
            site_id: furnace.site.to_string(),
            furnace_id: furnace.furnace.to_string(),
            components: tracked.components,
            readings: i64::from(tracked.chain.readings),
            last_reading_id: tracked.last.reading.to_string(),
            last_fired_at: tracked.last.fired_at.as_microsecond(),
            document: bytes(&TrackedDocument::from(tracked)),
            may_drift: suspected_drift(tracked).is_some(),
        }
    }

    fn furnace(&self) -> Result<FurnaceKey, Error> {
        let place = Place {
            table: "tracked_offset",
            key: &self.furnace_id,
        };
        Ok(FurnaceKey {
            site: place.id("site_id", SiteId::new(&self.site_id))?,
            furnace: place.id("furnace_id", FurnaceId::new(&self.furnace_id))?,
        })
    }

    /// What was kept; none when its shape is not understood, or when a column beside it says otherwise.
    fn kept(&self) -> Option<TrackedOffset> {
        let document: TrackedDocument = postcard::from_bytes(&self.document).ok()?;
        document
            .tracked(self.components)
            .filter(|tracked| self.may_drift == suspected_drift(tracked).is_some())
    }
}

impl TrackedRow {
    /// What the last evaluation found, as kept.
    pub(crate) fn evaluated(&self) -> Option<AsEvaluated> {
        self.kept()?.evaluated
    }

    /// Whether this is what is kept when `expected` follows from the records under the components of that number. A
    /// filter of earlier components is replayed by whoever meets it first: only what it repeats beside is compared.
    pub(crate) fn follows(
        &self,
        furnace: &FurnaceKey,
        expected: &TrackedOffset,
        components_number: i64,
    ) -> bool {
        let expected_row = Self::of(furnace, expected);
        let beside = self.readings == expected_row.readings
            && self.last_reading_id == expected_row.last_reading_id
            && self.last_fired_at == expected_row.last_fired_at;
        if self.components != components_number {
            return beside && (0..components_number).contains(&self.components);
        }
        let kept = self.kept().map(|kept| TrackedOffset {
            evaluated: None,
            ..kept
        });
        beside && kept.as_ref() == Some(expected)
    }
}

/// What rows say. One whose shape is not understood, written by another version or damaged, is worked out
/// again from the records.
async fn read_back(
    connection: &mut Connection,
    rows: Vec<TrackedRow>,
) -> Result<Vec<(FurnaceKey, TrackedOffset)>, Error> {
    let mut offsets = Vec::with_capacity(rows.len());
    // After an upgrade no row may be understood; the fit is then read once, not for each of them.
    let mut fit = None;
    for row in rows {
        let furnace = row.furnace()?;
        let tracked = if let Some(kept) = row.kept() {
            Some(kept)
        } else {
            let in_force = match fit.take() {
                Some(known) => known,
                None => fits::fit(&mut *connection).await?,
            };
            let again = worked_out_again(connection, &furnace, &in_force).await?;
            fit = Some(in_force);
            again
        };
        if let Some(tracked) = tracked {
            offsets.push((furnace, tracked));
        }
    }
    Ok(offsets)
}

async fn worked_out_again(
    connection: &mut Connection,
    furnace: &FurnaceKey,
    fit: &Fit,
) -> Result<Option<TrackedOffset>, Error> {
    let points = track_points(&mut *connection, furnace).await?;
    let keys = json(&[[furnace.site.as_str(), furnace.furnace.as_str()]]);
    let events = events::events_of(&mut *connection, &keys).await?;
    Ok(replayed(&points, &events, &fit.components, NOT_KEPT))
}

/// What is known of the given furnaces; `keys` is a JSON list of [site, furnace].
pub(crate) async fn tracked_of(
    connection: &mut Connection,
    keys: &str,
) -> Result<Vec<(FurnaceKey, TrackedOffset)>, Error> {
    const SQL: &str = concat!(
        wanted_pairs!(),
        "SELECT t.* FROM wanted CROSS JOIN tracked_offset AS t
            ON t.site_id = wanted.site_id AND t.furnace_id = wanted.id"
    );
    let rows: Vec<TrackedRow> = query_as(SQL).bind(keys).fetch_all(&mut *connection).await?;
    read_back(connection, rows).await
}

/// What is known of every furnace of the given sites; `sites` is a JSON list.
pub(crate) async fn tracked_of_sites(
    connection: &mut Connection,
    sites: &str,
) -> Result<Vec<(FurnaceKey, TrackedOffset)>, Error> {
    const SQL: &str = "SELECT t.* FROM json_each($1) AS wanted CROSS JOIN tracked_offset AS t
        ON t.site_id = wanted.value";
    let rows: Vec<TrackedRow> = query_as(SQL)
        .bind(sites)
        .fetch_all(&mut *connection)
        .await?;
    read_back(connection, rows).await
}

/// What is known of furnaces in order of their keys.
pub(crate) async fn all_tracked(
    connection: &mut Connection,
    page: &Page,
) -> Result<Vec<(FurnaceKey, TrackedOffset)>, Error> {
    const SQL: &str = "SELECT * FROM tracked_offset WHERE (site_id, furnace_id) > ($1, $2)
        ORDER BY site_id, furnace_id LIMIT $3";
    let rows: Vec<TrackedRow> = query_as(SQL)
        .bind(page.text(0))
        .bind(page.text(1))
        .bind(page.limit())
        .fetch_all(&mut *connection)
        .await?;
    read_back(connection, rows).await
}

pub(crate) async fn tracked_offset(
    connection: &mut Connection,
    key: &FurnaceKey,
) -> Result<Option<TrackedOffset>, Error> {
    const SQL: &str = "SELECT * FROM tracked_offset WHERE site_id = $1 AND furnace_id = $2";
    let rows: Vec<TrackedRow> = query_as(SQL)
        .bind(key.site.as_str())
        .bind(key.furnace.as_str())
        .fetch_all(&mut *connection)
        .await?;
    let found = read_back(connection, rows).await?;
    Ok(found.into_iter().next().map(|(_, tracked)| tracked))
}

/// Keeps what is known of some furnaces in place of what was.
pub(crate) async fn keep_tracked(
    connection: &mut Connection,
    all: &[(&FurnaceKey, &TrackedOffset)],
) -> Result<(), Error> {
    for now in chunks(all) {
        insert_rows(
            connection,
            "INSERT INTO tracked_offset (site_id, furnace_id,
            components, readings, last_reading_id, last_fired_at, document, may_drift) ",
            " ON CONFLICT (site_id, furnace_id) DO UPDATE SET
            components = excluded.components,
            readings = excluded.readings,
            last_reading_id = excluded.last_reading_id,
            last_fired_at = excluded.last_fired_at,
            document = excluded.document,
            may_drift = excluded.may_drift",
            now,
            |row, (furnace, tracked)| {
                let written = TrackedRow::of(furnace, tracked);
                row.push(written.site_id)
                    .push(written.furnace_id)
                    .push(written.components)
                    .push(written.readings)
                    .push(written.last_reading_id)
                    .push(written.last_fired_at)
                    .push(written.document)
                    .push(written.may_drift);
            },
        )
        .await?;
    }
    Ok(())
}

impl Read {
    /// What is known of a furnace's offset; none before its first evaluated reading.
    pub async fn tracked_offset(&self, key: &FurnaceKey) -> Result<Option<TrackedOffset>, Error> {
        self.within(&key.site)?;
        tracked_offset(&mut self.connection().await?, key).await
    }

    /// What is known of every furnace of a site.
    pub async fn tracked_offsets(
        &self,
        site: &SiteId,
    ) -> Result<Vec<(FurnaceId, TrackedOffset)>, Error> {
        self.within(site)?;
        let sites = crate::columns::json(&[site.as_str()]);
        let all = tracked_of_sites(&mut self.connection().await?, &sites).await?;
        Ok(all
            .into_iter()
            .map(|(key, tracked)| (key.furnace, tracked))
            .collect())
    }
}

impl Read {
    /// When the counted firing before the last one of each furnace ended; nothing for a furnace with fewer
    /// than two.
    pub async fn fired_before(
        &self,
        furnaces: &[FurnaceKey],
    ) -> Result<Vec<(FurnaceKey, Timestamp)>, Error> {
        const SQL: &str = concat!(
            wanted_pairs!(),
            "SELECT t.site_id, t.furnace_id, (
                SELECT e.fired_at FROM evaluation AS e
                WHERE e.site_id = t.site_id AND e.furnace_id = t.furnace_id
                    AND (e.fired_at, e.reading_id) < (t.last_fired_at, t.last_reading_id) AND e.counts AND ",
            unamended_reading!("e", "reading_id"),
            " ORDER BY e.fired_at DESC, e.reading_id DESC LIMIT 1)
            FROM wanted CROSS JOIN tracked_offset AS t ON t.site_id = wanted.site_id AND t.furnace_id = wanted.id"
        );
        let mut keys = Vec::with_capacity(furnaces.len());
        for furnace in furnaces {
            self.within(&furnace.site)?;
            keys.push([furnace.site.as_str(), furnace.furnace.as_str()]);
        }
        let rows: Vec<(String, String, Option<i64>)> = query_as(SQL)
            .bind(crate::columns::json(&keys))
            .fetch_all(&mut self.connection().await?)
            .await?;
        let mut found = Vec::with_capacity(rows.len());
        for (site, furnace, fired_at) in rows {
            let Some(fired_at) = fired_at else { continue };
            let place = Place {
                table: "evaluation",
                key: &furnace,
            };
            let key = FurnaceKey {
                site: place.id("site_id", SiteId::new(&site))?,
                furnace: place.id("furnace_id", FurnaceId::new(&furnace))?,
            };
            found.push((key, place.moment("fired_at", fired_at)?));
        }
        Ok(found)
    }
}

impl Tx {
    /// What is known of a furnace's offset.
    pub async fn tracked_offset(
        &mut self,
        key: &FurnaceKey,
    ) -> Result<Option<TrackedOffset>, Error> {
        self.within(&key.site)?;
        tracked_offset(self.connection(), key).await
    }

    /// Keeps what is known of a furnace's offset in place of what was; none forgets it.
    pub async fn put_tracked_offset(
        &mut self,
        key: &FurnaceKey,
        tracked: Option<&TrackedOffset>,
    ) -> Result<(), Error> {
        const FORGET: &str = "DELETE FROM tracked_offset WHERE site_id = $1 AND furnace_id = $2";
        self.within(&key.site)?;
        let may_drift = tracked.is_some_and(|tracked| suspected_drift(tracked).is_some());
        put_on_when_drift_changes(self.connection(), key, may_drift).await?;
        if let Some(tracked) = tracked {
            return keep_tracked(self.connection(), &[(key, tracked)]).await;
        }
        query(FORGET)
            .bind(key.site.as_str())
            .bind(key.furnace.as_str())
            .execute(self.connection())
            .await?;
        Ok(())
    }
}
