//! Calls about audit: the chains of entries, and the checkpoints that prove them.

use ring::signature::{ED25519, UnparsedPublicKey};
use ringtrue_proto::v1::audit_service_client::AuditServiceClient;
use ringtrue_proto::v1::{
    AuditCheckpoint, ListAuditCheckpointsRequest, ListAuditCheckpointsResponse,
    ListAuditEntriesRequest, ListAuditEntriesResponse,
};

use crate::call::LARGEST_ANSWER_BYTES;
use crate::certificate::hex;
use crate::token::sha256;
use crate::{Outcome, Remote};

/// How a checkpoint is signed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sealed {
    /// By this key, over the text that it shows.
    Well,
    /// Not at all.
    Unsigned,
    /// By another key, so that this one says nothing about it.
    Otherwise,
    /// Its text is not what its hash says or what the key signed.
    Badly,
}

/// Which key a public key (Ed25519, 32 bytes) is: the first 16 digits of its SHA-256, hexadecimal.
pub fn key_id(public_key: &[u8]) -> String {
    let mut digits = hex(&sha256(public_key));
    digits.truncate(16);
    digits
}

/// How a checkpoint is signed (Ed25519, RFC 8032). A text that the caller may not see proves nothing.
pub fn sealed(checkpoint: &AuditCheckpoint, public_key: &[u8]) -> Sealed {
    let text = checkpoint.signed_json.as_bytes();
    if hex(&sha256(text)) != checkpoint.hash {
        return Sealed::Badly;
    }
    if checkpoint.key_id.is_empty() && checkpoint.signature.is_empty() {
        return Sealed::Unsigned;
    }
    if public_key.is_empty() || checkpoint.key_id != key_id(public_key) {
        return Sealed::Otherwise;
    }
    let key = UnparsedPublicKey::new(&ED25519, public_key);
    match key.verify(text, &checkpoint.signature) {
        Ok(()) => Sealed::Well,
        Err(_) => Sealed::Badly,
    }
}

impl Remote {
    /// Lists the entries of one chain in their order.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn audit_entries(
        &self,
        ask: ListAuditEntriesRequest,
    ) -> Outcome<ListAuditEntriesResponse> {
        self.call(ask, |channel, request| async move {
            AuditServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_audit_entries(request)
                .await
        })
        .await
    }

    /// Lists signed checkpoints.
    ///
    /// # Errors
    /// [`Failure`](crate::Failure) when it was refused, or no answer came.
    pub async fn audit_checkpoints(
        &self,
        ask: ListAuditCheckpointsRequest,
    ) -> Outcome<ListAuditCheckpointsResponse> {
        self.call(ask, |channel, request| async move {
            AuditServiceClient::new(channel)
                .max_decoding_message_size(LARGEST_ANSWER_BYTES)
                .list_audit_checkpoints(request)
                .await
        })
        .await
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 8032, section 7.1, test 2.
    const KEY: [u8; 32] = [
        0x3d, 0x40, 0x17, 0xc3, 0xe8, 0x43, 0x89, 0x5a, 0x92, 0xb7, 0x0a, 0xa7, 0x4d, 0x1b, 0x7e,
        0xbc, 0x9c, 0x98, 0x2c, 0xcf, 0x2e, 0xc4, 0x96, 0x8c, 0xc0, 0xcd, 0x55, 0xf1, 0x2a, 0xf4,
        0x66, 0x0c,
    ];
    const SIGNATURE: &str = "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da\
                             085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00";

    fn checkpoint() -> AuditCheckpoint {
        let byte = |place: usize| u8::from_str_radix(&SIGNATURE[place..place + 2], 16);
        let signature = (0..64).map(|place| byte(2 * place).expect("two digits"));
        // The published message is the one byte 0x72.
        AuditCheckpoint {
            signed_json: "r".to_owned(),
            hash: hex(&sha256(b"r")),
            key_id: key_id(&KEY),
            signature: signature.collect(),
            ..AuditCheckpoint::default()
        }
    }

    #[test]
    fn only_a_text_that_the_key_signed_is_signed() {
        assert_eq!(sealed(&checkpoint(), &KEY), Sealed::Well);
        for (spoil, expected) in [
            (
                (|one| one.signed_json = "s".to_owned()) as fn(&mut AuditCheckpoint),
                Sealed::Badly,
            ),
            (|one| one.hash.clear(), Sealed::Badly),
            (|one| one.signature[0] ^= 1, Sealed::Badly),
            (|one| one.signature.clear(), Sealed::Badly),
            (|one| one.key_id = "00".to_owned(), Sealed::Otherwise),
            (
                |one| {
                    one.key_id.clear();
                    one.signature.clear();
                },
                Sealed::Unsigned,
            ),
        ] {
            let mut spoilt = checkpoint();
            spoil(&mut spoilt);
            assert_eq!(sealed(&spoilt, &KEY), expected, "{spoilt:?}");
        }
        assert_eq!(sealed(&checkpoint(), &[]), Sealed::Otherwise);
    }
}
