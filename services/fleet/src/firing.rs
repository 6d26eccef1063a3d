//! Production firings, as the laboratory's own system reports them. Only ever added to; a correction is a
//! new version.

mod amendment;
mod case_id;
mod report;

use jiff::Timestamp;
use jiff::civil::Date;

use crate::event::past;
use crate::key::{FiringId, FiringKey, ProgrammeKey, ReportId};
use crate::programme::Programme;
use crate::violation::Violations;

pub use amendment::amended;
pub use case_id::check_case_id;
pub use report::{KnownFirings, KnownPlace, OnRecord, Outcome as ReportOutcome, Row, judged};

/// A firing as stored.
#[derive(Debug, Clone, PartialEq)]
pub struct Firing {
    /// What tells it apart.
    pub key: FiringKey,
    /// What was reported.
    pub details: FiringDetails,
    /// The report that it came with; several firings have one.
    pub report: ReportId,
    /// Its place in that report, from 0.
    pub place: i32,
    /// Setpoint of the firing, °C: as reported, else the one in force.
    pub setpoint_c: f64,
    /// True peak temperature that was wanted, °C.
    pub target_c: f64,
    /// Hours at sintering temperature: as reported, else the programme's.
    pub hours_hot: f64,
    /// Local day on which it ended.
    pub ended_on: Date,
    /// When the server stored it.
    pub received_at: Timestamp,
    /// The earlier version that it corrects.
    pub amends: Option<FiringId>,
    /// Why.
    pub amend_reason: String,
}

/// What callers give of a firing; checked by [`FiringDetails::check`].
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FiringDetails {
    /// The reporting system's own id.
    pub external_id: String,
    /// The programme that was fired; none when the caller gave none.
    pub programme: Option<ProgrammeKey>,
    /// What the controller was set to, °C; none for the setpoint in force.
    pub setpoint_c: Option<f64>,
    /// Begin.
    pub started_at: Option<Timestamp>,
    /// End.
    pub ended_at: Option<Timestamp>,
    /// Hours at sintering temperature; none for the programme's.
    pub hours_hot: Option<f64>,
    /// How it ended; none when the caller gave no known outcome.
    pub outcome: Option<Outcome>,
    /// The cases that were in the furnace.
    pub cases: Vec<Case>,
    /// What the controller recorded.
    pub segments: Vec<RecordedSegment>,
    /// Initials or staff code.
    pub performed_by: String,
    /// Remarks.
    pub note: String,
}

/// How a firing ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// The programme ran to its end.
    Completed,
    /// Somebody or the controller stopped it.
    Aborted,
    /// Mains failed in between.
    PowerLost,
    /// It never took place.
    Cancelled,
}

impl Outcome {
    /// All outcomes.
    pub const ALL: [Self; 4] = [
        Self::Completed,
        Self::Aborted,
        Self::PowerLost,
        Self::Cancelled,
    ];

    /// The word on disk; never renamed.
    pub fn word(self) -> &'static str {
        match self {
            Self::Completed => "completed",
            Self::Aborted => "aborted",
            Self::PowerLost => "power_lost",
            Self::Cancelled => "cancelled",
        }
    }
}

/// A case in a firing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Case {
    /// Its id in the reporting system, opaque here.
    pub case_id: String,
    /// Units of it in the firing; 0 when not known.
    pub units: i32,
}

/// A segment as the controller recorded it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecordedSegment {
    /// Temperature that the controller showed at its end, °C.
    pub indicated_c: f64,
    /// How long it took, min.
    pub duration_min: f64,
}

/// Longest firing, hours: a long bridge programme with slow cooling takes a day (common practice, no
/// source).
pub const LONGEST_HOURS: i64 = 72;

/// Most cases in a firing.
pub const MOST_CASES: usize = 200;

/// Most recorded segments of a firing.
const MOST_SEGMENTS: usize = 24;

/// Segments whose temperature is this close to the peak count as hot, °C (an assumption of this program).
const HOT_WITHIN_C: f64 = 50.0;

