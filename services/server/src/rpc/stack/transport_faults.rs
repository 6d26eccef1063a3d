//! What the transport says when it cannot read a request, as codes and words a caller can act on.
//!
//! The transport's texts are recognised by their beginnings; the tests provoke each of them through
//! the transport itself, so that a new version with other texts is noticed.

use std::collections::HashMap;
use std::error::Error as _;
use std::sync::Arc;

use tonic::{Code, Status};
use tonic_types::{ErrorDetails, StatusExt as _};

use crate::telemetry::code_name;

/// The `domain` of every `google.rpc.ErrorInfo`.
const DOMAIN: &str = "ringtrue";

/// How the transport begins when a message is not what the protocol files say.
const UNDECODABLE: &str = "failed to decode Protobuf message: ";
/// How it begins when a message is over the limit.
const TOO_LARGE: &str = "Error, decoded message length too large: found ";
/// How it begins when what arrived is no gRPC message at all.
const NO_MESSAGE: [&str; 3] = [
    "Missing request message.",
    "Unexpected EOF decoding stream.",
    "protocol error: received",
];

/// Gives a status with `google.rpc.ErrorInfo`, and with what `more` adds to it.
pub(super) fn status(
    code: Code,
    message: impl Into<String>,
    reason: &str,
    more: impl FnOnce(&mut ErrorDetails),
) -> Status {
    let mut details = ErrorDetails::new();
    details.set_error_info(reason, DOMAIN, HashMap::<String, String>::new());
    more(&mut details);
    Status::with_error_details(code, message, details)
}

/// Gives what to answer instead of a status the transport made; nothing when the status explains
/// itself already.
pub(in crate::rpc) fn explained(said: &Status) -> Option<Status> {
    if said.code() == Code::Ok || !said.details().is_empty() {
        return None;
    }
    let message = said.message();
    if let Some(fault) = message.strip_prefix(UNDECODABLE) {
        return Some(undecodable(fault));
    }
    if let Some(sizes) = message.strip_prefix(TOO_LARGE) {
        return Some(too_large(sizes));
    }
    for beginning in NO_MESSAGE {
        if message.starts_with(beginning) {
            return Some(status(
                Code::InvalidArgument,
                "the call carries no readable request: send exactly one message, as gRPC frames it",
                "MALFORMED_REQUEST",
                |_| {},
            ));
        }
    }
    if said.code() == Code::Unimplemented && message.is_empty() {
        return Some(status(
            Code::Unimplemented,
            "the server has no such call: compare with its protocol files; reflection lists them",
            "UNKNOWN_METHOD",
            |_| {},
        ));
    }
    // Anything else keeps its code and words, and gains the reason every failure has.
    let mut kept = status(said.code(), message, code_name(said.code()), |_| {});
    *kept.metadata_mut() = said.metadata().clone();
    if let Some(causes) = chain(said) {
        kept.set_source(Arc::new(Causes(causes)));
    }
    Some(kept)
}

/// Gives the causes behind a status, outermost first; they stay in the log.
pub(super) fn chain(status: &Status) -> Option<String> {
    let mut cause = status.source()?;
    let mut text = cause.to_string();
    while let Some(deeper) = cause.source() {
        text.push_str(": ");
        text.push_str(&deeper.to_string());
        cause = deeper;
    }
    Some(text)
}

/// A chain of causes as one text.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
struct Causes(String);

/// Answers `Request.reading: Reading.name: invalid string value: data is not UTF-8 encoded`.
fn undecodable(fault: &str) -> Status {
    let mut path = Vec::new();
    let mut rest = fault;
    while let Some((step, behind)) = rest.split_once(": ") {
        let Some((message, field)) = step.split_once('.') else {
            break;
        };
        if !is_name(message) || !is_name(field) {
            break;
        }
        path.push(field);
        rest = behind;
    }
    let advice = if rest.contains("UTF-8") {
        "it is not UTF-8 text: send UTF-8 text".to_owned()
    } else {
        format!("it cannot be read ({rest}): build the client with this server's protocol files")
    };
    let field = path.join(".");
    let message = if field.is_empty() {
        format!("the request is damaged; {advice}")
    } else {
        format!("the request is damaged at {field}; {advice}")
    };
    status(
        Code::InvalidArgument,
        message,
        "MALFORMED_REQUEST",
        |details| {
            if !field.is_empty() {
                details.add_bad_request_violation(field, advice);
            }
        },
    )
}

fn is_name(text: &str) -> bool {
    !text.is_empty()
        && text
            .bytes()
            .all(|byte| byte.is_ascii_alphanumeric() || byte == b'_')
}

/// Answers `5000000 bytes, the limit is: 4194304 bytes`.
fn too_large(sizes: &str) -> Status {
    let sizes = sizes.replace(", the limit is: ", ", and at most ");
    let message = format!(
        "the request is {sizes} are read: split it into several calls, or raise \
         limits.message_bytes on the server"
    );
    status(Code::InvalidArgument, message, "REQUEST_TOO_LARGE", |_| {})
}
