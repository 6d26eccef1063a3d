//! Calls about sites.

use jiff::Timestamp;
use jiff::civil::{Time, Weekday};
use ringtrue_fleet::key::{SiteId, shown};
use ringtrue_fleet::site::{Closure, Site, SiteDetails};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_proto::v1::site_service_server::SiteService;
use ringtrue_store::PagePart;
use tonic::{Request, Response, Status};

use super::access::{Method, method};
use super::caller::Asking;
use super::fields::{
    also, calendar_date, choice, chosen_id, date, found, is_set, name, settled, timestamp,
};
use super::mask::{fields, of_fields};
use super::page::{Order, Paging};
use super::request::repeatable;
use super::status::answer;
use crate::app::{self, App, Change, Error};

const CREATE: Method = method("/ringtrue.v1.SiteService/CreateSite");
const GET: Method = method("/ringtrue.v1.SiteService/GetSite");
const LIST: Method = method("/ringtrue.v1.SiteService/ListSites");
const UPDATE: Method = method("/ringtrue.v1.SiteService/UpdateSite");

/// Kind of resource, for faults.
pub(crate) const KIND: &str = "ringtrue.v1/Site";

/// Answers calls about sites.
#[derive(Clone)]
pub(crate) struct Sites(pub(crate) App);

#[tonic::async_trait]
impl SiteService for Sites {
    async fn create_site(
        &self,
        request: Request<v1::CreateSiteRequest>,
    ) -> Result<Response<v1::CreateSiteResponse>, Status> {
        answer(create(&self.0, request).await)
    }

    async fn get_site(
        &self,
        request: Request<v1::GetSiteRequest>,
    ) -> Result<Response<v1::GetSiteResponse>, Status> {
        answer(get(&self.0, request).await)
    }

    async fn list_sites(
        &self,
        request: Request<v1::ListSitesRequest>,
    ) -> Result<Response<v1::ListSitesResponse>, Status> {
        answer(list(&self.0, request).await)
    }

    async fn update_site(
        &self,
        request: Request<v1::UpdateSiteRequest>,
    ) -> Result<Response<v1::UpdateSiteResponse>, Status> {
        answer(update(&self.0, request).await)
    }
}

