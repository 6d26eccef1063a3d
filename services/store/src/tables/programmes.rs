//! Programmes: their row, and every statement that touches it.

use ringtrue_calibration::programme::Segment;
use ringtrue_fleet::key::{FurnaceId, FurnaceKey, ProgrammeId, ProgrammeKey, SiteId};
use ringtrue_fleet::programme::{Programme, ProgrammeDetails, ProgrammeKind, SetpointChange};
use serde::{Deserialize, Serialize};

use crate::columns::{Place, json, written};
use crate::database::{Connection, query, query_as};
use crate::{Error, Page, Read, Request, Tx};

const KINDS: &[(ProgrammeKind, &str)] = &[
    (ProgrammeKind::Standard, "standard"),
    (ProgrammeKind::Quick, "quick"),
    (ProgrammeKind::Long, "long"),
];

/// A row of `programme`; also its document in the audit chain.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct ProgrammeRow {
    site_id: String,
    furnace_id: String,
    id: String,
    display_name: String,
    segments: String,
    material_target_c: f64,
    shade_shift_c: f64,
    setpoint_c: f64,
    minimum_setpoint_c: f64,
    maximum_setpoint_c: f64,
    kind: String,
    changed_from_c: Option<f64>,
    changed_to_c: Option<f64>,
    changed_at: Option<i64>,
    revision: i64,
    created_at: i64,
    updated_at: i64,
}

impl From<&Programme> for ProgrammeRow {
    fn from(programme: &Programme) -> Self {
        let details = &programme.details;
        let segments: Vec<[f64; 3]> = details
            .segments
            .iter()
            .map(|s| [s.ramp_c_per_min, s.temperature_c, s.hold_min])
            .collect();
        Self {
            site_id: programme.key.furnace.site.to_string(),
            furnace_id: programme.key.furnace.furnace.to_string(),
            id: programme.key.programme.to_string(),
            display_name: details.display_name.clone(),
            segments: json(&segments),
            material_target_c: details.material_target_c,
            shade_shift_c: details.shade_shift_c,
            setpoint_c: details.setpoint_c,
            minimum_setpoint_c: details.minimum_setpoint_c,
            maximum_setpoint_c: details.maximum_setpoint_c,
            kind: written(&details.kind, KINDS),
            changed_from_c: details.last_change.map(|change| change.from_c),
            changed_to_c: details.last_change.map(|change| change.to_c),
            changed_at: details
                .last_change
                .map(|change| change.changed_at.as_microsecond()),
            revision: programme.revision,
            created_at: programme.created_at.as_microsecond(),
            updated_at: programme.updated_at.as_microsecond(),
        }
    }
}

impl ProgrammeRow {
    pub(crate) fn programme(self) -> Result<Programme, Error> {
        let place = Place {
            table: "programme",
            key: &self.id,
        };
        let segments: Vec<[f64; 3]> = place.json("segments", &self.segments)?;
        let last_change = match (self.changed_from_c, self.changed_to_c, self.changed_at) {
            (Some(from_c), Some(to_c), Some(at)) => Some(SetpointChange {
                from_c,
                to_c,
                changed_at: place.moment("changed_at", at)?,
            }),
            _ => None,
        };
        Ok(Programme {
            key: ProgrammeKey {
                furnace: FurnaceKey {
                    site: place.id("site_id", SiteId::new(&self.site_id))?,
                    furnace: place.id("furnace_id", FurnaceId::new(&self.furnace_id))?,
                },
                programme: place.id("id", ProgrammeId::new(&self.id))?,
            },
            details: ProgrammeDetails {
                segments: segments
                    .into_iter()
                    .map(|[ramp_c_per_min, temperature_c, hold_min]| Segment {
                        ramp_c_per_min,
                        temperature_c,
                        hold_min,
                    })
                    .collect(),
                material_target_c: self.material_target_c,
                shade_shift_c: self.shade_shift_c,
                setpoint_c: self.setpoint_c,
                minimum_setpoint_c: self.minimum_setpoint_c,
                maximum_setpoint_c: self.maximum_setpoint_c,
                kind: place.word("kind", &self.kind, KINDS)?,
                last_change,
                display_name: self.display_name,
            },
            revision: self.revision,
            created_at: place.moment("created_at", self.created_at)?,
            updated_at: place.moment("updated_at", self.updated_at)?,
        })
    }
}

pub(crate) async fn programme(
    connection: &mut Connection,
    key: &ProgrammeKey,
) -> Result<Option<Programme>, Error> {
    const SQL: &str = "SELECT * FROM programme WHERE site_id = $1 AND furnace_id = $2 AND id = $3";
    let rows: Vec<ProgrammeRow> = query_as(SQL)
        .bind(key.furnace.site.as_str())
        .bind(key.furnace.furnace.as_str())
        .bind(key.programme.as_str())
        .fetch_all(connection)
        .await?;
    rows.into_iter()
        .next()
        .map(ProgrammeRow::programme)
        .transpose()
}

/// The given programmes; `keys` is a JSON list of [site, furnace, programme].
pub(crate) async fn programmes_of(
    connection: &mut Connection,
    keys: &str,
) -> Result<Vec<Programme>, Error> {
    const SQL: &str = "WITH wanted AS MATERIALIZED (SELECT json_extract(value, '$[0]') AS site_id,
            json_extract(value, '$[1]') AS furnace_id, json_extract(value, '$[2]') AS id FROM json_each($1))
        SELECT p.* FROM wanted CROSS JOIN programme AS p
            ON p.site_id = wanted.site_id AND p.furnace_id = wanted.furnace_id AND p.id = wanted.id";
    let rows: Vec<ProgrammeRow> = query_as(SQL).bind(keys).fetch_all(connection).await?;
    rows.into_iter().map(ProgrammeRow::programme).collect()
}

