//! The answer of a call that gives many messages: one line each, as soon as it is there.

use std::sync::Arc;
use std::time::Duration;

use axum::body::Body;
use bytes::Bytes;
use futures::stream;
use http::{HeaderValue, Response, header};
use prost_reflect::DynamicMessage;
use serde_json::json;
use tonic::Status;
use tonic::codec::Streaming;
use uuid::Uuid;

use super::answer::shown;
use super::problem::{Problem, broken};
use super::routing::Route;
use super::{json, media};

/// After so long without a message an empty line goes out, which readers pass over: it finds out whether somebody is
/// still there, and keeps proxies from giving up.
const SIGN_OF_LIFE: Duration = Duration::from_secs(15);

/// What is still to come.
struct Coming {
    messages: Streaming<Bytes>,
    route: Arc<Route>,
    instance: Uuid,
    over: bool,
}

/// The answer, whose body goes on for as long as the call does. A failure in the middle is the last line,
/// `{"error": …}` with a problem in it: the status was told long before.
pub(super) fn written(
    messages: Streaming<Bytes>,
    route: Arc<Route>,
    instance: Uuid,
) -> Response<Body> {
    let coming = Coming {
        messages,
        route,
        instance,
        over: false,
    };
    let lines = stream::unfold(coming, |mut coming| async move {
        let line = coming.next().await?;
        Some((Ok::<Bytes, std::convert::Infallible>(line), coming))
    });
    let mut response = Response::new(Body::from_stream(lines));
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(media::LINES));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    // Some proxies keep answers back until they end, unless they are told.
    headers.insert("x-accel-buffering", HeaderValue::from_static("no"));
    response
}

impl Coming {
    async fn next(&mut self) -> Option<Bytes> {
        if self.over {
            return None;
        }
        let Ok(message) = tokio::time::timeout(SIGN_OF_LIFE, self.messages.message()).await else {
            return Some(Bytes::from_static(b"\n"));
        };
        let line = match message {
            Ok(None) => return None,
            Ok(Some(message)) => self.line(message),
            Err(fault) => Err(fault),
        };
        Some(line.unwrap_or_else(|fault| {
            self.over = true;
            let problem = Problem::of(&fault, self.instance).logged(self.route.call.path.path());
            let mut line = json!({ "error": problem.json() }).to_string();
            line.push('\n');
            line.into()
        }))
    }

    fn line(&self, message: Bytes) -> Result<Bytes, Status> {
        let output = self.route.call.method.output();
        let message =
            DynamicMessage::decode(output, message).map_err(|fault| broken(fault.to_string()))?;
        let mut text = json::written(&shown(&self.route, &message))
            .map_err(|fault| broken(fault.to_string()))?;
        text.push(b'\n');
        Ok(text.into())
    }
}
