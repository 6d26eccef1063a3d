//! An authority of the network's own, and the certificates it makes.

use std::fs;
use std::path::Path;
use std::time::Duration;

use anyhow::{Context as _, ensure};
use data_encoding::HEXLOWER;
use jiff::{SignedDuration, Timestamp};
use rcgen::{
    BasicConstraints, CertificateParams, DnType, ExtendedKeyUsagePurpose, IsCa, Issuer, KeyPair,
    KeyUsagePurpose, date_time_ymd,
};
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;
use sha2::{Digest as _, Sha256};

use crate::transport::Particulars;

/// How long an authority holds: ten years, with the leap days.
const AUTHORITY_HOLDS: SignedDuration = SignedDuration::from_hours(3_652 * 24);

/// How long a certificate holds: a year and a month to renew it in. Common practice; many programs accept no longer one.
const CERTIFICATE_HOLDS: SignedDuration = SignedDuration::from_hours(397 * 24);

/// How much earlier than now certificates begin, for clients whose clocks are behind.
const EARLIER: SignedDuration = SignedDuration::from_hours(24);

/// Shortest time for which a certificate is worth making.
const WORTH_MAKING: SignedDuration = SignedDuration::from_hours(24);

/// An authority, ready to make certificates.
#[derive(Debug)]
pub(super) struct Authority {
    pem: String,
    particulars: Particulars,
    issuer: Issuer<'static, KeyPair>,
}

/// A certificate that was made for the server.
pub(super) struct ForServer {
    /// The certificate, its authority, its private key (PEM).
    pub(super) with_key: String,
    pub(super) ends: Timestamp,
}

/// A certificate that was made for a client.
pub(super) struct ForClient {
    /// The certificate (PEM).
    pub(super) certificate: String,
    /// Its private key (PEM).
    pub(super) key: String,
    /// The fingerprint of the certificate, in hexadecimal digits.
    pub(super) sha256: String,
    pub(super) ends: Timestamp,
}

impl Authority {
    /// Makes a new authority, and gives its private key (PEM) beside it.
    pub(super) fn make(host: &str, now: Timestamp) -> anyhow::Result<(Self, String)> {
        let mut params = params(now, now + AUTHORITY_HOLDS)?;
        params.distinguished_name.push(
            DnType::CommonName,
            common_name(&format!("Ringtrue authority of {host}")),
        );
        // It makes certificates for servers and clients, and no further authorities.
        params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
        params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
        let key = KeyPair::generate().context("making a key")?;
        let certificate = params.self_signed(&key).context("making the authority")?;
        let key_pem = key.serialize_pem();
        let authority = Self {
            pem: certificate.pem(),
            particulars: read(certificate.der())?,
            issuer: Issuer::new(params, key),
        };
        Ok((authority, key_pem))
    }

    /// Reads an authority from its files.
    pub(super) fn read(certificate: &Path, key: &Path) -> anyhow::Result<Self> {
        let pem = text(certificate)?;
        let key = text(key).context(
            "the authority's private key is needed; when it is kept elsewhere, bring it back for this",
        )?;
        let der = first_certificate(certificate, &pem)?;
        let key = KeyPair::from_pem(&key).context("reading the authority's private key")?;
        let particulars = read(&der)?;
        ensure!(
            particulars.pin == crate::transport::pin::of_key(&subject_public_key_info(&key)),
            "{} and the private key beside it do not belong together",
            certificate.display()
        );
        Ok(Self {
            issuer: Issuer::from_ca_cert_der(&der, key).context("reading the authority")?,
            pem,
            particulars,
        })
    }

    pub(super) fn pem(&self) -> &str {
        &self.pem
    }

    pub(super) fn pin(&self) -> &str {
        &self.particulars.pin
    }

    pub(super) fn ends(&self) -> Timestamp {
        self.particulars.ends
    }

