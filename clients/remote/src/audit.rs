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

/// Whether a checkpoint's text is what its hash says and what the key signed (Ed25519, RFC 8032). A checkpoint whose
/// text the caller may not see proves nothing.
pub fn is_signed(checkpoint: &AuditCheckpoint, public_key: &[u8]) -> bool {
    let text = checkpoint.signed_json.as_bytes();
    let key = UnparsedPublicKey::new(&ED25519, public_key);
    hex(&sha256(text)) == checkpoint.hash
        && key.verify(text, &checkpoint.signature).is_ok()
        && hex(&sha256(public_key)).starts_with(&checkpoint.key_id)
        && !checkpoint.key_id.is_empty()
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
            key_id: hex(&sha256(&KEY))[..16].to_owned(),
            signature: signature.collect(),
            ..AuditCheckpoint::default()
        }
    }

    #[test]
    fn only_a_text_that_the_key_signed_is_signed() {
        assert!(is_signed(&checkpoint(), &KEY));
        for spoil in [
            |one: &mut AuditCheckpoint| one.signed_json = "s".to_owned(),
            |one: &mut AuditCheckpoint| one.hash.clear(),
            |one: &mut AuditCheckpoint| one.signature[0] ^= 1,
            |one: &mut AuditCheckpoint| one.key_id = "00".to_owned(),
        ] {
            let mut spoilt = checkpoint();
            spoil(&mut spoilt);
            assert!(!is_signed(&spoilt, &KEY), "{spoilt:?}");
        }
        assert!(!is_signed(&checkpoint(), &[]));
    }
}
