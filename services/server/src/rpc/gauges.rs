//! Calls about gauges and their checks.

use jiff::tz::TimeZone;
use ringtrue_fleet::gauge::{
    BLOCK_STANDARD_UNCERTAINTY_MM, CheckDetails, Gauge, GaugeCheck, GaugeDetails, GaugeKind,
};
use ringtrue_fleet::key::{GaugeId, GaugeKey, SiteId};
use ringtrue_fleet::site::Site;
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_proto::v1::gauge_service_server::GaugeService;
use ringtrue_store::{PagePart, Read};
use tonic::{Request, Response, Status};

use super::access::{Method, method};
use super::caller::Asking;
use super::fields::{
    also, calendar_date, choice, chosen_id, found, is_set, moment, name, settled, timestamp,
};
use super::mask::{fields, of_fields};
use super::page::{Order, Paging};
use super::request::repeatable;
use super::sites;
use super::status::answer;
use crate::app::{self, App, Change, Error};

const CREATE: Method = method("/ringtrue.v1.GaugeService/CreateGauge");
const GET: Method = method("/ringtrue.v1.GaugeService/GetGauge");
const LIST: Method = method("/ringtrue.v1.GaugeService/ListGauges");
const UPDATE: Method = method("/ringtrue.v1.GaugeService/UpdateGauge");
const RECORD_CHECK: Method = method("/ringtrue.v1.GaugeService/RecordGaugeCheck");
const LIST_CHECKS: Method = method("/ringtrue.v1.GaugeService/ListGaugeChecks");

/// Kind of resource, for faults.
const KIND: &str = "ringtrue.v1/Gauge";

/// Answers calls about gauges.
#[derive(Clone)]
pub(crate) struct Gauges(pub(crate) App);

#[tonic::async_trait]
impl GaugeService for Gauges {
    async fn create_gauge(
        &self,
        request: Request<v1::CreateGaugeRequest>,
    ) -> Result<Response<v1::CreateGaugeResponse>, Status> {
        answer(create(&self.0, request).await)
    }

    async fn get_gauge(
        &self,
        request: Request<v1::GetGaugeRequest>,
    ) -> Result<Response<v1::GetGaugeResponse>, Status> {
        answer(get(&self.0, request).await)
    }

    async fn list_gauges(
        &self,
        request: Request<v1::ListGaugesRequest>,
    ) -> Result<Response<v1::ListGaugesResponse>, Status> {
        answer(list(&self.0, request).await)
    }

    async fn update_gauge(
        &self,
        request: Request<v1::UpdateGaugeRequest>,
    ) -> Result<Response<v1::UpdateGaugeResponse>, Status> {
        answer(update(&self.0, request).await)
    }

    async fn record_gauge_check(
        &self,
        request: Request<v1::RecordGaugeCheckRequest>,
    ) -> Result<Response<v1::RecordGaugeCheckResponse>, Status> {
        answer(record_check(&self.0, request).await)
    }

    async fn list_gauge_checks(
        &self,
        request: Request<v1::ListGaugeChecksRequest>,
    ) -> Result<Response<v1::ListGaugeChecksResponse>, Status> {
        answer(list_checks(&self.0, request).await)
    }
}