impl FiringDetails {
    /// Checks every field; `path` is the request field that holds the firing.
    pub fn check(&self, path: &str, now: Timestamp, violations: &mut Violations) {
        violations.text(
            &format!("{path}.external_id"),
            self.external_id.trim(),
            1,
            100,
        );
        if self.programme.is_none() && !refused(violations, &format!("{path}.programme")) {
            violations.add(
                format!("{path}.programme"),
                "REQUIRED",
                "is missing; send the name of the programme that was fired",
            );
        }
        if let Some(setpoint_c) = self.setpoint_c {
            let field = format!("{path}.setpoint_c");
            violations.number(&field, setpoint_c, 900.0, 1800.0, "°C");
        }
        self.check_times(path, now, violations);
        violations.text(&format!("{path}.performed_by"), &self.performed_by, 0, 40);
        violations.text(&format!("{path}.note"), &self.note, 0, 500);
        self.check_cases(path, violations);
        self.check_segments(path, violations);
    }

    fn check_times(&self, path: &str, now: Timestamp, violations: &mut Violations) {
        let (start, end) = (format!("{path}.start_time"), format!("{path}.end_time"));
        if !refused(violations, &start) {
            past(&start, self.started_at, now, violations);
        }
        if !refused(violations, &end) {
            past(&end, self.ended_at, now, violations);
        }
        let (Some(started_at), Some(ended_at)) = (self.started_at, self.ended_at) else {
            return;
        };
        let lasted = ended_at.duration_since(started_at);
        if lasted <= jiff::SignedDuration::ZERO {
            violations.add(
                end,
                "ENDS_BEFORE_IT_STARTS",
                "is not after start_time; check both moments and their zones",
            );
            return;
        }
        if lasted > jiff::SignedDuration::from_hours(LONGEST_HOURS) {
            violations.add(
                end,
                "OUT_OF_RANGE",
                format!("is more than {LONGEST_HOURS} hours after start_time; check both dates"),
            );
            return;
        }
        if let Some(hours_hot) = self.hours_hot {
            let field = format!("{path}.hours_hot");
            violations.number(&field, hours_hot, 0.0, lasted.as_secs_f64() / 3600.0, "h");
        }
    }

    fn check_cases(&self, path: &str, violations: &mut Violations) {
        if self.cases.len() > MOST_CASES {
            violations.add(
                format!("{path}.cases"),
                "TOO_MANY",
                format!(
                    "has {} cases; send at most {MOST_CASES}, the rest as another firing",
                    self.cases.len()
                ),
            );
            return;
        }
        let mut ids: Vec<&str> = Vec::with_capacity(self.cases.len());
        for (at, case) in self.cases.iter().enumerate() {
            let field = format!("{path}.cases[{at}]");
            check_case_id(&format!("{field}.case_id"), &case.case_id, violations);
            if !(0..=100).contains(&case.units) {
                violations.add(
                    format!("{field}.units"),
                    "OUT_OF_RANGE",
                    format!("{} is outside 0 to 100 units", case.units),
                );
            }
            if ids.contains(&case.case_id.as_str()) {
                violations.add(
                    format!("{field}.case_id"),
                    "TWICE",
                    "is in the list already; send each case once, with all its units",
                );
            }
            ids.push(&case.case_id);
        }
    }

    fn check_segments(&self, path: &str, violations: &mut Violations) {
        if self.segments.len() > MOST_SEGMENTS {
            violations.add(
                format!("{path}.segments"),
                "TOO_MANY",
                format!(
                    "has {} segments; send at most {MOST_SEGMENTS}",
                    self.segments.len()
                ),
            );
            return;
        }
        for (at, segment) in self.segments.iter().enumerate() {
            let field = format!("{path}.segments[{at}]");
            let indicated = format!("{field}.indicated_c");
            violations.number(&indicated, segment.indicated_c, 0.0, 1800.0, "°C");
            let duration = format!("{field}.duration_min");
            violations.number(&duration, segment.duration_min, 0.0, 2880.0, "min");
        }
    }
}

/// Whether a field was refused already, when it was read.
fn refused(violations: &Violations, field: &str) -> bool {
    violations.0.iter().any(|known| known.field == field)
}

/// Hours at sintering temperature of a programme: the holds of its hottest segments.
pub fn programme_hours_hot(programme: &Programme) -> f64 {
    let cycle = programme.details.cycle();
    let Some(peak) = cycle.peak() else {
        return 0.0;
    };
    let mut minutes = 0.0;
    for segment in &cycle.segments {
        if segment.temperature_c >= peak.temperature_c - HOT_WITHIN_C {
            minutes += segment.hold_min;
        }
    }
    minutes / 60.0
}

#[cfg(test)]
mod tests;
