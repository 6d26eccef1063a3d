//! Which forms a request comes in and its answer may have.

use http::{HeaderMap, HeaderName, header};
use tonic::{Code, Status};

use super::fault::{reason, status_of};
use super::routing::{BodyPart, Route};

/// One message.
pub(super) const JSON: &str = "application/json";

/// Many messages, one on each line.
pub(super) const LINES: &str = "application/x-ndjson";

/// What is wrong with the form of a request's body; nothing when it can be read.
pub(super) fn refused_body(route: &Route, headers: &HeaderMap) -> Option<Status> {
    let not_supported =
        |words: String| Some(status_of(Code::InvalidArgument, reason::MEDIA_TYPE, words));
    let encoding = headers.get(header::CONTENT_ENCODING);
    if encoding.is_some_and(|encoding| encoding != "identity") {
        return not_supported(
            "bodies are read as they are: send it without compression".to_owned(),
        );
    }
    if matches!(route.body, BodyPart::Nothing) {
        return None;
    }
    let wanted = if route.call.takes_many() { LINES } else { JSON };
    let given = headers
        .get(header::CONTENT_TYPE)
        .and_then(|value| value.to_str().ok())
        .unwrap_or_default();
    let mut parts = given.split(';').map(str::trim);
    let kind = parts.next().unwrap_or_default();
    let is_utf8 = parts.all(|parameter| {
        let (name, value) = parameter.split_once('=').unwrap_or((parameter, ""));
        !name.trim().eq_ignore_ascii_case("charset")
            || value.trim().trim_matches('"').eq_ignore_ascii_case("utf-8")
    });
    if kind.eq_ignore_ascii_case(wanted) && is_utf8 {
        return None;
    }
    not_supported(format!(
        "the body has to be {wanted} in UTF-8, and its Content-Type has to say so"
    ))
}

/// What is wrong with the forms that a caller can read; nothing when the answer is one of them.
pub(super) fn refused_answer(route: &Route, headers: &HeaderMap) -> Option<Status> {
    let given = if route.call.gives_many() { LINES } else { JSON };
    if takes(headers, &header::ACCEPT, |range| {
        let (kind, subkind) = given.split_once('/').unwrap_or((given, ""));
        match range.split_once('/') {
            Some(("*", "*")) => Some(0),
            Some((wanted, "*")) if wanted.eq_ignore_ascii_case(kind) => Some(1),
            Some((wanted, sub))
                if wanted.eq_ignore_ascii_case(kind) && sub.eq_ignore_ascii_case(subkind) =>
            {
                Some(2)
            }
            _ => None,
        }
    })
    .unwrap_or(true)
    {
        return None;
    }
    Some(status_of(
        Code::InvalidArgument,
        reason::NOT_ACCEPTABLE,
        format!("the answer is {given}: accept it"),
    ))
}

/// Whether a caller can read gzip.
pub(super) fn takes_gzip(headers: &HeaderMap) -> bool {
    takes(headers, &header::ACCEPT_ENCODING, |coding| match coding {
        "*" => Some(0),
        coding if coding.eq_ignore_ascii_case("gzip") => Some(1),
        _ => None,
    })
    .unwrap_or(false)
}

/// Reads a header of ranges with weights (RFC 9110, 12.4.2): whether the range that fits best, by what `fits` says, has
/// a weight above zero. None when there is no such header.
fn takes(
    headers: &HeaderMap,
    name: &HeaderName,
    fits: impl Fn(&str) -> Option<u8>,
) -> Option<bool> {
    let mut is_there = false;
    let mut best: Option<(u8, bool)> = None;
    for value in headers.get_all(name) {
        is_there = true;
        for range in value.to_str().unwrap_or_default().split(',') {
            let mut parts = range.split(';').map(str::trim);
            let Some(fit) = parts.next().and_then(&fits) else {
                continue;
            };
            let weight = parts
                .find_map(|part| part.strip_prefix("q="))
                .map_or(1.0, |weight| weight.parse::<f64>().unwrap_or(0.0));
            if best.is_none_or(|(before, _)| fit >= before) {
                best = Some((fit, weight > 0.0));
            }
        }
    }
    is_there.then(|| best.is_some_and(|(_, wanted)| wanted))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gzip(value: &str) -> bool {
        let mut headers = HeaderMap::new();
        headers.insert(header::ACCEPT_ENCODING, value.parse().expect("a header"));
        takes_gzip(&headers)
    }

    #[test]
    fn gzip_is_used_only_where_it_is_wanted() {
        assert!(gzip("gzip") && gzip("br, GZIP;q=0.5") && gzip("*") && gzip("*;q=0, gzip"));
        assert!(!gzip("gzip;q=0") && !gzip("br") && !gzip("") && !gzip("*, gzip;q=0.0"));
        assert!(!takes_gzip(&HeaderMap::new()));
    }
}
