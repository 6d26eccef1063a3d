//! A server of a few lines that knows codes and tokens, for driving the command line in process.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};

use ringtrue_proto::v1::access_service_server::{AccessService, AccessServiceServer};
use ringtrue_proto::v1::site_service_server::{SiteService, SiteServiceServer};
use ringtrue_proto::v1::*;
use ringtrue_remote::{Token, sha256};
use tonic::{Code, Request, Response, Status};
use tonic_types::{ErrorDetails, StatusExt as _};

use crate::in_process::served;

/// Name of the credential that every code makes.
pub(crate) const BENCH: &str = "credentials/0198f3a0-0000-7000-8000-0000000000aa";

/// The code that may be used.
pub(crate) const CODE: &str = "7K3M-Q9XW-2B4D";

type Answered<T> = Result<Response<T>, Status>;

/// What the server does with the next answers instead of sending them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Trouble {
    /// It does what was asked, and the answer is lost.
    AnswerLost,
    /// It does nothing and says that it is busy.
    Busy,
}

/// What the server keeps.
#[derive(Default)]
struct Kept {
    /// SHA-256 of the present secret of each credential.
    secrets: BTreeMap<String, Vec<u8>>,
    /// The secret that the code was used with.
    used_with: Option<Vec<u8>>,
    /// What is done instead of answering enrolments and rotations.
    trouble: Option<Trouble>,
    /// The `authorization` of every call, in order; empty where there was none.
    proofs: Vec<String>,
    /// Digests that came with enrolments and rotations, in order.
    digests: Vec<Vec<u8>>,
    /// Every enrolment that was wished for.
    invitations: Vec<CreateEnrolmentRequest>,
    /// Every credential that was wished for.
    wishes: Vec<CreateCredentialRequest>,
}

/// The server.
#[derive(Clone, Default)]
pub(crate) struct Gatehouse(Arc<Mutex<Kept>>);

impl Gatehouse {
    /// Serves on a free port of loopback in a thread of its own, until the test's process ends.
    pub(crate) fn serve(&self) -> SocketAddr {
        let gatehouse = self.clone();
        served(move || {
            tonic::transport::Server::builder()
                .add_service(SiteServiceServer::new(gatehouse.clone()))
                .add_service(AccessServiceServer::new(gatehouse))
        })
    }

    fn kept<T>(&self, look: impl FnOnce(&mut Kept) -> T) -> T {
        look(&mut self.0.lock().expect("not poisoned"))
    }

    /// Has enrolments and rotations fail from now on; none to mend it.
    pub(crate) fn trouble(&self, trouble: Option<Trouble>) {
        self.kept(|kept| kept.trouble = trouble);
    }

    /// Forgets every credential.
    pub(crate) fn revoke_all(&self) {
        self.kept(|kept| kept.secrets.clear());
    }

    /// The `authorization` of every call so far.
    pub(crate) fn proofs(&self) -> Vec<String> {
        self.kept(|kept| kept.proofs.clone())
    }

    /// Digests of secrets that came so far.
    pub(crate) fn digests(&self) -> Vec<Vec<u8>> {
        self.kept(|kept| kept.digests.clone())
    }

    /// The enrolments that were wished for.
    pub(crate) fn invitations(&self) -> Vec<CreateEnrolmentRequest> {
        self.kept(|kept| kept.invitations.clone())
    }

    /// The credentials that were wished for.
    pub(crate) fn wishes(&self) -> Vec<CreateCredentialRequest> {
        self.kept(|kept| kept.wishes.clone())
    }

    /// Whether a token is the present one.
    pub(crate) fn takes(&self, token: &str) -> bool {
        let Ok(token) = Token::parse(token) else {
            return false;
        };
        let digest = token.secret_sha256();
        self.kept(|kept| kept.secrets.get(&token.credential()) == Some(&digest))
    }

    fn note<T>(&self, request: &Request<T>) -> String {
        let proof = request.metadata().get("authorization");
        let proof = proof.and_then(|proof| proof.to_str().ok()).unwrap_or("");
        self.kept(|kept| kept.proofs.push(proof.to_owned()));
        proof.strip_prefix("Bearer ").unwrap_or("").to_owned()
    }

