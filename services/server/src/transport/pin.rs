//! Pins: how a person compares an authority with what was told on the telephone.
//!
//! A pin is of the authority's key and not of its certificate, so a renewed certificate of the same key keeps it.
//! The client has the same in `clients/remote/src/pin.rs`, with the same check value.

use sha2::{Digest as _, Sha256};

/// The alphabet (Crockford's base 32): no I, L, O and U.
const ALPHABET: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";

/// How many bits of the digest a pin has: sixteen characters of five bits.
const BITS: usize = 80;

/// Gives the pin of a public key, its `SubjectPublicKeyInfo` in DER: the first 80 bits of its SHA-256, as
/// `XXXX-XXXX-XXXX-XXXX`.
pub fn of_key(public_key: &[u8]) -> String {
    let digest = Sha256::digest(public_key);
    let mut pin = String::with_capacity(BITS / 5 + 3);
    for (index, five) in digest[..BITS / 8].chunks(5).enumerate() {
        // Five bytes are eight characters.
        let bits = five
            .iter()
            .fold(0_u64, |bits, byte| bits << 8 | u64::from(*byte));
        for place in (0..8).rev() {
            let digit = usize::try_from(bits >> (5 * place) & 31).unwrap_or_default();
            pin.push(char::from(ALPHABET[digit]));
            if place == 4 || (place == 0 && index == 0) {
                pin.push('-');
            }
        }
    }
    pin
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The public key of RFC 6979, A.2.5 (P-256, SHA-256), in the frame of RFC 5480, section 2.
    const KEY: &str = "3059301306072a8648ce3d020106082a8648ce3d03010703420004\
        60fed4ba255a9d31c961eb74c6356d68c049b8923b61fa6ce669622e60f29fb6\
        7903fe1008b8bc99a41ae9e95628bc64f2f1b20c2d7e9f5177a3c294d4462299";

    /// Its pin, worked out with Python's hashlib and base64 (RFC 4648 letters exchanged for Crockford's).
    const PIN: &str = "B9X7-HK54-M3T2-1PDW";

    #[test]
    fn the_pin_of_a_published_key_is_that_of_another_program() {
        let key: Vec<u8> = (0..KEY.len())
            .step_by(2)
            .map(|at| u8::from_str_radix(&KEY[at..at + 2], 16).expect("hexadecimal digits"))
            .collect();
        assert_eq!(of_key(&key), PIN);
    }
}
