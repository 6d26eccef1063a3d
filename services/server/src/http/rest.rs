//! The whole interface as REST and JSON, made from the protocol files: nothing here knows a single call.
//!
//! The annotations `google.api.http` in `proto/ringtrue/v1` say which path makes which call. A request becomes the
//! call's message and goes through the gRPC door of this process, so that authentication, rate limits, deadlines,
//! limits of messages, telemetry and the log line are the same ones.

mod answer;
mod body;
mod exchange;
mod fault;
mod flow;
mod json;
mod media;
mod openapi;
mod parameters;
mod preconditions;
mod problem;
mod routing;
mod template;

use std::sync::Arc;

use axum::body::Body;
use axum::extract::Request;
use bytes::Bytes;
use http::request::Parts;
use http::{HeaderValue, Method, Response, header};
use prost_reflect::DescriptorPool;
use tonic::{Code, Status};
use uuid::Uuid;

use self::answer::Wanted;
use self::exchange::Asked;
use self::fault::{reason, status_of, too_large};
use self::problem::Problem;
use self::routing::{Found, Route, Table};
use super::size;
use crate::access::Peer;
use crate::app;
use crate::clock::Clock;
use crate::config::{ClientCertificates, Settings};
use crate::ids::Ids;
use crate::rpc::{self, Door, status};

/// Where the description of the interface is.
const OPENAPI: &str = "/openapi.json";

/// Most bytes of an address: page tokens are long.
const MOST_ADDRESS: usize = 8 * 1024;

/// The interface as REST; clones are the same.
#[derive(Debug, Clone)]
pub(crate) struct Rest(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    door: Door,
    table: Table,
    openapi: Bytes,
    ids: Ids,
    clock: Clock,
    most_headers: usize,
    /// Whether whoever calls must show a certificate.
    wants_certificate: bool,
}

impl Rest {
    /// Makes the interface in front of a door.
    pub(crate) fn new(door: Door, settings: &Settings, ids: Ids, clock: Clock) -> Self {
        let pool = DescriptorPool::decode(ringtrue_proto::DESCRIPTORS)
            .expect("the descriptors were compiled with this program");
        let message_bytes = settings.limits.message_bytes;
        let table = Table::of(&pool, |service| rpc::most_bytes(service, message_bytes))
            .expect("the annotations were tested with this program");
        let openapi = openapi::document(&table, settings.http.public_url.as_deref());
        Self(Arc::new(Inner {
            door,
            table,
            openapi: openapi.to_string().into(),
            ids,
            clock,
            most_headers: usize::try_from(settings.limits.header_bytes).unwrap_or(usize::MAX),
            wants_certificate: settings.tls.client_ca.is_some()
                && settings.tls.client_certificates == ClientCertificates::Required,
        }))
    }

    /// Whether a path is of this interface.
    pub(crate) fn is_for(path: &str) -> bool {
        let of_version = path.strip_prefix("/v1");
        path == OPENAPI
            || of_version.is_some_and(|rest| rest.is_empty() || rest.starts_with(['/', ':']))
    }

    /// Answers a request from the other end of a connection.
    pub(crate) async fn answer(&self, request: Request, peer: Option<Peer>) -> Response<Body> {
        let inner = &self.0;
        let instance = inner.ids.uuid(inner.clock.now());
        let (parts, body) = request.into_parts();
        let problem = |status: &Status, route: &str| Problem::of(status, instance).logged(route);
        if let Some(status) = inner.refused_unread(&parts) {
            return problem(&status, "unread").response();
        }
        let path = parts.uri.path();
        if path == OPENAPI {
            return match parts.method {
                Method::GET | Method::HEAD => self.described(&parts),
                _ => not_by(problem, &[&Method::GET]),
            };
        }
        let (route, values) = match inner.table.find(&parts.method, path) {
            Found::Route(route, values) => (Arc::clone(route), values),
            Found::OtherVerb(verbs) => return not_by(problem, &verbs),
            Found::Nothing => {
                let status = status_of(
                    Code::NotFound,
                    reason::NO_SUCH_PATH,
                    "there is nothing at this address; /openapi.json lists what there is",
                );
                return problem(&status, "unknown").response();
            }
        };
        let name = route.call.path.path().to_owned();
        let values = values
            .into_iter()
            .map(|(field, value)| (field.to_owned(), value))
            .collect();
        match inner
            .done(&parts, body, &route, values, peer, instance)
            .await
        {
            Ok(response) => response,
            Err(status) => problem(&status, &name).response(),
        }
    }

    /// The description. It holds no data, and generators fetch it before anybody has a credential.
    fn described(&self, parts: &Parts) -> Response<Body> {
        answer::described(&self.0.openapi, &parts.headers)
    }
}

