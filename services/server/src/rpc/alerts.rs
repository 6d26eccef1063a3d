//! Calls about alerts, and the stream of their changes.

mod stream;

use ringtrue_fleet::alert::{
    Alert, AlertKind, AlertState, ChangeKind, Level, Stage, acknowledged, snoozed,
};
use ringtrue_fleet::finding::Said;
use ringtrue_fleet::key::{AlertId, SiteId};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_proto::v1::alert_service_server::AlertService;
use ringtrue_store::{AlertFilter, NamedAlert};
use tonic::{Request, Response, Status};

use super::access::{Method, method};
use super::caller::Asking;
use super::fields::{calendar_date, choice, found, moment, name, settled, site_or_all, timestamp};
use super::page::{Order, Paging};
use super::request::repeatable;
use super::sites;
use super::status::{answer, status};
use crate::app::{self, App, Error, Speaking};

const GET: Method = method("/ringtrue.v1.AlertService/GetAlert");
const LIST: Method = method("/ringtrue.v1.AlertService/ListAlerts");
const ACKNOWLEDGE: Method = method("/ringtrue.v1.AlertService/AcknowledgeAlert");
const SNOOZE: Method = method("/ringtrue.v1.AlertService/SnoozeAlert");
const WATCH: Method = method("/ringtrue.v1.AlertService/WatchAlerts");

/// Kind of resource, for faults.
const KIND: &str = "ringtrue.v1/Alert";

/// Answers calls about alerts.
#[derive(Clone)]
pub(crate) struct Alerts(pub(crate) App);

#[tonic::async_trait]
impl AlertService for Alerts {
    type WatchAlertsStream = stream::Changes;

    async fn get_alert(
        &self,
        request: Request<v1::GetAlertRequest>,
    ) -> Result<Response<v1::GetAlertResponse>, Status> {
        answer(get(&self.0, request).await)
    }

    async fn list_alerts(
        &self,
        request: Request<v1::ListAlertsRequest>,
    ) -> Result<Response<v1::ListAlertsResponse>, Status> {
        answer(list(&self.0, request).await)
    }

    async fn acknowledge_alert(
        &self,
        request: Request<v1::AcknowledgeAlertRequest>,
    ) -> Result<Response<v1::AcknowledgeAlertResponse>, Status> {
        answer(acknowledge(&self.0, request).await)
    }

    async fn snooze_alert(
        &self,
        request: Request<v1::SnoozeAlertRequest>,
    ) -> Result<Response<v1::SnoozeAlertResponse>, Status> {
        answer(snooze(&self.0, request).await)
    }

    async fn watch_alerts(
        &self,
        request: Request<v1::WatchAlertsRequest>,
    ) -> Result<Response<Self::WatchAlertsStream>, Status> {
        let asking = Asking::of(WATCH, &request).map_err(status)?;
        let changes = stream::begun(&self.0, &asking, request.into_inner()).await;
        Ok(Response::new(changes.map_err(status)?))
    }
}

async fn get(
    app: &App,
    request: Request<v1::GetAlertRequest>,
) -> Result<v1::GetAlertResponse, Error> {
    let asking = Asking::of(GET, &request)?;
    let mut violations = Violations::default();
    let asked = request.get_ref();
    let id = name("name", &asked.name, AlertId::parse, &mut violations);
    let id = settled(id, violations)?;
    let read = app.store.read(&asking.network()?);
    let alert = found(read.alert(&id).await?, KIND, id.name())?;
    Ok(v1::GetAlertResponse {
        alert: Some(message(&alert)),
    })
}

async fn list(
    app: &App,
    request: Request<v1::ListAlertsRequest>,
) -> Result<v1::ListAlertsResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let site = site_or_all(&asked.parent, &mut violations);
    let filter = AlertFilter {
        site,
        state: choice("state", asked.state, &mut violations).and_then(state_of),
        kind: choice("kind", asked.kind, &mut violations).and_then(kind_of),
        level: choice("level", asked.level, &mut violations).and_then(level_of),
    };
    let filters = [
        asked.parent.as_str(),
        &asked.state.to_string(),
        &asked.kind.to_string(),
        &asked.level.to_string(),
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
    let rows = read.alerts(&filter, &paging.page).await?;
    let (alerts, next_page_token) = paging.cut(&rows, NamedAlert::place, message);
    Ok(v1::ListAlertsResponse {
        alerts,
        next_page_token,
    })
}

