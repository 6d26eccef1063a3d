//! New ids: UUIDs of version 7, from a moment and random bits.
//!
//! They sort by the time they were made, which keeps rows that belong together close in the
//! database. Source: RFC 9562, section 5.7 and section 6.2, method 2 (monotonic random).

use std::sync::{Arc, Mutex, PoisonError};

use data_encoding::BASE64URL_NOPAD;
use jiff::Timestamp;
use rand::{Rng as _, SeedableRng as _};
use rand_chacha::ChaCha12Rng;
use sha2::{Digest as _, Sha256};
use uuid::{Builder, NoContext, Uuid};

/// Random bits of an id below its milliseconds: 12 before the variant and 62 behind it.
const RANDOM_BITS: u32 = 74;
const RANDOM_MASK: u128 = (1 << RANDOM_BITS) - 1;

/// A handle that gives new ids; clones share one sequence.
#[derive(Clone, Debug)]
pub struct Ids(Arc<Mutex<Sequence>>);

#[derive(Debug)]
struct Sequence {
    random: ChaCha12Rng,
    /// The last id's milliseconds and random bits as one number, without version and variant.
    last: u128,
}

impl Ids {
    /// Gives ids nobody can foresee, seeded from the operating system.
    pub fn system() -> Self {
        // The uuid library carries the operating system's randomness; four draws of 74 bits are
        // more than the 256 bits of the seed.
        let mut digest = Sha256::new();
        for _ in 0..4 {
            let draw = Uuid::new_v7(uuid::Timestamp::from_unix(NoContext, 0, 0));
            digest.update(draw.as_bytes());
        }
        Self::from_random(ChaCha12Rng::from_seed(digest.finalize().into()))
    }

    /// Gives the same ids in every run for the same seed and moments; for demo data and tests.
    pub fn seeded(seed: u64) -> Self {
        Self::from_random(ChaCha12Rng::seed_from_u64(seed))
    }

    fn from_random(random: ChaCha12Rng) -> Self {
        Self(Arc::new(Mutex::new(Sequence { random, last: 0 })))
    }

    /// Gives a new secret for a link: 256 random bits as 43 letters, digits, `-` and `_` (RFC 4648, section 5).
    pub fn secret(&self) -> String {
        let mut bytes = [0_u8; 32];
        let mut sequence = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        sequence.random.fill_bytes(&mut bytes);
        drop(sequence);
        BASE64URL_NOPAD.encode(&bytes)
    }

    /// Gives 64 random bits, for a code that people type.
    pub fn code(&self) -> u64 {
        let mut sequence = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        sequence.random.next_u64()
    }

    /// Gives a new salt for the hash of something short: 128 random bits (RFC 9106, section 3.1).
    pub fn salt(&self) -> [u8; 16] {
        let mut salt = [0; 16];
        let mut sequence = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        sequence.random.fill_bytes(&mut salt);
        drop(sequence);
        salt
    }

    /// Gives a share of 1, 0 included, for spreading repeated attempts in time.
    pub fn share(&self) -> f64 {
        let mut sequence = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let drawn = sequence.random.next_u32();
        drop(sequence);
        f64::from(drawn) / (f64::from(u32::MAX) + 1.0)
    }

    /// Gives a new id made at `now`, greater than every id this handle gave before, even when the
    /// clock stands still or steps back.
    pub fn uuid(&self, now: Timestamp) -> Uuid {
        let millis = u128::try_from(now.as_millisecond()).unwrap_or(0);
        let mut sequence = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let fresh =
            (u128::from(sequence.random.next_u64()) << 64) | u128::from(sequence.random.next_u64());
        let mut next = (millis << RANDOM_BITS) | (fresh & RANDOM_MASK);
        if next <= sequence.last {
            // A random step keeps the next id hard to guess; when the random bits run over, the
            // carry goes into the milliseconds, which keeps the order.
            next = sequence.last + 1 + (fresh & u128::from(u32::MAX));
        }
        sequence.last = next;
        drop(sequence);
        as_uuid(next)
    }
}

