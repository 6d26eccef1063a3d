//! Makes a one-time code with which somebody enrols.

use ringtrue_fleet::caller::Caller;
use ringtrue_fleet::credential::CredentialWish;
use ringtrue_fleet::enrolment::{Code, Enrolment, LONGEST_VALID_MIN};
use ringtrue_fleet::key::EnrolmentId;
use ringtrue_store::{Request, Tx};

use super::granted::exists;
use super::{App, Error, checked};
use crate::ids::Ids;

/// How many codes are drawn before giving up. Most of a million beginnings are free.
const DRAWS: usize = 64;

/// Makes an enrolment; gives it with its code, which is known this once. A repeat gives it without.
pub async fn create_enrolment(
    app: &App,
    caller: &Caller,
    wish: CredentialWish,
    valid_min: u16,
    request: &Request,
) -> Result<(Enrolment, Option<Code>), Error> {
    checked(|violations| {
        wish.check("enrolment.credential", violations);
        if !(1..=LONGEST_VALID_MIN).contains(&valid_min) {
            violations.add(
                "valid_min",
                "OUT_OF_RANGE",
                format!("must lie between 1 and {LONGEST_VALID_MIN} minutes"),
            );
        }
    })?;
    let scope = caller.keeping(&wish.grant)?;
    let now = app.clock.now();
    let code = Code::of(app.ids.code());
    let proof_hash = app.proofs.hashed(&code.proof, &app.ids).await?;
    let key = EnrolmentId::from_uuid(app.ids.uuid(now));
    let enrolment = Enrolment::new(key, wish, now, valid_min);
    let (store, ids, request) = (app.store.clone(), app.ids.clone(), request.clone());
    app.whole(async move {
        let mut tx = store.begin("create_enrolment", &scope).await?;
        if let Some(earlier) = tx.answered(&request).await? {
            return Ok((earlier.enrolment()?, None));
        }
        exists(&mut tx, &enrolment.wish.grant).await?;
        let code = inserted(&mut tx, &ids, &enrolment, code, &proof_hash, &request).await?;
        tx.commit().await?;
        Ok((enrolment, Some(code)))
    })
    .await
}

/// Stores an enrolment; gives its code, whose beginning is drawn anew while another enrolment has it.
pub(super) async fn inserted(
    tx: &mut Tx,
    ids: &Ids,
    enrolment: &Enrolment,
    mut code: Code,
    proof_hash: &str,
    request: &Request,
) -> Result<Code, Error> {
    for _ in 0..DRAWS {
        let stored = tx.insert_enrolment(enrolment, &code.selector, proof_hash, request);
        if stored.await? {
            return Ok(code);
        }
        code.selector = Code::of(ids.code()).selector;
    }
    tracing::error!("no free beginning of a code was found");
    Err(Error::Broken)
}
