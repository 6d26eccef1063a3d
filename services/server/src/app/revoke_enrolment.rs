//! Makes an enrolment's code worthless.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::enrolment::Enrolment;
use ringtrue_fleet::key::EnrolmentId;
use ringtrue_fleet::refusal::Refusal;
use ringtrue_store::Request;

use super::granted::kept_by;
use super::{App, Error};

/// Revokes an enrolment; one that was revoked before stays as it is. A code that was used is refused: what came of it
/// is to be revoked.
pub async fn revoke_enrolment(
    app: &App,
    caller: &Caller,
    id: &EnrolmentId,
    request: &Request,
) -> Result<Enrolment, Error> {
    let scope = caller.network(Right::GrantAccess)?;
    let now = app.clock.now();
    let (store, caller, id) = (app.store.clone(), caller.clone(), id.clone());
    let request = request.clone();
    app.whole(async move {
        let mut tx = store.begin("revoke_enrolment", &scope).await?;
        let missing = || Error::Missing {
            kind: "ringtrue.v1/Enrolment",
            name: id.name(),
        };
        if let Some(earlier) = tx.answered(&request).await? {
            let enrolment = earlier.enrolment()?;
            kept_by(&caller, &enrolment.wish.grant, missing)?;
            return Ok(enrolment);
        }
        let invited = tx.enrolment(&id).await?.ok_or_else(missing)?;
        let enrolment = invited.enrolment;
        kept_by(&caller, &enrolment.wish.grant, missing)?;
        if let Some(made) = enrolment.made {
            return Err(Refusal::EnrolmentUsed {
                enrolment: id,
                made,
            }
            .into());
        }
        if enrolment.revoked_at.is_some() {
            return Ok(enrolment);
        }
        let revoked = tx.revoke_enrolment(&id, now, &request).await?;
        tx.commit().await?;
        Ok(revoked)
    })
    .await
}
