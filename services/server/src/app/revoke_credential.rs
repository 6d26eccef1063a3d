//! Ends a credential at once and for good.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::credential::{Credential, Standing};
use ringtrue_fleet::grant::Role;
use ringtrue_fleet::key::CredentialId;
use ringtrue_fleet::refusal::Refusal;
use ringtrue_store::Request;

use super::granted::{kept_by, missing};
use super::{App, Error, checked};

/// Revokes a credential; one that was revoked before stays as it is. The last administrator's that can be used is
/// refused.
pub async fn revoke_credential(
    app: &App,
    caller: &Caller,
    id: &CredentialId,
    reason: String,
    request: &Request,
) -> Result<Credential, Error> {
    checked(|violations| violations.text("reason", &reason, 0, 500))?;
    let scope = caller.network(Right::GrantAccess)?;
    let now = app.clock.now();
    let (store, caller, id) = (app.store.clone(), caller.clone(), id.clone());
    let request = request.clone();
    let bell = app.access.clone();
    app.whole(async move {
        let mut tx = store.begin("revoke_credential", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            let credential = earlier.credential()?;
            kept_by(&caller, &credential.grant, || missing(&id))?;
            return Ok(credential);
        }
        let found = tx.credential(&id).await?;
        let credential = found.ok_or_else(|| missing(&id))?;
        kept_by(&caller, &credential.grant, || missing(&id))?;
        if credential.revoked_at.is_some() {
            return Ok(credential);
        }
        if credential.grant.role == Role::Administrator
            && credential.standing(now) == Standing::Active
            && tx.active_administrators(now).await? < 2
        {
            return Err(Refusal::LastAdministrator { credential: id }.into());
        }
        let revoked = credential.revoked(now);
        tx.revoke_credential(&revoked, &reason, now, &request)
            .await?;
        tx.commit().await?;
        bell.ring();
        Ok(revoked)
    })
    .await
}
