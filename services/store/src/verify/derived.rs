//! What is derived, worked out again from the records and compared: each furnace's filter, each gauge's scatter,
//! and the fit of the network.

use std::collections::HashMap;

use ringtrue_fleet::key::{FurnaceId, FurnaceKey, SiteId};
use ringtrue_fleet::knowledge::Fit;
use ringtrue_fleet::tracking::{TrackedOffset, replayed};

use super::fits::Refit;
use super::{Fault, Verified};
use crate::Error;
use crate::columns::{Place, json};
use crate::database::{Connection, query_as, query_scalar};
use crate::tables::readings::{Scatter, pooled_scatter, track_points};
use crate::tables::tracked::TrackedRow;
use crate::tables::{events, fits, readings};

/// How far a pooled scatter may be off: sums in another order end in other digits.
const LAST_DIGITS: f64 = 1e-9;

fn not_derived(what: String) -> Fault {
    Fault::NotDerived { what }
}

/// Works everything out again that follows from records alone.
pub(super) async fn check(
    connection: &mut Connection,
    verified: &mut Verified,
) -> Result<(), Error> {
    const SITES: &str = "SELECT id FROM site ORDER BY id";
    check_agenda(connection, verified).await?;
    let fit = fits::fit(connection).await?;
    let mut refit = Refit::of(connection, &fit).await?;
    let mut filters = 0;
    let mut scatters = 0;
    let sites: Vec<String> = query_scalar(SITES).fetch_all(&mut *connection).await?;
    for site in &sites {
        let place = Place {
            table: "site",
            key: site,
        };
        let key = place.id("id", SiteId::new(site))?;
        let furnaces = check_filters(connection, &key, &fit, &mut filters, verified).await?;
        refit
            .add_site(connection, &key, &furnaces, verified)
            .await?;
        scatters += check_scatters(connection, site, verified).await?;
    }
    refit.finish(connection, verified).await?;
    check_nothing_else(connection, filters, scatters, verified).await
}

/// The agenda names every site that ever changed, and the network, and nothing else.
async fn check_agenda(connection: &mut Connection, verified: &mut Verified) -> Result<(), Error> {
    const SQL: &str = "SELECT g.site_id FROM site_agenda AS g
            WHERE g.site_id <> '' AND NOT EXISTS (SELECT 1 FROM site AS s WHERE s.id = g.site_id)
        UNION ALL SELECT w.id FROM (SELECT '' AS id UNION ALL SELECT id FROM site) AS w
            WHERE NOT EXISTS (SELECT 1 FROM site_agenda AS g WHERE g.site_id = w.id)
        UNION ALL SELECT site_id FROM site_agenda WHERE next_at < 0 OR changes < 0
        ORDER BY 1";
    let sites: Vec<String> = query_scalar(SQL).fetch_all(connection).await?;
    for site in sites {
        verified
            .faults
            .push(not_derived(format!("the place of `{site}` on the agenda")));
    }
    Ok(())
}

/// Replays every furnace of a site, compares with what is kept, and gives what follows from the records.
async fn check_filters(
    connection: &mut Connection,
    site: &SiteId,
    fit: &Fit,
    rows_seen: &mut i64,
    verified: &mut Verified,
) -> Result<Vec<TrackedOffset>, Error> {
    const FURNACES: &str = "SELECT id FROM furnace WHERE site_id = $1 ORDER BY id";
    const ROWS: &str = "SELECT * FROM tracked_offset WHERE site_id = $1";
    let furnaces: Vec<String> = query_scalar(FURNACES)
        .bind(site.as_str())
        .fetch_all(&mut *connection)
        .await?;
    let rows: Vec<TrackedRow> = query_as(ROWS)
        .bind(site.as_str())
        .fetch_all(&mut *connection)
        .await?;
    *rows_seen += i64::try_from(rows.len()).unwrap_or(i64::MAX);
    let mut rows: HashMap<String, TrackedRow> = rows
        .into_iter()
        .map(|row| (row.furnace_id.clone(), row))
        .collect();
    let mut again = Vec::with_capacity(furnaces.len());
    for id in furnaces {
        let place = Place {
            table: "furnace",
            key: &id,
        };
        let key = FurnaceKey {
            site: site.clone(),
            furnace: place.id("id", FurnaceId::new(&id))?,
        };
        let points = track_points(&mut *connection, &key).await?;
        let keys = json(&[[site.as_str(), id.as_str()]]);
        let events = events::events_of(&mut *connection, &keys).await?;
        let expected = replayed(&points, &events, &fit.components, fit.components_number);
        let kept = rows.remove(&id);
        let follows = match (&expected, &kept) {
            (None, None) => true,
            (Some(expected), Some(kept)) => {
                kept.follows(&key, expected, fit.components_number)
                    && last_evaluation_fits(connection, &key, kept, fit).await?
            }
            _ => false,
        };
        if !follows {
            verified
                .faults
                .push(not_derived(format!("the offset kept of {}", key.name())));
        }
        again.extend(expected);
    }
    for id in rows.into_keys() {
        verified.faults.push(not_derived(format!(
            "the offset kept of {}/furnaces/{id}",
            site.name()
        )));
    }
    Ok(again)
}

