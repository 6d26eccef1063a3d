//! Says that a finding was seen and what is being done about it.

use ringtrue_fleet::caller::Caller;
use ringtrue_fleet::finding::{Said, acknowledged};
use ringtrue_fleet::key::FindingId;
use ringtrue_store::{NamedFinding, Request};

use super::resolve_finding::note_finding;
use super::{App, Error};

/// Acknowledges a finding. It stays on the list; said again, the new note takes the place of the old one.
pub async fn acknowledge_finding(
    app: &App,
    caller: &Caller,
    id: &FindingId,
    etag: Option<String>,
    said: Said,
    request: &Request,
) -> Result<NamedFinding, Error> {
    note_finding(app, caller, id, etag, said, request, acknowledged).await
}
