//! From the product's faults to gRPC answers; nothing else here knows the codes.
//!
//! Every answer carries `google.rpc.ErrorInfo` with a stable reason (Google AIP-193). Words that
//! change are repeated in its metadata, so that no program has to read the message.

#![deny(
    clippy::wildcard_enum_match_arm,
    clippy::match_wildcard_for_single_variants
)]

use std::collections::HashMap;
use std::error::Error as StdError;
use std::fmt::Write as _;
use std::time::Duration;

use ringtrue_fleet::reading::AskedQuestion;
use ringtrue_fleet::refusal::Refusal;
use ringtrue_fleet::violation::Violations;
use tonic::{Code, Response, Status};
use tonic_types::{ErrorDetails, FieldViolation, PreconditionViolation, StatusExt as _};

use crate::app::Error;

/// Names this product in every `google.rpc.ErrorInfo`.
const DOMAIN: &str = "ringtrue";

/// How long a caller that met a busy server is asked to wait.
const COME_BACK: Duration = Duration::from_secs(1);

/// Most bytes of a message as it travels, percent-encoded.
///
/// An answer's words travel in HTTP/2 header fields, and some clients refuse more than 8 KiB of them
/// in all. The message travels twice, once in the details.
const MOST_MESSAGE_BYTES: usize = 2_100;

/// Most bytes of all violations of one answer.
const MOST_VIOLATION_BYTES: usize = 2_400;

/// Most bytes of one violation's text.
const MOST_TEXT_BYTES: usize = 600;

/// Bytes that one violation costs besides its texts.
const VIOLATION_FRAME_BYTES: usize = 48;

/// Gives a call's answer as gRPC wants it.
pub(crate) fn answer<T>(outcome: Result<T, Error>) -> Result<Response<T>, Status> {
    outcome.map(Response::new).map_err(status)
}

/// Ends a stream whose reader fell behind.
pub(crate) fn fell_behind(cursor: &str) -> Status {
    let mut details = said("FELL_BEHIND", HashMap::from([field("cursor", cursor)]));
    details.set_retry_info(Some(COME_BACK));
    status_of(
        Code::Unavailable,
        "the reader fell too far behind; open the stream again after the last cursor received",
        details,
    )
}

/// Gives the gRPC answer for a fault; faults of the store are logged here, once, with their causes.
pub fn status(error: Error) -> Status {
    match error {
        Error::Invalid(violations) => invalid(violations),
        Error::RequestIdReused => status_of(
            Code::AlreadyExists,
            "request_id was used before with other content; send a new UUID for a new change",
            said(
                "REQUEST_ID_REUSED",
                HashMap::from([field("field", "request_id")]),
            ),
        ),
        Error::Unknown => status_of(
            Code::Unauthenticated,
            "no credential that can be used came with this call: enrol this client, or ask for a new \
             credential",
            said("UNAUTHENTICATED", HashMap::new()),
        ),
        Error::CodeUnusable => status_of(
            Code::Unauthenticated,
            "this code cannot be used: check that it was typed right, or ask for a new one; five wrong tries end it",
            said("CODE_UNUSABLE", HashMap::new()),
        ),
        Error::TooOften { wait } => {
            let wait = wait.max(COME_BACK);
            let mut details = said("TOO_OFTEN", HashMap::new());
            details.set_retry_info(Some(wait));
            let message = format!(
                "too many calls of this kind from here; try again in {} s",
                wait.as_secs_f64().ceil()
            );
            status_of(Code::ResourceExhausted, &message, details)
        }
        Error::Denied(denied) => status_of(
            Code::PermissionDenied,
            &denied.to_string(),
            said("DENIED", HashMap::new()),
        ),
        Error::Missing { kind, name } => {
            let message = format!("there is no {name}; check the name");
            let mut details = said("NOT_FOUND", of_resource(kind, &name));
            details.set_resource_info(kind, shortened(&name), "", "does not exist");
            status_of(Code::NotFound, &message, details)
        }
        Error::Exists { kind, name } => {
            let message =
                format!("there is a {name} already; choose another id, or change what is there");
            let mut details = said("EXISTS_ALREADY", of_resource(kind, &name));
            details.set_resource_info(kind, shortened(&name), "", "exists already");
            status_of(Code::AlreadyExists, &message, details)
        }
        Error::Refused(refusal) => refused(&refusal),
        Error::Stale { name } => status_of(
            Code::Aborted,
            &format!("the version of {name} is out of date; read it again and repeat the change"),
            said("STALE_ETAG", HashMap::from([field("name", &name)])),
        ),
        Error::CursorExpired => status_of(
            Code::OutOfRange,
            "the changes after this cursor are no longer kept; begin anew: keep `end_cursor` of ListChanges, list \
             everything, then follow from that cursor",
            said("CURSOR_EXPIRED", HashMap::new()),
        ),
        Error::BeingPrepared { done, of } => {
            let metadata = [
                field("done_sites", &done.to_string()),
                field("all_sites", &of.to_string()),
            ];
            let mut details = said("BEING_PREPARED", HashMap::from(metadata));
            details.set_retry_info(Some(COME_BACK));
            let message = format!(
                "where all furnaces stand is being worked out, {done} of {of} sites so far; ask again in a second"
            );
            status_of(Code::Unavailable, &message, details)
        }
        Error::Busy => {
            let mut details = said("BUSY", HashMap::new());
            details.set_retry_info(Some(COME_BACK));
            status_of(
                Code::Unavailable,
                "the server is busy; try again in a second",
                details,
            )
        }
        Error::Broken => status_of(
            Code::Internal,
            "the server has a fault; nothing was stored: tell its administrator",
            said("INTERNAL", HashMap::new()),
        ),
        Error::Store(error) => of_store(&error),
    }
}

