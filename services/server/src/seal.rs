//! The key that signs checkpoints of the audit chains: Ed25519 (RFC 8032), kept outside the database.

use std::fmt;
use std::fs::{File, OpenOptions};
use std::io::{Read as _, Write as _};
use std::os::unix::fs::{MetadataExt as _, OpenOptionsExt as _};
use std::path::Path;
use std::sync::Arc;

use anyhow::Context as _;
use data_encoding::HEXLOWER;
use ring::rand::SystemRandom;
use ring::signature::{ED25519, Ed25519KeyPair, KeyPair as _, UnparsedPublicKey};
use ringtrue_store::{Checkpoint, Signature};
use sha2::{Digest as _, Sha256};

use crate::config::Settings;

/// Largest key file that is read, bytes; a real one has 83 to 85.
const LARGEST_KEY: u64 = 4096;

/// Bits of a file's mode that are about its group and others.
const OTHERS_BITS: u32 = 6;

/// Bytes of a public key.
pub const PUBLIC_KEY: usize = 32;

/// A key that signs; clones are the same key.
#[derive(Clone)]
pub struct Seal(Arc<Ed25519KeyPair>);

impl fmt::Debug for Seal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Seal({}, key hidden)", self.key_id())
    }
}

/// Which key a public key is: the first 16 digits of its SHA-256.
pub fn key_id(public_key: &[u8]) -> String {
    HEXLOWER.encode(&Sha256::digest(public_key)[..8])
}

/// How a checkpoint is signed, for whoever knows some public keys.
pub fn signature(checkpoint: &Checkpoint, public_keys: &[Vec<u8>]) -> Signature {
    let names = |key: &&Vec<u8>| checkpoint.key_id == key_id(key);
    match public_keys.iter().find(names) {
        Some(key) if is_signed_by(checkpoint, key) => Signature::Known,
        Some(_) => Signature::Forged,
        None => Signature::Other,
    }
}

/// Whether a checkpoint is signed by the owner of a public key.
pub fn is_signed_by(checkpoint: &Checkpoint, public_key: &[u8]) -> bool {
    let Ok(signature) = HEXLOWER.decode(checkpoint.signature.as_bytes()) else {
        return false;
    };
    checkpoint.key_id == key_id(public_key)
        && UnparsedPublicKey::new(&ED25519, public_key)
            .verify(checkpoint.document.as_bytes(), &signature)
            .is_ok()
}

impl Seal {
    /// Makes a key and writes it to a new file that only its owner may read (PKCS #8, RFC 8410).
    ///
    /// Fails when the file exists already.
    pub fn make(file: &Path) -> anyhow::Result<Self> {
        let document = Ed25519KeyPair::generate_pkcs8(&SystemRandom::new())
            .map_err(|_| anyhow::anyhow!("this machine gives no random numbers"))?;
        let mut out = OpenOptions::new()
            .write(true)
            .create_new(true)
            .mode(0o600)
            .open(file)
            .with_context(|| format!("making the key file {}", file.display()))?;
        out.write_all(document.as_ref())?;
        out.sync_all()?;
        Self::of(document.as_ref()).context("a key that was just made can be used")
    }

    /// Reads the key that the settings name, if they name one.
    pub fn named_by(settings: &Settings) -> anyhow::Result<Option<Self>> {
        let file = settings.audit.key.as_ref();
        file.map(|file| Self::open(file.as_ref())).transpose()
    }

    /// Reads a key file; refuses one that others may read.
    pub fn open(file: &Path) -> anyhow::Result<Self> {
        let shown = file.display();
        let mut opened =
            File::open(file).with_context(|| format!("opening the key file {shown}"))?;
        let about = opened.metadata()?;
        anyhow::ensure!(
            about.mode().trailing_zeros() >= OTHERS_BITS,
            "the key file {shown} may be read by others than its owner: run chmod 600 {shown}, and make a \
             new key when somebody may have read it"
        );
        anyhow::ensure!(about.len() <= LARGEST_KEY, "{shown} is too large for a key");
        let mut document = Vec::new();
        opened.read_to_end(&mut document)?;
        Self::of(&document).with_context(|| {
            format!("{shown} is no key: make one with ringtrue-server audit-key --out FILE")
        })
    }

    fn of(document: &[u8]) -> anyhow::Result<Self> {
        let pair = Ed25519KeyPair::from_pkcs8(document)
            .map_err(|rejected| anyhow::anyhow!("not an Ed25519 key ({rejected})"))?;
        Ok(Self(Arc::new(pair)))
    }

    /// 32 bytes that follow from the key and a label, for whoever has the key and nobody else: the digest of a
    /// signature, which is always the same (RFC 8032). What is signed otherwise is JSON, so no label is ever signed.
    pub fn derived(&self, label: &str) -> [u8; 32] {
        let signature = self.0.sign(format!("ringtrue derived/{label}").as_bytes());
        Sha256::digest(signature.as_ref()).into()
    }

    /// The public key, 32 bytes.
    pub fn public_key(&self) -> &[u8] {
        self.0.public_key().as_ref()
    }

    /// Which key it is.
    pub fn key_id(&self) -> String {
        key_id(self.public_key())
    }

    /// Signs a text: which key, and the signature in hexadecimal digits.
    pub fn sign(&self, text: &str) -> (String, String) {
        (
            self.key_id(),
            HEXLOWER.encode(self.0.sign(text.as_bytes()).as_ref()),
        )
    }
}

#[cfg(test)]
mod tests;
