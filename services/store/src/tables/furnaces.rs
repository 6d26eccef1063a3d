//! Furnaces: their row, and every statement that touches it.

use ringtrue_fleet::furnace::{
    Furnace, FurnaceDetails, FurnaceState, HeatingElement, ThermocoupleType,
};
use ringtrue_fleet::key::{FurnaceId, FurnaceKey, SiteId};
use serde::{Deserialize, Serialize};

use super::sites::reach;
use crate::columns::{Place, json, written};
use crate::database::{Connection, query, query_as, query_scalar};
use crate::{Error, Page, Read, Request, Tx};

const ELEMENTS: &[(HeatingElement, &str)] = &[
    (HeatingElement::Unknown, "unknown"),
    (
        HeatingElement::MolybdenumDisilicide,
        "molybdenum_disilicide",
    ),
    (HeatingElement::SiliconCarbide, "silicon_carbide"),
    (HeatingElement::Other, "other"),
];

const THERMOCOUPLES: &[(ThermocoupleType, &str)] = &[
    (ThermocoupleType::Unknown, "unknown"),
    (ThermocoupleType::B, "B"),
    (ThermocoupleType::S, "S"),
    (ThermocoupleType::R, "R"),
];

pub(crate) const STATES: &[(FurnaceState, &str)] = &[
    (FurnaceState::InUse, "in_use"),
    (FurnaceState::InService, "in_service"),
    (FurnaceState::Retired, "retired"),
];

/// A row of `furnace`; also its document in the audit chain.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct FurnaceRow {
    site_id: String,
    id: String,
    display_name: String,
    maximum_setpoint_c: f64,
    setpoint_step_c: f64,
    heating_element: String,
    control_thermocouple: String,
    tolerance_c: Option<f64>,
    reference_position: String,
    serial_number: String,
    state: String,
    revision: i64,
    created_at: i64,
    updated_at: i64,
}

impl From<&Furnace> for FurnaceRow {
    fn from(furnace: &Furnace) -> Self {
        let details = &furnace.details;
        Self {
            site_id: furnace.key.site.to_string(),
            id: furnace.key.furnace.to_string(),
            display_name: details.display_name.clone(),
            maximum_setpoint_c: details.maximum_setpoint_c,
            setpoint_step_c: details.setpoint_step_c,
            heating_element: written(&details.heating_element, ELEMENTS),
            control_thermocouple: written(&details.control_thermocouple, THERMOCOUPLES),
            tolerance_c: details.tolerance_c,
            reference_position: details.reference_position.clone(),
            serial_number: details.serial_number.clone(),
            state: written(&details.state, STATES),
            revision: furnace.revision,
            created_at: furnace.created_at.as_microsecond(),
            updated_at: furnace.updated_at.as_microsecond(),
        }
    }
}

impl FurnaceRow {
    pub(crate) fn furnace(self) -> Result<Furnace, Error> {
        let place = Place {
            table: "furnace",
            key: &self.id,
        };
        Ok(Furnace {
            key: FurnaceKey {
                site: place.id("site_id", SiteId::new(&self.site_id))?,
                furnace: place.id("id", FurnaceId::new(&self.id))?,
            },
            details: FurnaceDetails {
                display_name: self.display_name,
                maximum_setpoint_c: self.maximum_setpoint_c,
                setpoint_step_c: self.setpoint_step_c,
                heating_element: place.word("heating_element", &self.heating_element, ELEMENTS)?,
                control_thermocouple: place.word(
                    "control_thermocouple",
                    &self.control_thermocouple,
                    THERMOCOUPLES,
                )?,
                tolerance_c: self.tolerance_c,
                reference_position: self.reference_position,
                serial_number: self.serial_number,
                state: place.word("state", &self.state, STATES)?,
            },
            revision: self.revision,
            created_at: place.moment("created_at", self.created_at)?,
            updated_at: place.moment("updated_at", self.updated_at)?,
        })
    }
}

pub(crate) async fn furnace(
    connection: &mut Connection,
    key: &FurnaceKey,
) -> Result<Option<Furnace>, Error> {
    const SQL: &str = "SELECT * FROM furnace WHERE site_id = $1 AND id = $2";
    let rows: Vec<FurnaceRow> = query_as(SQL)
        .bind(key.site.as_str())
        .bind(key.furnace.as_str())
        .fetch_all(connection)
        .await?;
    rows.into_iter().next().map(FurnaceRow::furnace).transpose()
}

/// The given furnaces; `keys` is a JSON list of [site, furnace].
pub(crate) async fn furnaces_of(
    connection: &mut Connection,
    keys: &str,
) -> Result<Vec<Furnace>, Error> {
    const SQL: &str = concat!(
        wanted_pairs!(),
        "SELECT f.* FROM wanted CROSS JOIN furnace AS f ON f.site_id = wanted.site_id AND f.id = wanted.id"
    );
    let rows: Vec<FurnaceRow> = query_as(SQL).bind(keys).fetch_all(connection).await?;
    rows.into_iter().map(FurnaceRow::furnace).collect()
}

