//! Rules of scheduling: their row, and every statement that touches it.
//!
//! A removed rule keeps its row, so that the next one of its place takes the next number.

use jiff::civil::Date;
use ringtrue_fleet::calendar::Shift;
use ringtrue_fleet::event::EventKind;
use ringtrue_fleet::key::{FurnaceId, FurnaceKey, SiteId};
use ringtrue_fleet::recurrence::Recurrence;
use ringtrue_fleet::rule::{Plan, Rule, RuleDetails, RuleKey, RulePlace};
use ringtrue_fleet::task::TaskKind;
use serde::{Deserialize, Serialize};

use super::agenda::look_everywhere;
use super::events;
use crate::columns::{Place, json, written};
use crate::database::{Connection, query, query_as};
use crate::{Error, Read, Request, Tx};

const SHIFTS: &[(Shift, &str)] = &[(Shift::Before, "before"), (Shift::After, "after")];

/// A row of `schedule_rule`; also its document in the audit chain.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct RuleRow {
    site_id: String,
    furnace_id: String,
    task: String,
    plan: String,
    recurrence: String,
    starts_on: Option<String>,
    after_firings: i64,
    after_hours_hot: f64,
    after_events: String,
    busy_firings_per_day: f64,
    busy_interval_days: i64,
    shift: String,
    grace_days: Option<i64>,
    lead_days: Option<i64>,
    verify: bool,
    is_removed: bool,
    revision: i64,
    created_at: i64,
    updated_at: i64,
}

/// Site and furnace of a place as columns hold them.
fn columns(place: &RulePlace) -> (&str, &str) {
    match place {
        RulePlace::Network => ("", ""),
        RulePlace::Site(site) => (site.as_str(), ""),
        RulePlace::Furnace(furnace) => (furnace.site.as_str(), furnace.furnace.as_str()),
    }
}

impl RuleRow {
    fn of(rule: &Rule, is_removed: bool) -> Self {
        let details = &rule.details;
        let (site, furnace) = columns(&rule.key.place);
        let (plan, recurrence) = match &details.plan {
            Plan::SiteInterval => ("site_interval", None),
            Plan::FixedDates(recurrence) => ("fixed_dates", Some(recurrence)),
            Plan::SinceLast(recurrence) => ("since_last", Some(recurrence)),
            Plan::NoDates => ("no_dates", None),
            Plan::Off => ("off", None),
        };
        let events: Vec<String> = details
            .after_events
            .iter()
            .map(|kind| written(&Some(*kind), events::KINDS))
            .collect();
        // SQLite keeps a negative zero as zero: adding zero makes it so in the document too.
        Self {
            site_id: site.to_owned(),
            furnace_id: furnace.to_owned(),
            task: rule.key.task.word().to_owned(),
            plan: plan.to_owned(),
            recurrence: recurrence.map_or_else(String::new, |one| one.text().to_owned()),
            starts_on: recurrence.map(|one| one.starts_on().to_string()),
            after_firings: i64::from(details.after_firings),
            after_hours_hot: details.after_hours_hot + 0.0,
            after_events: json(&events),
            busy_firings_per_day: details.busy_firings_per_day + 0.0,
            busy_interval_days: i64::from(details.busy_interval_days),
            shift: written(&details.shift, SHIFTS),
            grace_days: details.grace_days.map(i64::from),
            lead_days: details.lead_days.map(i64::from),
            verify: details.verify,
            is_removed,
            revision: rule.revision,
            created_at: rule.created_at.as_microsecond(),
            updated_at: rule.updated_at.as_microsecond(),
        }
    }

    fn key(&self) -> Result<RuleKey, Error> {
        let place = self.place();
        let task = TaskKind::parse(&self.task).ok_or_else(|| place.corrupt("task"))?;
        let site = || place.id("site_id", SiteId::new(&self.site_id));
        let at = match (self.site_id.as_str(), self.furnace_id.as_str()) {
            ("", _) => RulePlace::Network,
            (_, "") => RulePlace::Site(site()?),
            (_, furnace) => RulePlace::Furnace(FurnaceKey {
                site: site()?,
                furnace: place.id("furnace_id", FurnaceId::new(furnace))?,
            }),
        };
        Ok(RuleKey { place: at, task })
    }

