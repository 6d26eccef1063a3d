//! Sets the phrase that a person signs with.

use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::refusal::Refusal;
use ringtrue_fleet::sign_off::{Signer, SigningPhrase, Tries, check_phrase};

use super::phrase::{Phrase, prove};
use super::{App, Error, checked};

/// Sets the caller's own signing phrase. The phrase before is needed when there is one; setting the same one again
/// changes nothing, so that a lost answer can be asked for again.
pub async fn set_signing_phrase(
    app: &App,
    caller: &Caller,
    new: Phrase,
    old: Phrase,
) -> Result<(), Error> {
    let scope = caller.network(Right::Sign)?;
    let signer = Signer::of(caller)?;
    checked(|violations| check_phrase("new_phrase", new.typed(), violations))?;
    let now = app.clock.now();
    let (store, proofs, ids) = (app.store.clone(), app.proofs.clone(), app.ids.clone());
    app.whole(async move {
        let credential = signer.credential;
        let mut tx = store.begin("look_at_phrase", &scope).await?;
        let before = tx.signing_phrase(&credential).await?;
        tx.roll_back().await?;
        if before.is_some() {
            let tried = [old, new.clone()];
            let (which, proved) = prove(&proofs, &store, &scope, &credential, &tried, now).await?;
            if which == 1 {
                let mut tx = store.begin("keep_phrase", &scope).await?;
                tx.put_phrase_tries(&proved).await?;
                tx.commit().await?;
                return Ok(());
            }
        }
        let hash = proofs.hashed(new.typed(), &ids).await?;
        let mut tx = store.begin("set_signing_phrase", &scope).await?;
        let present = tx.signing_phrase(&credential).await?;
        if present.map(|phrase| phrase.hash) != before.map(|phrase| phrase.hash) {
            // Somebody else was faster.
            return Err(Refusal::PhraseNotAccepted.into());
        }
        tx.put_signing_phrase(&SigningPhrase {
            credential,
            hash,
            tries: Tries::default(),
            updated_at: now,
        })
        .await?;
        tx.commit().await?;
        Ok(())
    })
    .await
}
