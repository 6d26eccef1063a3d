//! Failures as RFC 9457 has them.

use std::borrow::Cow;
use std::collections::HashMap;
use std::time::Duration;

use axum::body::Body;
use http::{HeaderName, HeaderValue, Response, StatusCode, header};
use serde_json::{Map, Value, json};
use tonic::{Code, Status};
use tonic_types::StatusExt as _;
use uuid::Uuid;

use super::fault::reason;
use crate::telemetry::code_name;

/// How every problem travels.
const PROBLEM_JSON: &str = "application/problem+json";

/// How the type of every problem begins; behind it stands its reason.
pub(crate) const TYPE: &str = "urn:ringtrue:problem:";

/// A failure, ready to be told.
#[derive(Debug)]
pub(super) struct Problem {
    pub(super) status: StatusCode,
    code: &'static str,
    reason: String,
    detail: String,
    metadata: Map<String, Value>,
    violations: Vec<Value>,
    retry_after: Option<Duration>,
    headers: Vec<(HeaderName, HeaderValue)>,
    instance: Uuid,
}

impl Problem {
    /// Takes a status apart; `instance` names this failure in the answer and in the log.
    pub(super) fn of(status: &Status, instance: Uuid) -> Self {
        let details = status.get_error_details();
        let (reason, metadata) = match details.error_info() {
            Some(info) => (info.reason.clone(), info.metadata.clone()),
            None => (code_name(status.code()).to_owned(), HashMap::new()),
        };
        let mut violations = Vec::new();
        if let Some(bad) = details.bad_request() {
            for (at, violation) in bad.field_violations.iter().enumerate() {
                let mut told = json!({
                    "field": violation.field,
                    "description": violation.description,
                });
                if let Some(reason) = metadata.get(&format!("reason.{at}")) {
                    told["reason"] = reason.as_str().into();
                }
                violations.push(told);
            }
        }
        if let Some(precondition) = details.precondition_failure() {
            for (at, violation) in precondition.violations.iter().enumerate() {
                let mut told = json!({
                    "field": violation.subject,
                    "reason": violation.r#type,
                    "description": violation.description,
                });
                if let Some(suggestion) = metadata.get(&format!("suggestion.{at}")) {
                    told["suggestion"] = suggestion.as_str().into();
                }
                violations.push(told);
            }
        }
        let mut kept: Vec<(String, String)> = metadata.into_iter().collect();
        kept.sort();
        let metadata = kept
            .into_iter()
            .map(|(key, value)| (key, value.into()))
            .collect();
        let http = http_status(status.code(), &reason);
        let mut headers = Vec::new();
        if http == StatusCode::UNAUTHORIZED {
            let scheme = HeaderValue::from_static("Bearer realm=\"ringtrue\"");
            headers.push((header::WWW_AUTHENTICATE, scheme));
        }
        if reason == reason::MEDIA_TYPE {
            // RFC 7694: how bodies may be compressed, namely not at all.
            let identity = HeaderValue::from_static("identity");
            headers.push((header::ACCEPT_ENCODING, identity));
        }
        Self {
            status: http,
            code: code_name(status.code()),
            reason,
            detail: status.message().to_owned(),
            metadata,
            violations,
            retry_after: details.retry_info().and_then(|info| info.retry_delay),
            headers,
            instance,
        }
    }

    /// Adds a header.
    pub(super) fn with(mut self, name: HeaderName, value: &str) -> Self {
        if let Ok(value) = HeaderValue::try_from(value) {
            self.headers.push((name, value));
        }
        self
    }

    /// Says in the log that somebody was told so.
    pub(super) fn logged(self, route: &str) -> Self {
        tracing::info!(
            route,
            status = self.status.as_u16(),
            reason = self.reason,
            instance = %self.instance,
            "told over HTTP why not"
        );
        self
    }

    /// The problem as JSON.
    pub(super) fn json(&self) -> Value {
        let mut told = Map::new();
        told.insert("type".to_owned(), format!("{TYPE}{}", self.reason).into());
        told.insert("title".to_owned(), title(&self.reason).into());
        told.insert("status".to_owned(), self.status.as_u16().into());
        told.insert("detail".to_owned(), self.detail.as_str().into());
        told.insert(
            "instance".to_owned(),
            self.instance.urn().to_string().into(),
        );
        told.insert("code".to_owned(), self.code.into());
        told.insert("reason".to_owned(), self.reason.as_str().into());
        if !self.metadata.is_empty() {
            told.insert("metadata".to_owned(), self.metadata.clone().into());
        }
        if !self.violations.is_empty() {
            told.insert("violations".to_owned(), self.violations.clone().into());
        }
        if let Some(wait) = self.retry_after {
            told.insert("retry_after_s".to_owned(), wait.as_secs_f64().into());
        }
        told.into()
    }

