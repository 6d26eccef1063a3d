//! Production firings. Only ever added to; an amendment is another row.

mod insert;
mod known;
mod row;

use jiff::Timestamp;
use ringtrue_fleet::firing::{Firing, Outcome};
use ringtrue_fleet::key::{FiringKey, FurnaceId, FurnaceKey, ReportId, SiteId};

use super::furnaces;
use crate::database::{Connection, RowQuery, query_as, query_scalar};
use crate::{Error, Page, Read, Tx};

pub(crate) use insert::whole_minutes;
pub(crate) use row::{FiringRow, ReportRow, firing_digest, report_digest};

/// A firing with the version that took its place.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptFiring {
    /// The firing.
    pub firing: Firing,
    /// The later version, if any.
    pub amended_by: Option<FiringKey>,
}

/// Which firings are listed.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct FiringFilter {
    /// Of this furnace only.
    pub furnace: Option<FurnaceId>,
    /// That ended at this moment or later.
    pub from: Option<Timestamp>,
    /// That ended before this moment.
    pub until: Option<Timestamp>,
    /// That came in this report.
    pub report: Option<ReportId>,
    /// With this case.
    pub case_id: String,
    /// With this id of the reporting system.
    pub external_id: String,
    /// Whether amended versions and firings that never took place are listed as well.
    pub show_amended: bool,
}

impl FiringFilter {
    fn lets_through(&self, kept: &KeptFiring) -> bool {
        let details = &kept.firing.details;
        let is_shown = self.show_amended
            || (kept.amended_by.is_none() && details.outcome != Some(Outcome::Cancelled));
        let furnace = &kept.firing.key.furnace.furnace;
        let has_case = |id: &str| details.cases.iter().any(|case| case.case_id == id);
        is_shown
            && self.furnace.as_ref().is_none_or(|wanted| wanted == furnace)
            && self.from.is_none_or(|from| details.ended_at >= Some(from))
            && self
                .until
                .is_none_or(|until| details.ended_at < Some(until))
            && self
                .report
                .as_ref()
                .is_none_or(|wanted| kept.firing.report == *wanted)
            && (self.case_id.is_empty() || has_case(&self.case_id))
    }
}

#[derive(sqlx::FromRow)]
struct KeptRow {
    #[sqlx(flatten)]
    firing: FiringRow,
    amended_by: Option<String>,
}

impl KeptRow {
    fn place(&self) -> (i64, &str) {
        (self.firing.ended_at, &self.firing.id)
    }

    fn kept(self) -> Result<KeptFiring, Error> {
        let amended_by = self.amended_by;
        let firing = self.firing.firing()?;
        let amended_by = match amended_by {
            Some(id) => Some(row::later_version(&firing.key, &id)?),
            None => None,
        };
        Ok(KeptFiring { firing, amended_by })
    }
}

/// That a firing was not amended, whose row stands under such a name and holds its id in such a column.
macro_rules! unamended_firing {
    ($row:literal, $id:literal) => {
        $crate::tables::unamended!("firing_amendment", "firing_id", $row, $id)
    };
}
pub(crate) use unamended_firing;

/// The moments between which a firing of this id ended, µs: its id begins with the millisecond.
fn ended_within(id: &str) -> Option<(i64, i64)> {
    let uuid = uuid::Uuid::try_parse(id).ok()?;
    let millis = i64::try_from(uuid.as_u128() >> 80).ok()?;
    let first = millis.checked_mul(1000)?;
    Some((first, first.checked_add(999)?))
}

async fn kept(connection: &mut Connection, key: &FiringKey) -> Result<Option<KeptFiring>, Error> {
    const SQL: &str = "SELECT f.*, a.amended_by FROM firing AS f
        LEFT JOIN firing_amendment AS a ON a.site_id = f.site_id AND a.furnace_id = f.furnace_id
            AND a.firing_id = f.id
        WHERE f.site_id = $1 AND f.furnace_id = $2 AND f.ended_at BETWEEN $3 AND $4 AND f.id = $5";
    let Some((first, last)) = ended_within(key.firing.as_str()) else {
        return Ok(None);
    };
    let rows: Vec<KeptRow> = query_as(SQL)
        .bind(key.furnace.site.as_str())
        .bind(key.furnace.furnace.as_str())
        .bind(first)
        .bind(last)
        .bind(key.firing.as_str())
        .fetch_all(connection)
        .await?;
    rows.into_iter().next().map(KeptRow::kept).transpose()
}

