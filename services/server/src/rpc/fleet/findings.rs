//! Findings: what readings show together, and what people say about it.

use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::finding::{
    Evidence, FindingKind, FindingState, Said, Subject, acknowledged, resolved,
};
use ringtrue_fleet::key::{FindingId, ReadingKey};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_store::{FindingFilter, NamedFinding};
use tonic::Request;

use super::super::access::{Method, method};
use super::super::caller::Asking;
use super::super::fields::{
    also, choice, found, name, optional_name, settled, site_or_all, timestamp,
};
use super::super::page::{Order, Paging};
use super::super::request::repeatable;
use super::super::sites;
use crate::app::{self, App, Error};

const GET: Method = method("/ringtrue.v1.FleetService/GetFinding");
const LIST: Method = method("/ringtrue.v1.FleetService/ListFindings");
const ACKNOWLEDGE: Method = method("/ringtrue.v1.FleetService/AcknowledgeFinding");
const RESOLVE: Method = method("/ringtrue.v1.FleetService/ResolveFinding");

/// Kind of resource, for faults.
const KIND: &str = "ringtrue.v1/Finding";

pub(super) async fn get(
    app: &App,
    request: Request<v1::GetFindingRequest>,
) -> Result<v1::GetFindingResponse, Error> {
    let asking = Asking::of(GET, &request)?;
    let mut violations = Violations::default();
    let asked = request.get_ref();
    let id = name("name", &asked.name, FindingId::parse, &mut violations);
    let id = settled(id, violations)?;
    let scope = asking.network()?;
    let read = app.store.read(&scope);
    let finding = found(read.finding(&id).await?, KIND, id.name())?;
    Ok(v1::GetFindingResponse {
        finding: Some(message(&scope, &finding)),
    })
}

pub(super) async fn list(
    app: &App,
    request: Request<v1::ListFindingsRequest>,
) -> Result<v1::ListFindingsResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let site = site_or_all(&asked.parent, &mut violations);
    let filter = FindingFilter {
        site,
        state: match choice("state", asked.state, &mut violations) {
            None | Some(v1::FindingState::Unspecified) => None,
            Some(v1::FindingState::Open) => Some(FindingState::Open),
            Some(v1::FindingState::Acknowledged) => Some(FindingState::Acknowledged),
            Some(v1::FindingState::Resolved) => Some(FindingState::Resolved),
        },
        kind: kind("kind", asked.kind, &mut violations),
        subject: optional_name("subject", &asked.subject, Subject::parse, &mut violations),
    };
    let filters = [
        asked.parent.as_str(),
        &asked.state.to_string(),
        &asked.kind.to_string(),
        &asked.subject,
    ];
    let paging = Paging::read(
        LIST,
        &filters,
        Order::Pressing,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let paging = settled(Some(paging), violations)?;
    let scope = asking.site_or_network(filter.site.as_ref())?;
    let read = app.store.read(&scope).on_one_connection();
    if let Some(site) = &filter.site {
        found(read.site(site).await?, sites::KIND, site.name())?;
    }
    let rows = read.findings(&filter, &paging.page).await?;
    let (findings, next_page_token) = paging.cut(&rows, NamedFinding::place, |finding| {
        message(&scope, finding)
    });
    Ok(v1::ListFindingsResponse {
        findings,
        next_page_token,
    })
}

