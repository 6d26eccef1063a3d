//! Credentials for tests: made in the store, proved at the door.

use std::collections::BTreeSet;

use ringtrue_fleet::caller::{Caller, Right, Scope};
use ringtrue_fleet::credential::{Credential, CredentialWish, Holder, Token};
use ringtrue_fleet::grant::{Grant, Reach, Role};
use ringtrue_fleet::key::{CredentialId, SiteId};
use ringtrue_server::app::Request;
use sha2::{Digest as _, Sha256};
use tonic::metadata::MetadataValue;

use crate::Network;

/// A credential with the token that proves it.
#[derive(Debug, Clone)]
pub struct Held {
    /// As it was made.
    pub credential: Credential,
    /// What its holder has.
    pub token: Token,
}

/// A grant of a role at some sites; at none of them the whole network.
pub fn grant(role: Role, sites: &[&str]) -> Grant {
    let permissions = match role {
        Role::Integration => BTreeSet::from([Right::Read, Right::Record, Right::Note]),
        _ => BTreeSet::new(),
    };
    let reach = if sites.is_empty() {
        Reach::Network
    } else {
        let ids = sites.iter().map(|id| SiteId::new(id).expect("an id"));
        Reach::Sites {
            sites: ids.collect(),
            groups: BTreeSet::new(),
        }
    };
    Grant {
        role,
        permissions,
        reach,
    }
}

/// SHA-256 of a secret.
pub fn digest(secret: &str) -> [u8; 32] {
    Sha256::digest(secret.as_bytes()).into()
}

/// A request that proves a credential.
pub fn proved<T>(message: T, token: &Token) -> tonic::Request<T> {
    let mut request = tonic::Request::new(message);
    let value = format!("Bearer {}", token.text());
    let value = MetadataValue::try_from(value).expect("it can travel");
    request.metadata_mut().insert("authorization", value);
    request
}

/// Access to everything, for keeping credentials.
pub fn keeping() -> Scope {
    Caller::local(Some("test"))
        .network(Right::GrantAccess)
        .expect("a local caller may do everything")
}

impl Network {
    /// Makes a credential with a token.
    pub async fn held(&self, holder: Holder, grant: Grant) -> Held {
        let wish = CredentialWish {
            display_name: "for a test".to_owned(),
            holder,
            grant,
            certificate: None,
            lifetime_days: 100,
        };
        let now = self.now();
        let secret = self.app.ids.secret();
        let key = CredentialId::from_uuid(self.app.ids.uuid(now));
        let credential = wish.credential(key.clone(), Some(digest(&secret)), now);
        let mut tx = self.keep_access().await;
        tx.insert_credential(&credential, &Request::NONE)
            .await
            .expect("the credential is stored");
        tx.commit().await.expect("it is kept");
        Held {
            credential,
            token: Token {
                credential: key,
                secret,
            },
        }
    }

    /// Opens a transaction in which credentials may be changed.
    pub async fn keep_access(&self) -> ringtrue_store::Tx {
        let tx = self.app.store.begin("test", &keeping()).await;
        tx.expect("a transaction opens")
    }
}
