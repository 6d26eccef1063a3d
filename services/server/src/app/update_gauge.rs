//! Changes a gauge's description.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::gauge::{Gauge, GaugeDetails};
use ringtrue_fleet::key::GaugeKey;
use ringtrue_store::Request;

use super::{App, Change, Error, checked, fresh};

/// Changes a gauge.
pub async fn update_gauge(
    app: &App,
    caller: &Caller,
    key: &GaugeKey,
    etag: Option<String>,
    change: Change<GaugeDetails>,
    request: &Request,
) -> Result<Gauge, Error> {
    let scope = caller.site(Right::Configure, &key.site)?;
    let now = app.clock.now();
    let (store, key, request) = (app.store.clone(), key.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("update_gauge", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.gauge()?);
        }
        let gauge = tx.gauge(&key).await?.ok_or_else(|| Error::Missing {
            kind: "ringtrue.v1/Gauge",
            name: key.name(),
        })?;
        fresh(etag.as_deref(), &gauge.etag(), || key.name())?;
        let details = change(&gauge.details)?;
        checked(|violations| details.check("gauge", violations))?;
        let gauge = gauge.revised(details, now);
        tx.update_gauge(&gauge, &request).await?;
        tx.commit().await?;
        Ok(gauge)
    })
    .await
}