/// All furnaces of a site, by id.
pub(crate) async fn furnaces_of_site(
    connection: &mut Connection,
    site: &SiteId,
) -> Result<Vec<Furnace>, Error> {
    const SQL: &str = "SELECT * FROM furnace WHERE site_id = $1 ORDER BY id";
    let rows: Vec<FurnaceRow> = query_as(SQL)
        .bind(site.as_str())
        .fetch_all(connection)
        .await?;
    rows.into_iter().map(FurnaceRow::furnace).collect()
}

/// All furnaces of some sites, by site and id; `sites` is a JSON list.
pub(crate) async fn furnaces_of_sites(
    connection: &mut Connection,
    sites: &str,
) -> Result<Vec<Furnace>, Error> {
    const SQL: &str = "SELECT f.* FROM json_each($1) AS wanted CROSS JOIN furnace AS f
        ON f.site_id = wanted.value ORDER BY f.site_id, f.id";
    let rows: Vec<FurnaceRow> = query_as(SQL).bind(sites).fetch_all(connection).await?;
    rows.into_iter().map(FurnaceRow::furnace).collect()
}

/// The ids of a site's furnaces, in order.
pub(crate) async fn ids_of_site(
    connection: &mut Connection,
    site: &SiteId,
) -> Result<Vec<String>, Error> {
    const SQL: &str = "SELECT id FROM furnace WHERE site_id = $1 ORDER BY id";
    let ids = query_scalar(SQL)
        .bind(site.as_str())
        .fetch_all(connection)
        .await?;
    Ok(ids)
}

impl Read {
    /// One furnace.
    pub async fn furnace(&self, key: &FurnaceKey) -> Result<Option<Furnace>, Error> {
        self.within(&key.site)?;
        furnace(&mut self.connection().await?, key).await
    }

    /// Furnaces of one site, or of all that the scope reaches, by name.
    pub async fn furnaces(
        &self,
        site: Option<&SiteId>,
        page: &Page,
    ) -> Result<Vec<Furnace>, Error> {
        // The first two conditions say again what the third says, in a form that the primary key serves;
        // every id sorts before `~`.
        const SQL: &str = "SELECT * FROM furnace
            WHERE (site_id, id) > ($1, $2) AND site_id <= COALESCE($3, '~')
              AND ($3 IS NULL OR site_id = $3)
              AND ($4 IS NULL OR site_id IN (SELECT value FROM json_each($4)))
            ORDER BY site_id, id LIMIT $5";
        if let Some(site) = site {
            self.within(site)?;
        }
        let from = match page.text(0) {
            "" => site.map_or("", SiteId::as_str),
            after => after,
        };
        let rows: Vec<FurnaceRow> = query_as(SQL)
            .bind(from)
            .bind(page.text(1))
            .bind(site.map(SiteId::as_str))
            .bind(reach(&self.scope))
            .bind(page.limit())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(FurnaceRow::furnace).collect()
    }
}

impl Tx {
    /// One furnace.
    pub async fn furnace(&mut self, key: &FurnaceKey) -> Result<Option<Furnace>, Error> {
        self.within(&key.site)?;
        furnace(self.connection(), key).await
    }

    /// Stores a new furnace. Fails with [`Error::Exists`] when its id is taken.
    pub async fn insert_furnace(
        &mut self,
        furnace: &Furnace,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO furnace (site_id, id, display_name, maximum_setpoint_c,
            setpoint_step_c, heating_element, control_thermocouple, tolerance_c, reference_position,
            serial_number, state, revision, created_at, updated_at)
            VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)";
        self.within(&furnace.key.site)?;
        self.write_furnace(SQL, furnace)
            .await
            .map_err(Error::of_insert)?;
        let document = json(&FurnaceRow::from(furnace));
        self.happened(
            Some(&furnace.key.site),
            "furnace.create",
            furnace.key.name(),
            document,
            request,
            furnace.updated_at,
        )
        .await
    }

    /// Stores the next version of a furnace.
    pub async fn update_furnace(
        &mut self,
        furnace: &Furnace,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str = "UPDATE furnace SET display_name = $3, maximum_setpoint_c = $4,
            setpoint_step_c = $5, heating_element = $6, control_thermocouple = $7, tolerance_c = $8,
            reference_position = $9, serial_number = $10, state = $11, revision = $12,
            created_at = $13, updated_at = $14 WHERE site_id = $1 AND id = $2";
        self.within(&furnace.key.site)?;
        self.write_furnace(SQL, furnace).await?;
        let document = json(&FurnaceRow::from(furnace));
        self.happened(
            Some(&furnace.key.site),
            "furnace.update",
            furnace.key.name(),
            document,
            request,
            furnace.updated_at,
        )
        .await
    }

    async fn write_furnace(
        &mut self,
        sql: &'static str,
        furnace: &Furnace,
    ) -> Result<(), sqlx::Error> {
        let row = FurnaceRow::from(furnace);
        query(sql)
            .bind(row.site_id)
            .bind(row.id)
            .bind(row.display_name)
            .bind(row.maximum_setpoint_c)
            .bind(row.setpoint_step_c)
            .bind(row.heating_element)
            .bind(row.control_thermocouple)
            .bind(row.tolerance_c)
            .bind(row.reference_position)
            .bind(row.serial_number)
            .bind(row.state)
            .bind(row.revision)
            .bind(row.created_at)
            .bind(row.updated_at)
            .execute(self.connection())
            .await?;
        Ok(())
    }
}
