//! Short secrets that people type, codes and phrases, as argon2id hashes.
//!
//! A hash costs 19 MiB and some hundredths of a second on purpose, so that guessing is slow. So only a few are worked
//! out at once, apart from the tasks that answer calls; more wait in order of arrival.

use std::sync::Arc;

use argon2::Argon2;
use argon2::password_hash::{Error as HashFault, PasswordHasher as _, PasswordVerifier as _};
use tokio::sync::Semaphore;

use super::Error;
use crate::ids::Ids;

/// How many hashes are worked out at once.
const AT_ONCE: usize = 2;

/// The hash of nothing in particular, checked where there is none, so that time does not tell.
const NOBODYS: &str = "$argon2id$v=19$m=19456,t=2,p=1$cmluZ3RydWUtbm9ib2R5cw$\
                       TBKXrNZ4M8qZw9Hh0T2ySVsvbPQ1c7VJ5oYH4Wn1xkE";

/// Where hashes are worked out; clones share the limit.
#[derive(Debug, Clone)]
pub(super) struct Proofs(Arc<Semaphore>);

impl Default for Proofs {
    fn default() -> Self {
        Self(Arc::new(Semaphore::new(AT_ONCE)))
    }
}

/// The hash of a short secret, as a PHC string. Parameters: OWASP's least for argon2id, 19 MiB and two passes (from
/// memory), which are the library's own.
fn hash_of(proof: &str, salt: [u8; 16]) -> Result<String, Error> {
    match Argon2::default().hash_password_with_salt(proof.as_bytes(), &salt) {
        Ok(hash) => Ok(hash.to_string()),
        Err(fault) => {
            tracing::error!(cause = %fault, "a hash cannot be worked out");
            Err(Error::Broken)
        }
    }
}

impl Proofs {
    /// Gives the hash of a short secret.
    pub(super) async fn hashed(&self, proof: &str, ids: &Ids) -> Result<String, Error> {
        let (proof, salt) = (proof.to_owned(), ids.salt());
        self.worked_out(move || hash_of(&proof, salt)).await?
    }

    /// Whether a short secret fits a hash. Without a hash it never does, and takes as long. Fails with
    /// [`Error::Broken`] when the hash was damaged.
    pub(super) async fn fits(&self, proof: &str, hash: Option<String>) -> Result<bool, Error> {
        let proof = proof.to_owned();
        self.worked_out(move || {
            let known = hash.is_some();
            let hash = hash.as_deref().unwrap_or(NOBODYS);
            match Argon2::default().verify_password(proof.as_bytes(), hash) {
                Ok(()) => Ok(known),
                Err(HashFault::PasswordInvalid) => Ok(false),
                Err(fault) => {
                    tracing::error!(cause = %fault, "a hash cannot be read back");
                    Err(Error::Broken)
                }
            }
        })
        .await?
    }

    async fn worked_out<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, Error> {
        let place = Arc::clone(&self.0).acquire_owned().await;
        let place = place.map_err(|_| Error::Busy)?;
        // The place is held until the hash is there, also when the caller has gone.
        let done = tokio::task::spawn_blocking(move || {
            let done = work();
            drop(place);
            done
        });
        done.await.map_err(|_| Error::Busy)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn only_the_secret_itself_fits_its_hash() {
        let (proofs, ids) = (Proofs::default(), Ids::seeded(5));
        let hash = proofs.hashed("Q9XW2B4D", &ids).await.expect("a hash");
        assert!(
            hash.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"),
            "{hash}"
        );
        let fits = async |proof: &str, hash| proofs.fits(proof, hash).await.expect("no fault");
        assert!(fits("Q9XW2B4D", Some(hash.clone())).await);
        assert!(!fits("Q9XW2B4E", Some(hash.clone())).await);
        assert!(!fits("Q9XW2B4D", None).await);
        let other = proofs.hashed("Q9XW2B4D", &ids).await.expect("a hash");
        assert_ne!(hash, other, "each has a salt of its own");
    }

    #[test]
    fn the_hash_that_stands_in_is_worked_out_like_any_other() {
        let parsed = argon2::password_hash::phc::PasswordHash::new(NOBODYS).expect("a PHC string");
        let usual = hash_of("Q9XW2B4D", [7; 16]).expect("a hash");
        let usual = argon2::password_hash::phc::PasswordHash::new(&usual).expect("a PHC string");
        assert_eq!(
            (parsed.algorithm, parsed.version),
            (usual.algorithm, usual.version)
        );
        assert_eq!(parsed.params.to_string(), usual.params.to_string());
        assert_eq!(
            parsed.hash.map(|hash| hash.len()),
            usual.hash.map(|hash| hash.len())
        );
    }
}