    fn place(&self) -> Place<'_> {
        Place {
            table: "schedule_rule",
            key: &self.task,
        }
    }

    pub(crate) fn name(&self) -> Result<String, Error> {
        Ok(self.key()?.name())
    }

    fn recurrence(&self) -> Result<Recurrence, Error> {
        let place = self.place();
        let starts_on: Option<Date> = match &self.starts_on {
            Some(day) => Some(place.date("starts_on", day)?),
            None => None,
        };
        let starts_on = starts_on.ok_or_else(|| place.corrupt("starts_on"))?;
        Recurrence::parse(&self.recurrence, starts_on).map_err(|_| place.corrupt("recurrence"))
    }

    pub(crate) fn rule(self) -> Result<Rule, Error> {
        let place = self.place();
        let plan = match self.plan.as_str() {
            "site_interval" => Plan::SiteInterval,
            "fixed_dates" => Plan::FixedDates(self.recurrence()?),
            "since_last" => Plan::SinceLast(self.recurrence()?),
            "no_dates" => Plan::NoDates,
            "off" => Plan::Off,
            _ => return Err(place.corrupt("plan")),
        };
        let words: Vec<String> = place.json("after_events", &self.after_events)?;
        let mut after_events: Vec<EventKind> = Vec::with_capacity(words.len());
        for word in words {
            let kind = place.word("after_events", &word, events::KINDS)?;
            after_events.push(kind.ok_or_else(|| place.corrupt("after_events"))?);
        }
        let days = |column, days: Option<i64>| match days {
            Some(days) => place.small(column, days).map(Some),
            None => Ok(None),
        };
        Ok(Rule {
            key: self.key()?,
            details: RuleDetails {
                plan,
                after_firings: place.small("after_firings", self.after_firings)?,
                after_hours_hot: self.after_hours_hot,
                after_events,
                busy_firings_per_day: self.busy_firings_per_day,
                busy_interval_days: place.small("busy_interval_days", self.busy_interval_days)?,
                shift: place.word("shift", &self.shift, SHIFTS)?,
                grace_days: days("grace_days", self.grace_days)?,
                lead_days: days("lead_days", self.lead_days)?,
                verify: self.verify,
            },
            revision: self.revision,
            created_at: place.moment("created_at", self.created_at)?,
            updated_at: place.moment("updated_at", self.updated_at)?,
        })
    }
}

/// The rules that hold for the network, and those of some sites and their furnaces; `sites` is a JSON list.
/// Outer ones come first.
pub(crate) async fn rules_of_sites(
    connection: &mut Connection,
    sites: &str,
) -> Result<Vec<Rule>, Error> {
    const SQL: &str = "SELECT * FROM schedule_rule
        WHERE (site_id = '' OR site_id IN (SELECT value FROM json_each($1))) AND NOT is_removed
        ORDER BY site_id, furnace_id, task";
    let rows: Vec<RuleRow> = query_as(SQL).bind(sites).fetch_all(connection).await?;
    rows.into_iter().map(RuleRow::rule).collect()
}

async fn row_of(connection: &mut Connection, key: &RuleKey) -> Result<Option<RuleRow>, Error> {
    const SQL: &str =
        "SELECT * FROM schedule_rule WHERE site_id = $1 AND furnace_id = $2 AND task = $3";
    let (site, furnace) = columns(&key.place);
    let rows: Vec<RuleRow> = query_as(SQL)
        .bind(site)
        .bind(furnace)
        .bind(key.task.word())
        .fetch_all(connection)
        .await?;
    Ok(rows.into_iter().next())
}

