//! Records a check of a gauge on a reference block.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::gauge::{CheckDetails, Gauge, GaugeCheck};
use ringtrue_fleet::key::{CheckId, CheckKey, GaugeKey};
use ringtrue_store::Request;

use super::{App, Error, checked};

/// Records a gauge check and gives the gauge it is of.
pub async fn record_gauge_check(
    app: &App,
    caller: &Caller,
    key: &GaugeKey,
    details: CheckDetails,
    request: &Request,
) -> Result<(GaugeCheck, Gauge), Error> {
    let scope = caller.site(Right::Record, &key.site)?;
    let now = app.clock.now();
    checked(|violations| details.check("check", now, violations))?;
    let check = CheckId::from_uuid(app.ids.uuid(now));
    let (store, key, request) = (app.store.clone(), key.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("record_gauge_check", &scope).await?;
        let gauge = tx.gauge(&key).await?.ok_or_else(|| Error::Missing {
            kind: "ringtrue.v1/Gauge",
            name: key.name(),
        })?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok((earlier.gauge_check()?, gauge));
        }
        let (bias_mm, standard_uncertainty_mm) = details.found(gauge.details.resolution_mm);
        let check = GaugeCheck {
            key: CheckKey { gauge: key, check },
            details,
            bias_mm,
            standard_uncertainty_mm,
            received_at: now,
        };
        tx.insert_gauge_check(&check, &request).await?;
        tx.commit().await?;
        Ok((check, gauge))
    })
    .await
}
