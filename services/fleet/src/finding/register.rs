//! The register of findings: what opens, what is seen again, what closes, and what people say about it.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::{Candidate, Finding, FindingKind, FindingState, Strength, Subject};
use crate::key::FindingId;
use crate::refusal::Refusal;
use crate::tracking::weeks_between;
use crate::violation::Violations;

/// A finding that eight weeks of readings no longer show is closed.
const FORGOTTEN_AFTER_WEEKS: f64 = 8.0;

/// Below this probability a finding is closed.
const NO_LONGER_LIKELY: f64 = 0.2;

/// Whether readings about a subject may still come, and when the latest did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Watched {
    /// The latest firing about it ended then.
    LastFired(Timestamp),
    /// A furnace that is retired for good.
    Retired,
}

/// What someone says about a finding.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// What is being done, or why it is closed.
    pub note: String,
    /// Initials or staff code; may be empty.
    pub noted_by: String,
}

impl Said {
    /// Checks what was said; the request holds it in fields of these names.
    pub fn check(&self, violations: &mut Violations) {
        violations.text("note", self.note.trim(), 1, 500);
        violations.text("noted_by", &self.noted_by, 0, 40);
    }
}

/// Says that a finding was seen and what is being done. Said again it takes the place of what was said
/// before.
pub fn acknowledged(finding: &Finding, said: &Said, now: Timestamp) -> Result<Finding, Refusal> {
    noted(finding, FindingState::Acknowledged, said, now)
}

/// Closes a finding by hand.
pub fn resolved(finding: &Finding, said: &Said, now: Timestamp) -> Result<Finding, Refusal> {
    noted(finding, FindingState::Resolved, said, now)
}

fn noted(
    finding: &Finding,
    state: FindingState,
    said: &Said,
    now: Timestamp,
) -> Result<Finding, Refusal> {
    if finding.state == FindingState::Resolved {
        return Err(Refusal::FindingResolved {
            finding: finding.id.clone(),
        });
    }
    Ok(Finding {
        state,
        note: said.note.clone(),
        noted_by: said.noted_by.clone(),
        noted_at: Some(now),
        revision: finding.revision + 1,
        ..finding.clone()
    })
}

/// Brings the register up to date: gives the findings to write, new and changed ones, in order of kind and
/// subject. With the same candidates a second time there is nothing to write.
///
/// - A clear candidate opens a finding, or refreshes the one that is on record for its kind and subject.
/// - A faint one refreshes the figures of one on record; below a probability of 0.2 that one closes.
/// - One about a furnace that is retired closes.
/// - One that was not seen in eight weeks of readings about its subject closes. `watched` says when
///   the latest firing about a subject ended; without readings nothing closes by waiting.
/// - One that was closed by hand opens anew, as another finding, only when a firing after that shows it.
///
/// `on_record` holds every finding that is not resolved, and of the resolved at least the latest for each
/// kind and subject.
pub fn merged(
    on_record: &[Finding],
    candidates: &[Candidate],
    watched: impl Fn(&Subject) -> Option<Watched>,
    mut new_id: impl FnMut() -> FindingId,
) -> Vec<Finding> {
    let known = latest_of_each(on_record);
    let seen = strongest_of_each(candidates);
    let mut written = BTreeMap::new();
    for (what, candidate) in &seen {
        let finding = match known.get(what) {
            Some(finding) if finding.state != FindingState::Resolved => {
                refreshed(finding, candidate)
            }
            Some(finding) if !may_open_again(finding, candidate) => None,
            _ => (candidate.strength == Strength::Clear).then(|| opened(candidate, new_id())),
        };
        if let Some(finding) = finding {
            written.insert(*what, finding);
        }
    }
    for (what, finding) in &known {
        let current = written.get(what).unwrap_or(finding);
        let clear = seen
            .get(what)
            .is_some_and(|candidate| candidate.strength == Strength::Clear);
        if current.state == FindingState::Resolved || clear {
            continue;
        }
        let why = match watched(&current.subject) {
            Some(Watched::Retired) => "The furnace is retired, so it was closed.",
            Some(Watched::LastFired(at))
                if weeks_between(current.last_seen_at, at) >= FORGOTTEN_AFTER_WEEKS =>
            {
                "Eight weeks of readings no longer show it, so it was closed."
            }
            _ => continue,
        };
        written.insert(*what, closed(finding, why));
    }
    written.into_values().collect()
}

