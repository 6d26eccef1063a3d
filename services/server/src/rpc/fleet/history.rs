//! One furnace's offset through time, and its control charts.

use std::sync::Arc;

use jiff::Timestamp;
use ringtrue_fleet::adjustment::Adjustment;
use ringtrue_fleet::furnace::Furnace;
use ringtrue_fleet::history::{
    Chart, ChartKind, ChartedPoint, PointInHistory, Separability, charts, history, separability,
};
use ringtrue_fleet::key::{
    AdjustmentKey, BatchId, FurnaceKey, GaugeKey, ProgrammeKey, ReadingId, ReadingKey,
};
use ringtrue_fleet::programme::Programme;
use ringtrue_fleet::rule::RuleBook;
use ringtrue_fleet::standing::{OutlookPoint, StandingInput, outlook, shown_at_c, standing};
use ringtrue_fleet::tracking::{TrackPoint, replayed};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_store::{Page, PagePart, Read};
use tonic::Request;

use super::super::access::{Method, method};
use super::super::caller::Asking;
use super::super::fields::{found, moment, name, settled, timestamp};
use super::super::furnaces::{self, event_message};
use super::super::sites;
use super::standings;
use crate::app::{App, Error};
use crate::glances::worked_out;

const GET: Method = method("/ringtrue.v1.FleetService/GetFurnaceHistory");
const GET_CHARTS: Method = method("/ringtrue.v1.FleetService/GetFurnaceCharts");

/// Most readings in one answer.
const MOST_READINGS: usize = 2000;

/// Most adjustments in one answer; as many as readings.
const MOST_ADJUSTMENTS: usize = 2000;

/// Records read at once.
const READ_AT_ONCE: u32 = 500;

/// Weeks of outlook when the caller states none: a quarter of a year.
const USUAL_WEEKS: i32 = 13;

/// Most weeks of outlook.
const MOST_WEEKS: i32 = 104;

/// Coverage factor of expanded uncertainties.
const COVERAGE_FACTOR: f64 = 2.0;

