//! Deciding what becomes of reported firings: new, known already, or refused.

use std::collections::HashMap;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::{Firing, FiringDetails, Outcome as Ended, programme_hours_hot};
use crate::furnace::FurnaceState;
use crate::key::{FiringId, FiringKey, FurnaceKey, ProgrammeKey, ReportId, SiteId};
use crate::programme::Programme;
use crate::violation::Violations;

/// A reported firing with what was found wrong while it was read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Row {
    /// What was reported.
    pub details: FiringDetails,
    /// What could not be read.
    pub violations: Violations,
}

/// What becomes of a reported firing.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// It is recorded.
    New(Box<Firing>),
    /// It is on record with this content.
    Known(FiringKey),
    /// It is refused.
    Refused(Violations),
}

/// A programme with its furnace and what was entered on its controller.
#[derive(Debug, Clone, PartialEq)]
pub struct KnownPlace {
    /// The programme.
    pub programme: Programme,
    /// Whether the furnace takes records.
    pub furnace_state: FurnaceState,
    /// When the setpoint was adjusted and what it was before, °C; in order.
    pub adjusted: Vec<(Timestamp, f64)>,
}

impl KnownPlace {
    /// The setpoint in force at a moment, °C: what the first adjustment after it found.
    fn setpoint_at_c(&self, at: Timestamp) -> f64 {
        self.adjusted
            .iter()
            .find(|(adjusted_at, _)| *adjusted_at > at)
            .map_or(self.programme.details.setpoint_c, |(_, before_c)| *before_c)
    }
}

/// A firing on record, with its earlier versions.
#[derive(Debug, Clone, PartialEq)]
pub struct OnRecord {
    /// The latest version.
    pub latest: Firing,
    /// The versions before it.
    pub earlier: Vec<Firing>,
}

/// What bears on a report.
#[derive(Debug, Clone, PartialEq)]
pub struct KnownFirings {
    /// The site.
    pub site: SiteId,
    /// Its time zone.
    pub zone: TimeZone,
    /// The programmes that are named, as far as they exist.
    pub places: HashMap<ProgrammeKey, KnownPlace>,
    /// Firings that are on record under the ids that are named.
    pub on_record: HashMap<String, OnRecord>,
    /// When each furnace was at work, near the reported firings: begin, end, the firing's external id.
    pub at_work: HashMap<FurnaceKey, Vec<(Timestamp, Timestamp, String)>>,
}

/// Decides about each row; `id` gives the id of a firing. A row is also held against the rows before it.
/// `path` is the request field that holds the rows.
pub fn judged(
    known: &mut KnownFirings,
    path: &str,
    rows: Vec<Row>,
    report: &ReportId,
    now: Timestamp,
    id: impl Fn(&FiringDetails) -> FiringId,
) -> Vec<Outcome> {
    let mut outcomes = Vec::with_capacity(rows.len());
    let mut named: HashMap<String, usize> = HashMap::with_capacity(rows.len());
    let mut in_report: Vec<Option<FiringDetails>> = Vec::with_capacity(rows.len());
    for (at, row) in rows.into_iter().enumerate() {
        let path = format!("{path}[{at}]");
        let earlier = named.get(&row.details.external_id).copied();
        let twin = earlier.and_then(|earlier| in_report.get(earlier)?.as_ref());
        let outcome = match twin {
            Some(twin) if *twin == row.details => match outcomes.get(earlier.unwrap_or(at)) {
                Some(Outcome::New(firing)) => Outcome::Known(firing.key.clone()),
                Some(other) => Outcome::clone(other),
                None => Outcome::Refused(row.violations),
            },
            Some(_) => Outcome::Refused(refusal(
                &path,
                "external_id",
                "TWICE",
                "stands for another firing in the same report; give each firing an id of its own",
            )),
            None => decided(known, &path, &row, report, at, now, &id),
        };
        if twin.is_none() {
            named.insert(row.details.external_id.clone(), at);
        }
        if let Outcome::New(firing) = &outcome {
            busy(known, firing);
        }
        in_report.push(Some(row.details));
        outcomes.push(outcome);
    }
    outcomes
}

fn refusal(path: &str, field: &str, reason: &'static str, message: &str) -> Violations {
    let mut violations = Violations::default();
    violations.add(format!("{path}.{field}"), reason, message);
    violations
}

fn busy(known: &mut KnownFirings, firing: &Firing) {
    if let (Some(start), Some(end)) = (firing.details.started_at, firing.details.ended_at)
        && firing.details.outcome != Some(Ended::Cancelled)
    {
        known
            .at_work
            .entry(firing.key.furnace.clone())
            .or_default()
            .push((start, end, firing.details.external_id.clone()));
    }
}

