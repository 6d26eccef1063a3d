//! The end of mail at its recipient's wish: by one click in a mail program (RFC 8058), or on a page.

use axum::extract::{Path, State};
use axum::response::Response;

use super::{Site, failed, nothing_here, page};
use crate::app;

/// The address without its secret, for the log.
const ROUTE: &str = "/unsubscribe/{secret}";

/// Asks a person. Nothing is looked up: the page is the same for every secret.
pub(super) async fn ask() -> Response {
    page::asking()
}

/// Ends the subscription.
pub(super) async fn end(State(site): State<Site>, Path(secret): Path<String>) -> Response {
    match app::unsubscribe(&site.store, site.clock.now(), &secret).await {
        Ok(true) => {
            tracing::info!(route = ROUTE, "a subscription was ended by its recipient");
            page::ended()
        }
        Ok(false) => nothing_here(),
        Err(fault) => failed(ROUTE, fault),
    }
}