/// A statement that lists firings, with what all of them are bound to.
fn bound<'q>(
    sql: &'static str,
    site: &'q SiteId,
    furnace: Option<&'q str>,
    filter: &FiringFilter,
    page: &'q Page,
) -> RowQuery<'q> {
    // A page further on ends where the one before did: SQLite does not see that behind the comparison of pairs.
    let until = filter.until.map_or(i64::MAX, Timestamp::as_microsecond);
    let until = until.min(page.moment(0).saturating_add(1));
    query_as(sql)
        .bind(site.as_str())
        .bind(furnace)
        .bind(filter.from.map_or(i64::MIN, Timestamp::as_microsecond))
        .bind(until)
        .bind(filter.show_amended)
        .bind(page.moment(0))
        .bind(page.text(1))
        .bind(page.limit())
}

/// A page of the firings of one furnace or of all of a site, latest end first. Those of one furnace stand in that order
/// in the primary key, so each gives a page of its own, and the first of these all are the page: many years of firings
/// are not looked at for one.
async fn of_furnaces(
    connection: &mut Connection,
    site: &SiteId,
    filter: &FiringFilter,
    page: &Page,
) -> Result<Vec<KeptFiring>, Error> {
    const SQL: &str = concat!(
        "WITH page AS MATERIALIZED (SELECT f.* FROM firing AS f
            WHERE f.site_id = $1 AND f.furnace_id = $2 AND f.ended_at >= $3 AND f.ended_at < $4
                AND (f.ended_at, f.id) < ($6, $7) AND ($5 OR (f.outcome <> 'cancelled' AND ",
        unamended_firing!("f", "id"),
        ")) ORDER BY f.ended_at DESC, f.id DESC LIMIT $8)
        SELECT f.*, a.amended_by FROM page AS f
        LEFT JOIN firing_amendment AS a ON a.site_id = f.site_id AND a.furnace_id = f.furnace_id
            AND a.firing_id = f.id"
    );
    let ids = match &filter.furnace {
        Some(furnace) => vec![furnace.to_string()],
        None => furnaces::ids_of_site(connection, site).await?,
    };
    let mut rows: Vec<KeptRow> = Vec::new();
    for furnace in &ids {
        let own = bound(SQL, site, Some(furnace), filter, page);
        rows.append(&mut own.fetch_all(connection).await?);
    }
    rows.sort_unstable_by(|one, other| other.place().cmp(&one.place()));
    rows.truncate(usize::try_from(page.limit()).unwrap_or(usize::MAX));
    rows.into_iter().map(KeptRow::kept).collect()
}

impl Read {
    /// One firing.
    pub async fn firing(&self, key: &FiringKey) -> Result<Option<KeptFiring>, Error> {
        self.within(&key.furnace.site)?;
        kept(&mut self.connection().await?, key).await
    }

    /// Firings at a site, latest end first.
    pub async fn firings(
        &self,
        site: &SiteId,
        filter: &FiringFilter,
        page: &Page,
    ) -> Result<Vec<KeptFiring>, Error> {
        const BY_CASE: &str = "SELECT f.*, a.amended_by FROM firing_case AS c
            CROSS JOIN firing AS f ON f.site_id = c.site_id AND f.furnace_id = c.furnace_id
                AND f.ended_at = c.ended_at AND f.id = c.firing_id
            LEFT JOIN firing_amendment AS a ON a.site_id = f.site_id AND a.furnace_id = f.furnace_id
                AND a.firing_id = f.id
            WHERE c.site_id = $1 AND c.case_id = $9 AND ($2 IS NULL OR f.furnace_id = $2)
                AND f.ended_at >= $3 AND f.ended_at < $4
                AND ($5 OR (a.amended_by IS NULL AND f.outcome <> 'cancelled'))
                AND (f.ended_at, f.id) < ($6, $7)
            ORDER BY f.ended_at DESC, f.id DESC LIMIT $8";
        const BY_REPORT: &str = "WITH wanted AS MATERIALIZED (SELECT json_extract(one.value, '$[0]') AS furnace_id,
                CAST(json_extract(one.value, '$[1]') AS BIGINT) AS ended_at, json_extract(one.value, '$[2]') AS id
                FROM firing_report AS r CROSS JOIN json_each(r.names) AS one ON TRUE
                WHERE r.site_id = $1 AND r.id = $9)
            SELECT f.*, a.amended_by FROM wanted
            CROSS JOIN firing AS f ON f.site_id = $1 AND f.furnace_id = wanted.furnace_id
                AND f.ended_at = wanted.ended_at AND f.id = wanted.id
            LEFT JOIN firing_amendment AS a ON a.site_id = f.site_id AND a.furnace_id = f.furnace_id
                AND a.firing_id = f.id
            WHERE ($2 IS NULL OR f.furnace_id = $2)
                AND ($10 IS NULL OR EXISTS (SELECT 1 FROM firing_case AS c
                    WHERE c.site_id = f.site_id AND c.case_id = $10 AND c.furnace_id = f.furnace_id
                        AND c.ended_at = f.ended_at AND c.firing_id = f.id))
                AND f.ended_at >= $3 AND f.ended_at < $4
                AND ($5 OR (a.amended_by IS NULL AND f.outcome <> 'cancelled'))
                AND (f.ended_at, f.id) < ($6, $7)
            ORDER BY f.ended_at DESC, f.id DESC LIMIT $8";
        self.within(site)?;
        if !filter.external_id.is_empty() {
            return self.firing_known_as(site, filter, page).await;
        }
        let case = (!filter.case_id.is_empty()).then_some(filter.case_id.as_str());
        let mut connection = self.connection().await?;
        let Some(among) = filter.report.as_ref().map(ReportId::as_str).or(case) else {
            return of_furnaces(&mut connection, site, filter, page).await;
        };
        let sql = if filter.report.is_some() {
            BY_REPORT
        } else {
            BY_CASE
        };
        let furnace = filter.furnace.as_ref().map(FurnaceId::as_str);
        let mut statement = bound(sql, site, furnace, filter, page).bind(among);
        if filter.report.is_some() {
            statement = statement.bind(case);
        }
        let rows: Vec<KeptRow> = statement.fetch_all(&mut connection).await?;
        rows.into_iter().map(KeptRow::kept).collect()
    }

    /// The firing that the reporting system knows by an id, when the filter lets it through; its earlier
    /// versions as well where they are asked for.
    async fn firing_known_as(
        &self,
        site: &SiteId,
        filter: &FiringFilter,
        page: &Page,
    ) -> Result<Vec<KeptFiring>, Error> {
        // A firing has few versions: they are one page.
        if !page.after.is_empty() {
            return Ok(Vec::new());
        }
        let mut connection = self.connection().await?;
        let wanted = [filter.external_id.as_str()];
        let on_record = known::on_record(&mut connection, site, &wanted).await?;
        let mut found = Vec::new();
        for versions in on_record.into_values() {
            for firing in std::iter::once(versions.latest).chain(versions.earlier) {
                found.extend(kept(&mut connection, &firing.key).await?);
            }
        }
        found.retain(|one| filter.lets_through(one));
        Ok(found)
    }

    /// The latest versions of all firings of a furnace that took place and ended within a span, both ends
    /// included; earliest end first.
    pub async fn firings_within(
        &self,
        furnace: &FurnaceKey,
        start: Timestamp,
        end: Timestamp,
    ) -> Result<Vec<Firing>, Error> {
        const SQL: &str = concat!(
            "SELECT f.* FROM firing AS f
            WHERE f.site_id = $1 AND f.furnace_id = $2 AND f.ended_at BETWEEN $3 AND $4
                AND f.outcome <> 'cancelled' AND ",
            unamended_firing!("f", "id"),
            " ORDER BY f.ended_at, f.id"
        );
        self.within(&furnace.site)?;
        let rows: Vec<FiringRow> = query_as(SQL)
            .bind(furnace.site.as_str())
            .bind(furnace.furnace.as_str())
            .bind(start.as_microsecond())
            .bind(end.as_microsecond())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(FiringRow::firing).collect()
    }

    /// When the first firing of a furnace ended.
    pub async fn first_firing_at(&self, furnace: &FurnaceKey) -> Result<Option<Timestamp>, Error> {
        const SQL: &str = "SELECT ended_at FROM firing WHERE site_id = $1 AND furnace_id = $2
            ORDER BY ended_at LIMIT 1";
        self.within(&furnace.site)?;
        let found: Vec<i64> = query_scalar(SQL)
            .bind(furnace.site.as_str())
            .bind(furnace.furnace.as_str())
            .fetch_all(&mut self.connection().await?)
            .await?;
        let place = crate::columns::Place {
            table: "firing",
            key: furnace.furnace.as_str(),
        };
        let first = found.into_iter().next();
        first.map(|at| place.moment("ended_at", at)).transpose()
    }
}

impl Tx {
    /// One firing.
    pub async fn firing(&mut self, key: &FiringKey) -> Result<Option<KeptFiring>, Error> {
        self.within(&key.furnace.site)?;
        kept(self.connection(), key).await
    }
}
