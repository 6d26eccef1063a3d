//! Turns a gRPC status back into what the server meant.

use std::collections::BTreeMap;
use std::time::Duration;

use tonic::{Code, Status};
use tonic_types::StatusExt as _;

use crate::trust;

/// A call that was not carried out, or whose answer was lost.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    /// The canonical code.
    pub code: Code,
    /// Stable reason from `google.rpc.ErrorInfo`, for example `REQUEST_ID_REUSED`; `UNREACHABLE`
    /// when no server answered, `DEADLINE` when the time ran out here; `UNKNOWN_AUTHORITY`,
    /// `CERTIFICATE_EXPIRED`, `CERTIFICATE_NOT_YET_VALID`, `WRONG_NAME`, `CLIENT_CERTIFICATE_REFUSED` or
    /// `NO_ENCRYPTION` when no encrypted connection came to be; `NO_HTTP2` when what answered was something
    /// else; else empty.
    pub reason: String,
    /// What happened and what to do next, in words.
    pub message: String,
    /// The changing words of the message, from `google.rpc.ErrorInfo`.
    pub metadata: BTreeMap<String, String>,
    /// Every bad field of the request, from `google.rpc.BadRequest`.
    pub violations: Vec<Violation>,
    /// What the state of things forbids, or open questions, from `google.rpc.PreconditionFailure`.
    pub preconditions: Vec<Precondition>,
    /// Name of the resource that is missing or exists already, from `google.rpc.ResourceInfo`.
    pub resource: Option<String>,
    /// How long to wait before trying again, from `google.rpc.RetryInfo`.
    pub retry_after: Option<Duration>,
}

/// One bad field of a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Violation {
    /// Path of the field, for example `reading.rings.rings[0].diameters_mm[1]`.
    pub field: String,
    /// What is wrong and what to do next.
    pub description: String,
}

/// One thing that stands in the way of a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Precondition {
    /// Stable code; of an open question, the code that confirms it.
    pub kind: String,
    /// What it is about: a resource name or a field path.
    pub subject: String,
    /// The sentence, or the question.
    pub description: String,
}

impl Failure {
    /// Takes a status apart.
    pub fn of(status: &Status) -> Self {
        let details = status.get_error_details();
        let mut failure = Failure::plain(status.code(), "", status.message());
        if let Some(info) = details.error_info() {
            info.reason.clone_into(&mut failure.reason);
            for (key, value) in &info.metadata {
                failure.metadata.insert(key.clone(), value.clone());
            }
        }
        if let Some(bad) = details.bad_request() {
            for violation in &bad.field_violations {
                failure.violations.push(Violation {
                    field: violation.field.clone(),
                    description: violation.description.clone(),
                });
            }
        }
        if let Some(refused) = details.precondition_failure() {
            for violation in &refused.violations {
                failure.preconditions.push(Precondition {
                    kind: violation.r#type.clone(),
                    subject: violation.subject.clone(),
                    description: violation.description.clone(),
                });
            }
        }
        failure.resource = details
            .resource_info()
            .map(|info| info.resource_name.clone());
        failure.retry_after = details.retry_info().and_then(|info| info.retry_delay);
        if failure.reason.is_empty()
            && let Some(cause) = trust::failure(status)
        {
            return cause;
        }
        if failure.reason.is_empty() && is_no_http2(status) {
            "NO_HTTP2".clone_into(&mut failure.reason);
            failure.message = format!(
                "what answers at this address does not speak HTTP/2 as a server does ({}): see that address and port \
                 are the server's, and write https:// when it encrypts",
                status.message()
            );
        }
        if failure.reason.is_empty() && never_arrived(status) {
            // A connection that broke under a call comes as Unknown; it is no less worth repeating than
            // one that was never made, since every change carries its request id.
            failure.code = Code::Unavailable;
            "UNREACHABLE".clone_into(&mut failure.reason);
        }
        failure
    }

    /// A failure that was found on this side of the connection.
    pub(crate) fn plain(code: Code, reason: &str, message: &str) -> Self {
        Failure {
            code,
            reason: reason.to_owned(),
            message: message.to_owned(),
            metadata: BTreeMap::new(),
            violations: Vec::new(),
            preconditions: Vec::new(),
            resource: None,
            retry_after: None,
        }
    }

    /// Whether the same request may succeed a moment later.
    ///
    /// Only `UNAVAILABLE` and `ABORTED`; a version that somebody else has changed since stays
    /// changed, so a stale etag is not repeated, nor is a handshake with a server that is not trusted.
    pub fn is_worth_repeating(&self) -> bool {
        match self.code {
            Code::Unavailable => !trust::is_about_trust(&self.reason),
            Code::Aborted => !self.reason.contains("ETAG"),
            _ => false,
        }
    }

