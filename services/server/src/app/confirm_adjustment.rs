//! Records the setpoint as left, read back from the panel.

use ringtrue_fleet::adjustment::{Adjustment, AdjustmentDetails, check_advising, confirm};
use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::furnace::FurnaceState;
use ringtrue_fleet::key::{AdjustmentId, AdjustmentKey, FurnaceKey};
use ringtrue_fleet::refusal::Refusal;
use ringtrue_store::Request;

use super::{App, Error, checked};

/// Confirms an adjustment; from then on the programme has this setpoint.
pub async fn confirm_adjustment(
    app: &App,
    caller: &Caller,
    furnace: &FurnaceKey,
    details: AdjustmentDetails,
    request: &Request,
) -> Result<Adjustment, Error> {
    let scope = caller.site(Right::Record, &furnace.site)?;
    let now = app.clock.now();
    checked(|violations| details.check("adjustment", furnace, now, violations))?;
    let key = AdjustmentKey {
        furnace: furnace.clone(),
        adjustment: AdjustmentId::from_uuid(app.ids.uuid(now)),
    };
    let (store, request) = (app.store.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("confirm_adjustment", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.adjustment()?);
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
        let programme_key = details.programme.clone().ok_or_else(|| Error::Missing {
            kind: "ringtrue.v1/Programme",
            name: String::new(),
        })?;
        let programme = tx
            .programme(&programme_key)
            .await?
            .ok_or_else(|| Error::Missing {
                kind: "ringtrue.v1/Programme",
                name: programme_key.name(),
            })?;
        let advised_setpoint_c = match &details.reading {
            None => None,
            Some(reading) => {
                let recorded = tx.recorded(reading).await?.ok_or_else(|| Error::Missing {
                    kind: "ringtrue.v1/Reading",
                    name: reading.name(),
                })?;
                let later = recorded.amended_by.as_ref();
                checked(|violations| {
                    check_advising(&details, &recorded.reading, later, "adjustment", violations);
                })?;
                recorded
                    .evaluated
                    .evaluation
                    .decision
                    .map(|decision| decision.advised_setpoint_c)
            }
        };
        let (adjustment, changed) = confirm(
            &furnace,
            &programme,
            advised_setpoint_c,
            details,
            key,
            "adjustment",
            now,
        )?;
        tx.insert_adjustment(&adjustment, &request).await?;
        tx.update_programme(&programme.revised(changed, now), &Request::NONE)
            .await?;
        tx.commit().await?;
        Ok(adjustment)
    })
    .await
}
