//! What is wrong with a request before a call sees it, as the same statuses that calls answer with.

use std::collections::HashMap;

use ringtrue_fleet::violation::Violations;
use tonic::{Code, Status};
use tonic_types::{ErrorDetails, StatusExt as _};

use crate::app;
use crate::rpc::status;

/// The `domain` of every `google.rpc.ErrorInfo`.
const DOMAIN: &str = "ringtrue";

/// Reasons that HTTP has a status of its own for; calls over gRPC never answer with the ones that are ours alone.
pub(super) mod reason {
    pub(crate) const STALE_ETAG: &str = "STALE_ETAG";
    pub(crate) const TOO_LARGE: &str = "REQUEST_TOO_LARGE";
    pub(crate) const TOO_SLOW: &str = "REQUEST_TOO_SLOW";
    pub(crate) const MALFORMED: &str = "MALFORMED_REQUEST";
    pub(crate) const NO_SUCH_PATH: &str = "NO_SUCH_PATH";
    pub(crate) const OTHER_METHOD: &str = "METHOD_NOT_ALLOWED";
    pub(crate) const NOT_ACCEPTABLE: &str = "NOT_ACCEPTABLE";
    pub(crate) const MEDIA_TYPE: &str = "UNSUPPORTED_MEDIA_TYPE";
    pub(crate) const ADDRESS_TOO_LONG: &str = "ADDRESS_TOO_LONG";
    pub(crate) const HEADERS_TOO_LARGE: &str = "HEADERS_TOO_LARGE";
    pub(crate) const CERTIFICATE_NEEDED: &str = "CERTIFICATE_NEEDED";
}

/// A status with a reason.
pub(super) fn status_of(code: Code, reason: &str, message: impl Into<String>) -> Status {
    let mut details = ErrorDetails::new();
    details.set_error_info(reason, DOMAIN, HashMap::<String, String>::new());
    Status::with_error_details(code, message, details)
}

/// A value that cannot be taken.
pub(super) fn violation(
    field: impl Into<String>,
    reason: &'static str,
    message: impl Into<String>,
) -> Status {
    let mut violations = Violations::default();
    violations.add(field, reason, message);
    refused(violations)
}

/// Values that cannot be taken.
pub(super) fn refused(violations: Violations) -> Status {
    status::status(app::Error::from(violations))
}

/// A body that is not what it should be.
pub(super) fn malformed(message: impl Into<String>) -> Status {
    status_of(Code::InvalidArgument, reason::MALFORMED, message)
}

/// A body that is too large.
pub(super) fn too_large(most_bytes: usize, what: &str) -> Status {
    status_of(
        Code::InvalidArgument,
        reason::TOO_LARGE,
        format!(
            "{what} has more than the {most_bytes} bytes that are read: split it into several calls, or raise \
             limits.message_bytes on the server"
        ),
    )
}