async fn create(
    app: &App,
    request: Request<v1::CreateGaugeRequest>,
) -> Result<v1::CreateGaugeResponse, Error> {
    let asking = Asking::of(CREATE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(CREATE, &request_id, &asked, &mut violations);
    let site = name("parent", &asked.parent, SiteId::parse, &mut violations);
    let id = chosen_id("gauge_id", &asked.gauge_id, GaugeId::new, &mut violations);
    let details = details(&asked.gauge.unwrap_or_default(), &mut violations);
    also(&mut violations, |more| details.check("gauge", more));
    let site = settled(site, violations)?;
    let scope = asking.site(&site)?;
    if asked.validate_only {
        let tried = app::try_gauge(app, &asking.caller, &site, details, id).await?;
        let gauge = v1::Gauge {
            etag: String::new(),
            create_time: None,
            update_time: None,
            ..with_check(&app.store.read(&scope), &tried).await?
        };
        return Ok(v1::CreateGaugeResponse { gauge: Some(gauge) });
    }
    let gauge = app::create_gauge(app, &asking.caller, &site, details, id, &repeat).await?;
    let gauge = with_check(&app.store.read(&scope), &gauge).await?;
    Ok(v1::CreateGaugeResponse { gauge: Some(gauge) })
}

async fn get(
    app: &App,
    request: Request<v1::GetGaugeRequest>,
) -> Result<v1::GetGaugeResponse, Error> {
    let asking = Asking::of(GET, &request)?;
    let mut violations = Violations::default();
    let key = name(
        "name",
        &request.get_ref().name,
        GaugeKey::parse,
        &mut violations,
    );
    let key = settled(key, violations)?;
    let read = app.store.read(&asking.site(&key.site)?);
    let gauge = found(read.gauge(&key).await?, KIND, key.name())?;
    Ok(v1::GetGaugeResponse {
        gauge: Some(with_check(&read, &gauge).await?),
    })
}

async fn list(
    app: &App,
    request: Request<v1::ListGaugesRequest>,
) -> Result<v1::ListGaugesResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let site = name("parent", &asked.parent, SiteId::parse, &mut violations);
    let filters = [asked.parent.as_str()];
    let order = Order::Id;
    let paging = Paging::read(
        LIST,
        &filters,
        order,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let site = settled(site, violations)?;
    let read = app.store.read(&asking.site(&site)?).on_one_connection();
    let zone = site_of(&read, &site).await?.details.zone();
    let mut rows = Vec::new();
    for gauge in read.gauges(&site, &paging.page).await? {
        let check = read.latest_gauge_check(&gauge.key).await?;
        rows.push((gauge, check));
    }
    let key = |row: &(Gauge, Option<GaugeCheck>)| vec![PagePart::Text(row.0.key.gauge.to_string())];
    let (gauges, next_page_token) = paging.cut(&rows, key, |(gauge, check)| {
        message(gauge, check.as_ref(), &zone)
    });
    Ok(v1::ListGaugesResponse {
        gauges,
        next_page_token,
    })
}

async fn update(
    app: &App,
    request: Request<v1::UpdateGaugeRequest>,
) -> Result<v1::UpdateGaugeResponse, Error> {
    let asking = Asking::of(UPDATE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(UPDATE, &request_id, &asked, &mut violations);
    let given = asked.gauge.unwrap_or_default();
    let key = name("gauge.name", &given.name, GaugeKey::parse, &mut violations);
    let wanted = fields(
        asked.update_mask.as_ref(),
        &changeable(&given),
        &mut violations,
    );
    let change = change(&given, wanted, &mut violations);
    let key = settled(key, violations)?;
    let scope = asking.site(&key.site)?;
    let etag = (!given.etag.is_empty()).then_some(given.etag);
    let gauge = app::update_gauge(app, &asking.caller, &key, etag, change, &repeat).await?;
    let gauge = with_check(&app.store.read(&scope), &gauge).await?;
    Ok(v1::UpdateGaugeResponse { gauge: Some(gauge) })
}

async fn record_check(
    app: &App,
    request: Request<v1::RecordGaugeCheckRequest>,
) -> Result<v1::RecordGaugeCheckResponse, Error> {
    let asking = Asking::of(RECORD_CHECK, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(RECORD_CHECK, &request_id, &asked, &mut violations);
    let key = name("parent", &asked.parent, GaugeKey::parse, &mut violations);
    let details = check_details(asked.check.unwrap_or_default(), &mut violations);
    also(&mut violations, |more| {
        details.check("check", app.clock.now(), more);
    });
    let key = settled(key, violations)?;
    let scope = asking.site(&key.site)?;
    let (check, gauge) =
        app::record_gauge_check(app, &asking.caller, &key, details, &repeat).await?;
    // A check that is reported late need not be the latest one.
    let gauge = with_check(&app.store.read(&scope), &gauge).await?;
    Ok(v1::RecordGaugeCheckResponse {
        check: Some(check_message(&check)),
        gauge: Some(gauge),
    })
}

async fn list_checks(
    app: &App,
    request: Request<v1::ListGaugeChecksRequest>,
) -> Result<v1::ListGaugeChecksResponse, Error> {
    let asking = Asking::of(LIST_CHECKS, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let key = name("parent", &asked.parent, GaugeKey::parse, &mut violations);
    let paging = Paging::read(
        LIST_CHECKS,
        &[&asked.parent],
        Order::LatestFirst,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let key = settled(key, violations)?;
    let read = app.store.read(&asking.site(&key.site)?).on_one_connection();
    found(read.gauge(&key).await?, KIND, key.name())?;
    let rows = read.gauge_checks(&key, &paging.page).await?;
    let key = |check: &GaugeCheck| {
        let at = check.details.checked_at.unwrap_or(check.received_at);
        vec![
            PagePart::Number(at.as_microsecond()),
            PagePart::Text(check.key.check.to_string()),
        ]
    };
    let (checks, next_page_token) = paging.cut(&rows, key, check_message);
    Ok(v1::ListGaugeChecksResponse {
        checks,
        next_page_token,
    })
}

async fn site_of(read: &Read, site: &SiteId) -> Result<Site, Error> {
    found(read.site(site).await?, sites::KIND, site.name())
}

/// A gauge with its latest check, and the day that one goes out of date at the site.
async fn with_check(read: &Read, gauge: &Gauge) -> Result<v1::Gauge, Error> {
    let zone = site_of(read, &gauge.key.site).await?.details.zone();
    let check = read.latest_gauge_check(&gauge.key).await?;
    Ok(message(gauge, check.as_ref(), &zone))
}

/// Every field that an update may change and whether the message sets it.
fn changeable(given: &v1::Gauge) -> [(&'static str, bool); 7] {
    [
        ("display_name", !given.display_name.is_empty()),
        ("kind", given.kind != 0),
        ("resolution_mm", is_set(given.resolution_mm)),
        (
            "maximum_permissible_error_mm",
            is_set(given.maximum_permissible_error_mm),
        ),
        ("check_interval_days", given.check_interval_days != 0),
        ("serial_number", !given.serial_number.is_empty()),
        ("state", given.state != 0),
    ]
}

fn change(
    given: &v1::Gauge,
    wanted: Vec<&'static str>,
    violations: &mut Violations,
) -> Change<GaugeDetails> {
    let mut found = Violations::default();
    let new = details(given, &mut found);
    of_fields("gauge", &wanted, found, violations);
    // A withdrawn gauge must not come back into use by something left out.
    if wanted.contains(&"state") && given.state == 0 {
        violations.add(
            "gauge.state",
            "REQUIRED",
            "is missing; send the state the gauge is to have",
        );
    }
    Box::new(move |before: &GaugeDetails| {
        let mut after = before.clone();
        for field in &wanted {
            match *field {
                "display_name" => after.display_name.clone_from(&new.display_name),
                "kind" => after.kind = new.kind,
                "resolution_mm" => after.resolution_mm = new.resolution_mm,
                "maximum_permissible_error_mm" => {
                    after.maximum_permissible_error_mm = new.maximum_permissible_error_mm;
                }
                "check_interval_days" => after.check_interval_days = new.check_interval_days,
                "serial_number" => after.serial_number.clone_from(&new.serial_number),
                "state" => after.in_use = new.in_use,
                _ => {}
            }
        }
        Ok(after)
    })
}

/// Reads a gauge's content; what is left out gets the protocol's defaults.
fn details(given: &v1::Gauge, violations: &mut Violations) -> GaugeDetails {
    let usual = GaugeDetails::default();
    let kind = match choice("gauge.kind", given.kind, violations) {
        None | Some(v1::GaugeKind::Unspecified) => None,
        Some(v1::GaugeKind::Caliper) => Some(GaugeKind::Caliper),
        Some(v1::GaugeKind::Micrometer) => Some(GaugeKind::Micrometer),
    };
    let in_use = match choice("gauge.state", given.state, violations) {
        None | Some(v1::GaugeState::Unspecified | v1::GaugeState::InUse) => true,
        Some(v1::GaugeState::Withdrawn) => false,
    };
    GaugeDetails {
        display_name: given.display_name.clone(),
        kind,
        resolution_mm: given.resolution_mm,
        maximum_permissible_error_mm: given.maximum_permissible_error_mm,
        check_interval_days: if given.check_interval_days == 0 {
            usual.check_interval_days
        } else {
            given.check_interval_days
        },
        serial_number: given.serial_number.clone(),
        in_use,
    }
}

fn message(gauge: &Gauge, check: Option<&GaugeCheck>, zone: &TimeZone) -> v1::Gauge {
    let details = &gauge.details;
    let kind = match details.kind {
        None => v1::GaugeKind::Unspecified,
        Some(GaugeKind::Caliper) => v1::GaugeKind::Caliper,
        Some(GaugeKind::Micrometer) => v1::GaugeKind::Micrometer,
    };
    let state = if details.in_use {
        v1::GaugeState::InUse
    } else {
        v1::GaugeState::Withdrawn
    };
    v1::Gauge {
        name: gauge.key.name(),
        display_name: details.display_name.clone(),
        kind: kind.into(),
        resolution_mm: details.resolution_mm,
        maximum_permissible_error_mm: details.maximum_permissible_error_mm,
        check_interval_days: details.check_interval_days,
        serial_number: details.serial_number.clone(),
        state: state.into(),
        latest_check: check.map(check_message),
        check_due_date: check
            .and_then(|check| check.details.checked_at)
            .map(|checked_at| calendar_date(details.check_due_on(checked_at, zone))),
        etag: gauge.etag(),
        create_time: Some(timestamp(gauge.created_at)),
        update_time: Some(timestamp(gauge.updated_at)),
    }
}

fn check_details(given: v1::GaugeCheck, violations: &mut Violations) -> CheckDetails {
    CheckDetails {
        nominal_mm: given.nominal_mm,
        measured_mm: given.measured_mm,
        block_standard_uncertainty_mm: given
            .block_standard_uncertainty_mm
            .unwrap_or(BLOCK_STANDARD_UNCERTAINTY_MM),
        checked_at: moment("check.check_time", given.check_time, violations),
        performed_by: given.performed_by,
        note: given.note,
    }
}

fn check_message(check: &GaugeCheck) -> v1::GaugeCheck {
    let details = &check.details;
    v1::GaugeCheck {
        name: check.key.name(),
        nominal_mm: details.nominal_mm,
        measured_mm: details.measured_mm.clone(),
        block_standard_uncertainty_mm: Some(details.block_standard_uncertainty_mm),
        check_time: details.checked_at.map(timestamp),
        performed_by: details.performed_by.clone(),
        note: details.note.clone(),
        bias_mm: check.bias_mm,
        standard_uncertainty_mm: check.standard_uncertainty_mm,
        receive_time: Some(timestamp(check.received_at)),
    }
}

#[cfg(test)]
mod tests;
