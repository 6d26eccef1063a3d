//! What every use case about credentials checks and makes alike.

use ringtrue_fleet::caller::Caller;
use ringtrue_fleet::credential::Token;
use ringtrue_fleet::grant::{Grant, Reach};
use ringtrue_fleet::key::{CredentialId, SiteId};
use ringtrue_store::Tx;
use sha2::{Digest as _, Sha256};

use super::Error;

/// Kind of resource, for faults.
pub(super) const KIND: &str = "ringtrue.v1/Credential";

/// SHA-256 of a secret's text: all that is kept of it.
pub(super) fn digest_of(secret: &str) -> [u8; 32] {
    Sha256::digest(secret.as_bytes()).into()
}

/// A credential's token as it travels.
pub(super) fn token(credential: &CredentialId, secret: String) -> String {
    let token = Token {
        credential: credential.clone(),
        secret,
    };
    token.text()
}

/// A credential that is not there, or not for this caller to know of.
pub(super) fn missing(credential: &CredentialId) -> Error {
    Error::Missing {
        kind: KIND,
        name: credential.name(),
    }
}

/// Fails as if it were not there unless the caller may keep credentials with this grant.
pub(super) fn kept_by(
    caller: &Caller,
    grant: &Grant,
    missing: impl FnOnce() -> Error,
) -> Result<(), Error> {
    if caller.may_grant(grant) {
        Ok(())
    } else {
        Err(missing())
    }
}

/// Fails unless the sites and groups of a grant exist: a slip in a name would let somebody into what is made later.
pub(super) async fn exists(tx: &mut Tx, grant: &Grant) -> Result<(), Error> {
    let Reach::Sites { sites, groups } = &grant.reach else {
        return Ok(());
    };
    if let Some(site) = tx.missing_site(sites).await? {
        return Err(no_site(&site));
    }
    for group in groups {
        if tx.site_group(group).await?.is_none() {
            return Err(Error::Missing {
                kind: "ringtrue.v1/SiteGroup",
                name: group.name(),
            });
        }
    }
    Ok(())
}

/// A site that is not there.
pub(super) fn no_site(site: &SiteId) -> Error {
    Error::Missing {
        kind: "ringtrue.v1/Site",
        name: site.name(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: FIPS 180-4 example, SHA-256 of "abc".
    #[test]
    fn a_secret_is_kept_as_the_digest_of_its_text() {
        assert_eq!(digest_of("abc")[..4], [0xba, 0x78, 0x16, 0xbf]);
    }
}
