//! What a call proves itself with, and whether it does.

use std::collections::BTreeSet;
use std::sync::Arc;

use http::HeaderMap;
use http::header::AUTHORIZATION;
use jiff::Timestamp;
use ringtrue_fleet::credential::{BadToken, Credential, Standing, Token};
use ringtrue_fleet::key::{CredentialId, SiteId};
use sha2::{Digest as _, Sha256};
use subtle::ConstantTimeEq as _;

use super::Peer;

/// Which scheme a token travels under (RFC 6750). Schemes are read in any case (RFC 9110, 11.1), tokens are not.
const SCHEME: &str = "bearer ";

/// What a call brings to prove who makes it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Proof {
    /// By which the credential is found.
    pub(super) by: By,
    /// SHA-256 of the secret, where a token came.
    secret: Option<[u8; 32]>,
    /// SHA-256 of the client certificate, where one was proved.
    certificate: Option<[u8; 32]>,
}

/// How a credential is found.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub(super) enum By {
    /// By the id in a token.
    Id(CredentialId),
    /// By a client certificate alone.
    Certificate([u8; 32]),
}

impl Proof {
    /// Reads what a call brings; none when it brings nothing. Two tokens, or something else in a token's place, prove
    /// nothing.
    pub(super) fn of(headers: &HeaderMap, peer: Option<&Peer>) -> Result<Option<Self>, BadToken> {
        let certificate = peer.and_then(|peer| peer.certificate);
        let mut brought = headers.get_all(AUTHORIZATION).iter();
        let Some(value) = brought.next() else {
            return Ok(certificate.map(|sha256| Self {
                by: By::Certificate(sha256),
                secret: None,
                certificate,
            }));
        };
        if brought.next().is_some() {
            return Err(BadToken);
        }
        let value = value.to_str().map_err(|_| BadToken)?;
        let (scheme, token) = value.split_at_checked(SCHEME.len()).ok_or(BadToken)?;
        if !scheme.eq_ignore_ascii_case(SCHEME) {
            return Err(BadToken);
        }
        let token = Token::parse(token)?;
        Ok(Some(Self {
            secret: Some(Sha256::digest(token.secret.as_bytes()).into()),
            by: By::Id(token.credential),
            certificate,
        }))
    }

    /// Whether this proves a credential at a moment.
    pub(super) fn proves(&self, credential: &Credential, now: Timestamp) -> bool {
        let overlapping = credential.previous.filter(|(_, until)| now < *until);
        let secret = match (credential.secret, self.secret) {
            (Some(kept), Some(brought)) => {
                let current = kept.ct_eq(&brought);
                let before = overlapping.map(|(kept, _)| kept.ct_eq(&brought));
                bool::from(before.map_or(current, |before| current | before))
            }
            (None, None) => true,
            _ => false,
        };
        let certificate = match (credential.certificate, self.certificate) {
            (None, _) => self.secret.is_some(),
            (Some(kept), Some(shown)) => bool::from(kept.ct_eq(&shown)),
            (Some(_), None) => false,
        };
        secret & certificate & (credential.standing(now) == Standing::Active)
    }
}

/// A credential as it was read, with the sites that it reached then.
#[derive(Debug)]
pub(super) struct Known {
    pub(super) credential: Arc<Credential>,
    /// None for the whole network.
    pub(super) sites: Option<Arc<BTreeSet<SiteId>>>,
    /// When its use was noted last, seconds since 1970-01-01.
    pub(super) noted_s: std::sync::atomic::AtomicI64,
}

#[cfg(test)]
mod tests;
