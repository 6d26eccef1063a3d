//! Lists of readings, latest firing first, page by page.
//!
//! The readings of one furnace stand in that order in the primary key, so a page costs what it shows, however many there
//! are. Those of a site do not: each furnace gives the keys of a page of its own, and the first of these all are the page.

use ringtrue_fleet::key::{FurnaceId, SiteId};

use super::{RecordedRow, recorded_from, unamended_reading};
use crate::columns::json;
use crate::database::{Connection, RowQuery, query_as};
use crate::tables::furnaces;
use crate::{Error, Page, Read, Recorded};

/// Moment of firing, id and furnace: as they are ordered.
type Key = (i64, String, String);

/// A statement about a page of one furnace's readings, with what it is bound to.
fn bound<'q>(
    sql: &'static str,
    site: &'q SiteId,
    furnace: &'q str,
    show_amended: bool,
    page: &'q Page,
) -> RowQuery<'q> {
    query_as(sql)
        .bind(site.as_str())
        .bind(furnace)
        .bind(page.moment(0))
        .bind(page.text(1))
        .bind(show_amended)
        .bind(page.limit())
}

/// A page of one furnace's readings.
async fn of_furnace(
    connection: &mut Connection,
    site: &SiteId,
    furnace: &FurnaceId,
    show_amended: bool,
    page: &Page,
) -> Result<Vec<RecordedRow>, Error> {
    // The page first, by itself: of what belongs to them PostgreSQL would gather all before it takes the first ones.
    const SQL: &str = concat!(
        "WITH page AS MATERIALIZED (SELECT r.* FROM reading AS r
            WHERE r.site_id = $1 AND r.furnace_id = $2 AND (r.fired_at, r.id) < ($3, $4) AND ($5 OR ",
        unamended_reading!("r", "id"),
        ") ORDER BY r.fired_at DESC, r.id DESC LIMIT $6) ",
        recorded_from!("page AS r"),
        " ORDER BY r.fired_at DESC, r.id DESC"
    );
    let statement = bound(SQL, site, furnace.as_str(), show_amended, page);
    Ok(statement.fetch_all(connection).await?)
}

/// The keys of a page of a site's readings, latest first.
async fn keys_of_site(
    connection: &mut Connection,
    site: &SiteId,
    show_amended: bool,
    page: &Page,
) -> Result<Vec<Key>, Error> {
    const SQL: &str = concat!(
        "SELECT r.fired_at, r.id, r.furnace_id FROM reading AS r
        WHERE r.site_id = $1 AND r.furnace_id = $2 AND (r.fired_at, r.id) < ($3, $4) AND ($5 OR ",
        unamended_reading!("r", "id"),
        ") ORDER BY r.fired_at DESC, r.id DESC LIMIT $6"
    );
    let mut keys: Vec<Key> = Vec::new();
    for furnace in furnaces::ids_of_site(connection, site).await? {
        let own = bound(SQL, site, &furnace, show_amended, page);
        keys.append(&mut own.fetch_all(connection).await?);
    }
    keys.sort_unstable_by(|one, other| other.cmp(one));
    keys.truncate(usize::try_from(page.limit()).unwrap_or(usize::MAX));
    Ok(keys)
}

/// The readings with these keys, in the order of these.
async fn with_keys(
    connection: &mut Connection,
    site: &SiteId,
    keys: &[Key],
) -> Result<Vec<RecordedRow>, Error> {
    const SQL: &str = concat!(
        "WITH wanted AS MATERIALIZED (SELECT CAST(json_extract(value, '$[0]') AS BIGINT) AS fired_at,
            json_extract(value, '$[1]') AS id, json_extract(value, '$[2]') AS furnace_id FROM json_each($2)) ",
        recorded_from!(
            "wanted CROSS JOIN reading AS r ON r.site_id = $1 AND r.furnace_id = wanted.furnace_id
                AND r.fired_at = wanted.fired_at AND r.id = wanted.id"
        ),
        " ORDER BY r.fired_at DESC, r.id DESC"
    );
    let rows = query_as(SQL)
        .bind(site.as_str())
        .bind(json(&keys))
        .fetch_all(connection)
        .await?;
    Ok(rows)
}

impl Read {
    /// Readings of a furnace or of a whole site, latest firing first.
    pub async fn readings(
        &self,
        site: &SiteId,
        furnace: Option<&FurnaceId>,
        show_amended: bool,
        page: &Page,
    ) -> Result<Vec<Recorded>, Error> {
        self.within(site)?;
        let rows = if let Some(furnace) = furnace {
            let mut connection = self.connection().await?;
            of_furnace(&mut connection, site, furnace, show_amended, page).await?
        } else {
            let mut snapshot = self.snapshot().await?;
            let keys = keys_of_site(&mut snapshot, site, show_amended, page).await?;
            let rows = with_keys(&mut snapshot, site, &keys).await?;
            snapshot.finish().await?;
            rows
        };
        rows.into_iter().map(RecordedRow::recorded).collect()
    }
}
