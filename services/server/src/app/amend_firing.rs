//! Records a corrected version of a production firing; the earlier one stays readable.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::firing::{FiringDetails, Row, amended};
use ringtrue_fleet::key::{FiringKey, ReportId};
use ringtrue_fleet::refusal::Refusal;
use ringtrue_store::{KeptFiring, Request, Tx};

use super::report_firings::firing_id;
use super::{App, Error};

/// Records a corrected version, or that the firing never took place.
pub async fn amend_firing(
    app: &App,
    caller: &Caller,
    key: &FiringKey,
    row: Row,
    reason: String,
    request: &Request,
) -> Result<KeptFiring, Error> {
    let scope = caller.site(Right::Record, &key.furnace.site)?;
    let now = app.clock.now();
    let report = ReportId::from_uuid(app.ids.uuid(now));
    let (store, key, request) = (app.store.clone(), key.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("amend_firing", &scope).await?;
        let answered = tx.answered(&request).await?.is_some();
        let before = existing(&mut tx, &key).await?;
        if answered {
            return first_answer(&mut tx, before, &key).await;
        }
        if let Some(by) = before.amended_by {
            return Err(Refusal::FiringAmendedAlready { firing: key, by }.into());
        }
        let site = &key.furnace.site;
        let place = tx.site(site).await?.ok_or_else(|| Error::Missing {
            kind: "ringtrue.v1/Site",
            name: site.name(),
        })?;
        let known = tx.known_firings(&place, &[&row.details]).await?;
        let id = |details: &FiringDetails| firing_id(site, details, Some(&key.firing));
        let firing = amended(&known, &before.firing, row, &reason, &report, now, id)?;
        tx.uncount_firing(&before.firing).await?;
        tx.insert_firings(site, &report, &[&firing], &request)
            .await?;
        tx.commit().await?;
        Ok(KeptFiring {
            firing,
            amended_by: None,
        })
    })
    .await
}

async fn existing(tx: &mut Tx, key: &FiringKey) -> Result<KeptFiring, Error> {
    tx.firing(key).await?.ok_or_else(|| Error::Missing {
        kind: "ringtrue.v1/Firing",
        name: key.name(),
    })
}

/// The version that the request made: the one that took the place of the version it named.
async fn first_answer(
    tx: &mut Tx,
    before: KeptFiring,
    key: &FiringKey,
) -> Result<KeptFiring, Error> {
    let by = before.amended_by.ok_or_else(|| Error::Missing {
        kind: "ringtrue.v1/Firing",
        name: key.name(),
    })?;
    let mut made = existing(tx, &by).await?;
    // The first answer could not know of a later amendment.
    made.amended_by = None;
    Ok(made)
}
