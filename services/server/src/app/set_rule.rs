//! Sets a rule of scheduling for the network, a site or a furnace.

use ringtrue_fleet::caller::{Caller, Right, Scope};
use ringtrue_fleet::rule::{Rule, RuleDetails, RuleKey, RulePlace};
use ringtrue_store::{Request, Tx};

use super::{App, Error, fresh};

/// Sets a rule in place of the one before, which must be the version that the caller saw where `etag` says one.
/// `details` were checked for this key.
pub async fn set_rule(
    app: &App,
    caller: &Caller,
    key: &RuleKey,
    details: RuleDetails,
    etag: Option<String>,
    request: &Request,
) -> Result<Rule, Error> {
    let scope = scope_of(caller, &key.place)?;
    let now = app.clock.now();
    let (store, key, request) = (app.store.clone(), key.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("set_rule", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.rule()?);
        }
        exists(&mut tx, &key.place).await?;
        if etag.is_some() {
            let own = tx.own_rule(&key).await?;
            let present = own.map_or_else(String::new, |rule| rule.etag());
            fresh(etag.as_deref(), &present, || key.name())?;
        }
        let rule = match tx.rule_before(&key).await? {
            Some(before) => before.revised(details, now),
            None => Rule::first(key, details, now),
        };
        tx.put_rule(&rule, &request).await?;
        tx.commit().await?;
        Ok(rule)
    })
    .await
}

/// Access to a place's rules: whoever configures the site, or the whole network.
pub(super) fn scope_of(caller: &Caller, place: &RulePlace) -> Result<Scope, Error> {
    Ok(match place.site() {
        Some(site) => caller.site(Right::Configure, site)?,
        None => caller.network(Right::Configure)?,
    })
}

/// Fails unless the place exists.
pub(super) async fn exists(tx: &mut Tx, place: &RulePlace) -> Result<(), Error> {
    if let Some(site) = place.site()
        && tx.site(site).await?.is_none()
    {
        return Err(Error::Missing {
            kind: "ringtrue.v1/Site",
            name: site.name(),
        });
    }
    if let RulePlace::Furnace(furnace) = place
        && tx.furnace(furnace).await?.is_none()
    {
        return Err(Error::Missing {
            kind: "ringtrue.v1/Furnace",
            name: furnace.name(),
        });
    }
    Ok(())
}
