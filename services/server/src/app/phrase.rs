//! Signing phrases: hashed and compared, never kept, shown or logged.
//!
//! Hashing takes many milliseconds on purpose, so it is done on a thread of its own and never inside a transaction. A
//! phrase is counted as wrong before it is looked at, and the count taken back when it was right: many at once
//! are then no better than many in a row.

use argon2::password_hash::Error as HashFault;
use argon2::{
    Algorithm, Argon2, Params, PasswordHash, PasswordHasher as _, PasswordVerifier as _, Version,
};
use jiff::Timestamp;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::CredentialId;
use ringtrue_fleet::refusal::Refusal;
use ringtrue_fleet::sign_off::SigningPhrase;
use ringtrue_store::Store;

use super::Error;

/// Memory of one hash, KiB: 19 MiB, with the two passes and one lane below the least that OWASP's guidance on password
/// storage names for Argon2id (from memory).
const MEMORY_KIB: u32 = 19 * 1024;

/// Passes over the memory.
const PASSES: u32 = 2;

/// Lanes, worked out one after the other.
const LANES: u32 = 1;

/// A phrase as typed.
#[derive(Clone)]
pub struct Phrase(String);

impl Phrase {
    /// Takes a phrase.
    pub fn new(typed: String) -> Self {
        Self(typed)
    }

    /// The phrase, for checking it.
    pub(super) fn typed(&self) -> &str {
        &self.0
    }
}

impl std::fmt::Debug for Phrase {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Phrase(..)")
    }
}

fn argon2() -> Argon2<'static> {
    let params = Params::new(MEMORY_KIB, PASSES, LANES, None);
    let params = params.expect("these parameters are within Argon2's limits");
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
}

/// Runs what takes long on a thread of its own.
async fn aside<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Error> + Send + 'static,
) -> Result<T, Error> {
    match tokio::task::spawn_blocking(work).await {
        Ok(outcome) => outcome,
        Err(fault) if fault.is_panic() => std::panic::resume_unwind(fault.into_panic()),
        Err(_) => Err(Error::Busy),
    }
}

/// A salted hash in the PHC string format.
pub(super) async fn hashed(phrase: Phrase, salt: String) -> Result<String, Error> {
    aside(move || {
        let hash = argon2().hash_password_with_salt(phrase.0.as_bytes(), salt.as_bytes());
        hash.map(|hash| hash.to_string()).map_err(|fault| {
            tracing::error!(%fault, "a signing phrase could not be hashed");
            Error::Broken
        })
    })
    .await
}

/// Which of some phrases is the one that is kept; where none is kept it takes as long to say that none is.
async fn right_one(
    phrases: Vec<Phrase>,
    kept: Option<SigningPhrase>,
) -> Result<Option<usize>, Error> {
    aside(move || {
        let Some(kept) = kept else {
            for phrase in &phrases {
                let worked_out =
                    argon2().hash_password_with_salt(phrase.0.as_bytes(), b"no phrase is set");
                drop(worked_out);
            }
            return Ok(None);
        };
        let corrupt = || {
            Error::Store(ringtrue_store::Error::Corrupt {
                table: "signing_phrase",
                column: "phrase_hash",
                key: kept.credential.to_string(),
            })
        };
        let hash = PasswordHash::new(&kept.hash).map_err(|_| corrupt())?;
        for (at, phrase) in phrases.iter().enumerate() {
            match argon2().verify_password(phrase.0.as_bytes(), &hash) {
                Ok(()) => return Ok(Some(at)),
                Err(HashFault::PasswordInvalid) => {}
                Err(_) => return Err(corrupt()),
            }
        }
        Ok(None)
    })
    .await
}

/// Fails unless one of these phrases is that of the credential that acts; gives which, and the phrase as kept
/// with the wrong ones before it forgotten. That none is set is not told from a wrong one.
pub(super) async fn prove(
    store: &Store,
    scope: &Scope,
    credential: &CredentialId,
    phrases: Vec<Phrase>,
    now: Timestamp,
) -> Result<(usize, SigningPhrase), Error> {
    let mut tx = store.begin("count_phrase", scope).await?;
    let mut kept = tx.signing_phrase(credential).await?;
    if let Some(kept) = &mut kept {
        kept.tries = kept.tries.counted(now)?;
        tx.put_phrase_tries(kept).await?;
    }
    tx.commit().await?;
    let right = right_one(phrases, kept.clone()).await?;
    match (right, kept) {
        (Some(at), Some(mut kept)) => {
            kept.tries = ringtrue_fleet::sign_off::Tries::default();
            Ok((at, kept))
        }
        (None, Some(kept)) if kept.tries.is_locking() => {
            tracing::warn!(
                credential = kept.credential.as_str(),
                "too many wrong signing phrases"
            );
            let mut tx = store.begin("note_phrase_lock", scope).await?;
            tx.note_phrase_lock(&kept, now).await?;
            tx.commit().await?;
            Err(Refusal::PhraseNotAccepted.into())
        }
        _ => Err(Refusal::PhraseNotAccepted.into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kept(hash: String) -> SigningPhrase {
        SigningPhrase {
            credential: CredentialId::new("c1").expect("an id"),
            hash,
            tries: ringtrue_fleet::sign_off::Tries::default(),
            updated_at: Timestamp::UNIX_EPOCH,
        }
    }

    fn phrase(text: &str) -> Phrase {
        Phrase::new(text.to_owned())
    }

    const SALT: &str = "abcdefghijklmnopqrstuvwxyz0123456789-_ABCDE";

    #[tokio::test]
    async fn a_hash_says_how_it_was_made_and_takes_its_own_phrase_alone() {
        let hash = hashed(phrase("three rings, two furnaces"), SALT.to_owned()).await;
        let hash = hash.expect("hashed");
        assert!(
            hash.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"),
            "{hash}"
        );
        assert!(!hash.contains("rings"));
        let tried = vec![
            phrase("Three rings, two furnaces"),
            phrase("three rings, two furnaces"),
        ];
        let right = right_one(tried, Some(kept(hash))).await.expect("looked at");
        assert_eq!(right, Some(1));
    }

    #[tokio::test]
    async fn no_phrase_takes_none_and_a_damaged_one_is_a_fault() {
        let right = right_one(vec![phrase("three rings")], None).await;
        assert_eq!(right.expect("looked at"), None);
        let damaged = kept("$argon2id$v=19$damaged".to_owned());
        let right = right_one(vec![phrase("three rings")], Some(damaged)).await;
        assert!(matches!(right, Err(Error::Store(_))), "{right:?}");
    }

    #[test]
    fn a_phrase_is_never_shown() {
        assert_eq!(format!("{:?}", phrase("three rings")), "Phrase(..)");
    }
}
