//! Checks that every fault becomes the answer a caller can act on, and that none is too long to
//! travel.

use jiff::civil::Date;
use ringtrue_calibration::plausibility::{Question, QuestionCode};
use ringtrue_fleet::caller::Denied;
use ringtrue_fleet::key::{BatchId, FindingId, FurnaceKey, GaugeKey, ReadingKey};
use tonic_types::ErrorInfo;

use super::*;

fn info(status: &Status) -> ErrorInfo {
    status
        .get_details_error_info()
        .expect("every answer has ErrorInfo")
}

fn furnace() -> FurnaceKey {
    FurnaceKey::parse("sites/north/furnaces/k2").expect("a name")
}

fn reading(id: &str) -> ReadingKey {
    ReadingKey::parse(&format!("sites/north/furnaces/k2/readings/{id}")).expect("a name")
}

fn batch() -> BatchId {
    BatchId::new("a7").expect("an id")
}

fn question(code: QuestionCode, field: &str, suggestion: Option<f64>) -> AskedQuestion {
    let question = Question {
        code,
        field: field.to_owned(),
        text: "Did you read 19.47 mm?".to_owned(),
        suggestion,
        suggestion_unit: "mm",
    };
    AskedQuestion {
        question,
        answered: false,
    }
}

#[test]
fn every_fault_has_its_code_and_its_stable_reason() {
    let site = || ("ringtrue.v1/Site", "sites/north".to_owned());
    let ((kind, name), (kind_too, name_too)) = (site(), site());
    let faults = [
        (
            Error::Invalid(Violations::default()),
            Code::InvalidArgument,
            "BAD_VALUES",
        ),
        (
            Error::RequestIdReused,
            Code::AlreadyExists,
            "REQUEST_ID_REUSED",
        ),
        (Error::Denied(Denied), Code::PermissionDenied, "DENIED"),
        (Error::Missing { kind, name }, Code::NotFound, "NOT_FOUND"),
        (
            Error::Exists {
                kind: kind_too,
                name: name_too,
            },
            Code::AlreadyExists,
            "EXISTS_ALREADY",
        ),
        (
            Error::Refused(Refusal::FurnaceRetired { furnace: furnace() }),
            Code::FailedPrecondition,
            "FURNACE_RETIRED",
        ),
        (
            Error::Stale {
                name: "sites/north".to_owned(),
            },
            Code::Aborted,
            "STALE_ETAG",
        ),
        (Error::Busy, Code::Unavailable, "BUSY"),
        (
            Error::BeingPrepared { done: 2, of: 9 },
            Code::Unavailable,
            "BEING_PREPARED",
        ),
        (
            Error::Store(ringtrue_store::Error::Exists),
            Code::Internal,
            "STORE_FAILED",
        ),
    ];
    for (fault, code, reason) in faults {
        let status = status(fault);
        let info = info(&status);
        assert_eq!((status.code(), info.reason.as_str()), (code, reason));
        assert_eq!(info.domain, "ringtrue");
    }
}

#[test]
fn all_bad_values_are_told_in_the_details_and_in_words() {
    let mut violations = Violations::default();
    violations.add(
        "site.time_zone",
        "UNKNOWN_TIME_ZONE",
        "`X` is not an IANA time zone",
    );
    violations.add(
        "site.tolerance_c",
        "OUT_OF_RANGE",
        "99 is outside 2 to 50 °C",
    );
    let status = status(Error::Invalid(violations));
    assert_eq!(
        status.message(),
        "site.time_zone `X` is not an IANA time zone; site.tolerance_c 99 is outside 2 to 50 °C"
    );
    let listed = status
        .get_details_bad_request()
        .expect("BadRequest")
        .field_violations;
    assert_eq!(listed.len(), 2);
    assert_eq!(listed[1].field, "site.tolerance_c");
    assert_eq!(listed[1].description, "99 is outside 2 to 50 °C");
    assert_eq!(info(&status).metadata["reason.1"], "OUT_OF_RANGE");
}

