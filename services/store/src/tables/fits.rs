//! Fits of the network: what all readings say about the errors that they share. Derived; only the last
//! one is kept.

use std::collections::HashMap;
use std::sync::Arc;

use jiff::Timestamp;
use ringtrue_calibration::inference::Components;
use ringtrue_fleet::effect::Effect;
use ringtrue_fleet::gauge::GaugeCheck;
use ringtrue_fleet::key::{FurnaceKey, GaugeId, SiteId};
use ringtrue_fleet::knowledge::{Fit, GlobalFit, Knowledge, SiteFit, places_of};
use ringtrue_fleet::tracking::TrackedOffset;

use super::{gauges, tracked};
use crate::columns::{Place, bytes, json};
use crate::database::{Connection, insert_rows, query, query_as, query_scalar};
use crate::documents::fit::{SiteFitDocument, SolutionDocument};
use crate::documents::inputs::ComponentsDocument;
use crate::{Error, Page, Read, Tx};

/// Sites' parts that one statement reads or writes.
const PARTS_AT_ONCE: usize = 500;

/// What bears on one site's furnaces, with nothing borrowed.
#[derive(Debug, Clone)]
pub struct SiteKnowledge {
    pub(crate) site: SiteId,
    pub(crate) fit: Arc<Fit>,
    pub(crate) site_fit: Option<SiteFit>,
    pub(crate) checks: Vec<(GaugeId, Vec<GaugeCheck>)>,
}

impl SiteKnowledge {
    /// As the rules take it.
    pub fn knowledge(&self) -> Knowledge<'_> {
        Knowledge {
            site: &self.site,
            fit: &self.fit,
            site_fit: self.site_fit.as_ref(),
            checks: &self.checks,
        }
    }
}

/// How much a fit would take in that the last one did not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pending {
    /// The count of recordings now.
    pub changes: i64,
    /// The number of the reference records now.
    pub reference_version: i64,
}

#[derive(sqlx::FromRow)]
struct FitRow {
    number: i64,
    fitted_at: i64,
    components_number: i64,
    components_at: Option<i64>,
    components: String,
    globals: String,
    solution: Vec<u8>,
    readings: i64,
    changes: i64,
    reference_version: i64,
}

impl FitRow {
    /// What was kept; none when its shape is not understood.
    fn kept(&self) -> Option<Fit> {
        let named: Vec<(String, f64, i64, i64)> = serde_json::from_str(&self.globals).ok()?;
        let solution: SolutionDocument = postcard::from_bytes(&self.solution).ok()?;
        if !solution.fits(named.len()) {
            return None;
        }
        let mut globals = Vec::with_capacity(named.len());
        for (name, sd_c, readings, sites) in named {
            globals.push(GlobalFit {
                effect: Effect::parse(&name).ok()?,
                sd_c,
                readings,
                sites,
            });
        }
        Some(Fit {
            number: self.number,
            fitted_at: Some(Timestamp::from_microsecond(self.fitted_at).ok()?),
            components: self.components()?,
            components_number: self.components_number,
            components_at: match self.components_at {
                Some(at) => Some(Timestamp::from_microsecond(at).ok()?),
                None => None,
            },
            places: places_of(&globals),
            globals,
            solution: solution.into(),
            readings: self.readings,
            changes: self.changes,
            reference_version: self.reference_version,
        })
    }

    fn components(&self) -> Option<Components> {
        let components: ComponentsDocument = serde_json::from_str(&self.components).ok()?;
        Some(components.into())
    }

    /// The fit. One whose shape is not understood, written by another version or damaged, says nothing,
    /// and the next fit takes its place.
    fn fit(&self) -> Fit {
        self.kept().unwrap_or_else(|| Fit {
            number: self.number,
            components: self.components().unwrap_or_default(),
            components_number: self.components_number,
            ..Fit::default()
        })
    }
}

/// The last fit; what is assumed before any when there is none.
pub(crate) async fn fit(connection: &mut Connection) -> Result<Fit, Error> {
    const SQL: &str = "SELECT * FROM fleet_fit WHERE id = 1";
    let rows: Vec<FitRow> = query_as(SQL).fetch_all(connection).await?;
    Ok(rows.first().map_or_else(Fit::default, FitRow::fit))
}

