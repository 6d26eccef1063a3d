//! Signs a reading or an adjustment for a second person.

use jiff::Timestamp;
use ringtrue_fleet::caller::{Caller, Right};
use ringtrue_fleet::key::SignOffId;
use ringtrue_fleet::refusal::Refusal;
use ringtrue_fleet::sign_off::{SignOff, SignOffSubject, SignOffWish, Signer, sign};
use ringtrue_store::{Request, Tx};

use super::phrase::{Phrase, prove};
use super::{App, Error, checked};

/// Signs a record with the caller's own credential and signing phrase.
pub async fn sign_off(
    app: &App,
    caller: &Caller,
    wish: SignOffWish,
    phrase: Phrase,
    request: &Request,
) -> Result<SignOff, Error> {
    let scope = caller.site(Right::Sign, wish.subject.site())?;
    let signer = Signer::of(caller)?;
    checked(|violations| wish.check("sign_off", violations))?;
    let now = app.clock.now();
    let id = SignOffId::from_uuid(app.ids.uuid(now));
    let (store, request) = (app.store.clone(), request.clone());
    let proofs = app.proofs.clone();
    app.whole(async move {
        // What would be refused anyway is refused before the phrase is looked at.
        let mut tx = store.begin("look_at_sign_off", &scope).await?;
        if let Some(earlier) = answered(&mut tx, &request, &signer).await? {
            return Ok(earlier);
        }
        decided(&mut tx, &wish, &signer, &id, now).await?;
        tx.roll_back().await?;
        let (_, proved) =
            prove(&proofs, &store, &scope, &signer.credential, &[phrase], now).await?;
        // Meanwhile the record may have been amended, and the phrase changed.
        let mut tx = store.begin("sign_off", &scope).await?;
        if let Some(earlier) = answered(&mut tx, &request, &signer).await? {
            return Ok(earlier);
        }
        let sign_off = decided(&mut tx, &wish, &signer, &id, now).await?;
        let kept = tx.signing_phrase(&signer.credential).await?;
        if kept.is_none_or(|kept| kept.hash != proved.hash) {
            return Err(Refusal::PhraseNotAccepted.into());
        }
        tx.put_phrase_tries(&proved).await?;
        tx.insert_sign_off(&sign_off, &request).await?;
        tx.commit().await?;
        Ok(sign_off)
    })
    .await
}

/// The signature already given to this request. A repeat needs no phrase, since it signs nothing; but another person's
/// signature is no answer.
async fn answered(
    tx: &mut Tx,
    request: &Request,
    signer: &Signer,
) -> Result<Option<SignOff>, Error> {
    let Some(earlier) = tx.answered(request).await? else {
        return Ok(None);
    };
    let earlier = earlier.sign_off()?;
    if earlier.person == signer.person && earlier.credential == signer.credential {
        Ok(Some(earlier))
    } else {
        Err(Error::RequestIdReused)
    }
}

async fn decided(
    tx: &mut Tx,
    wish: &SignOffWish,
    signer: &Signer,
    id: &SignOffId,
    now: Timestamp,
) -> Result<SignOff, Error> {
    let record = tx.signable(&wish.subject).await?;
    let record = record.ok_or_else(|| Error::Missing {
        kind: match &wish.subject {
            SignOffSubject::Reading(_) => "ringtrue.v1/Reading",
            SignOffSubject::Adjustment(_) => "ringtrue.v1/Adjustment",
        },
        name: wish.subject.name(),
    })?;
    Ok(sign(&record, wish.clone(), signer, id.clone(), now)?)
}