/// Lays out milliseconds and random bits around the version and variant bits (RFC 9562, figure 11).
fn as_uuid(number: u128) -> Uuid {
    let high = number >> 62;
    let low = number & ((1 << 62) - 1);
    let before_version = (high >> 12) << 80;
    let after_version = (high & 0xfff) << 64;
    let mut builder = Builder::from_u128(before_version | after_version | low);
    builder
        .set_variant(uuid::Variant::RFC4122)
        .set_version(uuid::Version::SortRand);
    builder.into_uuid()
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use jiff::SignedDuration;

    use super::*;

    fn noon() -> Timestamp {
        "2026-03-02T12:00:00Z".parse().expect("a valid moment")
    }

    #[test]
    fn an_id_is_a_version_7_uuid_that_tells_when_it_was_made() {
        let id = Ids::system().uuid(noon());
        assert_eq!(id.get_version_num(), 7);
        assert_eq!(id.get_variant(), uuid::Variant::RFC4122);
        let (seconds, _) = id
            .get_timestamp()
            .expect("version 7 carries a moment")
            .to_unix();
        assert_eq!(i64::try_from(seconds).expect("fits"), noon().as_second());
    }

    #[test]
    fn ids_increase_while_the_clock_stands_still_or_steps_back() {
        let ids = Ids::seeded(7);
        let mut last = ids.uuid(noon());
        for step in 0..10_000_i64 {
            let id = ids.uuid(noon() - SignedDuration::from_millis(step % 50));
            assert!(id > last, "{id} does not follow {last}");
            assert_eq!(
                (id.get_version_num(), id.get_variant()),
                (7, uuid::Variant::RFC4122)
            );
            last = id;
        }
    }

    #[test]
    fn the_order_survives_a_carry_into_the_milliseconds() {
        let full = (1_000_u128 << RANDOM_BITS) | RANDOM_MASK;
        assert!(as_uuid(full + 1) > as_uuid(full));
        assert_eq!(as_uuid(full + 1).get_version_num(), 7);
    }

    #[test]
    fn a_seed_gives_the_same_ids_again_and_another_seed_others() {
        let (one, again, other) = (Ids::seeded(7), Ids::seeded(7), Ids::seeded(8));
        for _ in 0..100 {
            let id = one.uuid(noon());
            assert_eq!(id, again.uuid(noon()));
            assert_ne!(id, other.uuid(noon()));
        }
    }

    #[test]
    fn clones_share_one_sequence_and_two_systems_do_not_meet() {
        let ids = Ids::system();
        let clone = ids.clone();
        let other = Ids::system();
        let mut seen = HashSet::new();
        for _ in 0..1_000 {
            assert!(seen.insert(ids.uuid(noon())));
            assert!(seen.insert(clone.uuid(noon())));
            assert!(seen.insert(other.uuid(noon())));
        }
    }

    #[test]
    fn a_moment_before_1970_still_gives_an_id() {
        let id = Ids::seeded(1).uuid(Timestamp::MIN);
        assert_eq!(id.get_version_num(), 7);
    }

    #[test]
    fn secrets_are_long_fit_into_links_and_do_not_repeat() {
        let ids = Ids::system();
        let mut seen = HashSet::new();
        for _ in 0..1_000 {
            let secret = ids.secret();
            assert_eq!(secret.len(), 43);
            assert!(
                secret
                    .bytes()
                    .all(|byte| byte.is_ascii_alphanumeric() || b"-_".contains(&byte)),
                "{secret}"
            );
            assert!(seen.insert(secret));
        }
    }

    #[test]
    fn shares_lie_below_one_and_differ() {
        let ids = Ids::seeded(3);
        let shares: Vec<f64> = (0..100).map(|_| ids.share()).collect();
        assert!(shares.iter().all(|share| (0.0..1.0).contains(share)));
        assert!(shares.iter().any(|share| *share < 0.2) && shares.iter().any(|share| *share > 0.8));
    }
}
