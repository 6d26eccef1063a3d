//! The way to a server: its address, what it is known by, and what proves who asks.

use std::path::Path;
use std::process::Command;

use anyhow::Context as _;
use ringtrue_proto::v1::EnrolRequest;
use ringtrue_proto::v1::access_service_client::AccessServiceClient;
use sha2::{Digest as _, Sha256};
use tonic::metadata::{Ascii, MetadataValue};
use tonic::service::Interceptor;
use tonic::service::interceptor::InterceptedService;
use tonic::transport::{Certificate, Channel, ClientTlsConfig, Endpoint};
use tonic::{Request, Status};

/// A connection that says who asks.
pub(crate) type Line = InterceptedService<Channel, Bearer>;

/// Adds the token, where there is one.
#[derive(Debug, Clone)]
pub(crate) struct Bearer(Option<MetadataValue<Ascii>>);

impl Interceptor for Bearer {
    fn call(&mut self, mut request: Request<()>) -> Result<Request<()>, Status> {
        if let Some(token) = &self.0 {
            request
                .metadata_mut()
                .insert("authorization", token.clone());
        }
        Ok(request)
    }
}

/// The way to a server.
#[derive(Debug, Clone)]
pub(crate) struct Door {
    pub(crate) endpoint: String,
    /// Certificate of the authority that the server is known by, PEM; none without TLS.
    authority: Option<String>,
    bearer: Bearer,
}

impl Door {
    /// Without encryption and credential.
    pub(crate) fn open(endpoint: &str) -> Self {
        Self {
            endpoint: endpoint.to_owned(),
            authority: None,
            bearer: Bearer(None),
        }
    }

    /// With TLS and the credential of an administrator, enrolled by a one-time code as in real life.
    pub(crate) async fn secured(
        endpoint: &str,
        authority: &Path,
        code: &str,
    ) -> anyhow::Result<Self> {
        let mut door = Self {
            authority: Some(std::fs::read_to_string(authority)?),
            ..Self::open(endpoint)
        };
        // The load needs a secret, not a good one.
        let secret = "0123456789".repeat(5)[..43].to_owned();
        let ask = EnrolRequest {
            code: code.to_owned(),
            secret_sha256: Sha256::digest(secret.as_bytes()).to_vec(),
        };
        let mut client = AccessServiceClient::new(door.line().await?);
        let made = client.enrol(ask).await?.into_inner().credential;
        let name = made.context("a credential was made")?.name;
        let id = name.trim_start_matches("credentials/").replace('-', "");
        door.bearer = Bearer(Some(format!("Bearer rt1.{id}.{secret}").parse()?));
        Ok(door)
    }

    /// Opens one more connection.
    pub(crate) async fn line(&self) -> anyhow::Result<Line> {
        let mut endpoint = Endpoint::from_shared(self.endpoint.clone())?.tcp_nodelay(true);
        if let Some(authority) = &self.authority {
            let trusted = Certificate::from_pem(authority);
            let tls = ClientTlsConfig::new().ca_certificate(trusted);
            endpoint = endpoint.tls_config(tls)?;
        }
        let channel = endpoint.connect().await?;
        Ok(InterceptedService::new(channel, self.bearer.clone()))
    }
}

/// Makes an installation with TLS, and gives the first administrator's one-time code.
pub(crate) fn set_up(server: &Path, folder: &Path) -> anyhow::Result<String> {
    let made = Command::new(server)
        .args(["setup", "--name", "127.0.0.1", "--listen", "127.0.0.1:0"])
        .args(["--administrator", "load", "--folder"])
        .arg(folder)
        .output()?;
    anyhow::ensure!(made.status.success(), "ringtrue-server setup failed");
    let words = String::from_utf8(made.stdout)?;
    let code = words
        .split_whitespace()
        .find(|word| word.len() == 14 && word.bytes().filter(|byte| *byte == b'-').count() == 2);
    Ok(code.context("a code is printed")?.to_owned())
}