pub(super) async fn get(
    app: &App,
    request: Request<v1::GetFurnaceHistoryRequest>,
) -> Result<v1::GetFurnaceHistoryResponse, Error> {
    let asking = Asking::of(GET, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let key = name("name", &asked.name, FurnaceKey::parse, &mut violations);
    let start = moment("start_time", asked.start_time, &mut violations);
    let weeks = asked.outlook_weeks.unwrap_or(USUAL_WEEKS);
    if !(0..=MOST_WEEKS).contains(&weeks) {
        violations.add(
            "outlook_weeks",
            "OUT_OF_RANGE",
            format!(
                "{weeks} weeks is outside 0 to {MOST_WEEKS}; send a number between, or leave it out"
            ),
        );
    }
    let key = settled(key, violations)?;
    let read = app.store.read(&asking.site(&key.site)?).on_one_connection();
    let furnace = found(read.furnace(&key).await?, furnaces::KIND, key.name())?;
    let site = found(read.site(&key.site).await?, sites::KIND, key.site.name())?;
    let fit = read.last_fit().await?;
    let knowledge = read.site_knowledge(&key.site, Arc::clone(&fit)).await?;
    let programmes = programmes(&read, &key).await?;
    let kept = read.tracked_offset(&key).await?;
    let (points, events) = read.history(&key).await?;
    let adjustments = adjustments(&read, &key, start).await?;
    let rules = RuleBook(read.rules_of(Some(&key.site)).await?);
    let subject = key.name();
    let mut open_findings = 0;
    for (of, count) in read.open_findings(&key.site).await? {
        if of == subject {
            open_findings = count;
        }
    }
    // Others may have its connection while this is worked out.
    drop(read);
    let now = app.clock.now();
    let history = worked_out(move || {
        // Under other variance components the filter is worked out anew, as a recording would.
        let components = &fit.components;
        let tracked = match kept {
            Some(kept) if kept.components == fit.components_number => Some(kept),
            _ => replayed(&points, &events, components, fit.components_number),
        };
        let before_last = points.len().checked_sub(2).and_then(|at| points.get(at));
        let input = StandingInput {
            furnace: &furnace,
            site: &site,
            rules: &rules,
            programmes: &programmes,
            tracked: tracked.as_ref(),
            events: &events,
            fired_before_at: before_last.map(|point| point.fired_at),
            open_findings,
        };
        let known = knowledge.knowledge();
        let at_c = shown_at_c(&input, &known, now).unwrap_or(0.0);
        let looked = history(&points, &events, &known, at_c);
        let shown = shown(&points, start);
        let mut given = Vec::with_capacity(shown.len());
        for (point, seen) in points.iter().zip(looked).skip(points.len() - shown.len()) {
            given.push(point_message(&furnace, point, &seen));
        }
        let mut happened = Vec::new();
        for event in &events {
            let at = event.details.happened_at.unwrap_or(event.received_at);
            if start.is_none_or(|start| at >= start) {
                happened.push(event_message(event));
            }
        }
        let mut ahead = Vec::new();
        for point in outlook(&input, &known, now, u32::try_from(weeks).unwrap_or(0)) {
            ahead.push(outlook_message(&point));
        }
        v1::FurnaceHistory {
            furnace: furnace.key.name(),
            at_temperature_c: at_c,
            time_zone: site.details.time_zone.clone(),
            points: given,
            events: happened,
            adjustments: adjustments.iter().map(adjustment_message).collect(),
            outlook: ahead,
            standing: Some(standings::message(&standing(&input, &known, now))),
            separability: tracked
                .as_ref()
                .and_then(|tracked| separability(tracked, &known, at_c))
                .map(separability_message),
        }
    })
    .await?;
    Ok(v1::GetFurnaceHistoryResponse {
        history: Some(history),
    })
}

pub(super) async fn get_charts(
    app: &App,
    request: Request<v1::GetFurnaceChartsRequest>,
) -> Result<v1::GetFurnaceChartsResponse, Error> {
    let asking = Asking::of(GET_CHARTS, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let key = name("name", &asked.name, FurnaceKey::parse, &mut violations);
    let start = moment("start_time", asked.start_time, &mut violations);
    let key = settled(key, violations)?;
    let read = app.store.read(&asking.site(&key.site)?).on_one_connection();
    found(read.furnace(&key).await?, furnaces::KIND, key.name())?;
    let (points, _) = read.history(&key).await?;
    drop(read);
    let charts = worked_out(move || {
        let mut drawn = Vec::new();
        for chart in charts(shown(&points, start)) {
            drawn.push(chart_message(&key, chart));
        }
        drawn
    })
    .await?;
    Ok(v1::GetFurnaceChartsResponse { charts })
}

/// The readings from a moment on, at most the latest [`MOST_READINGS`]; the input is in order of firing.
fn shown(points: &[TrackPoint], start: Option<Timestamp>) -> &[TrackPoint] {
    let from = start.map_or(0, |start| {
        points.partition_point(|point| point.fired_at < start)
    });
    let from = from.max(points.len().saturating_sub(MOST_READINGS));
    points.get(from..).unwrap_or_default()
}

async fn programmes(read: &Read, furnace: &FurnaceKey) -> Result<Vec<Programme>, Error> {
    let mut all = Vec::new();
    let mut page = Page {
        size: READ_AT_ONCE,
        after: Vec::new(),
    };
    loop {
        let mut some = read
            .programmes(&furnace.site, Some(&furnace.furnace), &page)
            .await?;
        let more = some.len() > READ_AT_ONCE as usize;
        some.truncate(READ_AT_ONCE as usize);
        if let Some(last) = some.last() {
            page.after = vec![
                PagePart::Text(last.key.furnace.furnace.to_string()),
                PagePart::Text(last.key.programme.to_string()),
            ];
        }
        all.append(&mut some);
        if !more {
            return Ok(all);
        }
    }
}

/// The adjustments from a moment on, at most the latest [`MOST_ADJUSTMENTS`], earliest first.
async fn adjustments(
    read: &Read,
    furnace: &FurnaceKey,
    start: Option<Timestamp>,
) -> Result<Vec<Adjustment>, Error> {
    let mut all: Vec<Adjustment> = Vec::new();
    let mut page = Page {
        size: READ_AT_ONCE,
        after: Vec::new(),
    };
    loop {
        let mut some = read.adjustments(furnace, &page).await?;
        let mut more = some.len() > READ_AT_ONCE as usize;
        some.truncate(READ_AT_ONCE as usize);
        if let Some(last) = some.last() {
            let at = adjusted_at(last);
            more &= start.is_none_or(|start| at >= start);
            page.after = vec![
                PagePart::Number(at.as_microsecond()),
                PagePart::Text(last.key.adjustment.to_string()),
            ];
        }
        some.retain(|one| start.is_none_or(|start| adjusted_at(one) >= start));
        all.append(&mut some);
        if !more || all.len() >= MOST_ADJUSTMENTS {
            all.truncate(MOST_ADJUSTMENTS);
            all.reverse();
            return Ok(all);
        }
    }
}

fn adjusted_at(adjustment: &Adjustment) -> Timestamp {
    let stated = adjustment.details.adjusted_at;
    stated.unwrap_or(adjustment.received_at)
}

fn reading_name(furnace: &FurnaceKey, reading: &ReadingId) -> String {
    ReadingKey {
        furnace: furnace.clone(),
        reading: reading.clone(),
    }
    .name()
}

fn point_message(furnace: &Furnace, point: &TrackPoint, seen: &PointInHistory) -> v1::HistoryPoint {
    let alone_c = (point.independent_c.powi(2) + point.shared_c.powi(2)).sqrt();
    let gauge = point.gauge.as_ref().map(|gauge| GaugeKey {
        site: furnace.key.site.clone(),
        gauge: gauge.clone(),
    });
    v1::HistoryPoint {
        reading: reading_name(&furnace.key, &point.reading),
        fire_time: Some(timestamp(point.fired_at)),
        setpoint_c: point.setpoint_c,
        observed_offset_c: point.observed_offset_c,
        corrected_offset_c: seen.corrected_offset_c,
        expanded_uncertainty_c: COVERAGE_FACTOR * alone_c,
        tracked_offset_c: seen.tracked.offset_c,
        tracked_standard_uncertainty_c: seen.tracked.standard_uncertainty_c,
        smoothed_offset_c: seen.smoothed.offset_c,
        smoothed_standard_uncertainty_c: seen.smoothed.standard_uncertainty_c,
        innovation_z: point.surprise.map(|surprise| surprise.z),
        at_reduced_weight: seen.at_reduced_weight,
        ring_batch: point.batch.as_ref().map(BatchId::name).unwrap_or_default(),
        gauge: gauge.as_ref().map(GaugeKey::name).unwrap_or_default(),
    }
}

fn adjustment_message(adjustment: &Adjustment) -> v1::HistoryAdjustment {
    let details = &adjustment.details;
    v1::HistoryAdjustment {
        adjustment: AdjustmentKey::name(&adjustment.key),
        adjust_time: Some(timestamp(adjusted_at(adjustment))),
        programme: details
            .programme
            .as_ref()
            .map(ProgrammeKey::name)
            .unwrap_or_default(),
        from_c: adjustment.previous_setpoint_c,
        to_c: details.setpoint_c,
    }
}

fn outlook_message(point: &OutlookPoint) -> v1::OutlookPoint {
    v1::OutlookPoint {
        time: Some(timestamp(point.at)),
        offset_c: point.offset_c,
        standard_uncertainty_c: point.standard_uncertainty_c,
        // A furnace that was read has the programme that it was fired with.
        outside_probability: point.outside_probability.unwrap_or(0.0),
    }
}

fn separability_message(found: Separability) -> v1::Separability {
    v1::Separability {
        offset_standard_uncertainty_c: found.offset_c,
        gauge_part_c: found.gauge_part_c,
        batch_part_c: found.batch_part_c,
        gauge_correlation: found.gauge_correlation,
        batch_correlation: found.batch_correlation,
        inseparable: found.inseparable,
        remedies: found.remedies,
        standard_uncertainty_after_c: found.after_c,
    }
}

fn chart_message(furnace: &FurnaceKey, chart: Chart) -> v1::ControlChart {
    let kind = match chart.kind {
        ChartKind::Individuals => v1::ChartKind::Individuals,
        ChartKind::MovingRange => v1::ChartKind::MovingRange,
        ChartKind::Ewma => v1::ChartKind::Ewma,
        ChartKind::Cusum => v1::ChartKind::Cusum,
    };
    let mut points = Vec::with_capacity(chart.points.len());
    for point in &chart.points {
        points.push(charted_message(furnace, point));
    }
    v1::ControlChart {
        kind: kind.into(),
        title: chart.title.to_owned(),
        points,
        unit: chart.unit.to_owned(),
        basis: chart.basis,
        average_run_length: chart.average_run_length,
    }
}

fn charted_message(furnace: &FurnaceKey, point: &ChartedPoint) -> v1::ChartPoint {
    v1::ChartPoint {
        reading: reading_name(furnace, &point.reading),
        fire_time: Some(timestamp(point.fired_at)),
        value: point.value,
        lower_value: point.lower_value,
        centre: point.centre,
        upper_limit: point.upper_limit,
        lower_limit: point.lower_limit,
        signal: point.signal,
    }
}
