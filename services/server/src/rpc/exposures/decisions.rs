//! Decisions about exposed cases.

use ringtrue_fleet::exposure::{Decision, DecisionDetails, DecisionOutcome};
use ringtrue_fleet::key::{DecisionKey, FurnaceKey, ReadingKey};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_store::PagePart;
use tonic::Request;

use super::super::access::{Method, method};
use super::super::caller::Asking;
use super::super::fields::{
    also, choice, found, furnace_or_all, moment, name, optional_name, settled, timestamp,
};
use super::super::page::{Order, Paging};
use super::super::request::repeatable;
use super::super::sites;
use crate::app::{self, App, Error};

const RECORD: Method = method("/ringtrue.v1.ExposureService/RecordExposureDecision");
const GET: Method = method("/ringtrue.v1.ExposureService/GetExposureDecision");
const LIST: Method = method("/ringtrue.v1.ExposureService/ListExposureDecisions");

/// Kind of resource, for faults.
const KIND: &str = "ringtrue.v1/ExposureDecision";

pub(super) async fn record(
    app: &App,
    request: Request<v1::RecordExposureDecisionRequest>,
) -> Result<v1::RecordExposureDecisionResponse, Error> {
    let asking = Asking::of(RECORD, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(RECORD, &request_id, &asked, &mut violations);
    let key = name("parent", &asked.parent, FurnaceKey::parse, &mut violations);
    let details = details(
        app,
        asked.exposure_decision.unwrap_or_default(),
        &mut violations,
    );
    if let Some(key) = &key {
        let now = app.clock.now();
        also(&mut violations, |more| {
            details.check("exposure_decision", key, now, more);
        });
    }
    let key = settled(key, violations)?;
    let _scope = asking.site(&key.site)?;
    let decision =
        app::record_exposure_decision(app, &asking.caller, &key, details, &repeat).await?;
    Ok(v1::RecordExposureDecisionResponse {
        exposure_decision: Some(message(&decision)),
    })
}

pub(super) async fn get(
    app: &App,
    request: Request<v1::GetExposureDecisionRequest>,
) -> Result<v1::GetExposureDecisionResponse, Error> {
    let asking = Asking::of(GET, &request)?;
    let mut violations = Violations::default();
    let key = name(
        "name",
        &request.get_ref().name,
        DecisionKey::parse,
        &mut violations,
    );
    let key = settled(key, violations)?;
    let read = app.store.read(&asking.site(&key.furnace.site)?);
    let decision = found(read.exposure_decision(&key).await?, KIND, key.name())?;
    Ok(v1::GetExposureDecisionResponse {
        exposure_decision: Some(message(&decision)),
    })
}

pub(super) async fn list(
    app: &App,
    request: Request<v1::ListExposureDecisionsRequest>,
) -> Result<v1::ListExposureDecisionsResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let place = furnace_or_all("parent", &asked.parent, &mut violations);
    let paging = Paging::read(
        LIST,
        &[&asked.parent],
        Order::LatestFirst,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let (site, furnace) = settled(place, violations)?;
    let read = app.store.read(&asking.site(&site)?);
    found(read.site(&site).await?, sites::KIND, site.name())?;
    let rows = read
        .exposure_decisions(&site, furnace.as_ref(), &paging.page)
        .await?;
    let place = |decision: &Decision| {
        vec![
            PagePart::Number(decision.details.decided_at.as_microsecond()),
            PagePart::Text(decision.key.decision.to_string()),
        ]
    };
    let (exposure_decisions, next_page_token) = paging.cut(&rows, place, message);
    Ok(v1::ListExposureDecisionsResponse {
        exposure_decisions,
        next_page_token,
    })
}

fn details(app: &App, given: v1::ExposureDecision, violations: &mut Violations) -> DecisionDetails {
    let outcome = choice("exposure_decision.outcome", given.outcome, violations);
    let decided_at = moment(
        "exposure_decision.decide_time",
        given.decide_time,
        violations,
    );
    DecisionDetails {
        start: moment("exposure_decision.start_time", given.start_time, violations),
        end: moment("exposure_decision.end_time", given.end_time, violations),
        reading: optional_name(
            "exposure_decision.reading",
            &given.reading,
            ReadingKey::parse,
            violations,
        ),
        outcome: outcome.and_then(|outcome| match outcome {
            v1::ExposureOutcome::Unspecified => None,
            v1::ExposureOutcome::NoAction => Some(DecisionOutcome::NoAction),
            v1::ExposureOutcome::UseAsIsConcession => Some(DecisionOutcome::UseAsIsConcession),
            v1::ExposureOutcome::ReworkByInstruction => Some(DecisionOutcome::ReworkByInstruction),
            v1::ExposureOutcome::Remake => Some(DecisionOutcome::Remake),
            v1::ExposureOutcome::InformPrescriber => Some(DecisionOutcome::InformPrescriber),
        }),
        decided_at: decided_at.unwrap_or_else(|| app.clock.now()),
        case_ids: given.case_ids,
        reason: given.reason,
        decided_by: given.decided_by,
    }
}

fn message(decision: &Decision) -> v1::ExposureDecision {
    let details = &decision.details;
    let outcome = match details.outcome {
        None => v1::ExposureOutcome::Unspecified,
        Some(DecisionOutcome::NoAction) => v1::ExposureOutcome::NoAction,
        Some(DecisionOutcome::UseAsIsConcession) => v1::ExposureOutcome::UseAsIsConcession,
        Some(DecisionOutcome::ReworkByInstruction) => v1::ExposureOutcome::ReworkByInstruction,
        Some(DecisionOutcome::Remake) => v1::ExposureOutcome::Remake,
        Some(DecisionOutcome::InformPrescriber) => v1::ExposureOutcome::InformPrescriber,
    };
    v1::ExposureDecision {
        name: decision.key.name(),
        start_time: details.start.map(timestamp),
        end_time: details.end.map(timestamp),
        reading: details
            .reading
            .as_ref()
            .map(ReadingKey::name)
            .unwrap_or_default(),
        case_ids: details.case_ids.clone(),
        outcome: outcome.into(),
        reason: details.reason.clone(),
        decided_by: details.decided_by.clone(),
        decide_time: Some(timestamp(details.decided_at)),
        receive_time: Some(timestamp(decision.received_at)),
    }
}
