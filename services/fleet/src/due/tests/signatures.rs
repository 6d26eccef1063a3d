//! What a signature, or a missing one, says of a furnace's use.

use jiff::Timestamp;
use ringtrue_calibration::decision::Advice;

use super::bench::{at, calibrated};
use crate::due::{SiteRecords, due_tasks};
use crate::reading::Purpose;
use crate::sign_off::Meaning;
use crate::standing::Conformity;
use crate::use_state::{Usable, UseState, usable};

const FIRED: &str = "2026-11-20T17:00:00Z";

fn asked_of(records: &SiteRecords) -> Usable {
    let now = at("2026-11-21T12:00:00Z");
    let dues = due_tasks(records, now);
    usable(records, &records.furnaces[0], &dues, Conformity::In)
}

fn with(since: Option<Timestamp>, purpose: Purpose, signed: Option<Meaning>) -> Usable {
    let mut records = calibrated(FIRED);
    records.site.details.readings_sign_off_since = since;
    let latest = records.furnaces[0].latest.as_mut().expect("a reading");
    latest.purpose = purpose;
    latest.signed = signed;
    assert_eq!(latest.advice, Some(Advice::Leave));
    asked_of(&records)
}

fn says(answer: &Usable, code: &str) -> bool {
    answer.reasons.iter().any(|reason| reason.code == code)
}

#[test]
fn a_reading_that_waits_for_its_signature_restricts_use_until_it_has_it() {
    let since = Some(at(FIRED));
    let waiting = with(since, Purpose::Routine, None);
    assert_eq!(waiting.state, UseState::Restricted);
    assert!(says(&waiting, "SIGN_OFF_WAITING"), "{waiting:?}");
    let signed = with(since, Purpose::Routine, Some(Meaning::Reviewed));
    assert_eq!(signed.state, UseState::Fit);
    assert!(!says(&signed, "SIGN_OFF_WAITING"), "{signed:?}");
}

#[test]
fn what_was_recorded_before_the_policy_and_practice_wait_for_nobody() {
    let later = Some(at("2026-11-20T17:00:01Z"));
    assert_eq!(with(later, Purpose::Routine, None).state, UseState::Fit);
    assert_eq!(with(None, Purpose::Routine, None).state, UseState::Fit);
    let practice = with(Some(at(FIRED)), Purpose::Practice, None);
    assert!(!says(&practice, "SIGN_OFF_WAITING"), "{practice:?}");
}

#[test]
fn a_rejected_reading_restricts_use_whatever_the_policy() {
    for since in [None, Some(at(FIRED))] {
        let rejected = with(since, Purpose::Routine, Some(Meaning::Rejected));
        assert_eq!(rejected.state, UseState::Restricted);
        assert!(says(&rejected, "SIGN_OFF_REJECTED"), "{rejected:?}");
    }
}