/// What the last evaluation found, kept beside a filter, is what stands in the evaluation.
async fn last_evaluation_fits(
    connection: &mut Connection,
    key: &FurnaceKey,
    kept: &TrackedRow,
    fit: &Fit,
) -> Result<bool, Error> {
    let Some(evaluated) = kept.evaluated() else {
        return Ok(true);
    };
    if evaluated.fit > fit.number {
        return Ok(false);
    }
    let last = readings::recorded_last(connection, key, &kept.last_reading_id).await?;
    Ok(last.is_some_and(|last| {
        // Under the fit in force only what was recorded since it was made can have been found.
        let is_since = fit
            .fitted_at
            .is_none_or(|fitted_at| last.reading.received_at >= fitted_at);
        last.evaluated.evaluation.state == Some(evaluated.state)
            && (evaluated.fit < fit.number || is_since)
    }))
}

/// Pools every gauge of a site anew and compares; gives how many are kept.
async fn check_scatters(
    connection: &mut Connection,
    site: &str,
    verified: &mut Verified,
) -> Result<i64, Error> {
    const KEPT: &str = "SELECT gauge_id, sum_of_squares_mm2, degrees_of_freedom FROM gauge_scatter
        WHERE site_id = $1 ORDER BY gauge_id";
    let kept: Vec<(String, f64, f64)> = query_as(KEPT)
        .bind(site)
        .fetch_all(&mut *connection)
        .await?;
    let count = i64::try_from(kept.len()).unwrap_or(i64::MAX);
    let mut pooled = pooled_scatter(connection, site).await?;
    let what =
        |gauge: &str| not_derived(format!("the scatter kept of sites/{site}/gauges/{gauge}"));
    for (gauge, squares, freedom) in kept {
        // One whose readings repeat nothing is kept as nothing.
        let again = pooled.remove(&gauge).unwrap_or_default();
        if !is_close(&again, squares, freedom) {
            verified.faults.push(what(&gauge));
        }
    }
    let mut unkept: Vec<String> = pooled.into_keys().collect();
    unkept.sort_unstable();
    verified
        .faults
        .extend(unkept.iter().map(|gauge| what(gauge)));
    Ok(count)
}

fn is_close(again: &Scatter, squares_mm2: f64, freedom: f64) -> bool {
    let near = |a: f64, b: f64| (a - b).abs() <= LAST_DIGITS * a.abs().max(b.abs());
    near(again.sum_of_squares_mm2, squares_mm2) && near(again.degrees_of_freedom, freedom)
}

/// Nothing derived is kept of sites that do not exist.
async fn check_nothing_else(
    connection: &mut Connection,
    filters: i64,
    scatters: i64,
    verified: &mut Verified,
) -> Result<(), Error> {
    const SQL: &str =
        "SELECT (SELECT COUNT(*) FROM tracked_offset), (SELECT COUNT(*) FROM gauge_scatter)";
    let rows: Vec<(i64, i64)> = query_as(SQL).fetch_all(connection).await?;
    for (all_filters, all_scatters) in rows {
        if all_filters != filters {
            verified.faults.push(not_derived(
                "an offset kept of a site that is not there".to_owned(),
            ));
        }
        if all_scatters != scatters {
            verified.faults.push(not_derived(
                "a scatter kept of a site that is not there".to_owned(),
            ));
        }
    }
    Ok(())
}