/// A site's part of the last fit; none when it had no reading then, or when its shape is not understood.
pub(crate) async fn site_fit(
    connection: &mut Connection,
    site: &SiteId,
) -> Result<Option<SiteFit>, Error> {
    const SQL: &str = "SELECT document FROM site_fit WHERE site_id = $1";
    let rows: Vec<Vec<u8>> = query_scalar(SQL)
        .bind(site.as_str())
        .fetch_all(connection)
        .await?;
    let document = rows.into_iter().next();
    Ok(document.and_then(|document| {
        let document: SiteFitDocument = postcard::from_bytes(&document).ok()?;
        document.site_fit()
    }))
}

/// The parts that some sites have in the last fit, as in [`site_fit`]; `sites` is a JSON list.
pub(crate) async fn site_fits(
    connection: &mut Connection,
    sites: &str,
) -> Result<HashMap<SiteId, SiteFit>, Error> {
    const SQL: &str = "SELECT f.site_id, f.document FROM json_each($1) AS wanted
        CROSS JOIN site_fit AS f ON f.site_id = wanted.value";
    let rows: Vec<(String, Vec<u8>)> = query_as(SQL).bind(sites).fetch_all(connection).await?;
    let mut parts = HashMap::with_capacity(rows.len());
    for (site, document) in rows {
        let place = Place {
            table: "site_fit",
            key: &site,
        };
        let site = place.id("site_id", SiteId::new(&site))?;
        let document: Option<SiteFitDocument> = postcard::from_bytes(&document).ok();
        if let Some(part) = document.and_then(SiteFitDocument::site_fit) {
            parts.insert(site, part);
        }
    }
    Ok(parts)
}

pub(crate) async fn pending(connection: &mut Connection) -> Result<Pending, Error> {
    const SQL: &str = "SELECT c.changes, r.version FROM fleet_change AS c, reference_version AS r
        WHERE c.id = 1 AND r.id = 1";
    let rows: Vec<(i64, i64)> = query_as(SQL).fetch_all(connection).await?;
    let (changes, reference_version) = rows.into_iter().next().unwrap_or_default();
    Ok(Pending {
        changes,
        reference_version,
    })
}

/// Counts recordings, in the transaction that makes them.
pub(crate) async fn count_changes(connection: &mut Connection, count: usize) -> Result<(), Error> {
    const SQL: &str = "UPDATE fleet_change SET changes = changes + $1 WHERE id = 1";
    query(SQL)
        .bind(i64::try_from(count).unwrap_or(i64::MAX))
        .execute(connection)
        .await?;
    Ok(())
}

async fn site_knowledge(
    connection: &mut Connection,
    site: &SiteId,
    fit: Arc<Fit>,
) -> Result<SiteKnowledge, Error> {
    Ok(SiteKnowledge {
        site: site.clone(),
        fit,
        site_fit: site_fit(&mut *connection, site).await?,
        checks: gauges::checks_of_site(&mut *connection, site).await?,
    })
}

impl Read {
    /// The last fit; what is assumed before any when there is none.
    pub async fn fit(&self) -> Result<Fit, Error> {
        fit(&mut self.connection().await?).await
    }

    /// What a fit would take in now.
    pub async fn pending(&self) -> Result<Pending, Error> {
        pending(&mut self.connection().await?).await
    }

    /// Of sites' parts in a new fit those that differ from what is kept: few, when few sites have recorded something.
    pub async fn changed_site_fits(
        &self,
        mut sites: Vec<(SiteId, SiteFit)>,
    ) -> Result<Vec<(SiteId, SiteFit)>, Error> {
        const SQL: &str = "SELECT f.site_id, f.document FROM json_each($1) AS wanted
            CROSS JOIN site_fit AS f ON f.site_id = wanted.value";
        self.everywhere()?;
        let mut kept: HashMap<String, Vec<u8>> = HashMap::new();
        for some in sites.chunks(PARTS_AT_ONCE) {
            let ids: Vec<&str> = some.iter().map(|(site, _)| site.as_str()).collect();
            let rows: Vec<(String, Vec<u8>)> = query_as(SQL)
                .bind(json(&ids))
                .fetch_all(&mut self.connection().await?)
                .await?;
            kept.extend(rows);
        }
        sites.retain(|(site, part)| {
            kept.get(site.as_str()) != Some(&bytes(&SiteFitDocument::from(part)))
        });
        Ok(sites)
    }

