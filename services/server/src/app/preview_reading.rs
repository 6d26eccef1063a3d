//! Evaluates a reading without storing anything.

use ringtrue_fleet::caller::{Caller, Right, Scope};
use ringtrue_fleet::key::{ReadingId, ReadingKey};
use ringtrue_fleet::reading::{RawReport, Reading, assess};
use ringtrue_fleet::tracking::as_of;
use ringtrue_store::{By, NewReading, Recorded, Request};

use super::recorder::recorded;
use super::{App, Error};

/// Evaluates a reading as it would be recorded. Open questions are listed, not refused.
pub async fn preview_reading(
    app: &App,
    caller: &Caller,
    report: RawReport,
) -> Result<Recorded, Error> {
    let scope = caller.site(Right::Note, &report.furnace.site)?;
    let now = app.clock.now();
    let report = report.checked(now)?;
    preview(app, &scope, report, None, String::new()).await
}

/// The reading that was recorded under a request's id already; fails when the id was used for something else.
pub async fn recorded_before(
    app: &App,
    scope: &Scope,
    request: &Request,
) -> Result<Option<Recorded>, Error> {
    let read = app.store.read(scope).on_one_connection();
    let Some(earlier) = read.answered(request).await? else {
        return Ok(None);
    };
    let missing = || Error::Missing {
        kind: "ringtrue.v1/Reading",
        name: earlier.subject.clone(),
    };
    let key = ReadingKey::parse(&earlier.subject).map_err(|_| missing())?;
    Ok(Some(read.recorded(&key).await?.ok_or_else(missing)?))
}

/// Evaluates a checked report, as a correction of `amends` when that is given.
pub(crate) async fn preview(
    app: &App,
    scope: &Scope,
    report: ringtrue_fleet::reading::Report,
    amends: Option<ReadingId>,
    amend_reason: String,
) -> Result<Recorded, Error> {
    let now = app.clock.now();
    let read = app.store.read(scope).on_one_connection();
    let knowledge = read.reading_knowledge(&[&report]).await?;
    let mut known = knowledge.known(&report, amends.as_ref())?;
    let id = ReadingId::from_uuid(app.ids.uuid(now));
    let furnace = report.programme.furnace.clone();
    let is_late = known
        .tracked
        .is_some_and(|t| t.last.fired_at >= report.fired_at);
    let fit = knowledge.fit();
    let is_outdated = known
        .tracked
        .is_some_and(|tracked| tracked.components != fit.components_number);
    let as_of = if is_late || is_outdated || amends.is_some() {
        let (points, events) = read.history(&furnace).await?;
        Some(as_of(
            points,
            &events,
            report.fired_at,
            &id,
            amends.as_ref(),
            &fit.components,
            fit.components_number,
        ))
    } else {
        None
    };
    if let Some(as_of) = &as_of {
        known.tracked = as_of.tracked.as_ref();
        known.newer_reading = as_of.newer_reading;
    }
    let mut assessed = assess(&known, &report, &id)?;
    if assessed.looks_strange() {
        known.twins = read.twins(&furnace).await?;
        assessed = assess(&known, &report, &id)?;
    }
    let reading = Reading {
        key: ReadingKey {
            furnace,
            reading: id,
        },
        setpoint_c: assessed.setpoint_c,
        report,
        received_at: now,
        amends,
        amend_reason,
    };
    let new = NewReading {
        reading,
        assessed,
        request: Request::NONE,
        by: By::of(scope),
    };
    Ok(recorded(&new))
}
