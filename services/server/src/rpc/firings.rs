//! Calls about production firings.

mod messages;
mod stream;

use ringtrue_fleet::firing::{ReportOutcome, Row};
use ringtrue_fleet::key::{FiringKey, ReportId, SiteId};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_proto::v1::firing_service_server::FiringService;
use ringtrue_store::{FiringFilter, KeptFiring, PagePart};
use tonic::{Request, Response, Status, Streaming};

use super::access::{Method, method};
use super::caller::Asking;
use super::fields::{found, furnace_or_all, moment, name, settled};
use super::furnaces;
use super::page::{Order, Paging};
use super::request::repeatable;
use super::sites;
use super::status::answer;
use crate::app::{self, App, Error, Taken};

pub(super) use messages::message;

const REPORT: Method = method("/ringtrue.v1.FiringService/ReportFirings");
const STREAM: Method = method("/ringtrue.v1.FiringService/ReportFiringStream");
const GET: Method = method("/ringtrue.v1.FiringService/GetFiring");
const LIST: Method = method("/ringtrue.v1.FiringService/ListFirings");
const AMEND: Method = method("/ringtrue.v1.FiringService/AmendFiring");

/// Kind of resource, for faults.
const KIND: &str = "ringtrue.v1/Firing";

/// Most firings in one report.
const MOST_FIRINGS: usize = 1000;

/// Answers calls about production firings.
#[derive(Clone)]
pub(crate) struct Firings(pub(crate) App);

#[tonic::async_trait]
impl FiringService for Firings {
    type ReportFiringStreamStream = stream::Answers;

    async fn report_firings(
        &self,
        request: Request<v1::ReportFiringsRequest>,
    ) -> Result<Response<v1::ReportFiringsResponse>, Status> {
        let asking = match asking_to_report(&request) {
            Ok(asking) => asking,
            Err(fault) => return answer(Err(fault)),
        };
        answer(report(&self.0, &asking, REPORT, request.into_inner()).await)
    }

    async fn report_firing_stream(
        &self,
        request: Request<Streaming<v1::ReportFiringStreamRequest>>,
    ) -> Result<Response<Self::ReportFiringStreamStream>, Status> {
        let asking = match Asking::of(STREAM, &request) {
            Ok(asking) => asking,
            Err(fault) => return answer(Err(fault)),
        };
        let answers = stream::begun(self.0.clone(), asking, request.into_inner()).await?;
        Ok(Response::new(answers))
    }

    async fn get_firing(
        &self,
        request: Request<v1::GetFiringRequest>,
    ) -> Result<Response<v1::GetFiringResponse>, Status> {
        answer(get(&self.0, request).await)
    }

    async fn list_firings(
        &self,
        request: Request<v1::ListFiringsRequest>,
    ) -> Result<Response<v1::ListFiringsResponse>, Status> {
        answer(list(&self.0, request).await)
    }

    async fn amend_firing(
        &self,
        request: Request<v1::AmendFiringRequest>,
    ) -> Result<Response<v1::AmendFiringResponse>, Status> {
        answer(amend(&self.0, request).await)
    }
}

/// Whoever may only note things may still try a report out.
fn asking_to_report(request: &Request<v1::ReportFiringsRequest>) -> Result<Asking, Error> {
    if request.get_ref().validate_only {
        Asking::of(REPORT.tried(), request)
    } else {
        Asking::of(REPORT, request)
    }
}

async fn report(
    app: &App,
    asking: &Asking,
    method: Method,
    mut asked: v1::ReportFiringsRequest,
) -> Result<v1::ReportFiringsResponse, Error> {
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(method, &request_id, &asked, &mut violations);
    let site = name("parent", &asked.parent, SiteId::parse, &mut violations);
    if asked.firings.is_empty() || asked.firings.len() > MOST_FIRINGS {
        violations.add(
            "firings",
            "OUT_OF_RANGE",
            format!(
                "has {} firings; send 1 to {MOST_FIRINGS} in one report, more in further ones",
                asked.firings.len()
            ),
        );
    }
    let site = settled(site, violations)?;
    let _scope = asking.site(&site)?;
    let mut rows = Vec::with_capacity(asked.firings.len());
    for (at, firing) in asked.firings.into_iter().enumerate() {
        let mut row = Row::default();
        row.details = messages::details(&format!("firings[{at}]"), firing, &mut row.violations);
        rows.push(row);
    }
    let taken = Taken {
        keep_good: asked.keep_good,
        only_look: asked.validate_only,
    };
    let outcomes = app::report_firings(app, &asking.caller, &site, rows, taken, &repeat).await?;
    Ok(summed_up(outcomes, taken.only_look))
}