fn decided(
    known: &KnownFirings,
    path: &str,
    row: &Row,
    report: &ReportId,
    at: usize,
    now: Timestamp,
    id: &impl Fn(&FiringDetails) -> FiringId,
) -> Outcome {
    let mut violations = row.violations.clone();
    row.details.check(path, now, &mut violations);
    if row.details.outcome == Some(Ended::Cancelled) {
        violations.add(
            format!("{path}.outcome"),
            "NOT_A_FIRING",
            "never took place: leave it out, or amend the firing that was reported",
        );
    }
    if !violations.0.is_empty() {
        return Outcome::Refused(violations);
    }
    if let Some(on_record) = known.on_record.get(&row.details.external_id) {
        return met(path, &row.details, on_record);
    }
    match placed(known, path, &row.details, report, at, now, id) {
        Ok(firing) => Outcome::New(Box::new(firing)),
        Err(violations) => Outcome::Refused(violations),
    }
}

/// Whether a report says what is on record. What was left out then and worked out here may be given now: a list of
/// firings has it, and whoever sends that list back says nothing new.
fn says_the_same(version: &Firing, details: &FiringDetails) -> bool {
    let mut said = details.clone();
    let kept = &version.details;
    let is_worked_out =
        |now: Option<f64>, then: Option<f64>, value: f64| then.is_none() && now == Some(value);
    if is_worked_out(said.setpoint_c, kept.setpoint_c, version.setpoint_c) {
        said.setpoint_c = None;
    }
    if is_worked_out(said.hours_hot, kept.hours_hot, version.hours_hot) {
        said.hours_hot = None;
    }
    *kept == said
}

/// What a report of a firing that is on record amounts to. One that was amended since may be sent again as
/// it was: systems repeat what they are not sure of.
fn met(path: &str, details: &FiringDetails, on_record: &OnRecord) -> Outcome {
    let mut versions = std::iter::once(&on_record.latest).chain(&on_record.earlier);
    match versions.find(|version| says_the_same(version, details)) {
        Some(version) => Outcome::Known(version.key.clone()),
        None => Outcome::Refused(refusal(
            path,
            "external_id",
            "ON_RECORD_WITH_OTHER_CONTENT",
            &format!(
                "is on record with other content as {}; amend that one, or give this firing an id of its own",
                on_record.latest.key.name()
            ),
        )),
    }
}

/// Makes a firing of a report, when records do not forbid it.
///
/// # Errors
///
/// Everything that is wrong.
pub(super) fn placed(
    known: &KnownFirings,
    path: &str,
    details: &FiringDetails,
    report: &ReportId,
    at: usize,
    now: Timestamp,
    id: impl Fn(&FiringDetails) -> FiringId,
) -> Result<Firing, Violations> {
    let (Some(programme), Some(started_at), Some(ended_at)) =
        (&details.programme, details.started_at, details.ended_at)
    else {
        return Err(refusal(path, "programme", "REQUIRED", "is missing"));
    };
    let furnace = &programme.furnace;
    if furnace.site != known.site {
        return Err(refusal(
            path,
            "programme",
            "OF_ANOTHER_SITE",
            &format!("is not one of {}; report it there", known.site.name()),
        ));
    }
    let Some(place) = known.places.get(programme) else {
        return Err(refusal(
            path,
            "programme",
            "UNKNOWN",
            "is not on record; check the names of furnace and programme, or create it first",
        ));
    };
    if place.furnace_state == FurnaceState::Retired {
        return Err(refusal(
            path,
            "programme",
            "FURNACE_RETIRED",
            "runs on a furnace that is retired and takes no more records",
        ));
    }
    let at_work = known.at_work.get(furnace).map_or(&[][..], Vec::as_slice);
    let other = at_work.iter().find(|(start, end, external_id)| {
        *start < ended_at && started_at < *end && *external_id != details.external_id
    });
    if let Some((_, _, external_id)) = other {
        return Err(refusal(
            path,
            "start_time",
            "OVERLAPS",
            &format!(
                "overlaps with the firing `{external_id}` of the same furnace; check both firings' moments, \
                 and amend the one that is wrong"
            ),
        ));
    }
    let hours_hot = details
        .hours_hot
        .unwrap_or_else(|| programme_hours_hot(&place.programme));
    Ok(Firing {
        key: FiringKey {
            furnace: furnace.clone(),
            firing: id(details),
        },
        details: details.clone(),
        report: report.clone(),
        place: i32::try_from(at).unwrap_or(i32::MAX),
        setpoint_c: details
            .setpoint_c
            .unwrap_or_else(|| place.setpoint_at_c(ended_at)),
        target_c: place.programme.details.target_c(),
        hours_hot,
        ended_on: ended_at.to_zoned_datetime(known.zone.clone()).date(),
        received_at: now,
        amends: None,
        amend_reason: String::new(),
    })
}
