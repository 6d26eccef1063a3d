//! Records an act of care.

use ringtrue_fleet::act::{Act, ActDetails, ActSubject};
use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::furnace::FurnaceState;
use ringtrue_fleet::key::{ActId, ActKey, SiteId};
use ringtrue_fleet::refusal::Refusal;
use ringtrue_store::{Request, Tx};

use super::{App, Error, checked};

/// Records what was done, left out, put off or counted.
pub async fn record_act(
    app: &App,
    caller: &Caller,
    site: &SiteId,
    details: ActDetails,
    request: &Request,
) -> Result<Act, Error> {
    let scope = caller.site(Right::Record, site)?;
    let now = app.clock.now();
    let key = ActKey {
        site: site.clone(),
        act: ActId::from_uuid(app.ids.uuid(now)),
    };
    let (store, request) = (app.store.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("record_act", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.act()?);
        }
        let site = tx.site(&key.site).await?.ok_or_else(|| Error::Missing {
            kind: "ringtrue.v1/Site",
            name: key.site.name(),
        })?;
        // Which day it is there decides how far a task may be put off.
        let today = now.to_zoned_datetime(site.details.zone()).date();
        checked(|violations| details.check(&key.site, "act", now, today, violations))?;
        may_be_done_to(&mut tx, details.subject.as_ref()).await?;
        let act = Act {
            key,
            details,
            received_at: now,
        };
        tx.insert_act(&act, &request).await?;
        tx.commit().await?;
        Ok(act)
    })
    .await
}

async fn may_be_done_to(tx: &mut Tx, subject: Option<&ActSubject>) -> Result<(), Error> {
    match subject {
        Some(ActSubject::Furnace(key)) => {
            let furnace = tx.furnace(key).await?.ok_or_else(|| Error::Missing {
                kind: "ringtrue.v1/Furnace",
                name: key.name(),
            })?;
            if furnace.details.state == FurnaceState::Retired {
                return Err(Refusal::FurnaceRetired {
                    furnace: furnace.key,
                }
                .into());
            }
            Ok(())
        }
        Some(ActSubject::Rings(batch)) => {
            tx.ring_batch(batch)
                .await?
                .map(drop)
                .ok_or_else(|| Error::Missing {
                    kind: "ringtrue.v1/RingBatch",
                    name: batch.name(),
                })
        }
        None => Ok(()),
    }
}
