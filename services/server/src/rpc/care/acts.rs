//! Acts of care: what was done, left out, put off or counted.

use ringtrue_fleet::act::{Act, ActDetails, ActKind, ActSubject, Use};
use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_store::PagePart;
use tonic::Request;

use super::super::access::{Method, method};
use super::super::caller::Asking;
use super::super::fields::{
    calendar_date, choice, date, moment, name, optional_name, settled, timestamp,
};
use super::super::page::{Order, Paging};
use super::super::request::repeatable;
use super::super::schedules::{task_kind, task_message};
use super::{due, existing};
use crate::app::{self, App, Error};

const RECORD: Method = method("/ringtrue.v1.CareService/RecordCareAct");
const LIST: Method = method("/ringtrue.v1.CareService/ListCareActs");

pub(super) async fn record(
    app: &App,
    request: Request<v1::RecordCareActRequest>,
) -> Result<v1::RecordCareActResponse, Error> {
    let asking = Asking::of(RECORD, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(RECORD, &request_id, &asked, &mut violations);
    let site = name("parent", &asked.parent, SiteId::parse, &mut violations);
    let details = details(app, &asked.act.unwrap_or_default(), &mut violations);
    let site = settled(site, violations)?;
    let scope = asking.site(&site)?;
    let act = app::record_act(app, &asking.caller, &site, details, &repeat).await?;
    let read = app.store.read(&scope);
    let next = due::next_of(
        app,
        &read,
        &site,
        act.details.task,
        act.details.subject.as_ref(),
    );
    let next = next.await?;
    Ok(v1::RecordCareActResponse {
        act: Some(message(&act)),
        next,
    })
}

pub(super) async fn list(
    app: &App,
    request: Request<v1::ListCareActsRequest>,
) -> Result<v1::ListCareActsResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let site = name("parent", &asked.parent, SiteId::parse, &mut violations);
    let subject = optional_name(
        "subject",
        &asked.subject,
        ActSubject::parse,
        &mut violations,
    );
    let paging = Paging::read(
        LIST,
        &[&asked.parent, &asked.subject],
        Order::LatestFirst,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let site = settled(site, violations)?;
    let read = app.store.read(&asking.site(&site)?).on_one_connection();
    existing(&read, &site).await?;
    let subject = subject.map(|subject| subject.name());
    let rows = read.acts(&site, subject.as_deref(), &paging.page).await?;
    let place = |act: &Act| {
        vec![
            PagePart::Number(act.details.acted_at.as_microsecond()),
            PagePart::Text(act.key.act.to_string()),
        ]
    };
    let (acts, next_page_token) = paging.cut(&rows, place, message);
    Ok(v1::ListCareActsResponse {
        acts,
        next_page_token,
    })
}

fn details(app: &App, given: &v1::CareAct, violations: &mut Violations) -> ActDetails {
    let acted_at = moment("act.act_time", given.act_time, violations);
    let until = date(
        "act.deferred_until_date",
        given.deferred_until_date,
        violations,
    );
    let kind = choice("act.kind", given.kind, violations);
    let kind = kind.and_then(|kind| match kind {
        v1::CareActKind::Unspecified => None,
        v1::CareActKind::Done => Some(ActKind::Done),
        v1::CareActKind::Skipped => Some(ActKind::Skipped),
        v1::CareActKind::Deferred => Some(ActKind::Deferred { until }),
        v1::CareActKind::RingFired => Some(ActKind::RingFired),
        v1::CareActKind::UseCounted => counted(given, violations).map(ActKind::UseCounted),
        v1::CareActKind::RingsCounted => Some(ActKind::RingsCounted {
            left: given.rings_left,
        }),
    });
    let task = task_kind("act.task", given.task, violations).or(match kind {
        Some(ActKind::RingFired) => Some(ringtrue_fleet::task::TaskKind::Calibration),
        Some(ActKind::RingsCounted { .. }) => Some(ringtrue_fleet::task::TaskKind::RingStock),
        _ => None,
    });
    ActDetails {
        kind,
        task,
        subject: name("act.subject", &given.subject, ActSubject::parse, violations),
        acted_at: acted_at.unwrap_or_else(|| app.clock.now()),
        reason: given.reason.clone(),
        chamber_was_empty: given.chamber_was_empty,
        performed_by: given.performed_by.clone(),
    }
}

fn counted(given: &v1::CareAct, violations: &mut Violations) -> Option<Use> {
    let mut day = |field: &str, sent| {
        let day = date(field, sent, violations);
        if sent.is_none() {
            violations.add(field, "REQUIRED", "is missing; send the day");
        }
        day
    };
    let from = day("act.from_date", given.from_date);
    let until = day("act.until_date", given.until_date);
    Some(Use {
        from: from?,
        until: until?,
        firings: given.firings,
        hours_hot: given.hours_hot,
    })
}

fn message(act: &Act) -> v1::CareAct {
    let details = &act.details;
    let mut message = v1::CareAct {
        name: act.key.name(),
        task: details.task.map_or(0, |task| task_message(task).into()),
        subject: details
            .subject
            .as_ref()
            .map_or_else(String::new, ActSubject::name),
        act_time: Some(timestamp(details.acted_at)),
        reason: details.reason.clone(),
        chamber_was_empty: details.chamber_was_empty,
        performed_by: details.performed_by.clone(),
        receive_time: Some(timestamp(act.received_at)),
        ..v1::CareAct::default()
    };
    let kind = match details.kind {
        None => v1::CareActKind::Unspecified,
        Some(ActKind::Done) => v1::CareActKind::Done,
        Some(ActKind::Skipped) => v1::CareActKind::Skipped,
        Some(ActKind::Deferred { until }) => {
            message.deferred_until_date = until.map(calendar_date);
            v1::CareActKind::Deferred
        }
        Some(ActKind::RingFired) => v1::CareActKind::RingFired,
        Some(ActKind::UseCounted(counted)) => {
            message.from_date = Some(calendar_date(counted.from));
            message.until_date = Some(calendar_date(counted.until));
            message.firings = counted.firings;
            message.hours_hot = counted.hours_hot;
            v1::CareActKind::UseCounted
        }
        Some(ActKind::RingsCounted { left }) => {
            message.rings_left = left;
            v1::CareActKind::RingsCounted
        }
    };
    message.kind = kind.into();
    message
}
