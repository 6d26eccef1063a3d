//! Removes a place's own rule of scheduling; the nearest outer one holds again.

use ringtrue_fleet::caller::Caller;
use ringtrue_fleet::rule::RuleKey;
use ringtrue_store::Request;

use super::set_rule::{exists, scope_of};
use super::{App, Error};

/// Removes a rule. Where none is set there is nothing to remove, and that is said.
pub async fn remove_rule(
    app: &App,
    caller: &Caller,
    key: &RuleKey,
    request: &Request,
) -> Result<(), Error> {
    let scope = scope_of(caller, &key.place)?;
    let now = app.clock.now();
    let (store, key, request) = (app.store.clone(), key.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("remove_rule", &scope).await?;
        if tx.answered(&request).await?.is_some() {
            return Ok(());
        }
        exists(&mut tx, &key.place).await?;
        let rule = tx.own_rule(&key).await?.ok_or_else(|| Error::Missing {
            kind: "ringtrue.v1/ScheduleRule",
            name: key.name(),
        })?;
        let details = rule.details.clone();
        tx.remove_rule(&rule.revised(details, now), &request)
            .await?;
        tx.commit().await?;
        Ok(())
    })
    .await
}