/// All programmes of some sites, by furnace and id; `sites` is a JSON list.
pub(crate) async fn programmes_of_sites(
    connection: &mut Connection,
    sites: &str,
) -> Result<Vec<Programme>, Error> {
    const SQL: &str = "SELECT p.* FROM json_each($1) AS wanted CROSS JOIN programme AS p
        ON p.site_id = wanted.value ORDER BY p.site_id, p.furnace_id, p.id";
    let rows: Vec<ProgrammeRow> = query_as(SQL).bind(sites).fetch_all(connection).await?;
    rows.into_iter().map(ProgrammeRow::programme).collect()
}

impl Read {
    /// One programme.
    pub async fn programme(&self, key: &ProgrammeKey) -> Result<Option<Programme>, Error> {
        self.within(&key.furnace.site)?;
        programme(&mut self.connection().await?, key).await
    }

    /// Programmes of one furnace or of a site's furnaces, by name.
    pub async fn programmes(
        &self,
        site: &SiteId,
        furnace: Option<&FurnaceId>,
        page: &Page,
    ) -> Result<Vec<Programme>, Error> {
        const SQL: &str = "SELECT * FROM programme
            WHERE site_id = $1 AND (furnace_id, id) > ($2, $3) AND ($4 IS NULL OR furnace_id = $4)
            ORDER BY furnace_id, id LIMIT $5";
        self.within(site)?;
        let rows: Vec<ProgrammeRow> = query_as(SQL)
            .bind(site.as_str())
            .bind(page.text(0))
            .bind(page.text(1))
            .bind(furnace.map(FurnaceId::as_str))
            .bind(page.limit())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(ProgrammeRow::programme).collect()
    }
}

impl Tx {
    /// One programme.
    pub async fn programme(&mut self, key: &ProgrammeKey) -> Result<Option<Programme>, Error> {
        self.within(&key.furnace.site)?;
        programme(self.connection(), key).await
    }

    /// Every programme of a furnace, by id.
    pub async fn programmes_of_furnace(
        &mut self,
        furnace: &FurnaceKey,
    ) -> Result<Vec<Programme>, Error> {
        const SQL: &str =
            "SELECT * FROM programme WHERE site_id = $1 AND furnace_id = $2 ORDER BY id";
        self.within(&furnace.site)?;
        let rows: Vec<ProgrammeRow> = query_as(SQL)
            .bind(furnace.site.as_str())
            .bind(furnace.furnace.as_str())
            .fetch_all(self.connection())
            .await?;
        rows.into_iter().map(ProgrammeRow::programme).collect()
    }

    /// Stores a new programme. Fails with [`Error::Exists`] when its id is taken.
    pub async fn insert_programme(
        &mut self,
        programme: &Programme,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO programme (site_id, furnace_id, id, display_name, segments,
            material_target_c, shade_shift_c, setpoint_c, minimum_setpoint_c, maximum_setpoint_c, kind,
            changed_from_c, changed_to_c, changed_at, revision, created_at, updated_at)
            VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17)";
        self.within(&programme.key.furnace.site)?;
        self.write_programme(SQL, programme)
            .await
            .map_err(Error::of_insert)?;
        let document = json(&ProgrammeRow::from(programme));
        self.happened(
            Some(&programme.key.furnace.site),
            "programme.create",
            programme.key.name(),
            document,
            request,
            programme.updated_at,
        )
        .await
    }

    /// Stores the next version of a programme.
    pub async fn update_programme(
        &mut self,
        programme: &Programme,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str = "UPDATE programme SET display_name = $4, segments = $5,
            material_target_c = $6, shade_shift_c = $7, setpoint_c = $8, minimum_setpoint_c = $9,
            maximum_setpoint_c = $10, kind = $11, changed_from_c = $12, changed_to_c = $13,
            changed_at = $14, revision = $15, created_at = $16, updated_at = $17
            WHERE site_id = $1 AND furnace_id = $2 AND id = $3";
        self.within(&programme.key.furnace.site)?;
        self.write_programme(SQL, programme).await?;
        let document = json(&ProgrammeRow::from(programme));
        self.happened(
            Some(&programme.key.furnace.site),
            "programme.update",
            programme.key.name(),
            document,
            request,
            programme.updated_at,
        )
        .await
    }

    async fn write_programme(
        &mut self,
        sql: &'static str,
        programme: &Programme,
    ) -> Result<(), sqlx::Error> {
        let row = ProgrammeRow::from(programme);
        query(sql)
            .bind(row.site_id)
            .bind(row.furnace_id)
            .bind(row.id)
            .bind(row.display_name)
            .bind(row.segments)
            .bind(row.material_target_c)
            .bind(row.shade_shift_c)
            .bind(row.setpoint_c)
            .bind(row.minimum_setpoint_c)
            .bind(row.maximum_setpoint_c)
            .bind(row.kind)
            .bind(row.changed_from_c)
            .bind(row.changed_to_c)
            .bind(row.changed_at)
            .bind(row.revision)
            .bind(row.created_at)
            .bind(row.updated_at)
            .execute(self.connection())
            .await?;
        Ok(())
    }
}