    /// The problem as an answer.
    pub(super) fn response(self) -> Response<Body> {
        let mut response = Response::new(Body::from(self.json().to_string()));
        *response.status_mut() = self.status;
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(PROBLEM_JSON));
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
        if let Some(wait) = self.retry_after {
            // Whole seconds (RFC 9110, 10.2.3), never too few.
            let seconds = wait.as_secs() + u64::from(wait.subsec_nanos() > 0);
            headers.insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        for (name, value) in self.headers {
            headers.insert(name, value);
        }
        response
    }
}

/// The reason in words, the same for every problem of a type.
fn title(reason: &str) -> String {
    let words = reason.to_ascii_lowercase().replace('_', " ");
    let mut letters = words.chars();
    match letters.next() {
        Some(first) => format!("{}{}", first.to_ascii_uppercase(), letters.as_str()),
        None => words,
    }
}

/// The status that goes with a code, as google.rpc.Code says, but where HTTP has a better one.
pub(super) fn http_status(code: Code, reason: &str) -> StatusCode {
    match reason {
        reason::STALE_ETAG => return StatusCode::PRECONDITION_FAILED,
        reason::TOO_LARGE => return StatusCode::PAYLOAD_TOO_LARGE,
        reason::TOO_SLOW => return StatusCode::REQUEST_TIMEOUT,
        reason::OTHER_METHOD => return StatusCode::METHOD_NOT_ALLOWED,
        reason::NOT_ACCEPTABLE => return StatusCode::NOT_ACCEPTABLE,
        reason::MEDIA_TYPE => return StatusCode::UNSUPPORTED_MEDIA_TYPE,
        reason::ADDRESS_TOO_LONG => return StatusCode::URI_TOO_LONG,
        reason::HEADERS_TOO_LARGE => return StatusCode::REQUEST_HEADER_FIELDS_TOO_LARGE,
        _ => {}
    }
    match code {
        Code::Ok => StatusCode::OK,
        // Nobody is there to read it; 499 is what proxies write down for that.
        Code::Cancelled => StatusCode::from_u16(499).unwrap_or(StatusCode::BAD_REQUEST),
        Code::InvalidArgument | Code::FailedPrecondition | Code::OutOfRange => {
            StatusCode::BAD_REQUEST
        }
        Code::DeadlineExceeded => StatusCode::GATEWAY_TIMEOUT,
        Code::NotFound => StatusCode::NOT_FOUND,
        Code::AlreadyExists | Code::Aborted => StatusCode::CONFLICT,
        Code::PermissionDenied => StatusCode::FORBIDDEN,
        Code::Unauthenticated => StatusCode::UNAUTHORIZED,
        Code::ResourceExhausted => StatusCode::TOO_MANY_REQUESTS,
        Code::Unimplemented => StatusCode::NOT_IMPLEMENTED,
        Code::Unavailable => StatusCode::SERVICE_UNAVAILABLE,
        Code::Unknown | Code::Internal | Code::DataLoss => StatusCode::INTERNAL_SERVER_ERROR,
    }
}

/// The status of what failed here and never should.
pub(super) fn broken(what: impl Into<Cow<'static, str>>) -> Status {
    let what = what.into();
    tracing::error!(cause = %what, "an answer could not be written over HTTP");
    super::fault::status_of(
        Code::Internal,
        "INTERNAL",
        "the server met a fault of its own; it is in the server's log: report it",
    )
}

#[cfg(test)]
mod tests {
    use super::super::fault::{status_of, too_large, violation};
    use super::*;

    #[test]
    fn a_status_becomes_a_problem_with_all_it_says() {
        let fault = violation(
            "reading.setpoint_c",
            "OUT_OF_RANGE",
            "is too much; send less",
        );
        let problem = Problem::of(&fault, Uuid::nil());
        let told = problem.json();
        assert_eq!(told["type"], "urn:ringtrue:problem:BAD_VALUES");
        assert_eq!(told["title"], "Bad values");
        assert_eq!(told["status"], 400);
        assert_eq!(told["code"], "INVALID_ARGUMENT");
        assert_eq!(
            told["instance"],
            "urn:uuid:00000000-0000-0000-0000-000000000000"
        );
        assert_eq!(
            told["violations"],
            json!([{
                "field": "reading.setpoint_c",
                "description": "is too much; send less",
                "reason": "OUT_OF_RANGE",
            }])
        );
    }

    #[test]
    fn reasons_with_a_status_of_their_own_get_it() {
        assert_eq!(
            Problem::of(&too_large(4, "the body"), Uuid::nil()).status,
            StatusCode::PAYLOAD_TOO_LARGE
        );
        let stale = status_of(Code::Aborted, reason::STALE_ETAG, "stale");
        assert_eq!(
            Problem::of(&stale, Uuid::nil()).status,
            StatusCode::PRECONDITION_FAILED
        );
        let bare = Problem::of(&Status::aborted("again"), Uuid::nil());
        assert_eq!(
            (bare.status, bare.reason.as_str()),
            (StatusCode::CONFLICT, "ABORTED")
        );
    }
}
