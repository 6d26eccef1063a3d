//! What was exposed in a span: worked out when asked for, kept nowhere.

use std::collections::BTreeSet;
use std::sync::Arc;

use jiff::Timestamp;
use ringtrue_calibration::METHOD_VERSION;
use ringtrue_fleet::caution::DEFERENCE;
use ringtrue_fleet::exposure::{
    Bound, COVERAGE_FACTOR, Decision, Exposed, ExposureInput, PLACE_SD_C, Queue, Span, exposed,
    ran_to_its_end, span_of,
};
use ringtrue_fleet::firing::Firing;
use ringtrue_fleet::furnace::Furnace;
use ringtrue_fleet::key::{FurnaceKey, ReadingKey};
use ringtrue_fleet::site::Site;
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_store::{Page, PagePart, Read};
use tonic::Request;

use super::super::access::{Method, method};
use super::super::caller::Asking;
use super::super::fields::{found, moment, name, optional_name, settled, timestamp};
use super::super::page::{Order, Paging};
use super::super::{furnaces, sites};
use crate::app::{App, Error};
use crate::glances::worked_out;

const ASSESS: Method = method("/ringtrue.v1.ExposureService/AssessExposure");

/// Most adjustments looked at for the end of a span.
const ADJUSTMENTS: u32 = 500;

/// What was asked.
struct Asked {
    furnace: FurnaceKey,
    reading: Option<ReadingKey>,
    start: Option<Timestamp>,
    end: Option<Timestamp>,
    case_id: String,
    least_probability: f64,
}

/// A firing with all that is said of it.
struct Row {
    firing: Firing,
    exposed: Exposed,
}

pub(super) async fn assess(
    app: &App,
    request: Request<v1::AssessExposureRequest>,
) -> Result<v1::AssessExposureResponse, Error> {
    let asking = Asking::of(ASSESS, &request)?;
    let now = app.clock.now();
    let (asked, paging) = read_request(request.into_inner(), now)?;
    let key = asked.furnace.clone();
    let read = app.store.read(&asking.site(&key.site)?).on_one_connection();
    let furnace = found(read.furnace(&key).await?, furnaces::KIND, key.name())?;
    let site = found(read.site(&key.site).await?, sites::KIND, key.site.name())?;
    let span = span(&read, &asked, now).await?;
    let fit = Arc::new(read.fit().await?);
    let knowledge = read.site_knowledge(&key.site, fit).await?;
    let (points, events) = read.history(&key).await?;
    let firings = read.firings_within(&key, span.start, span.end).await?;
    let decisions = read
        .exposure_decisions_within(&key, span.start, span.end)
        .await?;
    let has_case = |firing: &Firing| {
        firing
            .details
            .cases
            .iter()
            .any(|c| c.case_id == asked.case_id)
    };
    if !asked.case_id.is_empty() && !firings.iter().any(has_case) {
        return Err(Error::Missing {
            kind: "ringtrue.v1/FiringCase",
            name: format!(
                "case {} in a firing of {} within the span",
                asked.case_id,
                key.name()
            ),
        });
    }
    // Others may have its connection while this is worked out.
    drop(read);
    let page_of = paging.page.clone();
    let answer = worked_out(move || {
        let tolerance_c = tolerance_c(&furnace, &site);
        let input = ExposureInput {
            points: &points,
            events: &events,
            knowledge: &knowledge.knowledge(),
            tolerance_c,
            span,
        };
        let estimates = exposed(&input, &firings);
        let rows: Vec<Row> = firings
            .into_iter()
            .zip(estimates)
            .map(|(firing, exposed)| Row { firing, exposed })
            .collect();
        let summary = summary(&furnace, &site, span, tolerance_c, &rows, points.is_empty());
        let mut shown: Vec<Row> = rows
            .into_iter()
            .filter(|row| is_wanted(row, &asked, &page_of))
            .collect();
        shown.truncate(
            usize::try_from(page_of.size)
                .unwrap_or(usize::MAX)
                .saturating_add(1),
        );
        (summary, shown)
    })
    .await?;
    let (summary, shown) = answer;
    let place = |row: &Row| {
        vec![
            PagePart::Number(ended_at(&row.firing).as_microsecond()),
            PagePart::Text(row.firing.key.firing.to_string()),
        ]
    };
    let (firings, next_page_token) = paging.cut(&shown, place, |row| row_message(row, &decisions));
    Ok(v1::AssessExposureResponse {
        summary: Some(summary),
        firings,
        next_page_token,
    })
}

