//! Changes a furnace's description or limits.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::furnace::{Furnace, FurnaceDetails, FurnaceState};
use ringtrue_fleet::key::FurnaceKey;
use ringtrue_fleet::programme::Programme;
use ringtrue_fleet::violation::Violations;
use ringtrue_store::Request;

use super::{App, Change, Error, checked, fresh};

/// Changes a furnace.
pub async fn update_furnace(
    app: &App,
    caller: &Caller,
    key: &FurnaceKey,
    etag: Option<String>,
    change: Change<FurnaceDetails>,
    request: &Request,
) -> Result<Furnace, Error> {
    let scope = caller.site(Right::Configure, &key.site)?;
    let now = app.clock.now();
    let (store, key, request) = (app.store.clone(), key.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("update_furnace", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok(earlier.furnace()?);
        }
        let furnace = tx.furnace(&key).await?.ok_or_else(|| Error::Missing {
            kind: "ringtrue.v1/Furnace",
            name: key.name(),
        })?;
        fresh(etag.as_deref(), &furnace.etag(), || key.name())?;
        let details = change(&furnace.details)?;
        let programmes = tx.programmes_of_furnace(&key).await?;
        checked(|violations| {
            details.check("furnace", violations);
            check_change(&furnace.details, &details, &programmes, violations);
        })?;
        let furnace = furnace.revised(details, now);
        tx.update_furnace(&furnace, &request).await?;
        tx.commit().await?;
        Ok(furnace)
    })
    .await
}

/// Checks what may not change: a furnace out of use for good, and a limit that a programme needs.
fn check_change(
    before: &FurnaceDetails,
    after: &FurnaceDetails,
    programmes: &[Programme],
    violations: &mut Violations,
) {
    if before.state == FurnaceState::Retired && after.state != FurnaceState::Retired {
        violations.add(
            "furnace.state",
            "RETIRED_FOR_GOOD",
            "a retired furnace does not come back into use; add it again as a new furnace",
        );
    }
    let limit_c = after.maximum_setpoint_c;
    // A limit is only compared when it is lowered, so that all else of a furnace stays open to change.
    if limit_c >= before.maximum_setpoint_c {
        return;
    }
    for programme in programmes {
        let setpoint_c = programme.details.setpoint_c;
        if setpoint_c > limit_c {
            violations.add(
                "furnace.maximum_setpoint_c",
                "BELOW_A_SETPOINT",
                format!(
                    "{limit_c} °C is below the setpoint of {}, {setpoint_c} °C; lower that setpoint on the \
                     controller and confirm the adjustment first",
                    programme.key.name()
                ),
            );
        }
    }
}
