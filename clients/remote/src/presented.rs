//! The first contact: whom a server says it is from, before anybody trusts it.
//!
//! A handshake and nothing else: no call, no token, no certificate of the client. What comes back is for a person,
//! or for comparing with a pin that came another way; it proves that the server has the key of its certificate,
//! that its certificate is for the name in the address, and that the authority shown made it. It does not prove
//! that the authority is the right one.

use std::error::Error as _;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use rustls::client::WebPkiServerVerifier;
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, verify_tls12_signature, verify_tls13_signature};
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::{
    CertificateError, ClientConfig, DigitallySignedStruct, RootCertStore, SignatureScheme,
};
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;
use tonic::Code;
use x509_parser::extensions::GeneralName;
use x509_parser::prelude::{FromDer as _, X509Certificate};

use crate::{Failure, Outcome, Pin, endpoint, trust};

/// Where encrypted servers listen when the address names no port.
const PORT: u16 = 443;

/// What a server presents of itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Presented {
    /// The authority's certificate (PEM), for [`crate::Settings::authority`] once it is trusted.
    pub authority_pem: Vec<u8>,
    /// The authority's pin, to compare.
    pub pin: Pin,
    /// Host names and addresses that the server's certificate is for.
    pub names: Vec<String>,
}

/// Asks a server whom it says it is from. Sends nothing that is secret.
///
/// # Errors
/// [`Failure`] with words a person can act on: nobody answers, what answers does not encrypt, it does not show its
/// authority, or its certificate is not for this address or has ended.
pub async fn presented_authority(endpoint: &str, timeout: Duration) -> Outcome<Presented> {
    let address = endpoint::read(endpoint)
        .map_err(|fault| plain(Code::InvalidArgument, "ADDRESS", &fault.to_string()))?;
    if !endpoint::is_encrypted(&address) {
        let message =
            format!("`{endpoint}` does not encrypt; write https:// to see whom a server is from");
        return Err(plain(Code::InvalidArgument, "ADDRESS", &message));
    }
    let host = endpoint::host(&address).unwrap_or_default().to_owned();
    let name = ServerName::try_from(host.clone()).map_err(|_| {
        let message =
            format!("`{host}` is no host name; write the address as the administrator gave it");
        plain(Code::InvalidArgument, "ADDRESS", &message)
    })?;
    let port = address.port_u16().unwrap_or(PORT);
    match tokio::time::timeout(timeout, probed(host, port, name)).await {
        Ok(outcome) => outcome,
        Err(_elapsed) => {
            let message = format!("no server answered within {} s", timeout.as_secs_f64());
            Err(plain(Code::Unavailable, "UNREACHABLE", &message))
        }
    }
}

async fn probed(host: String, port: u16, name: ServerName<'static>) -> Outcome<Presented> {
    let stream = TcpStream::connect((host.as_str(), port))
        .await
        .map_err(|fault| {
            let message = format!("no server answers at {host}, port {port} ({fault})");
            plain(Code::Unavailable, "UNREACHABLE", &message)
        })?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let witness = Arc::new(Witness {
        provider: Arc::clone(&provider),
        seen: Mutex::default(),
    });
    let verifier: Arc<dyn ServerCertVerifier> = Arc::clone(&witness) as _;
    let config = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|fault| Box::new(trust::of(&fault)))?;
    let mut config = config
        .dangerous()
        .with_custom_certificate_verifier(verifier)
        .with_no_client_auth();
    config.alpn_protocols = vec![b"h2".to_vec()];
    let shaken = TlsConnector::from(Arc::new(config))
        .connect(name, stream)
        .await;
    let seen = witness.seen.lock().unwrap_or_else(PoisonError::into_inner);
    // A server that wants a certificate of the client breaks off, but only after it has proved itself.
    match (shaken, &seen.presented) {
        (Ok(_), Some(presented)) => Ok(presented.clone()),
        (Err(_), Some(presented)) if seen.has_proved => Ok(presented.clone()),
        (Err(fault), _) => Err(Box::new(not_shaken(&fault, &seen))),
        (Ok(_), None) => Err(plain(
            Code::Unavailable,
            "NO_ENCRYPTION",
            "the server presented no certificate",
        )),
    }
}

