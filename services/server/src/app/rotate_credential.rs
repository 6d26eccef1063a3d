//! Gives a credential a new secret and its lifetime anew.

use jiff::{SignedDuration, Timestamp};
use ringtrue_fleet::caller::{Caller, Right, Scope};
use ringtrue_fleet::credential::{Credential, Standing};
use ringtrue_fleet::key::CredentialId;
use ringtrue_fleet::refusal::Refusal;
use ringtrue_fleet::violation::Violations;
use ringtrue_store::Request;

use super::granted::{digest_of, kept_by, missing, token};
use super::{App, Error, checked};

/// Most minutes that the secret before may still work: a day.
const LONGEST_OVERLAP_MIN: u16 = 24 * 60;

/// What a rotation is to do.
#[derive(Debug, Clone)]
pub struct Rotation {
    /// Which credential; none for the caller's own.
    pub credential: Option<CredentialId>,
    /// SHA-256 of the secret that the client has made for itself; none for the server to make one.
    pub secret: Option<[u8; 32]>,
    /// Minutes that the secret before still works.
    pub overlap_min: u16,
}

/// Whose credential is rotated, and the access that this takes.
struct Whose {
    id: CredentialId,
    scope: Scope,
    own: bool,
}

impl Whose {
    /// Their own, which everybody may, or another's, which takes the right to keep it.
    fn of(caller: &Caller, wanted: Option<CredentialId>) -> Result<Self, Error> {
        let own = caller.own();
        match (wanted, own) {
            (None, None) => {
                let mut violations = Violations::default();
                violations.add(
                    "name",
                    "REQUIRED",
                    "is empty, and this call is made without a credential; name the one to rotate",
                );
                Err(violations.into())
            }
            (None, Some((own, scope))) => Ok(Self {
                id: own.key.clone(),
                scope,
                own: true,
            }),
            (Some(id), Some((own, scope))) if own.key == id => Ok(Self {
                id,
                scope,
                own: true,
            }),
            (Some(id), _) => Ok(Self {
                id,
                scope: caller.network(Right::GrantAccess)?,
                own: false,
            }),
        }
    }
}

/// Rotates a credential; gives it with its new token, which is known this once, unless the client made the secret. A
/// repeat gives it without.
pub async fn rotate_credential(
    app: &App,
    caller: &Caller,
    rotation: Rotation,
    request: &Request,
) -> Result<(Credential, Option<String>), Error> {
    checked(|violations| {
        if rotation.overlap_min > LONGEST_OVERLAP_MIN {
            violations.add(
                "overlap_min",
                "OUT_OF_RANGE",
                format!("must lie between 0 and {LONGEST_OVERLAP_MIN} minutes"),
            );
        }
    })?;
    let Whose { id, scope, own } = Whose::of(caller, rotation.credential)?;
    let now = app.clock.now();
    let made = rotation.secret.is_none().then(|| app.ids.secret());
    let overlap = SignedDuration::from_mins(i64::from(rotation.overlap_min));
    let overlap_until =
        (rotation.overlap_min > 0).then(|| now.checked_add(overlap).unwrap_or(Timestamp::MAX));
    let (store, caller, request) = (app.store.clone(), caller.clone(), request.clone());
    let bell = app.access.clone();
    app.whole(async move {
        let mut tx = store.begin("rotate_credential", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            let credential = earlier.credential()?;
            if credential.key != id || !own {
                kept_by(&caller, &credential.grant, || missing(&id))?;
            }
            return Ok((credential, None));
        }
        let found = tx.credential(&id).await?;
        let credential = found.ok_or_else(|| missing(&id))?;
        if !own {
            kept_by(&caller, &credential.grant, || missing(&id))?;
        }
        let Some(present) = may_rotate(&credential, now)? else {
            return Err(no_token(id));
        };
        let secret = match (&made, rotation.secret) {
            (Some(secret), _) => digest_of(secret),
            (None, Some(secret)) => secret,
            (None, None) => return Err(Error::Broken),
        };
        if secret == present {
            let mut violations = Violations::default();
            violations.add(
                "secret_sha256",
                "UNCHANGED",
                "is that of the present secret; make a new secret",
            );
            return Err(violations.into());
        }
        let rotated = credential.rotated(secret, now, overlap_until);
        tx.rotate_credential(&rotated, now, &request).await?;
        tx.commit().await?;
        bell.ring();
        let token = made.map(|secret| token(&rotated.key, secret));
        Ok((rotated, token))
    })
    .await
}

/// The present secret of a credential that may be used; none when a certificate alone proves it.
fn may_rotate(credential: &Credential, now: Timestamp) -> Result<Option<[u8; 32]>, Refusal> {
    let why = match credential.standing(now) {
        Standing::Active => return Ok(credential.secret),
        Standing::Expired => "its time is over; its holder enrols again",
        Standing::Revoked => "it was revoked; its holder enrols again",
    };
    Err(Refusal::MayNotRotate {
        credential: credential.key.clone(),
        why,
    })
}

fn no_token(credential: CredentialId) -> Error {
    Refusal::MayNotRotate {
        credential,
        why: "it has no token, its certificate alone proves it; make a new credential for a new certificate",
    }
    .into()
}
