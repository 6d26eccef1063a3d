//! Notes on a finding that it was seen, or closes it.

use jiff::Timestamp;
use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::finding::{Finding, Said};
use ringtrue_fleet::key::FindingId;
use ringtrue_fleet::refusal::Refusal;
use ringtrue_store::{NamedFinding, Request};

use super::{App, Error, checked, fresh};

/// How a finding follows from what was said about it: [`ringtrue_fleet::finding::acknowledged`] or
/// [`ringtrue_fleet::finding::resolved`].
pub type Noting = fn(&Finding, &Said, Timestamp) -> Result<Finding, Refusal>;

/// Notes something on a finding. Whoever records at a site also says what is done about its findings; what
/// the network shares is for those who keep its ring batches.
pub async fn note_finding(
    app: &App,
    caller: &Caller,
    id: &FindingId,
    etag: Option<String>,
    noting: Noting,
    said: Said,
    request: &Request,
) -> Result<NamedFinding, Error> {
    let now = app.clock.now();
    checked(|violations| said.check(violations))?;
    let read = app.store.read(&caller.network(Right::Read)?);
    let seen = read.finding(id).await?.ok_or_else(|| missing(id))?;
    let scope = match seen.finding.subject.site() {
        Some(site) => caller.site(Right::Note, site)?,
        None => caller.network(Right::KeepBatches)?,
    };
    let (store, id, request) = (app.store.clone(), id.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("note_finding", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            let first = tx.finding_answered(&earlier).await?;
            return first.ok_or_else(|| missing(&id));
        }
        // Once more, in the transaction: the readings may have closed it meanwhile.
        let found = tx.finding(&id).await?.ok_or_else(|| missing(&id))?;
        fresh(etag.as_deref(), &found.finding.etag(), || id.name())?;
        let finding = noting(&found.finding, &said, now)?;
        tx.note_finding(&finding, &request, now).await?;
        tx.commit().await?;
        Ok(NamedFinding { finding, ..found })
    })
    .await
}

fn missing(id: &FindingId) -> Error {
    Error::Missing {
        kind: "ringtrue.v1/Finding",
        name: id.name(),
    }
}
