//! Records something that may have moved a furnace's offset.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::event::{EventDetails, FurnaceEvent};
use ringtrue_fleet::furnace::FurnaceState;
use ringtrue_fleet::key::{EventId, EventKey, FurnaceKey};
use ringtrue_fleet::refusal::Refusal;
use ringtrue_fleet::tracking::replayed;
use ringtrue_store::Request;

use super::{App, Error, checked};

/// Records a furnace event. One that happened before readings already taken into account makes the
/// furnace's offset worked out again.
pub async fn record_furnace_event(
    app: &App,
    caller: &Caller,
    furnace: &FurnaceKey,
    details: EventDetails,
    request: &Request,
) -> Result<FurnaceEvent, Error> {
    let scope = caller.site(Right::Record, &furnace.site)?;
    let now = app.clock.now();
    checked(|violations| details.check("event", now, violations))?;
    let key = EventKey {
        furnace: furnace.clone(),
        event: EventId::from_uuid(app.ids.uuid(now)),
    };
    let (store, request) = (app.store.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("record_furnace_event", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.furnace_event()?);
        }
        let furnace = tx
            .furnace(&key.furnace)
            .await?
            .ok_or_else(|| Error::Missing {
                kind: "ringtrue.v1/Furnace",
                name: key.furnace.name(),
            })?;
        if furnace.details.state == FurnaceState::Retired {
            return Err(Refusal::FurnaceRetired {
                furnace: furnace.key,
            }
            .into());
        }
        let event = FurnaceEvent {
            key,
            details,
            received_at: now,
        };
        tx.insert_furnace_event(&event, &request).await?;
        let tracked = tx.tracked_offset(&event.key.furnace).await?;
        let late = tracked.is_some_and(|t| {
            event
                .details
                .happened_at
                .is_some_and(|at| at <= t.last.fired_at)
        });
        if late {
            let (points, events) = tx.history(&event.key.furnace).await?;
            let fit = tx.fit().await?;
            let again = replayed(&points, &events, &fit.components, fit.components_number);
            tx.put_tracked_offset(&event.key.furnace, again.as_ref())
                .await?;
        }
        tx.commit().await?;
        Ok(event)
    })
    .await
}
