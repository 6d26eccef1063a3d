//! Authorities and certificates of every kind, good and bad, in a folder of one test.

use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use rcgen::{
    BasicConstraints, CertificateParams, DnType, ExtendedKeyUsagePurpose, IsCa, Issuer, KeyPair,
    KeyUsagePurpose, date_time_ymd,
};
use ringtrue_remote::{Identity, Secret, Settings};
use ringtrue_server::config::{ClientCertificates, Tls};
use tempfile::TempDir;

/// An authority, with a folder for its files.
pub(crate) struct Papers {
    folder: TempDir,
    pem: String,
    issuer: Issuer<'static, KeyPair>,
}

/// When a certificate holds.
#[derive(Clone, Copy)]
pub(crate) enum Holds {
    Now,
    NoMore,
    NotYet,
}

impl Papers {
    pub(crate) fn new() -> Self {
        let mut params = CertificateParams::default();
        params
            .distinguished_name
            .push(DnType::CommonName, "Authority of a test");
        params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
        params.key_usages = vec![KeyUsagePurpose::KeyCertSign];
        let key = KeyPair::generate().expect("a key");
        let pem = params.self_signed(&key).expect("an authority").pem();
        let papers = Self {
            folder: tempfile::tempdir().expect("a folder"),
            pem,
            issuer: Issuer::new(params, key),
        };
        papers.write("authority.pem", &papers.pem);
        papers
    }

    /// Writes a server's certificate for a name, with its authority and its key.
    pub(crate) fn server(&self, name: &str, holds: Holds) -> Tls {
        let params = server_params(name, holds);
        let key = KeyPair::generate().expect("a key");
        let leaf = params.signed_by(&key, &self.issuer).expect("a certificate");
        self.written(&format!("{}{}", leaf.pem(), self.pem), &key)
    }

    /// Writes a certificate that no authority made.
    pub(crate) fn self_signed_server(&self, name: &str) -> Tls {
        let key = KeyPair::generate().expect("a key");
        let leaf = server_params(name, Holds::Now)
            .self_signed(&key)
            .expect("a certificate");
        self.written(&leaf.pem(), &key)
    }

    /// Writes a good server's certificate without its authority.
    pub(crate) fn server_without_authority(&self, name: &str) -> Tls {
        let key = KeyPair::generate().expect("a key");
        let leaf = server_params(name, Holds::Now)
            .signed_by(&key, &self.issuer)
            .expect("a certificate");
        self.written(&leaf.pem(), &key)
    }

    /// A client's certificate.
    pub(crate) fn client(&self) -> Identity {
        let mut params = CertificateParams::default();
        params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ClientAuth];
        let key = KeyPair::generate().expect("a key");
        let leaf = params.signed_by(&key, &self.issuer).expect("a certificate");
        Identity {
            certificate: leaf.pem().into_bytes(),
            key: Secret::new(key.serialize_pem()),
        }
    }

    /// The same with clients' certificates checked against this authority.
    pub(crate) fn asking(&self, tls: Tls, clients: ClientCertificates) -> Tls {
        Tls {
            client_ca: Some(self.path("authority.pem").display().to_string()),
            client_certificates: clients,
            ..tls
        }
    }

    /// The authority as clients pin it.
    pub(crate) fn authority(&self) -> Vec<u8> {
        self.pem.clone().into_bytes()
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn write(&self, name: &str, text: &str) {
        written_for_us_alone(&self.path(name), text);
    }

    fn written(&self, chain: &str, key: &KeyPair) -> Tls {
        self.write("server.pem", chain);
        self.write("server.key", &key.serialize_pem());
        Tls {
            certificate: Some(self.path("server.pem").display().to_string()),
            key: Some(self.path("server.key").display().to_string()),
            ..Tls::default()
        }
    }
}

fn server_params(name: &str, holds: Holds) -> CertificateParams {
    let mut params = CertificateParams::new([name.to_owned()]).expect("a name");
    params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
    params.use_authority_key_identifier_extension = true;
    match holds {
        Holds::Now => {}
        Holds::NoMore => params.not_after = date_time_ymd(2020, 2, 29),
        Holds::NotYet => params.not_before = date_time_ymd(4000, 1, 1),
    }
    params
}

/// Writes a file that only we may read.
pub(crate) fn written_for_us_alone(path: &Path, text: &str) {
    std::fs::write(path, text).expect("it is written");
    let mode = std::fs::Permissions::from_mode(0o600);
    std::fs::set_permissions(path, mode).expect("it is ours");
}

/// A client's settings for an address and the authority that it pins.
pub(crate) fn pinned(endpoint: String, authority: Vec<u8>) -> Settings {
    Settings {
        endpoint,
        authority: Some(authority),
        operator: Some("t1".to_owned()),
        ..Settings::default()
    }
}
