//! What people decided about exposed cases. Only ever added to: another decision is another record.

use jiff::Timestamp;

use crate::event::past;
use crate::firing::check_case_id;
use crate::key::{DecisionKey, FurnaceKey, ReadingKey};
use crate::violation::Violations;

/// Most cases that one decision names.
const MOST_CASES: usize = 1000;

/// A decision as stored.
#[derive(Debug, Clone, PartialEq)]
pub struct Decision {
    /// What tells it apart.
    pub key: DecisionKey,
    /// What was decided.
    pub details: DecisionDetails,
    /// When the server stored it.
    pub received_at: Timestamp,
}

/// What callers give of a decision; checked by [`DecisionDetails::check`].
#[derive(Debug, Clone, PartialEq)]
pub struct DecisionDetails {
    /// Begin of the span that was judged.
    pub start: Option<Timestamp>,
    /// Its end.
    pub end: Option<Timestamp>,
    /// The reading that led to it.
    pub reading: Option<ReadingKey>,
    /// The cases it is about; empty for all of the span.
    pub case_ids: Vec<String>,
    /// What was decided; none when the caller gave no known outcome.
    pub outcome: Option<DecisionOutcome>,
    /// Why.
    pub reason: String,
    /// Initials or staff code.
    pub decided_by: String,
    /// When.
    pub decided_at: Timestamp,
}

/// What may be decided.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DecisionOutcome {
    /// Reviewed; nothing further.
    NoAction,
    /// Used as it is under a concession.
    UseAsIsConcession,
    /// Reworked as the material maker's instructions allow.
    ReworkByInstruction,
    /// Made again.
    Remake,
    /// The prescriber is informed and decides.
    InformPrescriber,
}

impl DecisionOutcome {
    /// All outcomes.
    pub const ALL: [Self; 5] = [
        Self::NoAction,
        Self::UseAsIsConcession,
        Self::ReworkByInstruction,
        Self::Remake,
        Self::InformPrescriber,
    ];

    /// The word on disk; never renamed.
    pub fn word(self) -> &'static str {
        match self {
            Self::NoAction => "no_action",
            Self::UseAsIsConcession => "use_as_is_concession",
            Self::ReworkByInstruction => "rework_by_instruction",
            Self::Remake => "remake",
            Self::InformPrescriber => "inform_prescriber",
        }
    }
}

impl DecisionDetails {
    /// Checks every field; `path` is the request field that holds the decision.
    pub fn check(
        &self,
        path: &str,
        furnace: &FurnaceKey,
        now: Timestamp,
        violations: &mut Violations,
    ) {
        let end = format!("{path}.end_time");
        past(&format!("{path}.start_time"), self.start, now, violations);
        past(&end, self.end, now, violations);
        if let (Some(start), Some(until)) = (self.start, self.end)
            && until < start
        {
            violations.add(
                end,
                "ENDS_BEFORE_IT_STARTS",
                "lies before start_time; check both moments",
            );
        }
        if self
            .reading
            .as_ref()
            .is_some_and(|reading| reading.furnace != *furnace)
        {
            violations.add(
                format!("{path}.reading"),
                "OF_ANOTHER_FURNACE",
                format!("is not a reading of {}", furnace.name()),
            );
        }
        if self.case_ids.len() > MOST_CASES {
            violations.add(
                format!("{path}.case_ids"),
                "TOO_MANY",
                format!(
                    "names {} cases; name at most {MOST_CASES} and record the rest as another decision, or \
                     leave them out to mean all cases of the span",
                    self.case_ids.len()
                ),
            );
        } else {
            for (at, case_id) in self.case_ids.iter().enumerate() {
                check_case_id(&format!("{path}.case_ids[{at}]"), case_id, violations);
            }
        }
        if self.outcome.is_none() {
            violations.add(
                format!("{path}.outcome"),
                "REQUIRED",
                "is missing; say what was decided",
            );
        }
        violations.text(&format!("{path}.reason"), self.reason.trim(), 1, 2000);
        violations.text(&format!("{path}.decided_by"), self.decided_by.trim(), 1, 40);
        past(
            &format!("{path}.decide_time"),
            Some(self.decided_at),
            now,
            violations,
        );
    }
}
