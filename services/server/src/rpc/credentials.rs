//! Calls about who may do what.

mod enrolments;
mod groups;
mod messages;

use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::credential::Credential;
use ringtrue_fleet::key::{CredentialId, SiteId};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_proto::v1::access_service_server::AccessService;
use ringtrue_store::{KeptCredential, PagePart};
use tonic::{Request, Response, Status};

use self::messages::{credential_message, digest_bytes, minutes, wish};
use super::access::{Method, method};
use super::caller::Asking;
use super::fields::{found, name, optional_name, settled, timestamp};
use super::page::{Order, Paging};
use super::request::repeatable;
use super::status::answer;
use crate::access::Peer;
use crate::app::{self, App, Error, Rotation};

const WHO: Method = method("/ringtrue.v1.AccessService/WhoAmI");
const CREATE: Method = method("/ringtrue.v1.AccessService/CreateCredential");
const GET: Method = method("/ringtrue.v1.AccessService/GetCredential");
const LIST: Method = method("/ringtrue.v1.AccessService/ListCredentials");
const ROTATE: Method = method("/ringtrue.v1.AccessService/RotateCredential");
const REVOKE: Method = method("/ringtrue.v1.AccessService/RevokeCredential");

/// Kind of resource, for faults.
const KIND: &str = "ringtrue.v1/Credential";

/// Most sites that a caller is told of.
const MOST_SITES: usize = 1000;

/// Answers calls about access.
#[derive(Clone)]
pub(crate) struct Credentials(pub(crate) App);

#[tonic::async_trait]
impl AccessService for Credentials {
    async fn who_am_i(
        &self,
        request: Request<v1::WhoAmIRequest>,
    ) -> Result<Response<v1::WhoAmIResponse>, Status> {
        answer(who(&self.0, &request).await)
    }

    async fn enrol(
        &self,
        request: Request<v1::EnrolRequest>,
    ) -> Result<Response<v1::EnrolResponse>, Status> {
        answer(enrolments::enrol(&self.0, request).await)
    }

    async fn create_enrolment(
        &self,
        request: Request<v1::CreateEnrolmentRequest>,
    ) -> Result<Response<v1::CreateEnrolmentResponse>, Status> {
        answer(enrolments::create(&self.0, request).await)
    }

    async fn list_enrolments(
        &self,
        request: Request<v1::ListEnrolmentsRequest>,
    ) -> Result<Response<v1::ListEnrolmentsResponse>, Status> {
        answer(enrolments::list(&self.0, &request).await)
    }

    async fn revoke_enrolment(
        &self,
        request: Request<v1::RevokeEnrolmentRequest>,
    ) -> Result<Response<v1::RevokeEnrolmentResponse>, Status> {
        answer(enrolments::revoke(&self.0, request).await)
    }

    async fn create_credential(
        &self,
        request: Request<v1::CreateCredentialRequest>,
    ) -> Result<Response<v1::CreateCredentialResponse>, Status> {
        answer(create(&self.0, request).await)
    }

    async fn get_credential(
        &self,
        request: Request<v1::GetCredentialRequest>,
    ) -> Result<Response<v1::GetCredentialResponse>, Status> {
        answer(get(&self.0, &request).await)
    }

    async fn list_credentials(
        &self,
        request: Request<v1::ListCredentialsRequest>,
    ) -> Result<Response<v1::ListCredentialsResponse>, Status> {
        answer(list(&self.0, &request).await)
    }

    async fn rotate_credential(
        &self,
        request: Request<v1::RotateCredentialRequest>,
    ) -> Result<Response<v1::RotateCredentialResponse>, Status> {
        answer(rotate(&self.0, request).await)
    }

    async fn revoke_credential(
        &self,
        request: Request<v1::RevokeCredentialRequest>,
    ) -> Result<Response<v1::RevokeCredentialResponse>, Status> {
        answer(revoke(&self.0, request).await)
    }

    async fn set_site_group(
        &self,
        request: Request<v1::SetSiteGroupRequest>,
    ) -> Result<Response<v1::SetSiteGroupResponse>, Status> {
        answer(groups::set(&self.0, request).await)
    }

    async fn list_site_groups(
        &self,
        request: Request<v1::ListSiteGroupsRequest>,
    ) -> Result<Response<v1::ListSiteGroupsResponse>, Status> {
        answer(groups::list(&self.0, &request).await)
    }

    async fn remove_site_group(
        &self,
        request: Request<v1::RemoveSiteGroupRequest>,
    ) -> Result<Response<v1::RemoveSiteGroupResponse>, Status> {
        answer(groups::remove(&self.0, request).await)
    }
}

async fn who(app: &App, request: &Request<v1::WhoAmIRequest>) -> Result<v1::WhoAmIResponse, Error> {
    let Asking { caller, .. } = Asking::of(WHO, request)?;
    let now = app.clock.now();
    // What the gate remembers is right but for the last use, which is no change.
    let kept = match caller.own() {
        Some((own, scope)) => app.store.read(&scope).credential(&own.key).await?,
        None => None,
    };
    let mut sites = caller.sites().unwrap_or_default();
    sites.truncate(MOST_SITES);
    let peer = request.extensions().get::<Peer>();
    Ok(v1::WhoAmIResponse {
        credential: Some(kept.map_or_else(v1::Credential::default, |kept| {
            credential_message(&kept, now)
        })),
        operator: caller.operator().unwrap_or_default().to_owned(),
        sites: sites.iter().map(SiteId::name).collect(),
        rights: caller
            .rights()
            .words()
            .into_iter()
            .map(str::to_owned)
            .collect(),
        address: peer.map_or_else(String::new, |peer| peer.address.to_canonical().to_string()),
        encrypted: peer.is_some_and(|peer| peer.encrypted),
        server_time: Some(timestamp(now)),
    })
}

