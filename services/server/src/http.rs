//! What the server answers over plain HTTP: calendar feeds, and the end of mail.
//!
//! A listener of its own, on this machine only. Whoever asks is known by the secret in the address and by nothing
//! else, so a secret is never logged, an unknown one is told nothing, and there is no list of anything.

mod calendar_file;
mod connection;
mod feed;
mod page;
mod planned;
mod unsubscribe;

use std::time::Duration;

use axum::Router;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::{Next, from_fn};
use axum::response::{IntoResponse as _, Response};
use axum::routing::get;
use ringtrue_store::Store;

pub use calendar_file::calendar_file;
pub(crate) use connection::Connections;

use crate::clock::Clock;
use crate::readiness::Readiness;

/// Longest time for an answer.
const LONGEST: Duration = Duration::from_secs(10);

/// Most bytes of a request's headers that are looked at.
const MOST_HEADERS: usize = 16 * 1024;

/// Most bytes of an address.
const MOST_ADDRESS: usize = 2 * 1024;

/// What the answers are made from.
#[derive(Debug, Clone)]
pub(crate) struct Site {
    pub(crate) store: Store,
    pub(crate) clock: Clock,
    pub(crate) readiness: Readiness,
}

/// Gives every address that is answered.
pub(crate) fn routes(site: Site) -> Router {
    Router::new()
        .route("/healthz", get(health))
        .route("/calendar/{file}", get(feed::answer))
        .route(
            "/unsubscribe/{secret}",
            get(unsubscribe::ask).post(unsubscribe::end),
        )
        .fallback(async || nothing_here())
        .with_state(site)
        .layer(from_fn(guarded))
}

/// Whether the server can serve.
async fn health(State(site): State<Site>) -> (StatusCode, &'static str) {
    if site.readiness.is_ready() {
        (StatusCode::OK, "ok\n")
    } else {
        (
            StatusCode::SERVICE_UNAVAILABLE,
            "the database does not answer\n",
        )
    }
}

/// What happens around every request: limits, a time-out, and headers that keep the secret where it is.
async fn guarded(request: Request, next: Next) -> Response {
    let address = request.uri().path_and_query();
    let length = address.map_or(0, |address| address.as_str().len());
    let mut response = if length > MOST_ADDRESS {
        StatusCode::URI_TOO_LONG.into_response()
    } else if size(request.headers()) > MOST_HEADERS {
        StatusCode::REQUEST_HEADER_FIELDS_TOO_LARGE.into_response()
    } else {
        match tokio::time::timeout(LONGEST, next.run(request)).await {
            Ok(response) => response,
            Err(_) => StatusCode::SERVICE_UNAVAILABLE.into_response(),
        }
    };
    for (name, value) in [
        (header::REFERRER_POLICY, "no-referrer"),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (
            header::CONTENT_SECURITY_POLICY,
            "default-src 'none'; style-src 'unsafe-inline'; form-action 'self'; frame-ancestors 'none'; \
             base-uri 'none'",
        ),
        (
            header::HeaderName::from_static("x-robots-tag"),
            "noindex, nofollow",
        ),
    ] {
        response
            .headers_mut()
            .insert(name, HeaderValue::from_static(value));
    }
    response
        .headers_mut()
        .entry(header::CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    response
}

fn size(headers: &HeaderMap) -> usize {
    headers
        .iter()
        .map(|(name, value)| name.as_str().len() + value.len())
        .sum()
}

/// The answer to every address that does not exist, whether it never did or does no more.
fn nothing_here() -> Response {
    (StatusCode::NOT_FOUND, "nothing here\n").into_response()
}

/// The answer when the store failed; the cause stays in the log, with the route and never the address.
fn failed(route: &'static str, fault: crate::app::Error) -> Response {
    let cause = format!("{:#}", anyhow::Error::from(fault));
    tracing::error!(route, cause, "a request over HTTP failed");
    (
        StatusCode::SERVICE_UNAVAILABLE,
        "the server could not use its records; try again later\n",
    )
        .into_response()
}

#[cfg(test)]
mod tests;
