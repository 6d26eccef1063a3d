//! Lets the first administrator in, or one again when every credential is lost: whoever runs the server's own program
//! on its database already holds all there is to protect. So no default password exists.

use std::collections::BTreeSet;

use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::credential::{CredentialWish, Holder, USUAL_LIFETIME_DAYS};
use ringtrue_fleet::enrolment::{Code, Enrolment, LONGEST_VALID_MIN};
use ringtrue_fleet::grant::{Grant, Reach, Role};
use ringtrue_fleet::key::EnrolmentId;
use ringtrue_store::{Request, Store};

use super::create_enrolment::inserted;
use super::proofs::Proofs;
use super::{Error, checked};
use crate::clock::Clock;
use crate::ids::Ids;

/// Makes an enrolment for an administrator with this staff code, good for so many minutes; gives it with its code.
pub async fn first_administrator(
    store: &Store,
    clock: &Clock,
    ids: &Ids,
    person: &str,
    valid_min: u16,
) -> Result<(Enrolment, Code), Error> {
    let wish = CredentialWish {
        display_name: format!("administrator {person}"),
        holder: Holder::Person(person.to_owned()),
        grant: Grant {
            role: Role::Administrator,
            permissions: BTreeSet::new(),
            reach: Reach::Network,
        },
        certificate: None,
        lifetime_days: USUAL_LIFETIME_DAYS,
    };
    checked(|violations| {
        wish.check("credential", violations);
        if !(1..=LONGEST_VALID_MIN).contains(&valid_min) {
            violations.add(
                "valid_min",
                "OUT_OF_RANGE",
                format!("must lie between 1 and {LONGEST_VALID_MIN} minutes"),
            );
        }
    })?;
    let now = clock.now();
    let code = Code::of(ids.code());
    let proof_hash = Proofs::default().hashed(&code.proof, ids).await?;
    let key = EnrolmentId::from_uuid(ids.uuid(now));
    let enrolment = Enrolment::new(key, wish, now, valid_min);
    let scope = Scope::for_work("setup");
    let mut tx = store.begin("first_administrator", &scope).await?;
    let code = inserted(&mut tx, ids, &enrolment, code, &proof_hash, &Request::NONE).await?;
    tx.commit().await?;
    Ok((enrolment, code))
}
