//! What the server answers over HTTP: the whole interface as REST (`rest`), calendar feeds, and the end of mail.
//!
//! A listener of its own. Whoever reads a feed or ends mail is known by the secret in the address and by nothing else,
//! so a secret is never logged, an unknown one is told nothing, and there is no list of anything. Calls over REST need
//! a credential, as they do over gRPC.

mod calendar_file;
mod connection;
mod feed;
mod page;
mod planned;
mod rest;
mod unsubscribe;

use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use axum::Router;
use axum::body::{Body, Bytes};
use axum::extract::{ConnectInfo, Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::{Next, from_fn};
use axum::response::{IntoResponse as _, Response};
use axum::routing::get;
use http_body::Frame;
use ringtrue_store::Store;
use tower::ServiceExt as _;
use tower_http::cors::{AllowOrigin, CorsLayer};

pub use calendar_file::calendar_file;
pub(crate) use connection::{Connections, Far};
pub(crate) use rest::Rest;

use crate::clock::Clock;
use crate::readiness::Readiness;

/// Longest time for an answer.
const LONGEST: Duration = Duration::from_secs(10);

/// Most bytes of a request's headers that are looked at.
const MOST_HEADERS: usize = 16 * 1024;

/// Most bytes of an address.
const MOST_ADDRESS: usize = 2 * 1024;

/// How long a browser may remember what a page of another origin may send.
const PREFLIGHT: Duration = Duration::from_mins(10);

/// What the answers are made from.
#[derive(Debug, Clone)]
pub(crate) struct Site {
    pub(crate) store: Store,
    pub(crate) clock: Clock,
    pub(crate) readiness: Readiness,
}

/// Gives every address that is answered, with the interface as REST where there is one; web pages of `origins` may call
/// that.
pub(crate) fn served(site: Site, rest: Option<Rest>, origins: &[String]) -> Router {
    let pages = routes(site);
    let interface = rest.map(|rest| interface(rest, origins));
    Router::new().fallback(async move |request: Request| {
        // A request goes on until its answer has been taken, and its connection is kept meanwhile.
        let far = request.extensions().get::<ConnectInfo<Far>>();
        let busy = far.map(|far| far.0.begun());
        let routes = match &interface {
            Some(interface) if Rest::is_for(request.uri().path()) => interface.clone(),
            _ => pages.clone(),
        };
        let Ok(response) = routes.oneshot(request).await;
        response.map(|inner| Body::new(Held { inner, _busy: busy }))
    })
}

/// A body that says when it has been taken.
struct Held {
    inner: Body,
    _busy: Option<connection::Busy>,
}

impl http_body::Body for Held {
    type Data = Bytes;
    type Error = axum::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, axum::Error>>> {
        Pin::new(&mut self.inner).poll_frame(cx)
    }

    fn is_end_stream(&self) -> bool {
        self.inner.is_end_stream()
    }

    fn size_hint(&self) -> http_body::SizeHint {
        self.inner.size_hint()
    }
}

/// The interface as REST. Which web pages may call it is decided here; who may do what is not.
fn interface(rest: Rest, origins: &[String]) -> Router {
    let routes = Router::new().fallback(async move |request: Request| {
        let far = request.extensions().get::<ConnectInfo<Far>>();
        let peer = far.map(|far| far.0.peer());
        kept_apart(rest.answer(request, peer).await)
    });
    if origins.is_empty() {
        return routes;
    }
    let origins: Vec<HeaderValue> = origins
        .iter()
        .filter_map(|text| rest::origin(text))
        .collect();
    let cors = CorsLayer::new()
        .allow_origin(AllowOrigin::list(origins))
        .allow_methods([
            Method::GET,
            Method::POST,
            Method::PUT,
            Method::PATCH,
            Method::DELETE,
        ])
        .allow_headers(rest::SENT)
        .expose_headers(rest::READ)
        .max_age(PREFLIGHT);
    routes.layer(cors)
}

/// Gives the pages and calendar feeds.
fn routes(site: Site) -> Router {
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
    let response = if length > MOST_ADDRESS {
        StatusCode::URI_TOO_LONG.into_response()
    } else if size(request.headers()) > MOST_HEADERS {
        StatusCode::REQUEST_HEADER_FIELDS_TOO_LARGE.into_response()
    } else {
        match tokio::time::timeout(LONGEST, next.run(request)).await {
            Ok(response) => response,
            Err(_) => StatusCode::SERVICE_UNAVAILABLE.into_response(),
        }
    };
    kept_apart(response)
}

/// Adds the headers that keep secrets where they are, and pages from being used as something else.
fn kept_apart(mut response: Response) -> Response {
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
