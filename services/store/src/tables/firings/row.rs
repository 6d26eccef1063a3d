//! A firing's row, and what vouches for a report.

use ringtrue_fleet::firing::{Case, Firing, FiringDetails, Outcome, RecordedSegment};
use ringtrue_fleet::key::{
    FiringId, FiringKey, FurnaceId, FurnaceKey, ProgrammeId, ProgrammeKey, ReportId, SiteId,
};
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

use crate::Error;
use crate::audit::hexadecimal;
use crate::columns::{Place, json};

/// A row of `firing`; all rows of a report together are its record in the audit chain.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct FiringRow {
    pub(crate) site_id: String,
    pub(crate) furnace_id: String,
    pub(crate) ended_at: i64,
    pub(crate) id: String,
    pub(crate) report_id: String,
    pub(crate) place: i64,
    pub(crate) external_id: String,
    pub(crate) programme_id: String,
    pub(crate) setpoint_c: f64,
    pub(crate) setpoint_reported: bool,
    pub(crate) target_c: f64,
    pub(crate) started_at: i64,
    pub(crate) ended_on: String,
    pub(crate) hours_hot: f64,
    pub(crate) hours_reported: bool,
    pub(crate) outcome: String,
    pub(crate) cases: String,
    pub(crate) segments: String,
    pub(crate) performed_by: String,
    pub(crate) note: String,
    pub(crate) received_at: i64,
    pub(crate) amends: Option<String>,
    pub(crate) amend_reason: String,
}

impl From<&Firing> for FiringRow {
    fn from(firing: &Firing) -> Self {
        let details = &firing.details;
        let micros =
            |moment: Option<jiff::Timestamp>| moment.map_or(0, jiff::Timestamp::as_microsecond);
        let cases: Vec<(&str, i32)> = details
            .cases
            .iter()
            .map(|case| (case.case_id.as_str(), case.units))
            .collect();
        let segments: Vec<(f64, f64)> = details
            .segments
            .iter()
            .map(|segment| (segment.indicated_c, segment.duration_min))
            .collect();
        Self {
            site_id: firing.key.furnace.site.to_string(),
            furnace_id: firing.key.furnace.furnace.to_string(),
            ended_at: micros(details.ended_at),
            id: firing.key.firing.to_string(),
            report_id: firing.report.to_string(),
            place: i64::from(firing.place),
            external_id: details.external_id.clone(),
            programme_id: details
                .programme
                .as_ref()
                .map_or_else(String::new, |named| named.programme.to_string()),
            setpoint_c: firing.setpoint_c,
            setpoint_reported: details.setpoint_c.is_some(),
            target_c: firing.target_c,
            started_at: micros(details.started_at),
            ended_on: firing.ended_on.to_string(),
            // SQLite keeps a negative zero as zero: adding zero makes it so in the record too.
            hours_hot: firing.hours_hot + 0.0,
            hours_reported: details.hours_hot.is_some(),
            outcome: details
                .outcome
                .map_or_else(String::new, |outcome| outcome.word().to_owned()),
            cases: json(&cases),
            segments: json(&segments),
            performed_by: details.performed_by.clone(),
            note: details.note.clone(),
            received_at: firing.received_at.as_microsecond(),
            amends: firing.amends.as_ref().map(ToString::to_string),
            amend_reason: firing.amend_reason.clone(),
        }
    }
}

impl FiringRow {
    fn place_of(&self) -> Place<'_> {
        Place {
            table: "firing",
            key: &self.id,
        }
    }

    pub(crate) fn firing(self) -> Result<Firing, Error> {
        let place = self.place_of();
        let furnace = FurnaceKey {
            site: place.id("site_id", SiteId::new(&self.site_id))?,
            furnace: place.id("furnace_id", FurnaceId::new(&self.furnace_id))?,
        };
        let outcome = match self.outcome.as_str() {
            "" => None,
            word => Some(
                Outcome::ALL
                    .into_iter()
                    .find(|outcome| outcome.word() == word)
                    .ok_or_else(|| place.corrupt("outcome"))?,
            ),
        };
        let cases: Vec<(String, i32)> = place.json("cases", &self.cases)?;
        let segments: Vec<(f64, f64)> = place.json("segments", &self.segments)?;
        let amends = match &self.amends {
            Some(id) => Some(place.id("amends", FiringId::new(id))?),
            None => None,
        };
        Ok(Firing {
            key: FiringKey {
                furnace: furnace.clone(),
                firing: place.id("id", FiringId::new(&self.id))?,
            },
            report: place.id("report_id", ReportId::new(&self.report_id))?,
            place: place.small("place", self.place)?,
            setpoint_c: self.setpoint_c,
            target_c: self.target_c,
            hours_hot: self.hours_hot,
            ended_on: place.date("ended_on", &self.ended_on)?,
            received_at: place.moment("received_at", self.received_at)?,
            amends,
            details: FiringDetails {
                programme: Some(ProgrammeKey {
                    furnace,
                    programme: place.id("programme_id", ProgrammeId::new(&self.programme_id))?,
                }),
                setpoint_c: self.setpoint_reported.then_some(self.setpoint_c),
                started_at: Some(place.moment("started_at", self.started_at)?),
                ended_at: Some(place.moment("ended_at", self.ended_at)?),
                hours_hot: self.hours_reported.then_some(self.hours_hot),
                outcome,
                cases: cases
                    .into_iter()
                    .map(|(case_id, units)| Case { case_id, units })
                    .collect(),
                segments: segments
                    .into_iter()
                    .map(|(indicated_c, duration_min)| RecordedSegment {
                        indicated_c,
                        duration_min,
                    })
                    .collect(),
                external_id: self.external_id,
                performed_by: self.performed_by,
                note: self.note,
            },
            amend_reason: self.amend_reason,
        })
    }
}

/// The version of a firing that took its place: it is of the same furnace.
pub(super) fn later_version(earlier: &FiringKey, id: &str) -> Result<FiringKey, Error> {
    let place = Place {
        table: "firing_amendment",
        key: earlier.firing.as_str(),
    };
    Ok(FiringKey {
        furnace: earlier.furnace.clone(),
        firing: place.id("amended_by", FiringId::new(id))?,
    })
}

/// A row of `firing_report`.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize)]
pub(crate) struct ReportRow {
    pub(crate) site_id: String,
    pub(crate) id: String,
    pub(crate) firings: i64,
    pub(crate) names: String,
    pub(crate) received_at: i64,
}

/// Digest of one firing.
pub(crate) fn firing_digest(firing: &FiringRow) -> [u8; 32] {
    Sha256::digest(json(firing)).into()
}

/// Digest of a report over those of its firings in their order, hexadecimal.
pub(crate) fn report_digest(
    report: &ReportRow,
    firings: impl IntoIterator<Item = [u8; 32]>,
) -> String {
    let mut digest = Sha256::new();
    digest.update(json(report));
    for firing in firings {
        digest.update(firing);
    }
    hexadecimal(&digest.finalize())
}