    fn known<T>(&self, request: &Request<T>) -> Result<(), Status> {
        let token = self.note(request);
        if self.takes(&token) {
            return Ok(());
        }
        Err(failed(
            Code::Unauthenticated,
            "UNAUTHENTICATED",
            "this caller is not known",
        ))
    }

    fn troubled(&self) -> Result<(), Status> {
        match self.kept(|kept| kept.trouble) {
            None => Ok(()),
            Some(Trouble::AnswerLost) => Err(Status::deadline_exceeded("nothing came back")),
            Some(Trouble::Busy) => Err(Status::deadline_exceeded("too busy")),
        }
    }
}

fn failed(code: Code, reason: &str, message: &str) -> Status {
    let details = ErrorDetails::with_error_info(reason, "ringtrue", []);
    Status::with_error_details(code, message, details)
}

/// The credential that every code makes.
pub(crate) fn bench() -> Credential {
    Credential {
        name: BENCH.to_owned(),
        display_name: "bench in the firing room".to_owned(),
        kind: CredentialKind::Device.into(),
        grant: Some(Grant {
            role: Role::Technician.into(),
            sites: vec!["sites/porto".to_owned()],
            ..Grant::default()
        }),
        has_token: true,
        lifetime_days: 365,
        state: CredentialState::Active.into(),
        create_time: Some(at("2026-11-23T08:12:00Z")),
        expire_time: Some(at("2027-11-23T08:12:00Z")),
        ..Credential::default()
    }
}

fn at(text: &str) -> prost_types::Timestamp {
    let moment: jiff::Timestamp = text.parse().expect("a moment");
    prost_types::Timestamp {
        seconds: moment.as_second(),
        nanos: 0,
    }
}

fn missing<T>() -> Answered<T> {
    Err(Status::unimplemented("not in this test"))
}

#[tonic::async_trait]
impl AccessService for Gatehouse {
    async fn who_am_i(&self, request: Request<WhoAmIRequest>) -> Answered<WhoAmIResponse> {
        self.known(&request)?;
        Ok(Response::new(WhoAmIResponse {
            credential: Some(bench()),
            operator: "ab".to_owned(),
            sites: vec!["sites/porto".to_owned()],
            rights: vec!["read".to_owned(), "record".to_owned()],
            address: "127.0.0.1".to_owned(),
            encrypted: false,
            server_time: Some(at("2026-11-23T08:12:00Z")),
        }))
    }

    async fn enrol(&self, request: Request<EnrolRequest>) -> Answered<EnrolResponse> {
        self.note(&request);
        let ask = request.into_inner();
        let digest = ask.secret_sha256;
        self.kept(|kept| kept.digests.push(digest.clone()));
        if self.kept(|kept| kept.trouble) == Some(Trouble::Busy) {
            self.troubled()?;
        }
        let right = ask.code == CODE.replace('-', "");
        let usable = self.kept(|kept| {
            let usable = right && kept.used_with.as_ref().is_none_or(|used| *used == digest);
            if usable {
                kept.used_with = Some(digest.clone());
                kept.secrets.insert(BENCH.to_owned(), digest.clone());
            }
            usable
        });
        if !usable {
            return Err(failed(
                Code::Unauthenticated,
                "CODE_UNUSABLE",
                "this code cannot be used: check that it was typed right, or ask for a new one",
            ));
        }
        self.troubled()?;
        Ok(Response::new(EnrolResponse {
            credential: Some(bench()),
        }))
    }

    async fn rotate_credential(
        &self,
        request: Request<RotateCredentialRequest>,
    ) -> Answered<RotateCredentialResponse> {
        self.known(&request)?;
        let ask = request.into_inner();
        if self.kept(|kept| kept.trouble) == Some(Trouble::Busy) {
            self.troubled()?;
        }
        if ask.secret_sha256.is_empty() {
            let secret = "s".repeat(42) + "A";
            self.kept(|kept| {
                let digest = sha256(secret.as_bytes());
                kept.secrets.insert(ask.name.clone(), digest)
            });
            return Ok(Response::new(RotateCredentialResponse {
                credential: Some(Credential {
                    name: ask.name,
                    ..bench()
                }),
                token: format!("rt1.{}.{secret}", "0".repeat(32)),
            }));
        }
        self.kept(|kept| {
            kept.digests.push(ask.secret_sha256.clone());
            kept.secrets.insert(BENCH.to_owned(), ask.secret_sha256)
        });
        self.troubled()?;
        Ok(Response::new(RotateCredentialResponse {
            credential: Some(bench()),
            token: String::new(),
        }))
    }

