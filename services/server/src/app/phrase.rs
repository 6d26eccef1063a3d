//! Signing phrases: hashed and compared, never kept, shown or logged.
//!
//! Hashing takes many milliseconds on purpose, so it is never done inside a transaction (`proofs.rs`). A phrase is counted as wrong before it is looked at, and the count taken back when it was right: many at once
//! are then no better than many in a row.

use jiff::Timestamp;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::CredentialId;
use ringtrue_fleet::refusal::Refusal;
use ringtrue_fleet::sign_off::SigningPhrase;
use ringtrue_store::Store;

use super::Error;
use super::proofs::Proofs;

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

/// Which of some phrases is the one that is kept; where none is kept it takes as long to say that none is.
async fn right_one(
    proofs: &Proofs,
    phrases: &[Phrase],
    kept: Option<&SigningPhrase>,
) -> Result<Option<usize>, Error> {
    for (at, phrase) in phrases.iter().enumerate() {
        let hash = kept.map(|kept| kept.hash.clone());
        if proofs.fits(phrase.typed(), hash).await? {
            return Ok(Some(at));
        }
    }
    Ok(None)
}

/// Fails unless one of these phrases is that of the credential that acts; gives which, and the phrase as kept
/// with the wrong ones before it forgotten. That none is set is not told from a wrong one.
pub(super) async fn prove(
    proofs: &Proofs,
    store: &Store,
    scope: &Scope,
    credential: &CredentialId,
    phrases: &[Phrase],
    now: Timestamp,
) -> Result<(usize, SigningPhrase), Error> {
    let mut tx = store.begin("count_phrase", scope).await?;
    let mut kept = tx.signing_phrase(credential).await?;
    if let Some(kept) = &mut kept {
        kept.tries = kept.tries.counted(now)?;
        tx.put_phrase_tries(kept).await?;
    }
    tx.commit().await?;
    let right = right_one(proofs, phrases, kept.as_ref()).await?;
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
    use crate::ids::Ids;

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

    #[tokio::test]
    async fn a_hash_takes_its_own_phrase_alone() {
        let (proofs, ids) = (Proofs::default(), Ids::seeded(5));
        let hash = proofs.hashed("three rings, two furnaces", &ids).await;
        let hash = hash.expect("hashed");
        assert!(!hash.contains("rings"));
        let tried = [
            phrase("Three rings, two furnaces"),
            phrase("three rings, two furnaces"),
        ];
        let right = right_one(&proofs, &tried, Some(&kept(hash))).await;
        assert_eq!(right.expect("looked at"), Some(1));
        let none = right_one(&proofs, &tried, None).await;
        assert_eq!(none.expect("looked at"), None);
    }

    #[tokio::test]
    async fn a_damaged_hash_is_a_fault_and_no_wrong_phrase() {
        let damaged = kept("$argon2id$v=19$damaged".to_owned());
        let tried = [phrase("three rings")];
        let right = right_one(&Proofs::default(), &tried, Some(&damaged)).await;
        assert!(matches!(right, Err(Error::Broken)), "{right:?}");
    }

    #[test]
    fn a_phrase_is_never_shown() {
        assert_eq!(format!("{:?}", phrase("three rings")), "Phrase(..)");
    }
}
