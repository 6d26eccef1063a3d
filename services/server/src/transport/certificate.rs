//! What a certificate says of itself.

use std::net::IpAddr;

use jiff::Timestamp;
use rustls::pki_types::CertificateDer;
use x509_parser::extensions::GeneralName;
use x509_parser::prelude::{FromDer as _, X509Certificate};

use super::pin;

/// What a certificate says of itself; nothing of it is proved.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Particulars {
    /// Host names and addresses that it is for, as its alternative names.
    pub names: Vec<String>,
    /// First moment at which it holds.
    pub begins: Timestamp,
    /// Last moment at which it holds.
    pub ends: Timestamp,
    /// Whether it may make further certificates.
    pub is_authority: bool,
    /// The pin of its key.
    pub pin: String,
}

impl Particulars {
    /// Reads a certificate; none when it is not one.
    pub fn of(certificate: &CertificateDer<'_>) -> Option<Self> {
        let (_, read) = X509Certificate::from_der(certificate).ok()?;
        let moment = |seconds: i64| Timestamp::from_second(seconds).ok();
        let alternatives = read.subject_alternative_name().ok()?;
        let names = match &alternatives {
            Some(extension) => extension
                .value
                .general_names
                .iter()
                .filter_map(name)
                .collect(),
            None => Vec::new(),
        };
        Some(Self {
            names,
            begins: moment(read.validity().not_before.timestamp())?,
            ends: moment(read.validity().not_after.timestamp())?,
            is_authority: read.is_ca(),
            pin: pin::of_key(read.public_key().raw),
        })
    }
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