impl Inner {
    /// What is wrong with a request whatever it asks for.
    fn refused_unread(&self, parts: &Parts) -> Option<Status> {
        let address = parts.uri.path_and_query();
        if address.is_some_and(|address| address.as_str().len() > MOST_ADDRESS) {
            return Some(status_of(
                Code::InvalidArgument,
                reason::ADDRESS_TOO_LONG,
                format!("the address has more than {MOST_ADDRESS} bytes; send less in the query"),
            ));
        }
        if size(&parts.headers) > self.most_headers {
            return Some(status_of(
                Code::InvalidArgument,
                reason::HEADERS_TOO_LARGE,
                format!(
                    "the headers have more than {} bytes; send fewer or shorter ones",
                    self.most_headers
                ),
            ));
        }
        None
    }

    /// Makes a call; what can be refused without its body or its caller is refused first.
    async fn done(
        &self,
        parts: &Parts,
        body: Body,
        route: &Arc<Route>,
        values: Vec<(String, String)>,
        peer: Option<Peer>,
        instance: Uuid,
    ) -> Result<Response<Body>, Status> {
        self.let_in(parts, route, peer.as_ref())?;
        let refused = media::refused_answer(route, &parts.headers)
            .or_else(|| media::refused_body(route, &parts.headers))
            .or_else(|| preconditions::refused(route, &parts.headers));
        if let Some(refused) = refused {
            return Err(refused);
        }
        let most_bytes = route.call.most_bytes;
        let length = parts
            .headers
            .get(header::CONTENT_LENGTH)
            .and_then(|length| length.to_str().ok()?.parse::<usize>().ok());
        if !route.call.takes_many() && length.is_some_and(|length| length > most_bytes) {
            return Err(too_large(most_bytes, "the body"));
        }
        let query = parts.uri.query().map(str::to_owned);
        let asked = Asked {
            route: Arc::clone(route),
            values,
            query: query.clone(),
            headers: parts.headers.clone(),
            peer,
        };
        let messages = asked.done_by(&self.door, body).await?;
        if route.call.gives_many() {
            return Ok(flow::written(messages, Arc::clone(route), instance));
        }
        let wanted = Wanted {
            route: Arc::clone(route),
            query,
            headers: parts.headers.clone(),
        };
        wanted.written(messages).await
    }

    /// Refuses whoever proves nothing, also on this machine: over HTTP, a proxy or a web page may be the one who asks.
    /// Whether a proof is good is the gate's to say.
    fn let_in(&self, parts: &Parts, route: &Route, peer: Option<&Peer>) -> Result<(), Status> {
        let certificate = peer.and_then(|peer| peer.certificate);
        if self.wants_certificate && certificate.is_none() {
            return Err(status_of(
                Code::Unauthenticated,
                reason::CERTIFICATE_NEEDED,
                "this server wants a client certificate, on an encrypted connection; none was shown",
            ));
        }
        let is_open = rpc::is_open(route.call.path.path());
        let proves = parts.headers.contains_key(header::AUTHORIZATION) || certificate.is_some();
        if is_open || proves {
            Ok(())
        } else {
            Err(status::status(app::Error::Unknown))
        }
    }
}

/// The answer to a method that a path does not have.
fn not_by(problem: impl FnOnce(&Status, &str) -> Problem, verbs: &[&Method]) -> Response<Body> {
    let mut allowed: Vec<&str> = verbs.iter().map(|verb| verb.as_str()).collect();
    if allowed.contains(&"GET") {
        allowed.push("HEAD");
    }
    let allowed = allowed.join(", ");
    let status = status_of(
        Code::Unimplemented,
        reason::OTHER_METHOD,
        format!("this address answers {allowed}"),
    );
    problem(&status, "other method")
        .with(header::ALLOW, &allowed)
        .response()
}

/// Headers that web pages of other origins may send and read.
pub(super) const SENT: [header::HeaderName; 6] = [
    header::AUTHORIZATION,
    header::CONTENT_TYPE,
    header::IF_MATCH,
    header::IF_NONE_MATCH,
    preconditions::IDEMPOTENCY_KEY,
    header::HeaderName::from_static(crate::access::OPERATOR),
];

/// See [`SENT`].
pub(super) const READ: [header::HeaderName; 4] = [
    header::ETAG,
    header::LINK,
    header::RETRY_AFTER,
    header::ALLOW,
];

/// What an origin in the settings is as a header.
pub(super) fn origin(text: &str) -> Option<HeaderValue> {
    HeaderValue::try_from(text).ok()
}