    /// Makes a certificate for the server, with a new key.
    pub(super) fn for_server(&self, names: &[String], now: Timestamp) -> anyhow::Result<ForServer> {
        let mut params = self.params(now)?;
        let first = names.first().context("a certificate needs a name")?;
        params
            .distinguished_name
            .push(DnType::CommonName, common_name(first));
        params.subject_alt_names = CertificateParams::new(names)?.subject_alt_names;
        params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
        let key = KeyPair::generate().context("making a key")?;
        let certificate = params.signed_by(&key, &self.issuer)?;
        Ok(ForServer {
            with_key: format!("{}{}{}", certificate.pem(), self.pem, key.serialize_pem()),
            ends: read(certificate.der())?.ends,
        })
    }

    /// Makes a certificate for a client, with a new key.
    pub(super) fn for_client(&self, name: &str, now: Timestamp) -> anyhow::Result<ForClient> {
        let mut params = self.params(now)?;
        params
            .distinguished_name
            .push(DnType::CommonName, common_name(name));
        params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ClientAuth];
        let key = KeyPair::generate().context("making a key")?;
        let certificate = params.signed_by(&key, &self.issuer)?;
        let digest = Sha256::digest(certificate.der());
        Ok(ForClient {
            certificate: certificate.pem(),
            key: key.serialize_pem(),
            sha256: HEXLOWER.encode(&digest),
            ends: read(certificate.der())?.ends,
        })
    }

    /// What all certificates of this authority have in common; they end with it at the latest.
    fn params(&self, now: Timestamp) -> anyhow::Result<CertificateParams> {
        let ends = (now - EARLIER + CERTIFICATE_HOLDS).min(self.particulars.ends);
        ensure!(
            ends.duration_since(now) >= WORTH_MAKING,
            "the authority ends at {}: make a new one with ringtrue-server setup in a new folder, and give it to all \
             clients",
            self.particulars.ends
        );
        let mut params = params(now, ends)?;
        params.is_ca = IsCa::ExplicitNoCa;
        params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
        params.use_authority_key_identifier_extension = true;
        Ok(params)
    }
}

/// Gives the names in the certificate of a file.
pub(super) fn names_of(path: &Path) -> anyhow::Result<Vec<String>> {
    let names = read(&first_certificate(path, &text(path)?)?)?.names;
    ensure!(
        !names.is_empty(),
        "{} names no host; say for which with --name",
        path.display()
    );
    Ok(names)
}

fn params(now: Timestamp, ends: Timestamp) -> anyhow::Result<CertificateParams> {
    let mut params = CertificateParams::default();
    params.distinguished_name = rcgen::DistinguishedName::new();
    let epoch = date_time_ymd(1970, 1, 1);
    let since = |moment: Timestamp| -> anyhow::Result<Duration> {
        let seconds = u64::try_from(moment.as_second()).context("the clock is before 1970")?;
        Ok(Duration::from_secs(seconds))
    };
    params.not_before = epoch + since(now - EARLIER)?;
    params.not_after = epoch + since(ends)?;
    Ok(params)
}

/// Cuts a name to what the field takes (RFC 5280, ub-common-name).
fn common_name(name: &str) -> String {
    name.chars().take(64).collect()
}

fn read(certificate: &CertificateDer<'_>) -> anyhow::Result<Particulars> {
    Particulars::of(certificate).context("a certificate cannot be read")
}

fn text(path: &Path) -> anyhow::Result<String> {
    fs::read_to_string(path).with_context(|| {
        format!(
            "reading {}; is it a folder that ringtrue-server setup made?",
            path.display()
        )
    })
}

fn first_certificate(path: &Path, pem: &str) -> anyhow::Result<CertificateDer<'static>> {
    CertificateDer::from_pem_slice(pem.as_bytes())
        .with_context(|| format!("{} holds no readable certificate", path.display()))
}

fn subject_public_key_info(key: &KeyPair) -> Vec<u8> {
    use rcgen::PublicKeyData as _;
    key.subject_public_key_info()
}