#[test]
fn two_thousand_bad_values_still_travel_and_their_number_is_told() {
    let mut violations = Violations::default();
    for at in 0..2000 {
        let field = format!("ring_batch.tables[0].entries[{at}]");
        violations.add(
            field,
            "NOT_FINITE",
            "Row 1: the diameter is not a number; enter it. °°°°",
        );
    }
    let status = status(Error::Invalid(violations));
    let listed = status
        .get_details_bad_request()
        .expect("BadRequest")
        .field_violations;
    assert!(
        (10..2000).contains(&listed.len()),
        "{} are listed",
        listed.len()
    );
    assert_eq!(
        info(&status).metadata["left_out"],
        (2000 - listed.len()).to_string()
    );
    assert!(status.message().ends_with(" more"), "{}", status.message());
    assert!(
        header_bytes(&status) < 8 * 1024,
        "{} bytes",
        header_bytes(&status)
    );
}

#[test]
fn words_of_any_length_still_travel() {
    let mut violations = Violations::default();
    violations.add("site.display_name", "TOO_LONG", "°".repeat(20_000));
    let long = "x y".repeat(5_000);
    let released = Refusal::BatchNotReleased {
        batch: batch(),
        withdrawn: false,
        reason: "°".repeat(500),
    };
    let questions = vec![question(QuestionCode::DigitsSwapped, &"f".repeat(60), Some(19.47)); 200];
    for fault in [
        Error::Invalid(violations),
        Error::Missing {
            kind: "ringtrue.v1/Site",
            name: long,
        },
        Error::Refused(released),
        Error::Refused(Refusal::OpenQuestions { questions }),
    ] {
        let status = status(fault);
        assert!(
            header_bytes(&status) < 8 * 1024,
            "{} bytes",
            header_bytes(&status)
        );
        assert!(!status.message().is_empty());
    }
}

/// Bytes of an answer's header fields as HTTP/2 counts them (RFC 9113, 6.5.2).
fn header_bytes(status: &Status) -> usize {
    let mut headers = http::HeaderMap::new();
    status
        .add_header(&mut headers)
        .expect("the status fits into headers");
    let mut bytes = 0;
    for (key, value) in &headers {
        bytes += key.as_str().len() + value.len() + 32;
    }
    bytes
}