fn not_shaken(fault: &std::io::Error, seen: &Seen) -> Failure {
    if seen.hides_authority {
        return Failure::plain(
            Code::Unavailable,
            "NO_AUTHORITY",
            "the server does not show the authority that made its certificate, so its pin cannot be compared: ask its \
             administrator for the authority's file, or to append it to the certificate of the server",
        );
    }
    trust::failure(fault).unwrap_or_else(|| {
        let cause = fault
            .source()
            .map_or_else(|| fault.to_string(), ToString::to_string);
        let message = format!("the server broke off before the connection was encrypted ({cause})");
        Failure::plain(Code::Unavailable, "UNREACHABLE", &message)
    })
}

fn plain(code: Code, reason: &str, message: &str) -> Box<Failure> {
    Box::new(Failure::plain(code, reason, message))
}

/// Looks at what a server shows, and takes it when it holds together in itself.
#[derive(Debug)]
struct Witness {
    provider: Arc<CryptoProvider>,
    seen: Mutex<Seen>,
}

#[derive(Debug, Default)]
struct Seen {
    presented: Option<Presented>,
    hides_authority: bool,
    has_proved: bool,
}

impl Witness {
    fn seen(&self, note: impl FnOnce(&mut Seen)) {
        note(&mut self.seen.lock().unwrap_or_else(PoisonError::into_inner));
    }
}

impl ServerCertVerifier for Witness {
    fn verify_server_cert(
        &self,
        leaf: &CertificateDer<'_>,
        others: &[CertificateDer<'_>],
        name: &ServerName<'_>,
        ocsp: &[u8],
        now: UnixTime,
    ) -> Result<ServerCertVerified, rustls::Error> {
        let hidden = || {
            self.seen(|seen| seen.hides_authority = true);
            rustls::Error::from(CertificateError::UnknownIssuer)
        };
        let authority = others.last().ok_or_else(hidden)?;
        let (_, read) = X509Certificate::from_der(authority)
            .map_err(|_| rustls::Error::from(CertificateError::BadEncoding))?;
        if !read.is_ca() {
            return Err(hidden());
        }
        let mut roots = RootCertStore::empty();
        roots.add(authority.clone().into_owned())?;
        let verifier = WebPkiServerVerifier::builder_with_provider(
            Arc::new(roots),
            Arc::clone(&self.provider),
        );
        let verifier = verifier
            .build()
            .map_err(|fault| rustls::Error::General(fault.to_string()))?;
        let verified = verifier.verify_server_cert(leaf, others, name, ocsp, now)?;
        let presented = Presented {
            authority_pem: pem(authority),
            pin: Pin::of_key(read.public_key().raw),
            names: names(leaf),
        };
        self.seen(|seen| seen.presented = Some(presented));
        Ok(verified)
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signature: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        let algorithms = &self.provider.signature_verification_algorithms;
        let valid = verify_tls12_signature(message, certificate, signature, algorithms)?;
        self.seen(|seen| seen.has_proved = true);
        Ok(valid)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signature: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        let algorithms = &self.provider.signature_verification_algorithms;
        let valid = verify_tls13_signature(message, certificate, signature, algorithms)?;
        self.seen(|seen| seen.has_proved = true);
        Ok(valid)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.provider
            .signature_verification_algorithms
            .supported_schemes()
    }
}

/// Gives the alternative names of a certificate.
fn names(certificate: &CertificateDer<'_>) -> Vec<String> {
    let Ok((_, read)) = X509Certificate::from_der(certificate) else {
        return Vec::new();
    };
    let Ok(Some(alternatives)) = read.subject_alternative_name() else {
        return Vec::new();
    };
    alternatives
        .value
        .general_names
        .iter()
        .filter_map(name)
        .collect()
}

fn name(general: &GeneralName<'_>) -> Option<String> {
    match general {
        GeneralName::DNSName(name) => Some((*name).to_owned()),
        GeneralName::IPAddress(bytes) => {
            let address = match bytes.len() {
                4 => IpAddr::from(<[u8; 4]>::try_from(*bytes).ok()?),
                _ => IpAddr::from(<[u8; 16]>::try_from(*bytes).ok()?),
            };
            Some(address.to_string())
        }
        _ => None,
    }
}

/// Writes a certificate as PEM (RFC 7468).
fn pem(certificate: &CertificateDer<'_>) -> Vec<u8> {
    let pem = pem::Pem::new("CERTIFICATE", certificate.to_vec());
    let lines = pem::EncodeConfig::new().set_line_ending(pem::LineEnding::LF);
    pem::encode_config(&pem, lines).into_bytes()
}
