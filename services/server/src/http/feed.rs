//! A calendar feed: the file of a site's due dates under a secret address.

use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use data_encoding::HEXLOWER;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::due::Planner;
use sha2::{Digest as _, Sha256};

use super::planned::planned;
use super::{Site, calendar_file, failed, nothing_here};
use crate::app::{Error, secret_digest};

/// The address without its secret, for the log.
const ROUTE: &str = "/calendar/{secret}.ics";

/// How long a program may keep the file.
const CACHE: &str = "private, max-age=900";

/// Answers with the file.
pub(super) async fn answer(
    State(site): State<Site>,
    Path(file): Path<String>,
    headers: HeaderMap,
) -> Response {
    let secret = file.strip_suffix(".ics").unwrap_or_default();
    match written(&site, secret).await {
        Ok(Some(file)) => {
            tracing::debug!(route = ROUTE, "a calendar feed was read");
            shown(file, &headers)
        }
        Ok(None) => nothing_here(),
        Err(fault) => failed(ROUTE, fault),
    }
}

/// The file of a secret; none when there is no such feed. Known or not, long or short, a secret costs one
/// digest and one look into the store's index of digests.
async fn written(site: &Site, secret: &str) -> Result<Option<String>, Error> {
    let read = site.store.read(&Scope::for_work("calendar_feed"));
    let Some(feed) = read.feed_of_secret(&secret_digest(secret)).await? else {
        return Ok(None);
    };
    let now = site.clock.now();
    let key = feed.key.site.clone();
    let records = read.site_records(std::slice::from_ref(&key)).await?;
    let Some(records) = records.into_iter().next() else {
        return Ok(None);
    };
    // Many furnaces with many dates take some time: not on a thread that answers calls.
    let file = tokio::task::spawn_blocking(move || {
        let mut planner = Planner::default();
        let mut dues = planner.due_tasks(&records, now);
        let further = planned(&mut planner, &records, &dues, now);
        dues.extend(further);
        calendar_file(&records.site, &dues, &feed.display_name, now)
    })
    .await
    .map_err(|_| Error::Broken)?;
    Ok(Some(file))
}

/// The file, or that it is the one the program has already (RFC 9110, 13.1.2).
fn shown(file: String, headers: &HeaderMap) -> Response {
    let etag = etag(&file);
    let known = headers
        .get_all(header::IF_NONE_MATCH)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(','))
        .map(|tag| tag.trim().trim_start_matches("W/"))
        .any(|tag| tag == "*" || tag == etag);
    let about = [
        (header::ETAG, etag),
        (header::CACHE_CONTROL, CACHE.to_owned()),
    ];
    if known {
        return (StatusCode::NOT_MODIFIED, about).into_response();
    }
    let kind = [(header::CONTENT_TYPE, "text/calendar; charset=utf-8")];
    (about, kind, file).into_response()
}

fn etag(file: &str) -> String {
    let digest = Sha256::digest(file.as_bytes());
    format!("\"{}\"", HEXLOWER.encode(&digest[..16]))
}