    /// What bears on a site's furnaces, as of one fit.
    pub async fn site_knowledge(
        &self,
        site: &SiteId,
        fit: Arc<Fit>,
    ) -> Result<SiteKnowledge, Error> {
        self.within(site)?;
        site_knowledge(&mut self.connection().await?, site, fit).await
    }

    /// The checks of every gauge of a site that has any.
    pub async fn site_checks(
        &self,
        site: &SiteId,
    ) -> Result<Vec<(GaugeId, Vec<GaugeCheck>)>, Error> {
        self.within(site)?;
        gauges::checks_of_site(&mut self.connection().await?, site).await
    }

    /// What is known of furnaces, site by site, in order of their keys, whichever site they stand in.
    pub async fn all_tracked_offsets(
        &self,
        page: &Page,
    ) -> Result<Vec<(FurnaceKey, TrackedOffset)>, Error> {
        self.everywhere()?;
        tracked::all_tracked(&mut self.connection().await?, page).await
    }
}

impl Tx {
    /// The last fit; what is assumed before any when there is none.
    pub async fn fit(&mut self) -> Result<Fit, Error> {
        fit(self.connection()).await
    }

    /// What bears on a site's furnaces, as of one fit.
    pub async fn site_knowledge(
        &mut self,
        site: &SiteId,
        fit: Arc<Fit>,
    ) -> Result<SiteKnowledge, Error> {
        self.within(site)?;
        site_knowledge(self.connection(), site, fit).await
    }

    /// Keeps a fit in place of the one before, with the parts of those sites that changed.
    pub async fn put_fit(
        &mut self,
        fit: &Fit,
        fitted_at: Timestamp,
        sites: &[(SiteId, SiteFit)],
    ) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO fleet_fit (id, number, fitted_at, components_number,
                components_at, components, globals, solution, readings, changes, reference_version)
            VALUES (1, $1, $2, $3, $4, $5, $6, $7, $8, $9, $10)
            ON CONFLICT (id) DO UPDATE SET
                number = excluded.number,
                fitted_at = excluded.fitted_at,
                components_number = excluded.components_number,
                components_at = excluded.components_at,
                components = excluded.components,
                globals = excluded.globals,
                solution = excluded.solution,
                readings = excluded.readings,
                changes = excluded.changes,
                reference_version = excluded.reference_version";
        // A site that no longer has a reading that counts had no part in this fit.
        const GONE: &str = "DELETE FROM site_fit WHERE NOT EXISTS
            (SELECT 1 FROM tracked_offset AS t WHERE t.site_id = site_fit.site_id)";
        self.everywhere()?;
        let globals: Vec<(String, f64, i64, i64)> = fit
            .globals
            .iter()
            .map(|global| {
                (
                    global.effect.to_string(),
                    global.sd_c,
                    global.readings,
                    global.sites,
                )
            })
            .collect();
        query(SQL)
            .bind(fit.number)
            .bind(fitted_at.as_microsecond())
            .bind(fit.components_number)
            .bind(fit.components_at.map(Timestamp::as_microsecond))
            .bind(json(&ComponentsDocument::from(&fit.components)))
            .bind(json(&globals))
            .bind(bytes(&SolutionDocument::from(&fit.solution)))
            .bind(fit.readings)
            .bind(fit.changes)
            .bind(fit.reference_version)
            .execute(self.connection())
            .await?;
        for some in sites.chunks(PARTS_AT_ONCE) {
            insert_rows(
                self.connection(),
                "INSERT INTO site_fit (site_id, document) ",
                " ON CONFLICT (site_id) DO UPDATE SET document = excluded.document",
                some,
                |row, (site, part)| {
                    row.push(site.as_str())
                        .push(bytes(&SiteFitDocument::from(part)));
                },
            )
            .await?;
        }
        query(GONE).execute(self.connection()).await?;
        Ok(())
    }
}
