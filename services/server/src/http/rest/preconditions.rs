//! What headers ask of a change: that it is done once, and only to the version that its caller has seen.

use http::{HeaderMap, HeaderName, Method, header};
use prost_reflect::DynamicMessage;
use ringtrue_fleet::credential::Token;
use sha2::{Digest as _, Sha256};
use tonic::{Code, Status};
use uuid::Uuid;

use super::fault::{reason, status_of, violation};
use super::parameters::take_text;
use super::routing::{BodyPart, Route};
use crate::access::Peer;

/// The header of the IETF's draft "The Idempotency-Key HTTP Header Field".
pub(super) const IDEMPOTENCY_KEY: HeaderName = HeaderName::from_static("idempotency-key");

/// Most letters of such a key.
const MOST_KEY: usize = 255;

/// What is wrong with the conditions of a request; nothing when they can be looked at.
pub(super) fn refused(route: &Route, headers: &HeaderMap) -> Option<Status> {
    if route.verb != Method::GET && headers.contains_key(header::IF_NONE_MATCH) {
        // To pass over a condition would be to do what was not wanted.
        return Some(violation(
            "If-None-Match",
            "NOT_TAKEN_HERE",
            "is looked at by GET alone; leave it out",
        ));
    }
    None
}

/// Takes `Idempotency-Key` as the request id.
///
/// A UUID stands for itself. Any other text becomes a UUID of version 8 (RFC 9562): a digest of the text and of the
/// credential that sends it, so that two clients who both count from one do not meet.
pub(super) fn take_key(
    message: &mut DynamicMessage,
    route: &Route,
    headers: &HeaderMap,
    peer: Option<&Peer>,
) -> Result<(), Status> {
    let mut keys = headers.get_all(IDEMPOTENCY_KEY).iter();
    let Some(key) = keys.next() else {
        return Ok(());
    };
    let wrong = |why: &str| Err(violation("Idempotency-Key", "NOT_A_KEY", why));
    // What changes nothing may be repeated as it is.
    if route.verb == Method::GET {
        return Ok(());
    }
    if !repeats(route) {
        return wrong(
            "is not kept by this call; leave it out, and look at what is there before you repeat it",
        );
    }
    let key = match key.to_str() {
        Ok(key) if keys.next().is_none() => key.trim(),
        _ => return wrong("is given twice, or is no visible ASCII text"),
    };
    // The draft writes a string with quotes (RFC 9651); most clients write none.
    let key = key
        .strip_prefix('"')
        .and_then(|key| key.strip_suffix('"'))
        .unwrap_or(key);
    if key.is_empty() || key.len() > MOST_KEY {
        return wrong("has to have 1 to 255 letters; a new UUID for each change is best");
    }
    let id = match Uuid::try_parse(key) {
        Ok(id) => id,
        Err(_) => digested(key, headers, peer),
    };
    let id = id.hyphenated().to_string();
    take_text(message, "request_id", &id, "Idempotency-Key")
}

/// Whether a call keeps request ids: then a repeat gets the first answer.
pub(super) fn repeats(route: &Route) -> bool {
    let input = route.call.method.input();
    !route.call.takes_many() && input.get_field_by_name("request_id").is_some()
}

fn digested(key: &str, headers: &HeaderMap, peer: Option<&Peer>) -> Uuid {
    let token = headers
        .get(header::AUTHORIZATION)
        .and_then(|value| value.to_str().ok())
        .and_then(|value| value.split_once(' '))
        .and_then(|(_, token)| Token::parse(token.trim()).ok());
    let mut digest = Sha256::new();
    digest.update("ringtrue idempotency key\0");
    match (token, peer.and_then(|peer| peer.certificate)) {
        // The credential's id outlives its secret: a repeat after a rotation is still a repeat.
        (Some(token), _) => digest.update(token.credential.as_str()),
        (None, Some(certificate)) => digest.update(certificate),
        (None, None) => {}
    }
    digest.update([0]);
    digest.update(key);
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&digest.finalize()[..16]);
    uuid::Builder::from_custom_bytes(bytes).into_uuid()
}

/// Takes `If-Match` as the etag that the change is meant for.
pub(super) fn take_etag(
    message: &mut DynamicMessage,
    route: &Route,
    headers: &HeaderMap,
) -> Result<(), Status> {
    let mut tags = headers.get_all(header::IF_MATCH).iter();
    let Some(tag) = tags.next() else {
        return Ok(());
    };
    let Some(place) = place_of_etag(route) else {
        return Err(violation(
            "If-Match",
            "NOT_TAKEN_HERE",
            "is not looked at by this call; leave it out",
        ));
    };
    let tag = tag.to_str().unwrap_or_default().trim();
    let opaque = tag
        .strip_prefix('"')
        .and_then(|tag| tag.strip_suffix('"'))
        .filter(|tag| !tag.contains('"'));
    if tags.next().is_some() || opaque.is_none() && !tag.starts_with("W/") {
        return Err(violation(
            "If-Match",
            "NOT_AN_ETAG",
            "has to be one ETag, with its quotes, as an answer gave it",
        ));
    }
    let Some(opaque) = opaque else {
        // Weak tags never match here (RFC 9110, 13.1.1).
        return Err(status_of(
            Code::Aborted,
            reason::STALE_ETAG,
            "a weak ETag names no version; read the resource again and send the ETag of that answer",
        ));
    };
    let version = opaque
        .split_once(super::answer::BEHIND_VERSION)
        .map_or(opaque, |(version, _)| version);
    take_text(message, &place, &format!("\"{version}\""), "If-Match")
}

/// The field of a change's request that holds the etag; none when it has none.
pub(super) fn place_of_etag(route: &Route) -> Option<String> {
    let input = route.call.method.input();
    if route.verb == Method::GET || route.call.takes_many() {
        return None;
    }
    if input.get_field_by_name("etag").is_some() {
        return Some("etag".to_owned());
    }
    let replaces = route.verb == Method::PATCH || route.verb == Method::PUT;
    match &route.body {
        BodyPart::Field(field) if replaces => {
            let kind = field.kind();
            kind.as_message()?.get_field_by_name("etag")?;
            Some(format!("{}.etag", field.name()))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_of_two_credentials_do_not_meet_and_a_key_stays_the_same() {
        let of = |id: &str| {
            let token = Token {
                credential: ringtrue_fleet::key::CredentialId::from_uuid(
                    Uuid::try_parse(id).expect("a UUID"),
                ),
                secret: "x".repeat(43),
            };
            let mut headers = HeaderMap::new();
            let value = format!("Bearer {}", token.text());
            headers.insert(header::AUTHORIZATION, value.parse().expect("a header"));
            headers
        };
        let one = of("01890a5d-ac96-774b-bcce-b302099a8057");
        let other = of("01890a5d-ac96-774b-bcce-b302099a8058");
        assert_eq!(
            digested("order-1", &one, None),
            digested("order-1", &one, None)
        );
        assert_ne!(
            digested("order-1", &one, None),
            digested("order-1", &other, None)
        );
        assert_ne!(
            digested("order-1", &one, None),
            digested("order-2", &one, None)
        );
        assert_eq!(digested("order-1", &one, None).get_version_num(), 8);
    }
}
