//! An authority and its certificates in a folder, for one test.

use std::os::unix::fs::PermissionsExt as _;
use std::path::PathBuf;

use rcgen::{
    BasicConstraints, CertificateParams, DnType, ExtendedKeyUsagePurpose, IsCa, Issuer, KeyPair,
    KeyUsagePurpose,
};
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use sha2::{Digest as _, Sha256};
use tempfile::TempDir;

use crate::config::{ClientCertificates, Settings, Tls};

/// An authority with a folder.
pub(super) struct Papers {
    pub(super) folder: TempDir,
    authority: rcgen::Certificate,
    issuer: Issuer<'static, KeyPair>,
}

/// A client's certificate.
pub(super) struct ClientPapers {
    pub(super) chain: Vec<CertificateDer<'static>>,
    pub(super) key: PrivateKeyDer<'static>,
    pub(super) sha256: [u8; 32],
}

impl Papers {
    pub(super) fn new() -> Self {
        let mut params = CertificateParams::default();
        params
            .distinguished_name
            .push(DnType::CommonName, "Authority of a test");
        params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
        params.key_usages = vec![KeyUsagePurpose::KeyCertSign];
        let key = KeyPair::generate().expect("a key");
        let authority = params.self_signed(&key).expect("an authority");
        let papers = Self {
            folder: tempfile::tempdir().expect("a folder"),
            authority,
            issuer: Issuer::new(params, key),
        };
        let (chain, key) = papers.pair("localhost");
        papers.write("server.pem", &chain);
        papers.write("server.key", &key);
        papers.write("ca.pem", &papers.authority.pem());
        papers
    }

    pub(super) fn authority(&self) -> CertificateDer<'static> {
        self.authority.der().clone()
    }

    /// A new chain and its key for a name, as text.
    pub(super) fn pair(&self, name: &str) -> (String, String) {
        let params = CertificateParams::new([name.to_owned()]).expect("a name");
        let key = KeyPair::generate().expect("a key");
        let leaf = params.signed_by(&key, &self.issuer).expect("a certificate");
        let chain = format!("{}{}", leaf.pem(), self.authority.pem());
        (chain, key.serialize_pem())
    }

    pub(super) fn client(&self) -> ClientPapers {
        let mut params = CertificateParams::default();
        params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ClientAuth];
        let key = KeyPair::generate().expect("a key");
        let leaf = params.signed_by(&key, &self.issuer).expect("a certificate");
        ClientPapers {
            sha256: Sha256::digest(leaf.der()).into(),
            chain: vec![leaf.der().clone()],
            key: PrivateKeyDer::try_from(key.serialize_der()).expect("a key"),
        }
    }

    pub(super) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(super) fn write(&self, name: &str, text: &str) {
        let path = self.path(name);
        std::fs::write(&path, text).expect("it is written");
        self.allow(name, 0o600);
    }

    pub(super) fn allow(&self, name: &str, mode: u32) {
        let mode = std::fs::Permissions::from_mode(mode);
        std::fs::set_permissions(self.path(name), mode).expect("it is ours");
    }

    pub(super) fn settings(&self, clients: Option<ClientCertificates>) -> Settings {
        let path = |name: &str| Some(self.path(name).display().to_string());
        Settings {
            tls: Tls {
                certificate: path("server.pem"),
                key: path("server.key"),
                client_ca: clients.and_then(|_| path("ca.pem")),
                client_certificates: clients.unwrap_or_default(),
            },
            ..Settings::default()
        }
    }
}
