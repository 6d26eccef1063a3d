//! Dice that fall the same way for the same seed and the same words, in every run and after every restart.

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use ringtrue_server::app::Request;
use uuid::Uuid;

/// Dice of one person or thing.
pub(crate) struct Draw(ChaCha8Rng);

impl Draw {
    /// Dice for what the words name.
    pub(crate) fn of(seed: u64, words: &str) -> Self {
        let [low, _] = halves(number(words));
        Self(ChaCha8Rng::seed_from_u64(seed ^ low))
    }

    /// Happens so often, 0 to 1.
    pub(crate) fn chance(&mut self, share: f64) -> bool {
        self.0.random_bool(share)
    }

    /// A whole number, both ends included.
    pub(crate) fn between(&mut self, least: i64, most: i64) -> i64 {
        self.0.random_range(least..=most)
    }

    /// One of these.
    pub(crate) fn one<T: Clone>(&mut self, all: &[T]) -> T {
        let at = self.0.random_range(0..all.len());
        all.get(at)
            .cloned()
            .expect("the number lies within the list")
    }

    /// About normal, from twelve even throws.
    pub(crate) fn normal(&mut self, standard_deviation: f64) -> f64 {
        let sum: f64 = (0..12).map(|_| self.0.random_range(0.0..1.0)).sum();
        (sum - 6.0) * standard_deviation
    }
}

/// The request id of a deed: repeated after a kill it is the same, and nothing is done twice.
pub(crate) fn request(words: &str) -> Request {
    let number = number(words);
    let mut digest = [0; 32];
    digest[..16].copy_from_slice(&number.to_be_bytes());
    Request {
        id: Some(Uuid::from_u128(number)),
        method: "year",
        digest,
    }
}

/// FNV-1a, 128 bits.
fn number(words: &str) -> u128 {
    const PRIME: u128 = 0x0000_0000_0100_0000_0000_0000_0000_013b;
    const BASIS: u128 = 0x6c62_272e_07bb_0142_62b8_2175_6295_c58d;
    words.bytes().fold(BASIS, |hash, byte| {
        (hash ^ u128::from(byte)).wrapping_mul(PRIME)
    })
}

fn halves(number: u128) -> [u64; 2] {
    let bytes = number.to_be_bytes();
    let half = |at: usize| {
        bytes[at..at + 8]
            .iter()
            .fold(0, |sum: u64, byte| (sum << 8) | u64::from(*byte))
    };
    [half(8), half(0)]
}
