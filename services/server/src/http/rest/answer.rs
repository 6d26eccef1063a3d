//! The answer of a call that gives one message.

use std::io::Write as _;
use std::sync::Arc;

use axum::body::Body;
use bytes::Bytes;
use data_encoding::HEXLOWER;
use flate2::Compression;
use flate2::write::GzEncoder;
use http::{HeaderMap, HeaderValue, Method, Response, StatusCode, header};
use percent_encoding::{NON_ALPHANUMERIC, utf8_percent_encode};
use prost_reflect::{DynamicMessage, ReflectMessage as _, Value};
use sha2::{Digest as _, Sha256};
use tonic::Status;
use tonic::codec::Streaming;

use super::problem::broken;
use super::routing::Route;
use super::{json, media};

/// What stands between a resource's version and the digest of what is shown of it.
///
/// A resource's etag is the version of its content; what is worked out beside it (a furnace's offset) changes without a
/// new one. So the tag of an answer has both: the version is what `If-Match` means, and the whole what `If-None-Match`
/// compares.
pub(super) const BEHIND_VERSION: char = '.';

/// Smaller answers are not worth compressing, bytes.
const LEAST_COMPRESSED: usize = 1_024;

/// Compressed beside the threads that answer calls from here on, bytes.
const LONG_WORK: usize = 128 * 1_024;

/// What an answer depends on beside the message.
#[derive(Debug)]
pub(super) struct Wanted {
    pub(super) route: Arc<Route>,
    pub(super) query: Option<String>,
    pub(super) headers: HeaderMap,
}

impl Wanted {
    /// Reads the one message and writes it.
    pub(super) async fn written(
        self,
        mut messages: Streaming<Bytes>,
    ) -> Result<Response<Body>, Status> {
        let message = messages.message().await?;
        let message = message.ok_or_else(|| broken("a call gave no message"))?;
        // What follows the message may still say that the call has failed.
        while messages.message().await?.is_some() {}
        let output = self.route.call.method.output();
        let message =
            DynamicMessage::decode(output, message).map_err(|fault| broken(fault.to_string()))?;
        let shown = shown(&self.route, &message);
        let text = json::written(&shown).map_err(|fault| broken(fault.to_string()))?;

        let is_read = self.route.verb == Method::GET;
        let mut tag = tag(&shown, &text, is_read);
        let gzip = media::takes_gzip(&self.headers) && text.len() >= LEAST_COMPRESSED;
        if gzip && let Some(tag) = &mut tag {
            // Other bytes, another tag (RFC 9110, 8.8.3.3).
            tag.push_str("-gzip");
        }
        let mut response = Response::new(Body::empty());
        let headers = response.headers_mut();
        let cache = if is_read {
            "private, no-cache"
        } else {
            "no-store"
        };
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static(cache));
        headers.insert(
            header::VARY,
            HeaderValue::from_static("accept-encoding, authorization"),
        );
        if let Some(tag) = &tag
            && let Ok(tag) = HeaderValue::try_from(format!("\"{tag}\""))
        {
            headers.insert(header::ETAG, tag);
        }
        if let Some(link) = self.next_page(&message) {
            headers.insert(header::LINK, link);
        }
        if is_read && tag.is_some_and(|tag| knows(&self.headers, &tag)) {
            *response.status_mut() = StatusCode::NOT_MODIFIED;
            return Ok(response);
        }
        let json = HeaderValue::from_static(media::JSON);
        headers.insert(header::CONTENT_TYPE, json);
        let body = if gzip {
            let coding = HeaderValue::from_static("gzip");
            headers.insert(header::CONTENT_ENCODING, coding);
            compressed(text).await?
        } else {
            text
        };
        *response.body_mut() = Body::from(body);
        Ok(response)
    }

    /// Where the next page is (RFC 8288), relative to this one, so that it holds behind a proxy too.
    fn next_page(&self, message: &DynamicMessage) -> Option<HeaderValue> {
        let token = message.get_field_by_name("next_page_token")?;
        let token = token.as_str().filter(|token| !token.is_empty())?;
        let mut address = String::from("?");
        for pair in self.query.as_deref().unwrap_or_default().split('&') {
            let name = pair.split('=').next().unwrap_or_default();
            if !pair.is_empty() && name != "page_token" && name != "pageToken" {
                address.push_str(pair);
                address.push('&');
            }
        }
        let token = utf8_percent_encode(token, NON_ALPHANUMERIC);
        let link = format!("<{address}pageToken={token}>; rel=\"next\"");
        HeaderValue::try_from(link).ok()
    }
}

/// Whether a caller has this already (RFC 9110, 13.1.2). Tags of the same content count whatever its coding was.
fn knows(headers: &HeaderMap, tag: &str) -> bool {
    let plain = |tag: &str| tag.strip_suffix("-gzip").unwrap_or(tag).to_owned();
    let tag = plain(tag);
    headers
        .get_all(header::IF_NONE_MATCH)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(','))
        .map(|known| known.trim().trim_start_matches("W/"))
        .any(|known| known == "*" || plain(known.trim_matches('"')) == tag)
}

/// A text that is the same for everybody until the program changes.
pub(super) fn described(text: &Bytes, headers: &HeaderMap) -> Response<Body> {
    let digest = Sha256::digest(text);
    let tag = HEXLOWER.encode(&digest[..8]);
    let mut response = Response::new(Body::empty());
    if knows(headers, &tag) {
        *response.status_mut() = StatusCode::NOT_MODIFIED;
    } else {
        *response.body_mut() = Body::from(text.clone());
        let json = HeaderValue::from_static(media::JSON);
        response.headers_mut().insert(header::CONTENT_TYPE, json);
    }
    if let Ok(tag) = HeaderValue::try_from(format!("\"{tag}\"")) {
        response.headers_mut().insert(header::ETAG, tag);
    }
    let cache = HeaderValue::from_static("public, max-age=300");
    response.headers_mut().insert(header::CACHE_CONTROL, cache);
    response
}

/// The part of the answer that is shown.
pub(super) fn shown(route: &Route, message: &DynamicMessage) -> DynamicMessage {
    let Some(field) = &route.shown else {
        return message.clone();
    };
    match message.get_field(field).into_owned() {
        Value::Message(inner) => inner,
        _ => message.clone(),
    }
}

/// The tag without its quotes: of what is read always, of what was changed where it has versions.
fn tag(shown: &DynamicMessage, text: &[u8], is_read: bool) -> Option<String> {
    let digest = Sha256::digest(text);
    let digest = HEXLOWER.encode(&digest[..8]);
    let has_versions = shown.descriptor().get_field_by_name("etag").is_some();
    let version = shown.get_field_by_name("etag");
    let version = version
        .as_deref()
        .and_then(Value::as_str)
        .unwrap_or_default()
        .trim_matches('"');
    if !version.is_empty() {
        Some(format!("{version}{BEHIND_VERSION}{digest}"))
    } else if is_read && !has_versions {
        Some(digest)
    } else {
        None
    }
}

async fn compressed(text: Vec<u8>) -> Result<Vec<u8>, Status> {
    if text.len() < LONG_WORK {
        return gzip(&text);
    }
    let work = tokio::task::spawn_blocking(move || gzip(&text));
    work.await.map_err(|fault| broken(fault.to_string()))?
}

fn gzip(text: &[u8]) -> Result<Vec<u8>, Status> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::fast());
    encoder
        .write_all(text)
        .and_then(|()| encoder.finish())
        .map_err(|fault| broken(fault.to_string()))
}