async fn acknowledge(
    app: &App,
    request: Request<v1::AcknowledgeAlertRequest>,
) -> Result<v1::AcknowledgeAlertResponse, Error> {
    let asking = Asking::of(ACKNOWLEDGE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(ACKNOWLEDGE, &request_id, &asked, &mut violations);
    let id = name("name", &asked.name, AlertId::parse, &mut violations);
    violations.text("note", &asked.note, 0, 500);
    violations.text("noted_by", &asked.noted_by, 0, 40);
    let id = settled(id, violations)?;
    let said = Said {
        note: asked.note,
        noted_by: asked.noted_by,
    };
    let speaking: Speaking = Box::new(move |alert, now| acknowledged(alert, &said, now));
    let noted = app::note_alert(app, &asking.caller, &id, speaking, &repeat).await?;
    Ok(v1::AcknowledgeAlertResponse {
        alert: Some(message(&noted)),
    })
}

async fn snooze(
    app: &App,
    request: Request<v1::SnoozeAlertRequest>,
) -> Result<v1::SnoozeAlertResponse, Error> {
    let asking = Asking::of(SNOOZE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(SNOOZE, &request_id, &asked, &mut violations);
    let id = name("name", &asked.name, AlertId::parse, &mut violations);
    let until = moment("until_time", asked.until_time, &mut violations);
    if asked.until_time.is_none() {
        violations.add(
            "until_time",
            "REQUIRED",
            "is missing; send a moment within the next 24 hours",
        );
    }
    let said = Said {
        note: asked.note,
        noted_by: asked.noted_by,
    };
    said.check(&mut violations);
    let (id, until) = settled(id.zip(until), violations)?;
    let speaking: Speaking = Box::new(move |alert, now| snoozed(alert, until, &said, now));
    let noted = app::note_alert(app, &asking.caller, &id, speaking, &repeat).await?;
    Ok(v1::SnoozeAlertResponse {
        alert: Some(message(&noted)),
    })
}

fn state_of(state: v1::AlertState) -> Option<AlertState> {
    match state {
        v1::AlertState::Unspecified => None,
        v1::AlertState::Open => Some(AlertState::Open),
        v1::AlertState::Acknowledged => Some(AlertState::Acknowledged),
        v1::AlertState::Snoozed => Some(AlertState::Snoozed),
        v1::AlertState::Closed => Some(AlertState::Closed),
    }
}

fn kind_of(kind: v1::AlertKind) -> Option<AlertKind> {
    match kind {
        v1::AlertKind::Unspecified => None,
        v1::AlertKind::CalibrationDue => Some(AlertKind::CalibrationDue),
        v1::AlertKind::RingWaiting => Some(AlertKind::RingWaiting),
        v1::AlertKind::SetpointWaiting => Some(AlertKind::SetpointWaiting),
        v1::AlertKind::VerificationWaiting => Some(AlertKind::VerificationWaiting),
        v1::AlertKind::CareDue => Some(AlertKind::CareDue),
        v1::AlertKind::GaugeCheckDue => Some(AlertKind::GaugeCheckDue),
        v1::AlertKind::RingStock => Some(AlertKind::RingStock),
        v1::AlertKind::OutOfTolerance => Some(AlertKind::OutOfTolerance),
        v1::AlertKind::Finding => Some(AlertKind::Finding),
        v1::AlertKind::SiteSilent => Some(AlertKind::SiteSilent),
        v1::AlertKind::DeliveryFailing => Some(AlertKind::DeliveryFailing),
        v1::AlertKind::CredentialEnds => Some(AlertKind::CredentialEnds),
    }
}

pub(super) fn level_of(level: v1::AlertLevel) -> Option<Level> {
    match level {
        v1::AlertLevel::Unspecified => None,
        v1::AlertLevel::Technician => Some(Level::Technician),
        v1::AlertLevel::Manager => Some(Level::Manager),
        v1::AlertLevel::Quality => Some(Level::Quality),
    }
}

pub(super) fn level_message(level: Level) -> v1::AlertLevel {
    match level {
        Level::Technician => v1::AlertLevel::Technician,
        Level::Manager => v1::AlertLevel::Manager,
        Level::Quality => v1::AlertLevel::Quality,
    }
}

fn change_message(kind: ChangeKind) -> v1::AlertChangeKind {
    match kind {
        ChangeKind::Raised => v1::AlertChangeKind::Raised,
        ChangeKind::Updated => v1::AlertChangeKind::Updated,
        ChangeKind::Escalated => v1::AlertChangeKind::Escalated,
        ChangeKind::Acknowledged => v1::AlertChangeKind::Acknowledged,
        ChangeKind::Snoozed => v1::AlertChangeKind::Snoozed,
        ChangeKind::Reopened => v1::AlertChangeKind::Reopened,
        ChangeKind::Closed => v1::AlertChangeKind::Closed,
    }
}

fn kind_message(alert: &Alert) -> v1::AlertKind {
    match alert.kind {
        AlertKind::CalibrationDue => v1::AlertKind::CalibrationDue,
        AlertKind::RingWaiting => v1::AlertKind::RingWaiting,
        AlertKind::SetpointWaiting => v1::AlertKind::SetpointWaiting,
        AlertKind::VerificationWaiting => v1::AlertKind::VerificationWaiting,
        AlertKind::CareDue => v1::AlertKind::CareDue,
        AlertKind::GaugeCheckDue => v1::AlertKind::GaugeCheckDue,
        AlertKind::RingStock => v1::AlertKind::RingStock,
        AlertKind::OutOfTolerance => v1::AlertKind::OutOfTolerance,
        AlertKind::Finding => v1::AlertKind::Finding,
        AlertKind::SiteSilent => v1::AlertKind::SiteSilent,
        AlertKind::DeliveryFailing => v1::AlertKind::DeliveryFailing,
        AlertKind::CredentialEnds => v1::AlertKind::CredentialEnds,
    }
}

fn message(named: &NamedAlert) -> v1::Alert {
    let alert = &named.alert;
    let stage = match alert.stage {
        Stage::Soon => v1::AlertStage::Soon,
        Stage::Due => v1::AlertStage::Due,
        Stage::Overdue => v1::AlertStage::Overdue,
        Stage::Lapsed => v1::AlertStage::Lapsed,
    };
    let state = match alert.state {
        AlertState::Open => v1::AlertState::Open,
        AlertState::Acknowledged => v1::AlertState::Acknowledged,
        AlertState::Snoozed => v1::AlertState::Snoozed,
        AlertState::Closed => v1::AlertState::Closed,
    };
    v1::Alert {
        name: alert.id.name(),
        kind: kind_message(alert).into(),
        site: alert.site.as_ref().map_or_else(String::new, SiteId::name),
        subject: alert.subject.clone(),
        site_display_name: named.site_display_name.clone(),
        subject_display_name: named.subject_display_name.clone(),
        stage: stage.into(),
        level: level_message(alert.level).into(),
        state: state.into(),
        statement: alert.statement.clone(),
        next_step: alert.next_step.clone(),
        due_date: alert.due_on.map(calendar_date),
        raise_time: Some(timestamp(alert.raised_at)),
        update_time: Some(timestamp(alert.updated_at)),
        note: alert.note.clone(),
        noted_by: alert.noted_by.clone(),
        snoozed_until_time: alert.snoozed_until.map(timestamp),
        snooze_count: alert.snoozes,
        close_time: alert.closed_at.map(timestamp),
        close_reason: alert.close_reason.clone(),
        etag: alert.etag(),
        time_zone: named.time_zone.clone(),
    }
}