    /// Whether the server may have carried out the request although no answer came.
    pub fn leaves_doubt(&self) -> bool {
        let is_doubtful = matches!(
            self.code,
            Code::Unavailable | Code::DeadlineExceeded | Code::Cancelled | Code::Unknown
        );
        is_doubtful && !self.is_about_trust()
    }

    /// Whether the line is down: no server answered, or one that could not. A refusal is none, nor is a server that is
    /// not trusted.
    pub fn is_of_the_line(&self) -> bool {
        let is_of_it = matches!(
            self.code,
            Code::Unavailable | Code::DeadlineExceeded | Code::Cancelled
        );
        is_of_it && !self.is_about_trust()
    }

    /// Whether no encrypted connection came about: nothing was sent.
    pub fn is_about_trust(&self) -> bool {
        trust::is_about_trust(&self.reason)
    }
}

/// True when the status was made by the transport, so that no server spoke.
fn never_arrived(status: &Status) -> bool {
    matches!(
        status.code(),
        Code::Unavailable | Code::Unknown | Code::Cancelled
    ) && std::error::Error::source(status).is_some()
}

/// True when the transport could make nothing of what came, for example from a server that encrypts.
fn is_no_http2(status: &Status) -> bool {
    status.code() == Code::Internal
        && std::error::Error::source(status).is_some()
        && status.message().starts_with("h2 protocol error")
}

impl std::fmt::Display for Failure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.message)?;
        for violation in &self.violations {
            write!(f, "\n{}: {}", violation.field, violation.description)?;
        }
        for precondition in &self.preconditions {
            write!(
                f,
                "\n{} ({}): {}",
                precondition.kind, precondition.subject, precondition.description
            )?;
        }
        Ok(())
    }
}

impl std::error::Error for Failure {}

#[cfg(test)]
mod tests {
    use super::*;
    use tonic_types::ErrorDetails;

    #[test]
    fn a_status_is_taken_apart_into_fields_reason_and_pause() {
        let mut details = ErrorDetails::new();
        details
            .set_error_info(
                "OUT_OF_RANGE",
                "ringtrue",
                [("field".to_owned(), "zero_mm".to_owned())],
            )
            .add_bad_request_violation(
                "reading.rings.zero_mm",
                "Zero the gauge, then measure again.",
            )
            .add_precondition_failure_violation(
                "DIGITS_SWAPPED",
                "reading.x",
                "Did you read 19.47?",
            )
            .set_resource_info("furnace", "sites/porto/furnaces/k2", "", "")
            .set_retry_info(Some(Duration::from_millis(250)));
        let status =
            Status::with_error_details(Code::InvalidArgument, "One value is wrong.", details);

        let failure = Failure::of(&status);

        assert_eq!(failure.code, Code::InvalidArgument);
        assert_eq!(failure.reason, "OUT_OF_RANGE");
        assert_eq!(
            failure.metadata.get("field").map(String::as_str),
            Some("zero_mm")
        );
        assert_eq!(failure.violations[0].field, "reading.rings.zero_mm");
        assert_eq!(failure.preconditions[0].kind, "DIGITS_SWAPPED");
        assert_eq!(failure.preconditions[0].subject, "reading.x");
        assert_eq!(failure.resource.as_deref(), Some("sites/porto/furnaces/k2"));
        assert_eq!(failure.retry_after, Some(Duration::from_millis(250)));
    }

    #[test]
    fn only_busy_and_conflicting_servers_are_asked_again() {
        let worth = |code, reason| Failure::plain(code, reason, "").is_worth_repeating();
        assert!(worth(Code::Unavailable, ""));
        assert!(worth(Code::Aborted, "CONFLICT"));
        assert!(!worth(Code::Aborted, "STALE_ETAG"));
        assert!(!worth(Code::DeadlineExceeded, "DEADLINE"));
        assert!(!worth(Code::Internal, ""));
        assert!(!worth(Code::FailedPrecondition, ""));
    }

    #[test]
    fn a_refusal_and_a_foreign_server_are_not_the_line() {
        let of_line = |code, reason| Failure::plain(code, reason, "").is_of_the_line();
        assert!(of_line(Code::Unavailable, "UNREACHABLE"));
        assert!(of_line(Code::Unavailable, "STOPPING"));
        assert!(of_line(Code::DeadlineExceeded, "DEADLINE"));
        assert!(!of_line(Code::Unavailable, "UNKNOWN_AUTHORITY"));
        assert!(!of_line(Code::FailedPrecondition, "FURNACE_RETIRED"));
        assert!(!of_line(Code::Unauthenticated, "UNAUTHENTICATED"));
        assert!(!of_line(Code::Internal, "NO_HTTP2"));
    }

    #[test]
    fn a_failure_without_details_keeps_its_message() {
        let failure = Failure::of(&Status::internal("the store is full"));
        assert_eq!(failure.to_string(), "the store is full");
        assert_eq!(failure.reason, "");
        assert!(failure.violations.is_empty());
    }
}