#[test]
fn each_open_question_is_a_precondition_with_its_suggestion_beside_it() {
    let questions = vec![
        question(
            QuestionCode::HotRing,
            "reading.rings.ring_temperature_c",
            None,
        ),
        question(
            QuestionCode::DigitsSwapped,
            "reading.rings.rings[0].diameters_mm[1]",
            Some(19.47),
        ),
    ];
    let status = status(Error::Refused(Refusal::OpenQuestions { questions }));
    let listed = status
        .get_details_precondition_failure()
        .expect("PreconditionFailure")
        .violations;
    assert_eq!(listed.len(), 2);
    assert_eq!(listed[1].r#type, "DIGITS_SWAPPED");
    assert_eq!(listed[1].subject, "reading.rings.rings[0].diameters_mm[1]");
    assert_eq!(listed[1].description, "Did you read 19.47 mm?");
    let info = info(&status);
    assert_eq!(info.reason, "OPEN_QUESTIONS");
    assert_eq!(
        info.metadata.get("suggestion.1").map(String::as_str),
        Some("19.47")
    );
    assert!(!info.metadata.contains_key("suggestion.0"));
}

#[test]
fn what_a_refusal_says_in_words_is_in_its_metadata() {
    let day = Date::constant(2026, 3, 1);
    let expired = Refusal::BatchExpired {
        batch: batch(),
        expires_on: day,
        fired_on: day.tomorrow().expect("a day"),
    };
    let withdrawn = Refusal::BatchNotReleased {
        batch: batch(),
        withdrawn: true,
        reason: "recall".to_owned(),
    };
    let gauge = GaugeKey::parse("sites/north/gauges/g1").expect("a name");
    let amended = Refusal::AmendedAlready {
        reading: reading("r1"),
        by: reading("r2"),
    };
    let resolved = Refusal::FindingResolved {
        finding: FindingId::parse("findings/f1").expect("a name"),
    };
    for (refusal, reason, key, value) in [
        (expired, "BATCH_EXPIRED", "fired_on", "2026-03-02"),
        (resolved, "FINDING_RESOLVED", "finding", "findings/f1"),
        (withdrawn, "BATCH_WITHDRAWN", "because", "recall"),
        (
            Refusal::GaugeWithdrawn { gauge },
            "GAUGE_WITHDRAWN",
            "gauge",
            "sites/north/gauges/g1",
        ),
        (
            amended,
            "AMENDED_ALREADY",
            "by",
            "sites/north/furnaces/k2/readings/r2",
        ),
    ] {
        let status = status(Error::Refused(refusal));
        let listed = status
            .get_details_precondition_failure()
            .expect("PreconditionFailure")
            .violations;
        assert_eq!((listed.len(), listed[0].r#type.as_str()), (1, reason));
        assert_eq!(
            info(&status).metadata.get(key).map(String::as_str),
            Some(value),
            "{reason}"
        );
    }
}

#[test]
fn what_is_missing_is_named_and_a_busy_server_says_when_to_come_back() {
    let missing = Error::Missing {
        kind: "ringtrue.v1/Furnace",
        name: furnace().name(),
    };
    let missing = status(missing);
    let resource = missing.get_details_resource_info().expect("ResourceInfo");
    assert_eq!(resource.resource_type, "ringtrue.v1/Furnace");
    assert_eq!(resource.resource_name, "sites/north/furnaces/k2");
    let preparing = status(Error::BeingPrepared { done: 2, of: 9 });
    let known = info(&preparing).metadata;
    assert_eq!(
        (known["done_sites"].as_str(), known["all_sites"].as_str()),
        ("2", "9")
    );
    for again in [status(Error::Busy), preparing] {
        let retry = again.get_details_retry_info().expect("RetryInfo");
        assert_eq!(retry.retry_delay, Some(Duration::from_secs(1)));
    }
}

#[test]
fn a_fault_of_the_store_keeps_its_causes_from_the_caller() {
    let status = status(Error::Store(ringtrue_store::Error::OutOfScope));
    assert!(!status.message().contains("scope"), "{}", status.message());
    assert!(info(&status).metadata.is_empty());
}

#[derive(Debug, thiserror::Error)]
#[error("the outer fault")]
struct Outer(#[source] std::fmt::Error);

#[test]
fn the_log_gets_every_cause() {
    let words = causes(&Outer(std::fmt::Error));
    assert_eq!(words, format!("the outer fault: {}", std::fmt::Error));
}

#[test]
fn refusals_to_sign_name_what_was_refused_and_until_when() {
    let subject = || "sites/north/furnaces/k2/adjustments/a1".to_owned();
    let person = || "qc".to_owned();
    let until = jiff::Timestamp::UNIX_EPOCH;
    for (refusal, reason, keys) in [
        (Refusal::NotAPerson, "NOT_A_PERSON", &[][..]),
        (
            Refusal::OwnRecord {
                subject: subject(),
                person: person(),
            },
            "OWN_RECORD",
            &["subject", "person"],
        ),
        (
            Refusal::NobodyNamed { subject: subject() },
            "NOBODY_NAMED",
            &["subject"],
        ),
        (
            Refusal::AmendedSince {
                reading: reading("r1"),
                by: reading("r2"),
            },
            "AMENDED_SINCE",
            &["subject", "by"],
        ),
        (
            Refusal::SignedAlready {
                subject: subject(),
                person: person(),
            },
            "SIGNED_ALREADY",
            &["subject", "person"],
        ),
        (
            Refusal::RecordAltered { subject: subject() },
            "RECORD_ALTERED",
            &["subject"],
        ),
        (Refusal::PhraseNotAccepted, "PHRASE_NOT_ACCEPTED", &[]),
        (Refusal::NoSigningKey, "NO_SIGNING_KEY", &[]),
        (
            Refusal::SigningLocked { until },
            "SIGNING_LOCKED",
            &["until"],
        ),
    ] {
        let status = status(Error::Refused(refusal));
        let info = info(&status);
        assert_eq!(status.code(), Code::FailedPrecondition);
        assert_eq!(info.reason, reason);
        let mut found: Vec<&str> = info.metadata.keys().map(String::as_str).collect();
        let mut wanted = keys.to_vec();
        found.sort_unstable();
        wanted.sort_unstable();
        assert_eq!(found, wanted, "{reason}");
    }
}