async fn own_rule(connection: &mut Connection, key: &RuleKey) -> Result<Option<Rule>, Error> {
    let row = row_of(connection, key).await?;
    row.filter(|row| !row.is_removed)
        .map(RuleRow::rule)
        .transpose()
}

impl Read {
    /// The network's rules, which everybody sees; with a site also its own and those of its furnaces.
    pub async fn rules_of(&self, site: Option<&SiteId>) -> Result<Vec<Rule>, Error> {
        let mut sites = Vec::new();
        if let Some(site) = site {
            self.within(site)?;
            sites.push(site.as_str());
        }
        rules_of_sites(&mut self.connection().await?, &json(&sites)).await
    }
}

impl Tx {
    /// The rule that is set at a place itself; none when it was removed.
    pub async fn own_rule(&mut self, key: &RuleKey) -> Result<Option<Rule>, Error> {
        if let Some(site) = key.place.site() {
            self.within(site)?;
        }
        own_rule(self.connection(), key).await
    }

    /// The last version of the rule of a place, also of a removed one: the next takes its number from it.
    pub async fn rule_before(&mut self, key: &RuleKey) -> Result<Option<Rule>, Error> {
        if let Some(site) = key.place.site() {
            self.within(site)?;
        }
        let row = row_of(self.connection(), key).await?;
        row.map(RuleRow::rule).transpose()
    }

    /// Stores a version of a rule. The network's rules need a scope that reaches every site.
    pub async fn put_rule(&mut self, rule: &Rule, request: &Request) -> Result<(), Error> {
        self.write_rule(rule, false, "rule.set", request).await
    }

    /// Removes a rule: the outer one holds again. What is given is its next version.
    pub async fn remove_rule(&mut self, rule: &Rule, request: &Request) -> Result<(), Error> {
        self.write_rule(rule, true, "rule.remove", request).await
    }

    async fn write_rule(
        &mut self,
        rule: &Rule,
        is_removed: bool,
        action: &'static str,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO schedule_rule (site_id, furnace_id, task, plan, recurrence,
                starts_on, after_firings, after_hours_hot, after_events, busy_firings_per_day,
                busy_interval_days, shift, grace_days, lead_days, verify, is_removed, revision,
                created_at, updated_at)
            VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18,
                $19)
            ON CONFLICT (site_id, furnace_id, task) DO UPDATE SET plan = excluded.plan,
                recurrence = excluded.recurrence, starts_on = excluded.starts_on,
                after_firings = excluded.after_firings, after_hours_hot = excluded.after_hours_hot,
                after_events = excluded.after_events,
                busy_firings_per_day = excluded.busy_firings_per_day,
                busy_interval_days = excluded.busy_interval_days, shift = excluded.shift,
                grace_days = excluded.grace_days, lead_days = excluded.lead_days,
                verify = excluded.verify, is_removed = excluded.is_removed,
                revision = excluded.revision, created_at = excluded.created_at,
                updated_at = excluded.updated_at";
        let site = rule.key.place.site();
        self.at_place(site)?;
        let row = RuleRow::of(rule, is_removed);
        let document = json(&row);
        query(SQL)
            .bind(row.site_id)
            .bind(row.furnace_id)
            .bind(row.task)
            .bind(row.plan)
            .bind(row.recurrence)
            .bind(row.starts_on)
            .bind(row.after_firings)
            .bind(row.after_hours_hot)
            .bind(row.after_events)
            .bind(row.busy_firings_per_day)
            .bind(row.busy_interval_days)
            .bind(row.shift)
            .bind(row.grace_days)
            .bind(row.lead_days)
            .bind(row.verify)
            .bind(row.is_removed)
            .bind(row.revision)
            .bind(row.created_at)
            .bind(row.updated_at)
            .execute(self.connection())
            .await?;
        if site.is_none() {
            look_everywhere(self.connection()).await?;
        }
        let name = rule.key.name();
        self.happened(site, action, name, document, request, rule.updated_at)
            .await
    }
}