type What<'a> = (FindingKind, &'a Subject);

/// The finding that stands for each kind and subject: one that is not resolved, else the latest, as ids only
/// grow.
fn latest_of_each(on_record: &[Finding]) -> BTreeMap<What<'_>, &Finding> {
    let mut known: BTreeMap<What, &Finding> = BTreeMap::new();
    for finding in on_record {
        let rank =
            |finding: &Finding| (finding.state != FindingState::Resolved, finding.id.clone());
        let what = (finding.kind, &finding.subject);
        if known
            .get(&what)
            .is_none_or(|other| rank(finding) > rank(other))
        {
            known.insert(what, finding);
        }
    }
    known
}

fn strongest_of_each(candidates: &[Candidate]) -> BTreeMap<What<'_>, &Candidate> {
    let mut seen: BTreeMap<What, &Candidate> = BTreeMap::new();
    for candidate in candidates {
        let what = (candidate.kind, &candidate.subject);
        let stronger = seen.get(&what).is_none_or(|other| {
            (candidate.strength, candidate.seen_at)
                .cmp(&(other.strength, other.seen_at))
                .then(candidate.probability.total_cmp(&other.probability))
                .is_gt()
        });
        if stronger {
            seen.insert(what, candidate);
        }
    }
    seen
}

/// Whether a resolved finding's candidate may open another. What closed by itself opens whenever it is clear
/// again; what was closed by hand only by a firing since.
fn may_open_again(finding: &Finding, candidate: &Candidate) -> bool {
    finding
        .noted_at
        .is_none_or(|resolved_at| candidate.seen_at > resolved_at)
}

fn opened(candidate: &Candidate, id: FindingId) -> Finding {
    Finding {
        id,
        kind: candidate.kind,
        subject: candidate.subject.clone(),
        state: FindingState::Open,
        probability: candidate.probability,
        statement: candidate.statement.clone(),
        next_step: candidate.next_step.clone(),
        evidence: candidate.evidence.clone(),
        readings: candidate.readings.clone(),
        first_seen_at: candidate.seen_at,
        last_seen_at: candidate.seen_at,
        false_discovery_rate: candidate.kind.false_discovery_rate(),
        note: String::new(),
        noted_by: String::new(),
        noted_at: None,
        revision: 1,
    }
}

/// The finding as the candidate now shows it; none when that changes nothing.
fn refreshed(finding: &Finding, candidate: &Candidate) -> Option<Finding> {
    let last_seen_at = match candidate.strength {
        Strength::Clear => finding.last_seen_at.max(candidate.seen_at),
        Strength::Faint => finding.last_seen_at,
    };
    let now = Finding {
        probability: candidate.probability,
        statement: candidate.statement.clone(),
        next_step: candidate.next_step.clone(),
        evidence: candidate.evidence.clone(),
        readings: candidate.readings.clone(),
        last_seen_at,
        ..finding.clone()
    };
    let faint = candidate.strength == Strength::Faint;
    if faint && candidate.probability < NO_LONGER_LIKELY {
        let note = format!(
            "Its probability has fallen to {:.0} %, so it was closed.",
            100.0 * candidate.probability
        );
        return Some(closed(&now, &note));
    }
    // The version that people see stays: what they decided on has not changed, only its figures.
    (now != *finding).then_some(now)
}

/// A finding that closes by itself: nobody noted that.
fn closed(finding: &Finding, note: &str) -> Finding {
    Finding {
        state: FindingState::Resolved,
        note: note.to_owned(),
        noted_by: String::new(),
        noted_at: None,
        revision: finding.revision + 1,
        ..finding.clone()
    }
}
