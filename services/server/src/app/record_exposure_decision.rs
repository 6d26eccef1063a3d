//! Records what a qualified person decided about exposed cases.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::exposure::{Decision, DecisionDetails};
use ringtrue_fleet::key::{DecisionId, DecisionKey, FurnaceKey};
use ringtrue_fleet::violation::Violations;
use ringtrue_store::{Request, Tx};

use super::{App, Error, checked};

/// Records a decision. Every case that it names was in a firing of the span.
pub async fn record_exposure_decision(
    app: &App,
    caller: &Caller,
    furnace: &FurnaceKey,
    details: DecisionDetails,
    request: &Request,
) -> Result<Decision, Error> {
    let scope = caller.site(Right::Record, &furnace.site)?;
    let now = app.clock.now();
    checked(|violations| details.check("exposure_decision", furnace, now, violations))?;
    let key = DecisionKey {
        furnace: furnace.clone(),
        decision: DecisionId::from_uuid(app.ids.uuid(now)),
    };
    let (store, request) = (app.store.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("record_exposure_decision", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.exposure_decision()?);
        }
        tx.furnace(&key.furnace)
            .await?
            .ok_or_else(|| Error::Missing {
                kind: "ringtrue.v1/Furnace",
                name: key.furnace.name(),
            })?;
        if let Some(reading) = &details.reading {
            tx.recorded(reading).await?.ok_or_else(|| Error::Missing {
                kind: "ringtrue.v1/Reading",
                name: reading.name(),
            })?;
        }
        cases_were_fired(&mut tx, &key.furnace, &details).await?;
        let decision = Decision {
            key,
            details,
            received_at: now,
        };
        tx.insert_exposure_decision(&decision, &request).await?;
        tx.commit().await?;
        Ok(decision)
    })
    .await
}

async fn cases_were_fired(
    tx: &mut Tx,
    furnace: &FurnaceKey,
    details: &DecisionDetails,
) -> Result<(), Error> {
    let (Some(start), Some(end)) = (details.start, details.end) else {
        return Ok(());
    };
    let unknown = tx
        .cases_not_fired(furnace, start, end, &details.case_ids)
        .await?;
    let mut violations = Violations::default();
    for (at, case_id) in details.case_ids.iter().enumerate() {
        if unknown.contains(case_id) {
            violations.add(
                format!("exposure_decision.case_ids[{at}]"),
                "UNKNOWN_CASE",
                "was in no firing of this furnace that ended within the span; check the case's id and the span",
            );
        }
    }
    Ok(violations.or(())?)
}