/// The answer when the store refused or failed.
fn of_store(error: &ringtrue_store::Error) -> Status {
    match error {
        ringtrue_store::Error::Conflict(_) => {
            tracing::warn!(
                cause = causes(error),
                "another change was in the way of this one"
            );
            let mut details = said("CHANGE_IN_THE_WAY", HashMap::new());
            details.set_retry_info(Some(COME_BACK));
            status_of(
                Code::Aborted,
                "another change was in the way and nothing was stored; send the same request again in a second",
                details,
            )
        }
        ringtrue_store::Error::Unreachable(_) => {
            tracing::error!(cause = causes(error), "the database cannot be reached");
            let mut details = said("STORE_UNREACHABLE", HashMap::new());
            details.set_retry_info(Some(COME_BACK));
            status_of(
                Code::Unavailable,
                "the server cannot reach its database and does not know what became of this request; send the same \
                 one again in a second: it is carried out once",
                details,
            )
        }
        ringtrue_store::Error::Exists
        | ringtrue_store::Error::RequestIdReused
        | ringtrue_store::Error::OutOfScope
        | ringtrue_store::Error::Corrupt { .. }
        | ringtrue_store::Error::NewerSchema
        | ringtrue_store::Error::OlderSchema
        | ringtrue_store::Error::NotOurs
        | ringtrue_store::Error::NotMigrated
        | ringtrue_store::Error::CopyUnfinished
        | ringtrue_store::Error::Address(_)
        | ringtrue_store::Error::SignInRefused(_)
        | ringtrue_store::Error::NoSuchDatabase(_)
        | ringtrue_store::Error::Forbidden(_)
        | ringtrue_store::Error::OldServer
        | ringtrue_store::Error::Database(_)
        | ringtrue_store::Error::Migration(_) => {
            tracing::error!(cause = causes(error), "the store failed");
            status_of(
                Code::Internal,
                "the server could not use its records; nothing was acknowledged: try again, and tell \
                 its administrator when this stays",
                said("STORE_FAILED", HashMap::new()),
            )
        }
    }
}

fn invalid(violations: Violations) -> Status {
    let all = violations.0.len();
    let mut listed = Vec::new();
    let mut metadata = HashMap::new();
    let mut message = String::new();
    let mut bytes = 0;
    let mut in_message = 0;
    for violation in violations.0 {
        let text = shortened(&violation.message);
        bytes +=
            VIOLATION_FRAME_BYTES + violation.field.len() + violation.reason.len() + text.len();
        if bytes > MOST_VIOLATION_BYTES && !listed.is_empty() {
            break;
        }
        let words = format!("{} {}", violation.field, text.trim_end_matches('.'));
        if in_message == listed.len()
            && encoded_len(&message) + encoded_len(&words) <= MOST_MESSAGE_BYTES
        {
            if in_message > 0 {
                message.push_str("; ");
            }
            message.push_str(&words);
            in_message += 1;
        }
        metadata.insert(
            format!("reason.{}", listed.len()),
            violation.reason.to_owned(),
        );
        listed.push(FieldViolation::new(violation.field, text));
    }
    if all > in_message {
        write!(message, "; and {} more", all - in_message)
            .expect("writing to a string cannot fail");
    }
    if all > listed.len() {
        metadata.insert("left_out".to_owned(), (all - listed.len()).to_string());
    }
    let mut details = said("BAD_VALUES", metadata);
    details.set_bad_request(listed);
    status_of(Code::InvalidArgument, &message, details)
}

