//! Whether a furnace may be used, from its records.

use jiff::Timestamp;
use ringtrue_calibration::decision::Advice;

use crate::calendar::Calendar;
use crate::due::{
    Due, DueState, FurnaceRecords, OpenFinding, Reason, SiteRecords, setpoint_waiting,
    verification_waiting,
};
use crate::event::EventKind;
use crate::finding::{FindingKind, Subject};
use crate::furnace::FurnaceState;
use crate::key::FurnaceKey;
use crate::rule::InForce;
use crate::sign_off::Meaning;
use crate::standing::Conformity;
use crate::task::TaskKind;

/// Whether a furnace may be used (the status of equipment, ISO/IEC 17025:2017 6.4, from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum UseState {
    /// Nothing on record speaks against use; reasons may warn.
    Fit,
    /// Only for work that the reasons do not exclude.
    Restricted,
    /// Not for patients' work until the reasons are mended.
    Unfit,
}

/// The answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Usable {
    /// Whether.
    pub state: UseState,
    /// Why, most important first; warnings too.
    pub reasons: Vec<Reason>,
    /// Until when this holds if nothing is recorded meanwhile.
    pub valid_until: Option<Timestamp>,
}

/// What this program cannot do, and what overrides it.
pub const CAUTION: &str = "This is a statement from records. The program cannot see the furnace and cannot \
                           stop it. Follow the furnace maker's and the material maker's instructions, local \
                           codes and licensed practice; they override this text.";

/// Says whether a furnace may be used. `dues` are those of the site's records at the same moment, and
/// `conformity` is where the furnace stands.
pub fn usable(
    records: &SiteRecords,
    furnace: &FurnaceRecords,
    dues: &[Due],
    conformity: Conformity,
) -> Usable {
    let mut answer = Answer::default();
    match furnace.state {
        FurnaceState::Retired => {
            answer.says(
                UseState::Unfit,
                "RETIRED",
                "It is retired; choose another furnace.",
            );
            return answer.given(None);
        }
        FurnaceState::InService => {
            answer.says(
                UseState::Unfit,
                "IN_SERVICE",
                "It is out for service; put it back in use when the work is done, and calibrate it.",
            );
            return answer.given(None);
        }
        FurnaceState::InUse => {}
    }
    let calendar = Calendar::of(&records.site.details);
    let own = |due: &&Due| due.subject.name() == furnace.key.name();
    let calibration = dues
        .iter()
        .filter(own)
        .find(|due| due.task == TaskKind::Calibration);
    answer.conformity(furnace, conformity);
    if let Some(due) = calibration {
        answer.calibration(due);
    }
    answer.steps(records, furnace);
    answer.signature(records, furnace);
    answer.findings(&furnace.key, &records.findings);
    for due in dues.iter().filter(own) {
        if due.task != TaskKind::Calibration && due.state == DueState::Overdue {
            answer.says(
                UseState::Fit,
                "MAINTENANCE_DUE",
                &format!(
                    "The {} has been due since {}.",
                    due.task.words(),
                    due.due_on
                ),
            );
        }
    }
    let valid_until = calibration
        .filter(|due| !due.lapsed)
        .map(|due| calendar.end_of(due.grace_ends_on));
    answer.given(valid_until)
}

#[derive(Default)]
struct Answer {
    reasons: Vec<(UseState, Reason)>,
}

impl Answer {
    fn says(&mut self, state: UseState, code: &'static str, text: &str) {
        let reason = Reason {
            code,
            text: text.to_owned(),
        };
        self.reasons.push((state, reason));
    }

    fn given(mut self, valid_until: Option<Timestamp>) -> Usable {
        // The gravest first; among equals in the order in which they were looked at.
        self.reasons
            .sort_by_key(|(state, _)| std::cmp::Reverse(*state));
        let state = self
            .reasons
            .first()
            .map_or(UseState::Fit, |(state, _)| *state);
        Usable {
            state,
            reasons: self.reasons.into_iter().map(|(_, reason)| reason).collect(),
            // What keeps it from use does not mend by waiting.
            valid_until: valid_until.filter(|_| state != UseState::Unfit),
        }
    }

    fn conformity(&mut self, furnace: &FurnaceRecords, conformity: Conformity) {
        match conformity {
            Conformity::Out => self.says(
                UseState::Unfit,
                "NONCONFORMING",
                "It is outside tolerance with the setpoint in force: enter the advised setpoint, or have it \
                 looked at.",
            ),
            Conformity::Undecided => self.says(
                UseState::Restricted,
                "CONDITIONAL",
                "Whether it is within tolerance cannot be said: no long-span and no shade-critical work until \
                 another ring is read.",
            ),
            Conformity::Unknown if furnace.calibrated.is_some() => self.says(
                UseState::Restricted,
                "PROGRAMME_NOT_QUALIFIED",
                "No programme says what temperature is wanted; enter one.",
            ),
            Conformity::In | Conformity::Unknown => {}
        }
    }

