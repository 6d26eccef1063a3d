//! Changes a programme, its shade tuning included, but never its setpoint.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::furnace::FurnaceState;
use ringtrue_fleet::key::ProgrammeKey;
use ringtrue_fleet::programme::{Programme, ProgrammeDetails};
use ringtrue_fleet::refusal::Refusal;
use ringtrue_store::Request;

use super::{App, Change, Error, checked, fresh};

/// Changes a programme.
pub async fn update_programme(
    app: &App,
    caller: &Caller,
    key: &ProgrammeKey,
    etag: Option<String>,
    change: Change<ProgrammeDetails>,
    request: &Request,
) -> Result<Programme, Error> {
    let scope = caller.site(Right::Configure, &key.furnace.site)?;
    let now = app.clock.now();
    let (store, key, request) = (app.store.clone(), key.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("update_programme", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.programme()?);
        }
        let programme = tx.programme(&key).await?.ok_or_else(|| Error::Missing {
            kind: "ringtrue.v1/Programme",
            name: key.name(),
        })?;
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
        fresh(etag.as_deref(), &programme.etag(), || key.name())?;
        let details = change(&programme.details)?;
        checked(|violations| {
            details.check_change(&programme.details, "programme", violations);
            details.check("programme", &furnace.details, violations);
        })?;
        let programme = programme.revised(details, now);
        tx.update_programme(&programme, &request).await?;
        tx.commit().await?;
        Ok(programme)
    })
    .await
}
