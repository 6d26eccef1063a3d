//! Calls about enrolments.

use jiff::Timestamp;
use ringtrue_fleet::enrolment::{Code, Enrolment, EnrolmentStanding, USUAL_VALID_MIN};
use ringtrue_fleet::key::EnrolmentId;
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_store::PagePart;
use tonic::Request;

use super::super::access::{Method, method};
use super::super::caller::Asking;
use super::super::fields::{name, settled, timestamp};
use super::super::page::{Order, Paging};
use super::super::request::repeatable;
use super::messages::{credential_message, digest_bytes, minutes, wish, wish_message};
use super::unused;
use crate::access::Peer;
use crate::app::{self, App, Error};

const CREATE: Method = method("/ringtrue.v1.AccessService/CreateEnrolment");
const LIST: Method = method("/ringtrue.v1.AccessService/ListEnrolments");
const REVOKE: Method = method("/ringtrue.v1.AccessService/RevokeEnrolment");

/// Nobody asks here: whoever has the code may use it.
pub(super) async fn enrol(
    app: &App,
    request: Request<v1::EnrolRequest>,
) -> Result<v1::EnrolResponse, Error> {
    let peer = request.extensions().get::<Peer>();
    let origin = peer.map_or_else(String::new, |peer| peer.address.to_canonical().to_string());
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let code = match Code::parse(&asked.code) {
        Ok(code) => Some(code),
        Err(fault) => {
            violations.add("code", "NOT_A_CODE", fault.to_string());
            None
        }
    };
    let secret = digest_bytes("secret_sha256", &asked.secret_sha256, &mut violations);
    let (code, secret) = settled(code.zip(secret), violations)?;
    let made = app::enrol(app, &code, secret, &origin).await?;
    Ok(v1::EnrolResponse {
        credential: Some(credential_message(&unused(made), app.clock.now())),
    })
}

pub(super) async fn create(
    app: &App,
    request: Request<v1::CreateEnrolmentRequest>,
) -> Result<v1::CreateEnrolmentResponse, Error> {
    let asking = Asking::of(CREATE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(CREATE, &request_id, &asked, &mut violations);
    let given = asked.enrolment.unwrap_or_default().credential;
    let wish = wish(
        "enrolment.credential",
        &given.unwrap_or_default(),
        &mut violations,
    );
    if wish.as_ref().is_some_and(|wish| wish.certificate.is_some()) {
        violations.add(
            "enrolment.credential.certificate_sha256",
            "NOT_HERE",
            "cannot come of an enrolment; create a credential with it, or leave it out",
        );
    }
    let valid_min = minutes(
        "valid_min",
        asked.valid_min,
        USUAL_VALID_MIN,
        &mut violations,
    );
    let wish = settled(wish, violations)?;
    let (made, code) = app::create_enrolment(app, &asking.caller, wish, valid_min, &repeat).await?;
    Ok(v1::CreateEnrolmentResponse {
        enrolment: Some(enrolment_message(&made, app.clock.now())),
        code: code.map_or_else(String::new, |code| code.text()),
    })
}

pub(super) async fn list(
    app: &App,
    request: &Request<v1::ListEnrolmentsRequest>,
) -> Result<v1::ListEnrolmentsResponse, Error> {
    let asking = Asking::of(LIST, request)?;
    let asked = request.get_ref();
    let mut violations = Violations::default();
    let paging = Paging::read(
        LIST,
        &[],
        Order::LatestFirst,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let paging = settled(Some(paging), violations)?;
    let now = app.clock.now();
    let read = app.store.read(&asking.network()?);
    let rows = read.enrolments(&paging.page).await?;
    let (enrolments, next_page_token) = paging.cut(
        &rows,
        |enrolment| {
            vec![
                PagePart::Number(enrolment.created_at.as_microsecond()),
                PagePart::Text(enrolment.key.to_string()),
            ]
        },
        |enrolment| enrolment_message(enrolment, now),
    );
    Ok(v1::ListEnrolmentsResponse {
        enrolments,
        next_page_token,
    })
}

pub(super) async fn revoke(
    app: &App,
    request: Request<v1::RevokeEnrolmentRequest>,
) -> Result<v1::RevokeEnrolmentResponse, Error> {
    let asking = Asking::of(REVOKE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(REVOKE, &request_id, &asked, &mut violations);
    let id = name("name", &asked.name, EnrolmentId::parse, &mut violations);
    let id = settled(id, violations)?;
    let revoked = app::revoke_enrolment(app, &asking.caller, &id, &repeat).await?;
    Ok(v1::RevokeEnrolmentResponse {
        enrolment: Some(enrolment_message(&revoked, app.clock.now())),
    })
}

fn enrolment_message(enrolment: &Enrolment, now: Timestamp) -> v1::Enrolment {
    let (state, made) = match enrolment.standing(now) {
        EnrolmentStanding::Waiting => (v1::EnrolmentState::Waiting, None),
        EnrolmentStanding::Used(made) => (v1::EnrolmentState::Used, Some(made)),
        EnrolmentStanding::Expired => (v1::EnrolmentState::Expired, None),
        EnrolmentStanding::Revoked => (v1::EnrolmentState::Revoked, None),
        EnrolmentStanding::Locked => (v1::EnrolmentState::Locked, None),
    };
    v1::Enrolment {
        name: enrolment.key.name(),
        credential: Some(wish_message(&enrolment.wish)),
        state: state.into(),
        tries_left: enrolment.tries_left().into(),
        create_time: Some(timestamp(enrolment.created_at)),
        expire_time: Some(timestamp(enrolment.expires_at)),
        made: made.map_or_else(String::new, |made| made.name()),
    }
}
