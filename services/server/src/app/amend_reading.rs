//! Records a corrected version of a reading; the earlier one stays readable.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::key::{GaugeKey, ReadingId, ReadingKey};
use ringtrue_fleet::reading::{Assessed, Method, RawReport, Reading, Report, assess};
use ringtrue_fleet::refusal::Refusal;
use ringtrue_fleet::tracking::{as_of, replayed};
use ringtrue_store::{By, NewReading, Recorded, Request, Tx};

use super::preview_reading::preview;
use super::recorder::{answered_before, recorded};
use super::{App, Error, checked};

/// Records a corrected version. The furnace's offset and the gauges' scatter are worked out again.
pub async fn amend_reading(
    app: &App,
    caller: &Caller,
    key: &ReadingKey,
    report: RawReport,
    reason: String,
    request: &Request,
) -> Result<Recorded, Error> {
    let scope = caller.site(Right::Record, &key.furnace.site)?;
    let now = app.clock.now();
    let report = checked_amendment(report, &reason, now)?;
    let id = ReadingId::from_uuid(app.ids.uuid(now));
    let (store, key, request) = (app.store.clone(), key.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("amend_reading", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return answered_before(&mut tx, &earlier.subject).await;
        }
        let earlier = tx.recorded(&key).await?.ok_or_else(|| Error::Missing {
            kind: "ringtrue.v1/Reading",
            name: key.name(),
        })?;
        unamended(&key, &earlier)?;
        let assessed = assessed_again(&mut tx, &key, &report, &id)
            .await?
            .settled()?;
        let reading = Reading {
            key: ReadingKey {
                furnace: key.furnace.clone(),
                reading: id,
            },
            setpoint_c: assessed.setpoint_c,
            report,
            received_at: now,
            amends: Some(key.reading.clone()),
            amend_reason: reason,
        };
        let new = NewReading {
            reading,
            assessed,
            request,
            by: By::of(&scope),
        };
        let answer = recorded(&new);
        let gauges = gauges(&earlier.reading.report, &new.reading.report);
        tx.insert_readings(vec![new]).await?;
        let fit = tx.fit().await?;
        let (points, events) = tx.history(&key.furnace).await?;
        let again = replayed(&points, &events, &fit.components, fit.components_number);
        tx.put_tracked_offset(&key.furnace, again.as_ref()).await?;
        for gauge in gauges {
            tx.pool_gauge_again(&gauge).await?;
        }
        tx.commit().await?;
        Ok(answer)
    })
    .await
}

/// Evaluates a corrected version without storing anything.
pub async fn preview_amendment(
    app: &App,
    caller: &Caller,
    key: &ReadingKey,
    report: RawReport,
    reason: String,
) -> Result<Recorded, Error> {
    let scope = caller.site(Right::Note, &key.furnace.site)?;
    let report = checked_amendment(report, &reason, app.clock.now())?;
    let earlier = app
        .store
        .read(&scope)
        .recorded(key)
        .await?
        .ok_or_else(|| Error::Missing {
            kind: "ringtrue.v1/Reading",
            name: key.name(),
        })?;
    unamended(key, &earlier)?;
    preview(app, &scope, report, Some(key.reading.clone()), reason).await
}

fn checked_amendment(
    report: RawReport,
    reason: &str,
    now: jiff::Timestamp,
) -> Result<Report, Error> {
    checked(|violations| violations.text("reason", reason, 1, 500))?;
    Ok(report.checked(now)?)
}

fn unamended(key: &ReadingKey, earlier: &Recorded) -> Result<(), Refusal> {
    match &earlier.amended_by {
        Some(by) => Err(Refusal::AmendedAlready {
            reading: key.clone(),
            by: ReadingKey {
                furnace: key.furnace.clone(),
                reading: by.clone(),
            },
        }),
        None => Ok(()),
    }
}

/// Evaluates the corrected report as if the earlier version had never been.
async fn assessed_again(
    tx: &mut Tx,
    key: &ReadingKey,
    report: &Report,
    id: &ReadingId,
) -> Result<Assessed, Error> {
    let knowledge = tx.reading_knowledge(&[report]).await?;
    let (points, events) = tx.history(&key.furnace).await?;
    let fit = knowledge.fit();
    let as_of = as_of(
        points,
        &events,
        report.fired_at,
        id,
        Some(&key.reading),
        &fit.components,
        fit.components_number,
    );
    let mut known = knowledge.known(report, Some(&key.reading))?;
    known.tracked = as_of.tracked.as_ref();
    known.newer_reading = as_of.newer_reading;
    let mut assessed = assess(&known, report, id)?;
    if assessed.looks_strange() {
        known.twins = tx.twins(&key.furnace).await?;
        assessed = assess(&known, report, id)?;
    }
    Ok(assessed)
}

/// The gauges of both versions, each once.
fn gauges(earlier: &Report, later: &Report) -> Vec<GaugeKey> {
    let mut gauges = Vec::new();
    for report in [earlier, later] {
        if let Method::Rings(measured) = &report.method
            && !gauges.contains(&measured.gauge)
        {
            gauges.push(measured.gauge.clone());
        }
    }
    gauges
}
