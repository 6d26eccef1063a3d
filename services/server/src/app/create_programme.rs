//! Adds a programme to a furnace.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::furnace::FurnaceState;
use ringtrue_fleet::key::{FurnaceKey, ProgrammeId, ProgrammeKey};
use ringtrue_fleet::programme::{Programme, ProgrammeDetails};
use ringtrue_fleet::refusal::Refusal;
use ringtrue_store::Request;

use super::{App, Error, checked};

/// Adds a programme, with a new id when the caller gives none.
pub async fn create_programme(
    app: &App,
    caller: &Caller,
    furnace: &FurnaceKey,
    details: ProgrammeDetails,
    id: Option<ProgrammeId>,
    request: &Request,
) -> Result<Programme, Error> {
    let scope = caller.site(Right::Configure, &furnace.site)?;
    let now = app.clock.now();
    let programme = id.unwrap_or_else(|| ProgrammeId::from_uuid(app.ids.uuid(now)));
    let key = ProgrammeKey {
        furnace: furnace.clone(),
        programme,
    };
    let (store, request) = (app.store.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("create_programme", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.programme()?);
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
        checked(|violations| details.check("programme", &furnace.details, violations))?;
        let programme = Programme::first(key, details, now);
        tx.insert_programme(&programme, &request)
            .await
            .map_err(|fault| {
                Error::of_insert(fault, "ringtrue.v1/Programme", programme.key.name())
            })?;
        tx.commit().await?;
        Ok(programme)
    })
    .await
}
