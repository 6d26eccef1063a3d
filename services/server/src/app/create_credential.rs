//! Makes a credential for somebody who cannot enrol by themselves.

use ringtrue_fleet::caller::Caller;
use ringtrue_fleet::credential::{Credential, CredentialWish};
use ringtrue_fleet::key::CredentialId;
use ringtrue_fleet::violation::Violations;
use ringtrue_store::Request;

use super::granted::{digest_of, exists, token};
use super::{App, Error, checked};

/// Makes a credential; gives it with its token, which is known this once. With `certificate_only` there is no token:
/// its certificate alone proves it. A repeat gives it without the token.
pub async fn create_credential(
    app: &App,
    caller: &Caller,
    wish: CredentialWish,
    certificate_only: bool,
    request: &Request,
) -> Result<(Credential, Option<String>), Error> {
    checked(|violations| {
        wish.check("credential", violations);
        if certificate_only && wish.certificate.is_none() {
            violations.add(
                "credential.certificate_sha256",
                "REQUIRED",
                "is empty, and nothing else would prove this credential; give the certificate's SHA-256, or leave \
                 certificate_only out",
            );
        }
    })?;
    let scope = caller.keeping(&wish.grant)?;
    let now = app.clock.now();
    let secret = (!certificate_only).then(|| app.ids.secret());
    let key = CredentialId::from_uuid(app.ids.uuid(now));
    let credential = wish.credential(key, secret.as_deref().map(digest_of), now);
    let (store, request) = (app.store.clone(), request.clone());
    let bell = app.access.clone();
    app.whole(async move {
        let mut tx = store.begin("create_credential", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok((earlier.credential()?, None));
        }
        exists(&mut tx, &credential.grant).await?;
        let stored = tx.insert_credential(&credential, &request).await;
        stored.map_err(certificate_taken)?;
        tx.commit().await?;
        bell.ring();
        let token = secret.map(|secret| token(&credential.key, secret));
        Ok((credential, token))
    })
    .await
}

/// Whose certificate it is already is not said: it may be somebody of another site.
fn certificate_taken(fault: ringtrue_store::Error) -> Error {
    match fault {
        ringtrue_store::Error::Exists => {
            let mut violations = Violations::default();
            violations.add(
                "credential.certificate_sha256",
                "TAKEN",
                "is the certificate of another credential; make a new one, or have that credential revoked",
            );
            violations.into()
        }
        other => other.into(),
    }
}