fn read_request(
    asked: v1::AssessExposureRequest,
    now: Timestamp,
) -> Result<(Asked, Paging), Error> {
    let mut violations = Violations::default();
    let furnace = name(
        "furnace",
        &asked.furnace,
        FurnaceKey::parse,
        &mut violations,
    );
    let reading = optional_name(
        "reading",
        &asked.reading,
        ReadingKey::parse,
        &mut violations,
    );
    let start = moment("start_time", asked.start_time, &mut violations);
    let end = moment("end_time", asked.end_time, &mut violations);
    if reading.is_some() && (start.is_some() || end.is_some()) {
        violations.add(
            "reading",
            "NOT_BOTH",
            "and a span cannot be given together; send the reading alone, or start_time and end_time",
        );
    }
    if asked.reading.is_empty() && asked.start_time.is_none() {
        violations.add(
            "start_time",
            "REQUIRED",
            "is missing; send the begin of the span, or a reading",
        );
    }
    if start.is_some_and(|start| end.unwrap_or(now) < start) {
        violations.add(
            "end_time",
            "ENDS_BEFORE_IT_STARTS",
            "lies before start_time; check both moments",
        );
    }
    if let (Some(furnace), Some(reading)) = (&furnace, &reading)
        && reading.furnace != *furnace
    {
        violations.add(
            "reading",
            "OF_ANOTHER_FURNACE",
            format!("is not a reading of {}", furnace.name()),
        );
    }
    let least = asked.least_probability;
    violations.number("least_probability", least, 0.0, 1.0, "");
    let span = format!("{start:?} {end:?} {:016x}", least.to_bits());
    let filters = [
        asked.furnace.as_str(),
        &asked.reading,
        &span,
        &asked.case_id,
    ];
    let paging = Paging::read(
        ASSESS,
        &filters,
        Order::LatestFirst,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let furnace = settled(furnace, violations)?;
    let asked = Asked {
        furnace,
        reading,
        start,
        end,
        case_id: asked.case_id,
        least_probability: least,
    };
    Ok((asked, paging))
}

async fn span(read: &Read, asked: &Asked, now: Timestamp) -> Result<Span, Error> {
    let Some(reading) = &asked.reading else {
        return Ok(Span {
            start: asked.start.unwrap_or(now),
            start_reason: Bound::Asked,
            end: asked.end.unwrap_or(now),
            end_reason: if asked.end.is_some() {
                Bound::Asked
            } else {
                Bound::Now
            },
        });
    };
    let readings = read.judged_readings(&asked.furnace).await?;
    let page = Page {
        size: ADJUSTMENTS,
        after: Vec::new(),
    };
    let mut adjusted_at = Vec::new();
    for adjustment in read.adjustments(&asked.furnace, &page).await? {
        adjusted_at.push(
            adjustment
                .details
                .adjusted_at
                .unwrap_or(adjustment.received_at),
        );
    }
    adjusted_at.reverse();
    let first = read.first_firing_at(&asked.furnace).await?;
    let span = span_of(&reading.reading, &readings, &adjusted_at, first, now);
    span.ok_or_else(|| Error::Missing {
        kind: "ringtrue.v1/Reading",
        name: format!("{} among the readings that count", reading.name()),
    })
}

/// Tolerance of a furnace, ±°C: its own, else the site's.
fn tolerance_c(furnace: &Furnace, site: &Site) -> f64 {
    let own = furnace.details.tolerance_c;
    own.unwrap_or(site.details.tolerance_c)
}

fn ended_at(firing: &Firing) -> Timestamp {
    firing.details.ended_at.unwrap_or(firing.received_at)
}

/// Whether a row is asked for and lies on this page or a later one; earliest first.
fn is_wanted(row: &Row, asked: &Asked, page: &Page) -> bool {
    let has_case = asked.case_id.is_empty()
        || row
            .firing
            .details
            .cases
            .iter()
            .any(|case| case.case_id == asked.case_id);
    let estimate = row.exposed.estimate;
    // Of a firing without an estimate nobody knows that it was within.
    let probability = estimate.map_or(1.0, |peak| peak.outside_probability);
    let comes_later = match page.after.as_slice() {
        [PagePart::Number(at), PagePart::Text(id)] => {
            (
                ended_at(&row.firing).as_microsecond(),
                row.firing.key.firing.as_str(),
            ) > (*at, id.as_str())
        }
        _ => true,
    };
    has_case && probability >= asked.least_probability && comes_later
}

fn counted(number: usize) -> i32 {
    i32::try_from(number).unwrap_or(i32::MAX)
}

fn summary(
    furnace: &Furnace,
    site: &Site,
    span: Span,
    tolerance_c: f64,
    rows: &[Row],
    has_no_reading: bool,
) -> v1::ExposureSummary {
    let mut cases = BTreeSet::new();
    let mut units: i32 = 0;
    for case in rows.iter().flat_map(|row| &row.firing.details.cases) {
        cases.insert(case.case_id.as_str());
        units = units.saturating_add(case.units);
    }
    let in_queue = |queue| counted(rows.iter().filter(|row| row.exposed.queue == queue).count());
    let (first, review) = (in_queue(Queue::ReviewFirst), in_queue(Queue::Review));
    let (statement, next_step) = words(
        &furnace.details.display_name,
        rows.len(),
        cases.len(),
        first,
        review,
        has_no_reading,
    );
    v1::ExposureSummary {
        furnace: furnace.key.name(),
        start_time: Some(timestamp(span.start)),
        start_reason: bound(span.start_reason).into(),
        end_time: Some(timestamp(span.end)),
        end_reason: bound(span.end_reason).into(),
        firings: counted(rows.len()),
        cases: counted(cases.len()),
        units,
        review_first: first,
        review,
        no_action: in_queue(Queue::NoAction),
        tolerance_c,
        statement,
        next_step,
        time_zone: site.details.time_zone.clone(),
        method: format!(
            "True peak = setpoint + the furnace's offset at the end of the firing, smoothed over all its \
             readings before and after; the uncertainty includes an assumed {PLACE_SD_C:.0} °C (standard) for \
             the place in the chamber. Beside it the worst case: the whole span as wrong as its worst reading."
        ),
        method_version: METHOD_VERSION.to_owned(),
    }
}

/// What the numbers say and what to do, and nothing about the restorations themselves.
fn words(
    furnace: &str,
    firings: usize,
    cases: usize,
    first: i32,
    review: i32,
    has_no_reading: bool,
) -> (String, String) {
    if firings == 0 {
        return (
            format!("No firing of {furnace} is on record for this span."),
            "Check whether the firings of this span were reported.".to_owned(),
        );
    }
    if has_no_reading {
        return (
            format!(
                "{firings} firing(s) of {furnace} with {cases} case(s); without any reading nobody can say how \
                 hot they were."
            ),
            format!(
                "Fire and record a test ring; it tells of the firings before it too. {DEFERENCE}"
            ),
        );
    }
    let open = first.saturating_add(review);
    if open == 0 {
        return (
            format!(
                "{firings} firing(s) of {furnace} with {cases} case(s); none has a probability of 5 % or more \
                 of having been outside tolerance."
            ),
            "Nothing here asks for a review; the judgement stays with the laboratory.".to_owned(),
        );
    }
    (
        format!(
            "{open} of {firings} firing(s) of {furnace} were sintered while the furnace may have been outside \
             its tolerance, {first} of them more likely than not; {cases} case(s) in all."
        ),
        format!(
            "Do not release what is still here until a qualified person has reviewed it against the material \
             maker's instructions. For what was delivered, inform the responsible person in your quality \
             system, who decides with the prescriber. Record the decision. {DEFERENCE}"
        ),
    )
}

fn bound(bound: Bound) -> v1::SpanBound {
    match bound {
        Bound::Asked => v1::SpanBound::Asked,
        Bound::WithinTolerance => v1::SpanBound::WithinTolerance,
        Bound::FirstFiring => v1::SpanBound::FirstFiring,
        Bound::Adjusted => v1::SpanBound::Adjusted,
        Bound::Now => v1::SpanBound::Now,
    }
}

fn row_message(row: &Row, decisions: &[Decision]) -> v1::ExposedFiring {
    let (firing, exposed) = (&row.firing, &row.exposed);
    let details = &firing.details;
    let queue = match exposed.queue {
        Queue::NoAction => v1::ExposureQueue::NoAction,
        Queue::Review => v1::ExposureQueue::Review,
        Queue::ReviewFirst => v1::ExposureQueue::ReviewFirst,
    };
    let case_ids: Vec<String> = details
        .cases
        .iter()
        .map(|case| case.case_id.clone())
        .collect();
    let end = ended_at(firing);
    let mut decided = Vec::new();
    for decision in decisions {
        let about = &decision.details;
        let covers = about.start <= Some(end) && Some(end) <= about.end;
        let names =
            about.case_ids.is_empty() || about.case_ids.iter().any(|id| case_ids.contains(id));
        if covers && names {
            decided.push(decision.key.name());
        }
    }
    v1::ExposedFiring {
        firing: firing.key.name(),
        external_id: details.external_id.clone(),
        start_time: details.started_at.map(timestamp),
        end_time: Some(timestamp(end)),
        case_ids,
        programme: details
            .programme
            .as_ref()
            .map(ringtrue_fleet::key::ProgrammeKey::name)
            .unwrap_or_default(),
        setpoint_c: firing.setpoint_c,
        target_c: firing.target_c,
        temperature_c: exposed.estimate.map(|peak| peak.temperature_c),
        expanded_uncertainty_c: exposed
            .estimate
            .map(|peak| COVERAGE_FACTOR * peak.standard_uncertainty_c),
        outside_probability: exposed.estimate.map(|peak| peak.outside_probability),
        worst_temperature_c: exposed.worst.map(|peak| peak.temperature_c),
        worst_outside_probability: exposed.worst.map(|peak| peak.outside_probability),
        queue: queue.into(),
        notices: notices(row),
        decisions: decided,
    }
}

fn notices(row: &Row) -> Vec<String> {
    let mut notices = Vec::new();
    if row.exposed.estimate.is_none() {
        notices.push("Without any reading of the furnace there is no estimate.".to_owned());
    }
    if row.exposed.before_first_reading {
        notices
            .push("Before the furnace's first reading: only later readings tell of it.".to_owned());
    }
    if row.exposed.after_last_reading {
        notices.push("After the furnace's last reading: the next one will tell more.".to_owned());
    }
    if !ran_to_its_end(&row.firing) {
        notices.push(
            "The programme did not run to its end: the estimate is for a firing that reached and held its \
             setpoint."
                .to_owned(),
        );
    }
    notices
}
