//! The settings of encryption: the server's certificate, and whose client certificates it knows.

use std::net::SocketAddr;

use super::layers::Given;

/// How connections are encrypted.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Tls {
    /// The path of the server's certificate, followed by those up to its authority (PEM); nothing is encrypted
    /// while unset.
    pub certificate: Option<String>,
    /// The path of the certificate's private key (PEM); readable by the service alone.
    pub key: Option<String>,
    /// The path of the authority's certificate that client certificates are checked against (PEM); none are
    /// asked for while unset.
    pub client_ca: Option<String>,
    /// Whether a client must show one.
    pub client_certificates: ClientCertificates,
}

/// Whether a client must show a certificate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ClientCertificates {
    /// It may; one that is shown must be good.
    #[default]
    Optional,
    /// It must.
    Required,
}

impl ClientCertificates {
    const ALL: [Self; 2] = [Self::Optional, Self::Required];

    /// The word in settings.
    pub fn word(self) -> &'static str {
        match self {
            Self::Optional => "optional",
            Self::Required => "required",
        }
    }

    /// The one of a word.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|choice| choice.word() == word)
    }
}

impl Tls {
    pub(super) fn given(given: &mut Given) -> Self {
        Self {
            certificate: given.optional_text("tls.certificate"),
            key: given.optional_text("tls.key"),
            client_ca: given.optional_text("tls.client_ca"),
            client_certificates: given.client_certificates(ClientCertificates::default()),
        }
    }

    /// Says whether connections are encrypted.
    pub fn is_set(&self) -> bool {
        self.certificate.is_some() && self.key.is_some()
    }

    pub(super) fn check(&self, faults: &mut Vec<String>) {
        if self.certificate.is_some() != self.key.is_some() {
            faults.push(
                "tls.certificate and tls.key belong together: set both (ringtrue-server setup makes them), or none"
                    .to_owned(),
            );
        }
        if self.client_ca.is_some() && !self.is_set() {
            faults.push(
                "tls.client_ca means nothing without encryption: set tls.certificate and tls.key too"
                    .to_owned(),
            );
        }
        if self.client_certificates == ClientCertificates::Required && self.client_ca.is_none() {
            faults.push(
                "tls.client_certificates = required needs the authority that made them: set tls.client_ca"
                    .to_owned(),
            );
        }
    }

    pub(super) fn effective(&self) -> String {
        let shown = |path: &Option<String>| path.clone().unwrap_or_default();
        let lines = [
            "\n[tls]".to_owned(),
            format!("certificate = {:?}", shown(&self.certificate)),
            format!("key = {:?}", shown(&self.key)),
            format!("client_ca = {:?}", shown(&self.client_ca)),
            format!(
                "client_certificates = {:?}",
                self.client_certificates.word()
            ),
        ];
        lines.join("\n")
    }
}

/// Says whether an address is one of this machine itself.
pub(super) fn is_loopback(address: SocketAddr) -> bool {
    address.ip().to_canonical().is_loopback()
}

/// Refuses to serve without encryption beyond this machine.
pub(super) fn check_reach(key: &str, listen: SocketAddr, tls: &Tls, faults: &mut Vec<String>) {
    if !is_loopback(listen) && !tls.is_set() {
        faults.push(format!(
            "{key} = {listen} would serve without encryption beyond this machine: set tls.certificate and tls.key \
             (ringtrue-server setup makes them), or use 127.0.0.1 or [::1]"
        ));
    }
}