async fn create(
    app: &App,
    request: Request<v1::CreateCredentialRequest>,
) -> Result<v1::CreateCredentialResponse, Error> {
    let asking = Asking::of(CREATE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(CREATE, &request_id, &asked, &mut violations);
    let given = asked.credential.unwrap_or_default();
    let wish = wish("credential", &given, &mut violations);
    let wish = settled(wish, violations)?;
    let only = asked.certificate_only;
    let (made, token) = app::create_credential(app, &asking.caller, wish, only, &repeat).await?;
    Ok(v1::CreateCredentialResponse {
        credential: Some(credential_message(&unused(made), app.clock.now())),
        token: token.unwrap_or_default(),
    })
}

async fn get(
    app: &App,
    request: &Request<v1::GetCredentialRequest>,
) -> Result<v1::GetCredentialResponse, Error> {
    let asking = Asking::of(GET, request)?;
    let id = credential_of(&request.get_ref().name)?;
    let kept = app.store.read(&asking.network()?).credential(&id).await?;
    let kept = kept.filter(|kept| asking.caller.may_grant(&kept.credential.grant));
    let kept = found(kept, KIND, id.name())?;
    Ok(v1::GetCredentialResponse {
        credential: Some(credential_message(&kept, app.clock.now())),
    })
}

async fn list(
    app: &App,
    request: &Request<v1::ListCredentialsRequest>,
) -> Result<v1::ListCredentialsResponse, Error> {
    let asking = Asking::of(LIST, request)?;
    let asked = request.get_ref();
    let mut violations = Violations::default();
    let filter = if asked.show_ended { "all" } else { "active" };
    let paging = Paging::read(
        LIST,
        &[filter],
        Order::LatestFirst,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let paging = settled(Some(paging), violations)?;
    let now = app.clock.now();
    let active_at = (!asked.show_ended).then_some(now);
    // Whoever may let people in may let in whomever their scope covers.
    let read = app.store.read(&asking.network()?);
    let rows = read.credentials(active_at, &paging.page).await?;
    let (credentials, next_page_token) = paging.cut(
        &rows,
        |kept| {
            vec![
                PagePart::Number(kept.credential.created_at.as_microsecond()),
                PagePart::Text(kept.credential.key.to_string()),
            ]
        },
        |kept| credential_message(kept, now),
    );
    Ok(v1::ListCredentialsResponse {
        credentials,
        next_page_token,
    })
}

async fn rotate(
    app: &App,
    request: Request<v1::RotateCredentialRequest>,
) -> Result<v1::RotateCredentialResponse, Error> {
    let asking = Asking::of(ROTATE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(ROTATE, &request_id, &asked, &mut violations);
    let credential = optional_name("name", &asked.name, CredentialId::parse, &mut violations);
    let secret = if asked.secret_sha256.is_empty() {
        None
    } else {
        digest_bytes("secret_sha256", &asked.secret_sha256, &mut violations)
    };
    let overlap_min = minutes("overlap_min", asked.overlap_min, 0, &mut violations);
    let rotation = Rotation {
        credential,
        secret,
        overlap_min,
    };
    let rotation = settled(Some(rotation), violations)?;
    let (rotated, token) = app::rotate_credential(app, &asking.caller, rotation, &repeat).await?;
    let scope = match asking.caller.own() {
        Some((own, scope)) if own.key == rotated.key => scope,
        _ => asking.network()?,
    };
    let rotated = known(app, &scope, rotated).await;
    Ok(v1::RotateCredentialResponse {
        credential: Some(credential_message(&rotated, app.clock.now())),
        token: token.unwrap_or_default(),
    })
}

async fn revoke(
    app: &App,
    request: Request<v1::RevokeCredentialRequest>,
) -> Result<v1::RevokeCredentialResponse, Error> {
    let asking = Asking::of(REVOKE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(REVOKE, &request_id, &asked, &mut violations);
    let id = name("name", &asked.name, CredentialId::parse, &mut violations);
    let id = settled(id, violations)?;
    let revoked = app::revoke_credential(app, &asking.caller, &id, asked.reason, &repeat).await?;
    let revoked = known(app, &asking.network()?, revoked).await;
    Ok(v1::RevokeCredentialResponse {
        credential: Some(credential_message(&revoked, app.clock.now())),
    })
}

/// A credential as a change left it, with what else is known of it; a lookup that fails leaves that out.
async fn known(app: &App, scope: &Scope, credential: Credential) -> KeptCredential {
    let read = app.store.read(scope);
    let kept = read.credential(&credential.key).await.ok().flatten();
    KeptCredential {
        last_use: kept.as_ref().and_then(|kept| kept.last_use.clone()),
        has_signing_phrase: kept.is_some_and(|kept| kept.has_signing_phrase),
        credential,
    }
}

/// A new credential, which nobody has used yet.
fn unused(credential: Credential) -> KeptCredential {
    KeptCredential {
        credential,
        last_use: None,
        has_signing_phrase: false,
    }
}

fn credential_of(text: &str) -> Result<CredentialId, Error> {
    let mut violations = Violations::default();
    let id = name("name", text, CredentialId::parse, &mut violations);
    settled(id, violations)
}
