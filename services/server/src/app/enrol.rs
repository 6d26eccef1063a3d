//! Trades a one-time code for a credential.
//!
//! Whoever does so has no credential yet. Every refusal is the same answer, so that nobody learns which codes there
//! are: unknown, wrong, used by another, over, revoked and locked ones alike. How long the answer takes tells no more,
//! but that a wrong try was counted, which shows that its first four characters are somebody's; they are no secret.

use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::credential::{Credential, Standing};
use ringtrue_fleet::enrolment::{Code, Trial};
use ringtrue_fleet::key::{CredentialId, EnrolmentId};
use ringtrue_store::{Invited, Store};

use super::{App, Error};
use crate::clock::Clock;

/// Makes the credential of a code's enrolment, with the SHA-256 of a secret that the client has made for itself. The
/// same client may do so again while the code is good: its answer may have been lost. `origin` is its network
/// address.
pub async fn enrol(
    app: &App,
    code: &Code,
    secret: [u8; 32],
    origin: &str,
) -> Result<Credential, Error> {
    let read = app.store.read(&Scope::for_work("enrol"));
    let invited = read.enrolment_of_selector(&code.selector).await?;
    let (id, hash) = match invited {
        Some(Invited {
            enrolment,
            proof_hash,
            ..
        }) => (Some(enrolment.key), Some(proof_hash)),
        None => (None, None),
    };
    let proved = app.proofs.fits(&code.proof, hash).await?;
    let id = id.ok_or(Error::CodeUnusable)?;
    let tried = Tried {
        store: app.store.clone(),
        clock: app.clock.clone(),
        scope: Scope::for_enrolment(&id, origin),
        made: CredentialId::from_uuid(app.ids.uuid(app.clock.now())),
        id,
        proved,
        secret,
    };
    app.whole(tried.settled()).await
}

/// A code that was tried, and whether its proof was right.
struct Tried {
    store: Store,
    clock: Clock,
    scope: Scope,
    id: EnrolmentId,
    proved: bool,
    secret: [u8; 32],
    made: CredentialId,
}

impl Tried {
    /// Decides on the enrolment as it stands now: others may have tried its code meanwhile.
    async fn settled(self) -> Result<Credential, Error> {
        let mut tx = self.store.begin("enrol", &self.scope).await?;
        let now = self.clock.now();
        let invited = tx.enrolment(&self.id).await?;
        let invited = invited.ok_or(Error::CodeUnusable)?;
        let made_with = invited.made_with.as_ref();
        let enrolment = invited.enrolment;
        match enrolment.tried(self.proved, &self.secret, made_with, now) {
            Trial::Makes => {
                let made = enrolment.wish.credential(self.made, Some(self.secret), now);
                tx.use_enrolment(&enrolment.key, &made).await?;
                tx.commit().await?;
                Ok(made)
            }
            Trial::MadeBefore(made) => {
                let made = tx.credential(&made).await?;
                made.filter(|made| made.standing(now) == Standing::Active)
                    .ok_or(Error::CodeUnusable)
            }
            Trial::Counts => {
                tx.count_enrolment_try(&enrolment.key, now).await?;
                tx.commit().await?;
                Err(Error::CodeUnusable)
            }
            Trial::Refused => Err(Error::CodeUnusable),
        }
    }
}