async fn create(
    app: &App,
    request: Request<v1::CreateSiteRequest>,
) -> Result<v1::CreateSiteResponse, Error> {
    let asking = Asking::of(CREATE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(CREATE, &request_id, &asked, &mut violations);
    let id = chosen_id("site_id", &asked.site_id, SiteId::new, &mut violations);
    let now = app.clock.now();
    let details = details(&asked.site.unwrap_or_default(), now, &mut violations);
    also(&mut violations, |more| details.check("site", more));
    let details = settled(Some(details), violations)?;
    if asked.validate_only {
        let tried = app::try_site(app, &asking.caller, details, id).await?;
        let site = v1::Site {
            etag: String::new(),
            create_time: None,
            update_time: None,
            ..message(&tried)
        };
        return Ok(v1::CreateSiteResponse { site: Some(site) });
    }
    let site = app::create_site(app, &asking.caller, details, id, &repeat).await?;
    Ok(v1::CreateSiteResponse {
        site: Some(message(&site)),
    })
}

async fn get(
    app: &App,
    request: Request<v1::GetSiteRequest>,
) -> Result<v1::GetSiteResponse, Error> {
    let asking = Asking::of(GET, &request)?;
    let mut violations = Violations::default();
    let site = name(
        "name",
        &request.get_ref().name,
        SiteId::parse,
        &mut violations,
    );
    let site = settled(site, violations)?;
    let read = app.store.read(&asking.site(&site)?);
    let site = found(read.site(&site).await?, KIND, site.name())?;
    Ok(v1::GetSiteResponse {
        site: Some(message(&site)),
    })
}

async fn list(
    app: &App,
    request: Request<v1::ListSitesRequest>,
) -> Result<v1::ListSitesResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let paging = Paging::read(
        LIST,
        &[],
        Order::Id,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let paging = settled(Some(paging), violations)?;
    let read = app.store.read(&asking.network()?);
    let rows = read.sites(&paging.page).await?;
    let key = |site: &Site| vec![PagePart::Text(site.key.to_string())];
    let (sites, next_page_token) = paging.cut(&rows, key, message);
    Ok(v1::ListSitesResponse {
        sites,
        next_page_token,
    })
}

async fn update(
    app: &App,
    request: Request<v1::UpdateSiteRequest>,
) -> Result<v1::UpdateSiteResponse, Error> {
    let asking = Asking::of(UPDATE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(UPDATE, &request_id, &asked, &mut violations);
    let given = asked.site.unwrap_or_default();
    let site = name("site.name", &given.name, SiteId::parse, &mut violations);
    let wanted = fields(
        asked.update_mask.as_ref(),
        &changeable(&given),
        &mut violations,
    );
    let change = change(&given, wanted, app.clock.now(), &mut violations);
    let site = settled(site, violations)?;
    let _scope = asking.site(&site)?;
    let etag = (!given.etag.is_empty()).then_some(given.etag);
    let site = app::update_site(app, &asking.caller, &site, etag, change, &repeat).await?;
    Ok(v1::UpdateSiteResponse {
        site: Some(message(&site)),
    })
}

/// Every field that an update may change and whether the message sets it.
fn changeable(given: &v1::Site) -> [(&'static str, bool); 19] {
    [
        ("display_name", !given.display_name.is_empty()),
        ("time_zone", !given.time_zone.is_empty()),
        ("calibration_day", given.calibration_day != 0),
        (
            "calibration_interval_days",
            given.calibration_interval_days != 0,
        ),
        ("closed_days", !given.closed_days.is_empty()),
        ("tolerance_c", is_set(given.tolerance_c)),
        ("action_band_c", given.action_band_c.is_some()),
        ("largest_step_c", is_set(given.largest_step_c)),
        (
            "accepts_assumed_hold_correction",
            given.accepts_assumed_hold_correction,
        ),
        ("full_compensation", given.full_compensation),
        ("closures", !given.closures.is_empty()),
        ("firing_time", !given.firing_time.is_empty()),
        ("quiet_from_time", !given.quiet_from_time.is_empty()),
        ("quiet_until_time", !given.quiet_until_time.is_empty()),
        ("manager_after_days", given.manager_after_days.is_some()),
        ("quality_after_days", given.quality_after_days.is_some()),
        ("silent_after_days", given.silent_after_days != 0),
        ("readings_need_sign_off", given.readings_need_sign_off),
        ("adjustments_need_sign_off", given.adjustments_need_sign_off),
    ]
}

fn change(
    given: &v1::Site,
    wanted: Vec<&'static str>,
    now: Timestamp,
    violations: &mut Violations,
) -> Change<SiteDetails> {
    let mut found = Violations::default();
    let new = details(given, now, &mut found);
    of_fields("site", &wanted, found, violations);
    Box::new(move |before: &SiteDetails| {
        let mut after = before.clone();
        for field in &wanted {
            match *field {
                "display_name" => after.display_name.clone_from(&new.display_name),
                "time_zone" => after.time_zone.clone_from(&new.time_zone),
                "calibration_day" => after.calibration_day = new.calibration_day,
                "calibration_interval_days" => {
                    after.calibration_interval_days = new.calibration_interval_days;
                }
                "closed_days" => after.closed_days.clone_from(&new.closed_days),
                "tolerance_c" => after.tolerance_c = new.tolerance_c,
                "action_band_c" => after.action_band_c = new.action_band_c,
                "largest_step_c" => after.largest_step_c = new.largest_step_c,
                "accepts_assumed_hold_correction" => {
                    after.accepts_assumed_hold_correction = new.accepts_assumed_hold_correction;
                }
                "full_compensation" => after.full_compensation = new.full_compensation,
                "closures" => after.closures.clone_from(&new.closures),
                "firing_time" => after.firing_time = new.firing_time,
                "quiet_from_time" => after.quiet_from = new.quiet_from,
                "quiet_until_time" => after.quiet_until = new.quiet_until,
                "manager_after_days" => after.manager_after_days = new.manager_after_days,
                "quality_after_days" => after.quality_after_days = new.quality_after_days,
                "silent_after_days" => after.silent_after_days = new.silent_after_days,
                "readings_need_sign_off" => {
                    after.readings_sign_off_since =
                        since(before.readings_sign_off_since, new.readings_sign_off_since);
                }
                "adjustments_need_sign_off" => {
                    after.adjustments_sign_off_since = since(
                        before.adjustments_sign_off_since,
                        new.adjustments_sign_off_since,
                    );
                }
                _ => {}
            }
        }
        Ok(after)
    })
}

/// From when on a second person signs, after somebody said whether one does: asking again changes nothing.
fn since(before: Option<Timestamp>, new: Option<Timestamp>) -> Option<Timestamp> {
    new.map(|now| before.unwrap_or(now))
}

/// Reads a site's content; what is left out gets the protocol's defaults. What begins when it is asked for begins
/// `now`.
fn details(given: &v1::Site, now: Timestamp, violations: &mut Violations) -> SiteDetails {
    let usual = SiteDetails::default();
    let calibration_day =
        choice("site.calibration_day", given.calibration_day, violations).and_then(weekday);
    let mut closed_days = Vec::new();
    for (at, number) in given.closed_days.iter().take(MOST_CLOSED_DAYS).enumerate() {
        let field = format!("site.closed_days[{at}]");
        match choice(&field, *number, violations) {
            Some(v1::DayOfWeek::Unspecified) => {
                violations.add(
                    field,
                    "REQUIRED",
                    "is not given; send a weekday or leave it out",
                );
            }
            Some(day) => {
                if let Some(day) = weekday(day)
                    && !closed_days.contains(&day)
                {
                    closed_days.push(day);
                }
            }
            None => {}
        }
    }
    if given.closed_days.len() > MOST_CLOSED_DAYS {
        violations.add(
            "site.closed_days",
            "WRONG_COUNT",
            format!(
                "has {} days; send each closed day once",
                given.closed_days.len()
            ),
        );
    }
    SiteDetails {
        display_name: given.display_name.clone(),
        time_zone: given.time_zone.clone(),
        calibration_day,
        calibration_interval_days: if given.calibration_interval_days == 0 {
            usual.calibration_interval_days
        } else {
            given.calibration_interval_days
        },
        closed_days,
        tolerance_c: if is_set(given.tolerance_c) {
            given.tolerance_c
        } else {
            usual.tolerance_c
        },
        action_band_c: given.action_band_c.unwrap_or(usual.action_band_c),
        largest_step_c: if is_set(given.largest_step_c) {
            given.largest_step_c
        } else {
            usual.largest_step_c
        },
        accepts_assumed_hold_correction: given.accepts_assumed_hold_correction,
        full_compensation: given.full_compensation,
        closures: closures(&given.closures, violations),
        firing_time: local_time(
            "site.firing_time",
            &given.firing_time,
            usual.firing_time,
            violations,
        ),
        quiet_from: local_time(
            "site.quiet_from_time",
            &given.quiet_from_time,
            usual.quiet_from,
            violations,
        ),
        quiet_until: local_time(
            "site.quiet_until_time",
            &given.quiet_until_time,
            usual.quiet_until,
            violations,
        ),
        manager_after_days: given.manager_after_days.unwrap_or(usual.manager_after_days),
        quality_after_days: given.quality_after_days.unwrap_or(usual.quality_after_days),
        silent_after_days: if given.silent_after_days == 0 {
            usual.silent_after_days
        } else {
            given.silent_after_days
        },
        readings_sign_off_since: given.readings_need_sign_off.then_some(now),
        adjustments_sign_off_since: given.adjustments_need_sign_off.then_some(now),
    }
}

/// Closures are read up to this many; more are refused by the rules without being read.
const MOST_CLOSURES_READ: usize = 201;

fn closures(given: &[v1::Closure], violations: &mut Violations) -> Vec<Closure> {
    let mut closures = Vec::with_capacity(given.len().min(MOST_CLOSURES_READ));
    for (at, closure) in given.iter().enumerate().take(MOST_CLOSURES_READ) {
        let field = format!("site.closures[{at}]");
        let from = date(&format!("{field}.from_date"), closure.from_date, violations);
        let until = date(
            &format!("{field}.until_date"),
            closure.until_date,
            violations,
        );
        match (from, closure.from_date) {
            (Some(from), _) => closures.push(Closure {
                from,
                until: until.unwrap_or(from),
                reason: closure.reason.clone(),
            }),
            (None, None) => violations.add(
                format!("{field}.from_date"),
                "REQUIRED",
                "is missing; send the first closed day",
            ),
            (None, Some(_)) => {}
        }
    }
    closures
}

/// Reads `HH:MM`.
fn local_time(field: &str, given: &str, usual: Time, violations: &mut Violations) -> Time {
    if given.is_empty() {
        return usual;
    }
    let parsed = (given.len() == 5 && given.is_ascii())
        .then(|| Time::strptime("%H:%M", given).ok())
        .flatten();
    parsed.unwrap_or_else(|| {
        violations.add(
            field,
            "NOT_A_TIME",
            format!(
                "`{}` is not a time of day; send one such as 07:00",
                shown(given)
            ),
        );
        usual
    })
}

/// Writes `HH:MM`.
fn hours_and_minutes(time: Time) -> String {
    time.strftime("%H:%M").to_string()
}

/// A week has seven days.
const MOST_CLOSED_DAYS: usize = 7;

fn message(site: &Site) -> v1::Site {
    let details = &site.details;
    let mut closed_days = Vec::with_capacity(details.closed_days.len());
    for day in &details.closed_days {
        closed_days.push(day_of_week(*day).into());
    }
    v1::Site {
        name: site.key.name(),
        display_name: details.display_name.clone(),
        time_zone: details.time_zone.clone(),
        calibration_day: details
            .calibration_day
            .map_or(v1::DayOfWeek::Unspecified, day_of_week)
            .into(),
        calibration_interval_days: details.calibration_interval_days,
        closed_days,
        tolerance_c: details.tolerance_c,
        action_band_c: Some(details.action_band_c),
        largest_step_c: details.largest_step_c,
        accepts_assumed_hold_correction: details.accepts_assumed_hold_correction,
        full_compensation: details.full_compensation,
        etag: site.etag(),
        create_time: Some(timestamp(site.created_at)),
        update_time: Some(timestamp(site.updated_at)),
        closures: details
            .closures
            .iter()
            .map(|closure| v1::Closure {
                from_date: Some(calendar_date(closure.from)),
                until_date: Some(calendar_date(closure.until)),
                reason: closure.reason.clone(),
            })
            .collect(),
        firing_time: hours_and_minutes(details.firing_time),
        quiet_from_time: hours_and_minutes(details.quiet_from),
        quiet_until_time: hours_and_minutes(details.quiet_until),
        manager_after_days: Some(details.manager_after_days),
        quality_after_days: Some(details.quality_after_days),
        silent_after_days: details.silent_after_days,
        readings_need_sign_off: details.readings_sign_off_since.is_some(),
        adjustments_need_sign_off: details.adjustments_sign_off_since.is_some(),
    }
}

fn weekday(day: v1::DayOfWeek) -> Option<Weekday> {
    match day {
        v1::DayOfWeek::Unspecified => None,
        v1::DayOfWeek::Monday => Some(Weekday::Monday),
        v1::DayOfWeek::Tuesday => Some(Weekday::Tuesday),
        v1::DayOfWeek::Wednesday => Some(Weekday::Wednesday),
        v1::DayOfWeek::Thursday => Some(Weekday::Thursday),
        v1::DayOfWeek::Friday => Some(Weekday::Friday),
        v1::DayOfWeek::Saturday => Some(Weekday::Saturday),
        v1::DayOfWeek::Sunday => Some(Weekday::Sunday),
    }
}

fn day_of_week(day: Weekday) -> v1::DayOfWeek {
    match day {
        Weekday::Monday => v1::DayOfWeek::Monday,
        Weekday::Tuesday => v1::DayOfWeek::Tuesday,
        Weekday::Wednesday => v1::DayOfWeek::Wednesday,
        Weekday::Thursday => v1::DayOfWeek::Thursday,
        Weekday::Friday => v1::DayOfWeek::Friday,
        Weekday::Saturday => v1::DayOfWeek::Saturday,
        Weekday::Sunday => v1::DayOfWeek::Sunday,
    }
}

#[cfg(test)]
mod tests;
