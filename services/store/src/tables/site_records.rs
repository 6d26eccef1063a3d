//! What bears on due dates, for many sites at once: one statement for each kind of record, however many
//! sites there are, and only the columns that are needed.
//!
//! The whole network is looked at this way after every change of a rule that all share, so no statement
//! reads an evaluation's document or a filter. The driver takes longer for each value of a row than SQLite
//! for the row, so the rows of many sites come as one JSON text; numbers in it
//! are written with 17 digits, as SQLite's own JSON drops the last two. Each goes from the sites' furnaces on, so that the latest
//! reading or adjustment of each is found by its key without reading those before it.

mod furnace_rows;
mod site_rows;

use std::collections::HashMap;

use jiff::Timestamp;
use ringtrue_fleet::due::{FurnaceRecords, SiteRecords};
use ringtrue_fleet::key::{FurnaceKey, SiteId};
use ringtrue_fleet::rule::{Rule, RuleBook};
use ringtrue_fleet::site::Site;
use serde::de::DeserializeOwned;

use super::rules;
use crate::columns::{Place, json};
use crate::database::{Connection, query_scalar};
use crate::{Error, Read};

/// How far back events and acts are read, from the last record of the site, µs: two years.
const READ_BACK_US: i64 = 731 * 24 * 3600 * 1_000_000;

/// Sites by id, each with the moment from which on events and acts are read.
struct Wanted {
    records: HashMap<SiteId, SiteRecords>,
    /// JSON list of ids.
    sites: String,
    /// JSON list of [id, moment, day].
    since: String,
}

/// What was found of furnaces, before they are told apart by site.
type Furnaces = HashMap<FurnaceKey, FurnaceRecords>;

impl Wanted {
    fn new(
        sites: Vec<Site>,
        all_rules: &[Rule],
        seen: &HashMap<String, i64>,
    ) -> Result<Self, Error> {
        let network: Vec<&Rule> = all_rules
            .iter()
            .filter(|rule| rule.key.place.site().is_none())
            .collect();
        let mut own: HashMap<&SiteId, Vec<&Rule>> = HashMap::new();
        for rule in all_rules {
            if let Some(site) = rule.key.place.site() {
                own.entry(site).or_default().push(rule);
            }
        }
        let mut records = HashMap::with_capacity(sites.len());
        let mut since = Vec::with_capacity(sites.len());
        for site in sites {
            let last_record_at = match seen.get(site.key.as_str()) {
                Some(at) => site_rows::moment_of_audit(&site, *at)?,
                None => site.created_at,
            };
            let own = own.get(&site.key).map_or(&[][..], Vec::as_slice);
            let bearing = network.iter().chain(own).map(|rule| Rule::clone(rule));
            let from = last_record_at.as_microsecond() - READ_BACK_US;
            let from_day = site_rows::moment_of_audit(&site, from)?
                .to_zoned_datetime(jiff::tz::TimeZone::UTC)
                .date();
            since.push((site.key.to_string(), from, from_day.to_string()));
            records.insert(
                site.key.clone(),
                SiteRecords {
                    rules: RuleBook(bearing.collect()),
                    furnaces: Vec::new(),
                    gauges: Vec::new(),
                    stocks: Vec::new(),
                    findings: Vec::new(),
                    last_record_at,
                    site,
                },
            );
        }
        let ids: Vec<&str> = since.iter().map(|(id, ..)| id.as_str()).collect();
        Ok(Self {
            records,
            sites: json(&ids),
            since: json(&since),
        })
    }
}

async fn load(connection: &mut Connection, wanted: &[SiteId]) -> Result<Vec<SiteRecords>, Error> {
    let ids: Vec<&str> = wanted.iter().map(SiteId::as_str).collect();
    let ids = json(&ids);
    let found = site_rows::sites(&mut *connection, &ids).await?;
    let rules = rules::rules_of_sites(&mut *connection, &ids).await?;
    let seen = site_rows::last_records(&mut *connection, &ids).await?;
    let mut wanted = Wanted::new(found, &rules, &seen)?;
    let mut furnaces = furnace_rows::furnaces(&mut *connection, &wanted.sites).await?;
    furnace_rows::add_events(&mut *connection, &wanted.since, &mut furnaces).await?;
    furnace_rows::add_acts(&mut *connection, &wanted.since, &mut furnaces).await?;
    furnace_rows::add_firings(&mut *connection, &wanted.since, &mut furnaces).await?;
    for (key, furnace) in furnaces {
        if let Some(site) = wanted.records.get_mut(&key.site) {
            site.furnaces.push(furnace);
        }
    }
    site_rows::add_gauges(&mut *connection, &wanted.sites, &mut wanted.records).await?;
    site_rows::add_stocks(&mut *connection, &wanted.sites, &mut wanted.records).await?;
    site_rows::add_findings(&mut *connection, &wanted.sites, &mut wanted.records).await?;
    let mut all: Vec<SiteRecords> = wanted.records.into_values().collect();
    for site in &mut all {
        site.furnaces.sort_unstable_by(|a, b| a.key.cmp(&b.key));
    }
    all.sort_unstable_by(|a, b| a.site.key.cmp(&b.site.key));
    Ok(all)
}

impl Read {
    /// What bears on what is due at some sites, as of one moment, by id of the site; furnaces by id. A site
    /// that does not exist is absent. At most some hundreds at a time, so that memory stays small.
    pub async fn site_records(&self, sites: &[SiteId]) -> Result<Vec<SiteRecords>, Error> {
        for site in sites {
            self.within(site)?;
        }
        let mut tx = self.snapshot().await?;
        let records = load(&mut tx, sites).await?;
        tx.finish().await?;
        Ok(records)
    }
}

/// The rows of a statement that gives them as one JSON list.
async fn rows<T: DeserializeOwned>(
    connection: &mut Connection,
    sql: &'static str,
    wanted: &str,
    table: &'static str,
) -> Result<Vec<T>, Error> {
    let text: String = query_scalar(sql).bind(wanted).fetch_one(connection).await?;
    let place = Place {
        table,
        key: "rows of some sites",
    };
    place.json("rows", &text)
}

/// A moment in a column of a row that is told apart by `key`.
fn moment(
    table: &'static str,
    key: &str,
    column: &'static str,
    at: i64,
) -> Result<Timestamp, Error> {
    Place { table, key }.moment(column, at)
}