    async fn create_enrolment(
        &self,
        request: Request<CreateEnrolmentRequest>,
    ) -> Answered<CreateEnrolmentResponse> {
        let ask = request.into_inner();
        self.kept(|kept| kept.invitations.push(ask.clone()));
        let enrolment = Enrolment {
            name: "enrolments/e1".to_owned(),
            state: EnrolmentState::Waiting.into(),
            expire_time: Some(at("2026-11-23T09:12:00Z")),
            ..ask.enrolment.unwrap_or_default()
        };
        Ok(Response::new(CreateEnrolmentResponse {
            enrolment: Some(enrolment),
            code: CODE.to_owned(),
        }))
    }

    async fn create_credential(
        &self,
        request: Request<CreateCredentialRequest>,
    ) -> Answered<CreateCredentialResponse> {
        let ask = request.into_inner();
        self.kept(|kept| kept.wishes.push(ask.clone()));
        let mut made = ask.credential.unwrap_or_default();
        BENCH.clone_into(&mut made.name);
        made.has_token = !ask.certificate_only;
        made.expire_time = bench().expire_time;
        Ok(Response::new(CreateCredentialResponse {
            credential: Some(made),
            token: if ask.certificate_only {
                String::new()
            } else {
                format!("rt1.{}.{}", "a".repeat(32), "s".repeat(42) + "A")
            },
        }))
    }

    async fn list_enrolments(
        &self,
        _: Request<ListEnrolmentsRequest>,
    ) -> Answered<ListEnrolmentsResponse> {
        missing()
    }

    async fn revoke_enrolment(
        &self,
        _: Request<RevokeEnrolmentRequest>,
    ) -> Answered<RevokeEnrolmentResponse> {
        missing()
    }

    async fn get_credential(
        &self,
        _: Request<GetCredentialRequest>,
    ) -> Answered<GetCredentialResponse> {
        missing()
    }

    async fn list_credentials(
        &self,
        request: Request<ListCredentialsRequest>,
    ) -> Answered<ListCredentialsResponse> {
        self.known(&request)?;
        Err(failed(
            Code::PermissionDenied,
            "PERMISSION_DENIED",
            "this caller may not do this here",
        ))
    }

    async fn revoke_credential(
        &self,
        _: Request<RevokeCredentialRequest>,
    ) -> Answered<RevokeCredentialResponse> {
        missing()
    }

    async fn set_site_group(
        &self,
        _: Request<SetSiteGroupRequest>,
    ) -> Answered<SetSiteGroupResponse> {
        missing()
    }

    async fn list_site_groups(
        &self,
        _: Request<ListSiteGroupsRequest>,
    ) -> Answered<ListSiteGroupsResponse> {
        missing()
    }

    async fn remove_site_group(
        &self,
        _: Request<RemoveSiteGroupRequest>,
    ) -> Answered<RemoveSiteGroupResponse> {
        missing()
    }
}

#[tonic::async_trait]
impl SiteService for Gatehouse {
    async fn create_site(&self, _: Request<CreateSiteRequest>) -> Answered<CreateSiteResponse> {
        missing()
    }

    async fn get_site(&self, request: Request<GetSiteRequest>) -> Answered<GetSiteResponse> {
        self.note(&request);
        Ok(Response::new(GetSiteResponse {
            site: Some(Site {
                name: request.into_inner().name,
                time_zone: "Europe/Lisbon".to_owned(),
                ..Site::default()
            }),
        }))
    }

    async fn list_sites(&self, request: Request<ListSitesRequest>) -> Answered<ListSitesResponse> {
        self.note(&request);
        Ok(Response::new(ListSitesResponse::default()))
    }

    async fn update_site(&self, _: Request<UpdateSiteRequest>) -> Answered<UpdateSiteResponse> {
        missing()
    }
}