fn summed_up(outcomes: Vec<ReportOutcome>, only_look: bool) -> v1::ReportFiringsResponse {
    let mut summary = v1::ReportFiringsResponse::default();
    for outcome in outcomes {
        let (name, state, faults) = match outcome {
            ReportOutcome::New(firing) => {
                summary.recorded += 1;
                let name = if only_look {
                    String::new()
                } else {
                    firing.key.name()
                };
                (name, v1::FiringResultState::Recorded, Vec::new())
            }
            ReportOutcome::Known(key) => {
                summary.known += 1;
                (key.name(), v1::FiringResultState::Known, Vec::new())
            }
            ReportOutcome::Refused(violations) => {
                summary.refused += 1;
                let faults = violations.0.into_iter().map(|violation| v1::FiringFault {
                    field: violation.field,
                    reason: violation.reason.to_owned(),
                    description: violation.message,
                });
                (
                    String::new(),
                    v1::FiringResultState::Refused,
                    faults.collect(),
                )
            }
        };
        summary.results.push(v1::FiringResult {
            name,
            state: state.into(),
            faults,
        });
    }
    summary
}

async fn get(
    app: &App,
    request: Request<v1::GetFiringRequest>,
) -> Result<v1::GetFiringResponse, Error> {
    let asking = Asking::of(GET, &request)?;
    let mut violations = Violations::default();
    let key = name(
        "name",
        &request.get_ref().name,
        FiringKey::parse,
        &mut violations,
    );
    let key = settled(key, violations)?;
    let read = app.store.read(&asking.site(&key.furnace.site)?);
    let firing = found(read.firing(&key).await?, KIND, key.name())?;
    Ok(v1::GetFiringResponse {
        firing: Some(message(&firing)),
    })
}

async fn list(
    app: &App,
    request: Request<v1::ListFiringsRequest>,
) -> Result<v1::ListFiringsResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let place = furnace_or_all("parent", &asked.parent, &mut violations);
    let from = moment("start_time", asked.start_time, &mut violations);
    let until = moment("end_time", asked.end_time, &mut violations);
    let shown = asked.show_amended.to_string();
    let span = format!("{from:?} {until:?}");
    let filters = [
        asked.parent.as_str(),
        &span,
        &asked.case_id,
        &asked.external_id,
        &shown,
        &asked.report,
    ];
    let paging = Paging::read(
        LIST,
        &filters,
        Order::LatestFirst,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let report = of_report(&asked, &mut violations);
    let (site, furnace) = settled(place, violations)?;
    let read = app.store.read(&asking.site(&site)?).on_one_connection();
    found(read.site(&site).await?, sites::KIND, site.name())?;
    if let Some(furnace) = &furnace {
        let key = ringtrue_fleet::key::FurnaceKey {
            site: site.clone(),
            furnace: furnace.clone(),
        };
        found(read.furnace(&key).await?, furnaces::KIND, key.name())?;
    }
    let filter = FiringFilter {
        furnace,
        from,
        until,
        report,
        case_id: asked.case_id,
        external_id: asked.external_id,
        show_amended: asked.show_amended,
    };
    let rows = read.firings(&site, &filter, &paging.page).await?;
    let place = |kept: &KeptFiring| {
        let ended_at = kept.firing.details.ended_at;
        vec![
            PagePart::Number(ended_at.map_or(0, jiff::Timestamp::as_microsecond)),
            PagePart::Text(kept.firing.key.firing.to_string()),
        ]
    };
    let (firings, next_page_token) = paging.cut(&rows, place, message);
    Ok(v1::ListFiringsResponse {
        firings,
        next_page_token,
    })
}

/// The report whose firings are wanted; it has to be of the site that is asked.
fn of_report(asked: &v1::ListFiringsRequest, violations: &mut Violations) -> Option<ReportId> {
    if asked.report.is_empty() {
        return None;
    }
    let site = asked.parent.split("/furnaces/").next().unwrap_or_default();
    let id = asked
        .report
        .strip_prefix(&format!("{site}/firingReports/"))
        .and_then(|id| ReportId::new(id).ok());
    if id.is_none() {
        violations.add(
            "report",
            "NOT_A_NAME",
            format!("is no report of {site}; send a name that the change feed gave, `{site}/firingReports/{{report}}`"),
        );
    }
    id
}

async fn amend(
    app: &App,
    request: Request<v1::AmendFiringRequest>,
) -> Result<v1::AmendFiringResponse, Error> {
    let asking = Asking::of(AMEND, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(AMEND, &request_id, &asked, &mut violations);
    let key = name("name", &asked.name, FiringKey::parse, &mut violations);
    let key = settled(key, violations)?;
    let _scope = asking.site(&key.furnace.site)?;
    let mut row = Row::default();
    row.details = messages::details(
        "firing",
        asked.firing.unwrap_or_default(),
        &mut row.violations,
    );
    let reason = asked.amend_reason;
    let made = app::amend_firing(app, &asking.caller, &key, row, reason, &repeat).await?;
    Ok(v1::AmendFiringResponse {
        firing: Some(message(&made)),
    })
}