    fn calibration(&mut self, due: &Due) {
        let reason = |code: &str| due.reasons.iter().find(|reason| reason.code == code);
        if let Some(never) = reason("NO_BASELINE") {
            self.says(UseState::Unfit, "NO_BASELINE", &never.text);
            return;
        }
        if let Some(event) = reason("EVENT_SINCE_CHECK") {
            let text = format!(
                "{} Calibrate it before work for patients is fired.",
                event.text
            );
            self.says(UseState::Unfit, "EVENT_SINCE_CHECK", &text);
        }
        if due.lapsed {
            let text = format!(
                "Its calibration was due on {} and grace ended on {}: calibrate it first.",
                due.due_on, due.grace_ends_on
            );
            self.says(UseState::Unfit, "CHECK_LAPSED", &text);
        } else if due.state == DueState::Overdue {
            let text = format!(
                "Its calibration was due on {}; it may be used until {} at the latest. Use in grace is on \
                 record.",
                due.due_on, due.grace_ends_on
            );
            self.says(UseState::Fit, "CHECK_OVERDUE", &text);
        } else if due.state != DueState::Current {
            let text = format!("Its calibration is due by {}.", due.due_on);
            self.says(UseState::Fit, "CHECK_DUE", &text);
        }
    }

    fn steps(&mut self, records: &SiteRecords, furnace: &FurnaceRecords) {
        if setpoint_waiting(furnace).is_some() {
            self.says(
                UseState::Restricted,
                "CORRECTION_NOT_CONFIRMED",
                "The setpoint that the last reading advised was not entered: enter it, read it back and \
                 confirm it.",
            );
        }
        let rule = InForce::of(records, furnace, TaskKind::Calibration);
        if verification_waiting(furnace, &rule).is_some() {
            self.says(
                UseState::Restricted,
                "VERIFICATION_PENDING",
                "The changed setpoint waits for its second ring: no long-span and no shade-critical work \
                 until it is read.",
            );
        }
        match furnace.latest.as_ref().and_then(|latest| latest.advice) {
            Some(Advice::Service) => self.says(
                UseState::Unfit,
                "LIMIT_REACHED",
                "The last reading says that a setpoint cannot mend it: have the furnace serviced by qualified \
                 persons.",
            ),
            Some(Advice::FireAgain) => self.says(
                UseState::Restricted,
                "SUSPECT",
                "The last reading is doubtful: fire another ring before it decides anything.",
            ),
            _ => {}
        }
        let discoloured = furnace
            .events
            .iter()
            .find(|(kind, _)| *kind == EventKind::DiscolouredWork);
        let regenerated = discoloured.is_none_or(|(_, at)| {
            furnace.acts.iter().any(|act| {
                act.details.task == Some(TaskKind::ElementRegeneration)
                    && act.details.acted_at > *at
            })
        });
        if !regenerated {
            self.says(
                UseState::Restricted,
                "DISCOLOURED_WORK",
                "Work came out discoloured and no regeneration firing has been recorded since.",
            );
        }
    }

    /// What a second person says of the last reading, or has not said yet.
    fn signature(&mut self, records: &SiteRecords, furnace: &FurnaceRecords) {
        let Some(latest) = &furnace.latest else {
            return;
        };
        let policy = &records.site.details;
        match latest.signed {
            Some(Meaning::Rejected) => self.says(
                UseState::Restricted,
                "SIGN_OFF_REJECTED",
                "A second person looked at the last reading and does not answer for it: amend it, or fire \
                 another ring.",
            ),
            None if policy.reading_needs_sign_off(latest.purpose, latest.received_at) => self.says(
                UseState::Restricted,
                "SIGN_OFF_WAITING",
                "The last reading waits for the signature of a second person, as this site asks: no \
                 long-span and no shade-critical work until somebody has looked at it and signed.",
            ),
            None | Some(Meaning::Reviewed) => {}
        }
    }

    fn findings(&mut self, furnace: &FurnaceKey, findings: &[OpenFinding]) {
        for finding in findings {
            let about_it = matches!(&finding.subject, Subject::Furnace(one) if one == furnace);
            let state = match finding.kind {
                FindingKind::FurnaceLeavingTolerance
                | FindingKind::FurnaceDrifting
                | FindingKind::ChamberUneven => UseState::Restricted,
                _ => UseState::Fit,
            };
            if about_it {
                self.says(state, "SUSPECT", &finding.statement);
            }
        }
    }
}
