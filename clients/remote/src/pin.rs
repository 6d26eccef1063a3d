//! Pins: how a person compares an authority with what was told on the telephone.
//!
//! A pin is of the authority's key and not of its certificate, so a renewed certificate of the same key keeps it.
//! The server has the same in `services/server/src/transport/pin.rs`, with the same check value.

use std::fmt;
use std::str::FromStr;

use ring::digest::{SHA256, digest};
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;
use x509_parser::prelude::{FromDer as _, X509Certificate};

/// The alphabet (Crockford's base 32): no I, L, O and U.
const ALPHABET: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";

/// Characters of a pin, of five bits each.
const CHARACTERS: usize = 16;

/// The pin of an authority: the first 80 bits of the SHA-256 of its public key, shown as `XXXX-XXXX-XXXX-XXXX`.
///
/// Read from text as a person types it: capitals or not, with or without hyphens and spaces, O for 0 and I or L
/// for 1.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Pin([u8; CHARACTERS]);

/// A text that is no pin.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "this is no pin: a pin has sixteen letters and digits, such as B9X7-HK54-M3T2-1PDW; ask for it again"
)]
pub struct BadPin;

impl Pin {
    /// The pin of a public key, its `SubjectPublicKeyInfo` in DER.
    pub fn of_key(public_key: &[u8]) -> Self {
        let digest = digest(&SHA256, public_key);
        let bytes = digest.as_ref();
        Self(std::array::from_fn(|at| {
            // Five bits, which may lie in two bytes.
            let bit = 5 * at;
            let two = u16::from_be_bytes([bytes[bit / 8], bytes[bit / 8 + 1]]);
            let five = two >> (11 - bit % 8) & 31;
            ALPHABET[usize::from(five)]
        }))
    }

    /// The pin of the first certificate of a PEM file; none when there is none in it.
    pub fn of_certificate(pem: &[u8]) -> Option<Self> {
        let certificate = CertificateDer::from_pem_slice(pem).ok()?;
        let (_, read) = X509Certificate::from_der(&certificate).ok()?;
        Some(Self::of_key(read.public_key().raw))
    }
}

impl fmt::Display for Pin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, character) in self.0.iter().enumerate() {
            if at > 0 && at % 4 == 0 {
                f.write_str("-")?;
            }
            write!(f, "{}", char::from(*character))?;
        }
        Ok(())
    }
}

impl fmt::Debug for Pin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Pin({self})")
    }
}

impl FromStr for Pin {
    type Err = BadPin;

    fn from_str(text: &str) -> Result<Self, BadPin> {
        let mut pin = [0; CHARACTERS];
        let mut length = 0;
        for sign in text.chars() {
            let sign = match sign.to_ascii_uppercase() {
                '-' | ' ' => continue,
                'O' => '0',
                'I' | 'L' => '1',
                sign => sign,
            };
            let known = ALPHABET.iter().find(|known| char::from(**known) == sign);
            let place = pin.get_mut(length).ok_or(BadPin)?;
            *place = *known.ok_or(BadPin)?;
            length += 1;
        }
        if length == CHARACTERS {
            Ok(Self(pin))
        } else {
            Err(BadPin)
        }
    }
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
        assert_eq!(Pin::of_key(&key).to_string(), PIN);
    }

    #[test]
    fn a_pin_is_read_as_people_type_it() {
        let pin: Pin = PIN.parse().expect("a pin");
        for typed in [
            "b9x7-hk54-m3t2-1pdw",
            "B9X7HK54M3T21PDW",
            " b9x7 hk54 m3t2 Lpdw ",
            "B9X7-HK54-M3T2-IPDW",
        ] {
            assert_eq!(typed.parse(), Ok(pin), "{typed}");
        }
    }

    #[test]
    fn what_is_no_pin_is_refused() {
        for typed in [
            "",
            "B9X7-HK54-M3T2-1PD",
            "B9X7-HK54-M3T2-1PDWX",
            "B9X7-HK54-M3T2-1PDU",
            "B9X7-HK54-M3T2-1PD\u{e9}",
        ] {
            assert_eq!(typed.parse::<Pin>(), Err(BadPin), "{typed}");
        }
    }
}
