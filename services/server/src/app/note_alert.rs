//! Says something about an alert: that it was seen, or that it rests.

use jiff::Timestamp;
use ringtrue_fleet::alert::{Alert, AlertChange};
use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::key::AlertId;
use ringtrue_fleet::refusal::Refusal;
use ringtrue_store::{NamedAlert, Request};

use super::{App, Error};

/// How an alert follows from what was said about it at a moment.
pub type Speaking = Box<dyn FnOnce(&Alert, Timestamp) -> Result<AlertChange, Refusal> + Send>;

/// Notes something on an alert. Whoever records at a site also speaks about its alerts; about what the
/// network shares those who keep its ring batches. Another site's alert is not there for the caller.
pub async fn note_alert(
    app: &App,
    caller: &Caller,
    id: &AlertId,
    speaking: Speaking,
    request: &Request,
) -> Result<NamedAlert, Error> {
    let now = app.clock.now();
    let read = app.store.read(&caller.network(Right::Read)?);
    let seen = read.alert(id).await?.ok_or_else(|| missing(id))?;
    let scope = match &seen.alert.site {
        Some(site) => caller.site(Right::Note, site)?,
        None => caller.network(Right::KeepBatches)?,
    };
    let (store, id, request) = (app.store.clone(), id.clone(), request.clone());
    let noted = app
        .whole(async move {
            let mut tx = store.begin("note_alert", &scope).await?;
            if let Some(earlier) = tx.answered(&request).await? {
                let first = tx.alert_answered(&earlier).await?;
                return first.ok_or_else(|| missing(&id));
            }
            // Once more, in the transaction: it may have closed meanwhile.
            let alert = tx.alert(&id).await?.ok_or_else(|| missing(&id))?;
            let change = speaking(&alert.alert, now)?;
            tx.note_alert(&change, &request, now).await?;
            tx.commit().await?;
            Ok(NamedAlert {
                alert: change.alert,
                ..seen
            })
        })
        .await?;
    app.alerts.ring();
    Ok(noted)
}

fn missing(id: &AlertId) -> Error {
    Error::Missing {
        kind: "ringtrue.v1/Alert",
        name: id.name(),
    }
}