pub(super) async fn acknowledge(
    app: &App,
    request: Request<v1::AcknowledgeFindingRequest>,
) -> Result<v1::AcknowledgeFindingResponse, Error> {
    let asking = Asking::of(ACKNOWLEDGE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(ACKNOWLEDGE, &request_id, &asked, &mut violations);
    let asked = Remark {
        name: asked.name,
        note: asked.note,
        noted_by: asked.noted_by,
        etag: asked.etag,
    };
    let finding = noted(app, &asking, asked, acknowledged, &repeat, violations).await?;
    Ok(v1::AcknowledgeFindingResponse {
        finding: Some(finding),
    })
}

pub(super) async fn resolve(
    app: &App,
    request: Request<v1::ResolveFindingRequest>,
) -> Result<v1::ResolveFindingResponse, Error> {
    let asking = Asking::of(RESOLVE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(RESOLVE, &request_id, &asked, &mut violations);
    let asked = Remark {
        name: asked.name,
        note: asked.note,
        noted_by: asked.noted_by,
        etag: asked.etag,
    };
    let finding = noted(app, &asking, asked, resolved, &repeat, violations).await?;
    Ok(v1::ResolveFindingResponse {
        finding: Some(finding),
    })
}

/// What both calls ask that say something about a finding.
struct Remark {
    name: String,
    note: String,
    noted_by: String,
    etag: String,
}

async fn noted(
    app: &App,
    asking: &Asking,
    asked: Remark,
    noting: app::Noting,
    repeat: &app::Request,
    mut violations: Violations,
) -> Result<v1::Finding, Error> {
    let id = name("name", &asked.name, FindingId::parse, &mut violations);
    let said = Said {
        note: asked.note,
        noted_by: asked.noted_by,
    };
    also(&mut violations, |more| said.check(more));
    let id = settled(id, violations)?;
    let scope = asking.network()?;
    let etag = (!asked.etag.is_empty()).then_some(asked.etag);
    let caller = &asking.caller;
    let finding = app::note_finding(app, caller, &id, etag, noting, said, repeat).await?;
    Ok(message(&scope, &finding))
}

fn kind(field: &str, number: i32, violations: &mut Violations) -> Option<FindingKind> {
    Some(match choice(field, number, violations)? {
        v1::FindingKind::Unspecified => return None,
        v1::FindingKind::FurnaceDrifting => FindingKind::FurnaceDrifting,
        v1::FindingKind::FurnaceLeavingTolerance => FindingKind::FurnaceLeavingTolerance,
        v1::FindingKind::BatchSuspect => FindingKind::BatchSuspect,
        v1::FindingKind::GaugeSuspect => FindingKind::GaugeSuspect,
        v1::FindingKind::SiteShift => FindingKind::SiteShift,
        v1::FindingKind::OperatorPattern => FindingKind::OperatorPattern,
        v1::FindingKind::FurnaceOverAdjusted => FindingKind::FurnaceOverAdjusted,
        v1::FindingKind::ChamberUneven => FindingKind::ChamberUneven,
    })
}

/// Writes a finding. What the whole network shares rests on readings of many sites: a caller sees the names
/// of those at sites that they may see.
pub(super) fn message(scope: &Scope, named: &NamedFinding) -> v1::Finding {
    let finding = &named.finding;
    let kind = match finding.kind {
        FindingKind::FurnaceDrifting => v1::FindingKind::FurnaceDrifting,
        FindingKind::FurnaceLeavingTolerance => v1::FindingKind::FurnaceLeavingTolerance,
        FindingKind::BatchSuspect => v1::FindingKind::BatchSuspect,
        FindingKind::GaugeSuspect => v1::FindingKind::GaugeSuspect,
        FindingKind::SiteShift => v1::FindingKind::SiteShift,
        FindingKind::OperatorPattern => v1::FindingKind::OperatorPattern,
        FindingKind::FurnaceOverAdjusted => v1::FindingKind::FurnaceOverAdjusted,
        FindingKind::ChamberUneven => v1::FindingKind::ChamberUneven,
    };
    let state = match finding.state {
        FindingState::Open => v1::FindingState::Open,
        FindingState::Acknowledged => v1::FindingState::Acknowledged,
        FindingState::Resolved => v1::FindingState::Resolved,
    };
    let mut readings = Vec::with_capacity(finding.readings.len());
    for reading in &finding.readings {
        if scope.reaches(&reading.furnace.site) {
            readings.push(ReadingKey::name(reading));
        }
    }
    v1::Finding {
        name: finding.id.name(),
        kind: kind.into(),
        subject: finding.subject.name(),
        subject_display_name: named.subject_display_name.clone(),
        site_display_name: named.site_display_name.clone(),
        state: state.into(),
        probability: finding.probability,
        statement: finding.statement.clone(),
        next_step: finding.next_step.clone(),
        evidence: finding.evidence.iter().map(evidence_message).collect(),
        readings,
        first_seen_time: Some(timestamp(finding.first_seen_at)),
        last_seen_time: Some(timestamp(finding.last_seen_at)),
        false_discovery_rate: finding.false_discovery_rate,
        note: finding.note.clone(),
        noted_by: finding.noted_by.clone(),
        note_time: finding.noted_at.map(timestamp),
        etag: finding.etag(),
    }
}

fn evidence_message(evidence: &Evidence) -> v1::Evidence {
    v1::Evidence {
        label: evidence.label.clone(),
        value: evidence.value,
        unit: evidence.unit.clone(),
    }
}
