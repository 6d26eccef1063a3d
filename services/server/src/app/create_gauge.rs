//! Adds a gauge to a site.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::gauge::{Gauge, GaugeDetails};
use ringtrue_fleet::key::{GaugeId, GaugeKey, SiteId};
use ringtrue_store::Request;

use super::{App, Error, checked};

/// Adds a gauge, with a new id when the caller gives none.
pub async fn create_gauge(
    app: &App,
    caller: &Caller,
    site: &SiteId,
    details: GaugeDetails,
    id: Option<GaugeId>,
    request: &Request,
) -> Result<Gauge, Error> {
    let scope = caller.site(Right::Configure, site)?;
    checked(|violations| details.check("gauge", violations))?;
    let now = app.clock.now();
    let gauge = id.unwrap_or_else(|| GaugeId::from_uuid(app.ids.uuid(now)));
    let key = GaugeKey {
        site: site.clone(),
        gauge,
    };
    let (store, request) = (app.store.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("create_gauge", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.gauge()?);
        }
        if tx.site(&key.site).await?.is_none() {
            return Err(Error::Missing {
                kind: "ringtrue.v1/Site",
                name: key.site.name(),
            });
        }
        let gauge = Gauge::first(key, details, now);
        tx.insert_gauge(&gauge, &request)
            .await
            .map_err(|fault| Error::of_insert(fault, "ringtrue.v1/Gauge", gauge.key.name()))?;
        tx.commit().await?;
        Ok(gauge)
    })
    .await
}

/// The gauge as [`create_gauge`] would store it, refused where that would be refused. Nothing is stored.
pub async fn try_gauge(
    app: &App,
    caller: &Caller,
    site: &SiteId,
    details: GaugeDetails,
    id: Option<GaugeId>,
) -> Result<Gauge, Error> {
    let scope = caller.site(Right::Configure, site)?;
    checked(|violations| details.check("gauge", violations))?;
    let now = app.clock.now();
    let gauge = id.unwrap_or_else(|| GaugeId::from_uuid(app.ids.uuid(now)));
    let key = GaugeKey {
        site: site.clone(),
        gauge,
    };
    let read = app.store.read(&scope);
    if read.site(site).await?.is_none() {
        return Err(Error::Missing {
            kind: "ringtrue.v1/Site",
            name: site.name(),
        });
    }
    match read.gauge(&key).await? {
        Some(taken) => Err(Error::Exists {
            kind: "ringtrue.v1/Gauge",
            name: taken.key.name(),
        }),
        None => Ok(Gauge::first(key, details, now)),
    }
}
