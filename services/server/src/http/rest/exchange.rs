//! A request over HTTP as a call of the gRPC door in the same process, with everything that stands around calls.

use std::sync::Arc;

use axum::body::Body;
use bytes::{Buf as _, BufMut as _, Bytes};
use futures::stream::{self, Stream, StreamExt as _};
use http::{HeaderMap, HeaderName, HeaderValue, Method, Request, Version, header};
use prost::Message as _;
use prost_reflect::{DynamicMessage, Value};
use tonic::codec::{DecodeBuf, Decoder, EncodeBody, EncodeBuf, Encoder, Streaming};
use tonic::{Code, Status};

use super::body::{Lines, whole};
use super::routing::{BodyPart, Route};
use super::{json, parameters, preconditions};
use crate::access::Peer;
use crate::rpc::Door;

/// What of a request's headers means the same over gRPC.
const PASSED_ON: [HeaderName; 5] = [
    header::AUTHORIZATION,
    HeaderName::from_static(crate::access::OPERATOR),
    HeaderName::from_static("traceparent"),
    HeaderName::from_static("tracestate"),
    HeaderName::from_static("baggage"),
];

/// A request whose route is known.
#[derive(Debug)]
pub(super) struct Asked {
    pub(super) route: Arc<Route>,
    /// Fields that the path fills.
    pub(super) values: Vec<(String, String)>,
    pub(super) query: Option<String>,
    pub(super) headers: HeaderMap,
    pub(super) peer: Option<Peer>,
}

impl Asked {
    /// Makes the call. The body is read when the call asks for it, so nothing of a stranger's is read.
    pub(super) async fn done_by(self, door: &Door, body: Body) -> Result<Streaming<Bytes>, Status> {
        let route = Arc::clone(&self.route);
        let mut request = Request::new(tonic::body::Body::empty());
        *request.method_mut() = Method::POST;
        *request.version_mut() = Version::HTTP_2;
        *request.uri_mut() = route.call.path.clone().into();
        for name in PASSED_ON {
            for value in self.headers.get_all(&name) {
                request.headers_mut().append(&name, value.clone());
            }
        }
        let grpc = HeaderValue::from_static("application/grpc");
        request.headers_mut().insert(header::CONTENT_TYPE, grpc);
        let trailers = HeaderValue::from_static("trailers");
        request.headers_mut().insert(header::TE, trailers);
        if let Some(peer) = self.peer {
            request.extensions_mut().insert(peer);
        }
        let messages = self.messages(body);
        *request.body_mut() =
            tonic::body::Body::new(EncodeBody::new_client(Raw, messages, None, None));
        let response = door.call(request).await;
        if let Some(status) = Status::from_header_map(response.headers())
            && status.code() != Code::Ok
        {
            return Err(status);
        }
        let status = response.status();
        Ok(Streaming::new_response(
            Raw,
            response.into_body(),
            status,
            None,
            Some(usize::MAX),
        ))
    }

    /// The messages of the request: one, or one for each line.
    fn messages(self, body: Body) -> impl Stream<Item = Result<Bytes, Status>> + Send + 'static {
        let most_bytes = self.route.call.most_bytes;
        if self.route.call.takes_many() {
            let lines = Lines::of(body, most_bytes);
            // Nothing is read behind a bad line.
            let many = stream::unfold(Some((self, lines)), |coming| async move {
                let (asked, mut lines) = coming?;
                let message = match lines.next().await {
                    Ok(None) => return None,
                    Ok(Some(line)) => asked
                        .message(Some(&line))
                        .map_err(|fault| of_line(lines.number, &fault)),
                    Err(fault) => Err(fault),
                };
                let coming = message.is_ok().then_some((asked, lines));
                Some((message, coming))
            });
            return many.left_stream();
        }
        let one = stream::once(async move {
            let text = match &self.route.body {
                BodyPart::Nothing => None,
                BodyPart::Field(_) | BodyPart::Whole => Some(whole(body, most_bytes).await?),
            };
            self.message(text.as_deref())
        });
        one.right_stream()
    }

    fn message(&self, text: Option<&[u8]>) -> Result<Bytes, Status> {
        let route = &self.route;
        let input = route.call.method.input();
        let mut message = match (&route.body, text) {
            (BodyPart::Whole, Some(text)) => json::read(&input, "", text)?,
            (BodyPart::Field(field), Some(text)) => {
                let mut message = DynamicMessage::new(input);
                if let Some(inner) = route.body_message() {
                    let inner = json::read(&inner, field.name(), text)?;
                    message.set_field(field, Value::Message(inner));
                }
                message
            }
            (BodyPart::Nothing, _) | (_, None) => DynamicMessage::new(input),
        };
        parameters::take_query(&mut message, route, self.query.as_deref())?;
        parameters::take_path(&mut message, &self.values)?;
        preconditions::take_key(&mut message, route, &self.headers, self.peer.as_ref())?;
        preconditions::take_etag(&mut message, route, &self.headers)?;
        Ok(message.encode_to_vec().into())
    }
}

/// The same fault, with the line that it is in.
fn of_line(at: u64, fault: &Status) -> Status {
    let message = format!("line {at}: {}", fault.message());
    Status::with_details(
        fault.code(),
        message,
        Bytes::copy_from_slice(fault.details()),
    )
}

/// Messages as they are encoded: what they mean is looked at elsewhere.
#[derive(Debug, Clone, Copy)]
struct Raw;

impl Encoder for Raw {
    type Item = Bytes;
    type Error = Status;

    fn encode(&mut self, message: Bytes, into: &mut EncodeBuf<'_>) -> Result<(), Status> {
        into.put(message);
        Ok(())
    }
}

impl Decoder for Raw {
    type Item = Bytes;
    type Error = Status;

    fn decode(&mut self, from: &mut DecodeBuf<'_>) -> Result<Option<Bytes>, Status> {
        let length = from.remaining();
        Ok(Some(from.copy_to_bytes(length)))
    }
}

#[cfg(test)]
mod tests;