fn refused(refusal: &Refusal) -> Status {
    let mut listed = Vec::new();
    let metadata;
    match refusal {
        Refusal::FurnaceRetired { furnace } => {
            metadata = HashMap::from([field("furnace", &furnace.name())]);
        }
        Refusal::BatchNotReleased {
            batch,
            withdrawn: _,
            reason,
        } => {
            metadata =
                HashMap::from([field("ring_batch", &batch.name()), field("because", reason)]);
        }
        Refusal::BatchExpired {
            batch,
            expires_on,
            fired_on,
        } => {
            metadata = HashMap::from([
                field("ring_batch", &batch.name()),
                field("expires_on", &expires_on.to_string()),
                field("fired_on", &fired_on.to_string()),
            ]);
        }
        Refusal::GaugeWithdrawn { gauge } => {
            metadata = HashMap::from([field("gauge", &gauge.name())]);
        }
        Refusal::OpenQuestions { questions } => {
            (listed, metadata) = asked(questions);
        }
        Refusal::AlertClosed { alert } | Refusal::MayNotRest { alert, why: _ } => {
            metadata = HashMap::from([field("alert", &alert.name())]);
        }
        Refusal::MayNotRotate { credential, why: _ }
        | Refusal::LastAdministrator { credential } => {
            metadata = HashMap::from([field("credential", &credential.name())]);
        }
        Refusal::EnrolmentUsed { enrolment, made } => {
            metadata = HashMap::from([
                field("enrolment", &enrolment.name()),
                field("made", &made.name()),
            ]);
        }
        Refusal::SiteGroupRemoved { group } => {
            metadata = HashMap::from([field("site_group", &group.name())]);
        }
        Refusal::FindingResolved { finding } => {
            metadata = HashMap::from([field("finding", &finding.name())]);
        }
        Refusal::AmendedAlready { reading, by } => {
            metadata = HashMap::from([field("reading", &reading.name()), field("by", &by.name())]);
        }
        Refusal::FiringAmendedAlready { firing, by } => {
            metadata = HashMap::from([field("firing", &firing.name()), field("by", &by.name())]);
        }
        Refusal::AmendedSince { reading, by } => {
            metadata = HashMap::from([field("subject", &reading.name()), field("by", &by.name())]);
        }
        Refusal::OwnRecord { subject, person } | Refusal::SignedAlready { subject, person } => {
            metadata = HashMap::from([field("subject", subject), field("person", person)]);
        }
        Refusal::NobodyNamed { subject } | Refusal::RecordAltered { subject } => {
            metadata = HashMap::from([field("subject", subject)]);
        }
        Refusal::SigningLocked { until } => {
            metadata = HashMap::from([field("until", &until.to_string())]);
        }
        Refusal::NotAPerson | Refusal::PhraseNotAccepted | Refusal::NoSigningKey => {
            metadata = HashMap::new();
        }
    }
    if listed.is_empty() {
        let text = shortened(&refusal.to_string());
        listed.push(PreconditionViolation::new(
            refusal.reason(),
            refusal.field(),
            text,
        ));
    }
    let mut details = said(refusal.reason(), metadata);
    details.set_precondition_failure(listed);
    status_of(Code::FailedPrecondition, &refusal.to_string(), details)
}

/// One violation per question, and the suggested values by the violation's number.
fn asked(questions: &[AskedQuestion]) -> (Vec<PreconditionViolation>, HashMap<String, String>) {
    let mut listed = Vec::new();
    let mut metadata = HashMap::new();
    let mut bytes = 0;
    for AskedQuestion {
        question,
        answered: _,
    } in questions
    {
        let code = question.code.code();
        let text = shortened(&question.text);
        bytes += VIOLATION_FRAME_BYTES + code.len() + question.field.len() + text.len();
        if bytes > MOST_VIOLATION_BYTES && !listed.is_empty() {
            metadata.insert(
                "left_out".to_owned(),
                (questions.len() - listed.len()).to_string(),
            );
            break;
        }
        if let Some(suggestion) = question.suggestion {
            metadata.insert(
                format!("suggestion.{}", listed.len()),
                suggestion.to_string(),
            );
        }
        listed.push(PreconditionViolation::new(
            code,
            question.field.as_str(),
            text,
        ));
    }
    (listed, metadata)
}

fn said(reason: &str, metadata: HashMap<String, String>) -> ErrorDetails {
    let mut details = ErrorDetails::new();
    details.set_error_info(reason, DOMAIN, metadata);
    details
}

fn field(key: &str, value: &str) -> (String, String) {
    (key.to_owned(), shortened(value))
}

fn of_resource(kind: &str, name: &str) -> HashMap<String, String> {
    HashMap::from([field("kind", kind), field("name", name)])
}

fn status_of(code: Code, message: &str, details: ErrorDetails) -> Status {
    Status::with_error_details(code, fitting(message), details)
}

/// A message cut where it would grow too long to travel.
fn fitting(message: &str) -> String {
    let mut room = MOST_MESSAGE_BYTES;
    let mut kept = String::with_capacity(message.len());
    for letter in message.chars() {
        let mut bytes = [0; 4];
        let cost = encoded_len(letter.encode_utf8(&mut bytes));
        if cost > room {
            kept.push('…');
            break;
        }
        room -= cost;
        kept.push(letter);
    }
    kept
}

/// Bytes of a text when everything but letters and digits is percent-encoded, which is never less
/// than what gRPC makes of it.
fn encoded_len(text: &str) -> usize {
    let mut length = 0;
    for byte in text.bytes() {
        length += if byte.is_ascii_alphanumeric() { 1 } else { 3 };
    }
    length
}

fn shortened(text: &str) -> String {
    if text.len() <= MOST_TEXT_BYTES {
        return text.to_owned();
    }
    let mut end = MOST_TEXT_BYTES;
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    format!("{}…", &text[..end])
}

fn causes(error: &dyn StdError) -> String {
    let mut words = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        words.push_str(": ");
        words.push_str(&error.to_string());
        cause = error.source();
    }
    words
}

#[cfg(test)]
mod tests;
