//! The gRPC door for other doors of this process: the same services with everything that stands around their calls.

use std::convert::Infallible;
use std::future::poll_fn;

use http::{Request, Response};
use tonic::body::Body;
use tonic::service::Routes;
use tower::{Layer as _, Service as _};

use super::stack::{Guarded, Stack};

/// The services behind their stack; clones share its limits with the connections over gRPC.
#[derive(Debug, Clone)]
pub struct Door(Guarded<Routes>);

impl Door {
    /// Puts the stack around the routes.
    pub(crate) fn new(stack: &Stack, routes: Routes) -> Self {
        Self(stack.layer(routes.prepare()))
    }

    /// Makes a call as if it had come over gRPC. Who is at the other end, a [`crate::access::Peer`], is among the
    /// request's extensions.
    pub(crate) async fn call(&self, request: Request<Body>) -> Response<Body> {
        let mut guarded = self.0.clone();
        let answered = async {
            poll_fn(|cx| guarded.poll_ready(cx)).await?;
            guarded.call(request).await
        };
        let answered: Result<Response<Body>, Infallible> = answered.await;
        match answered {
            Ok(response) => response,
            Err(never) => match never {},
        }
    }
}
