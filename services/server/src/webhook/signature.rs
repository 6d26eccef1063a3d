//! Signatures of events, after the open Standard Webhooks convention, and the secrets that they are made with.
//!
//! A secret is kept nowhere: it follows from the key that signs checkpoints, the webhook's id and how often its secret
//! was rotated. Whoever has the database alone has no secret.

use std::fmt;

use data_encoding::BASE64;
use ring::hmac;
use ringtrue_fleet::key::WebhookId;

use crate::seal::Seal;

/// What begins a secret as receivers are given it.
const PREFIX: &str = "whsec_";

/// What a webhook's events are signed with.
#[derive(Clone)]
pub struct WebhookSecret([u8; 32]);

impl fmt::Debug for WebhookSecret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("WebhookSecret(***)")
    }
}

impl WebhookSecret {
    /// The secret of a webhook, by its generation.
    pub fn of(seal: &Seal, webhook: &WebhookId, generation: i64) -> Self {
        Self(seal.derived(&format!("webhook secret/{webhook}/{generation}")))
    }

    /// As its receiver is given it, once.
    pub fn shown(&self) -> String {
        format!("{PREFIX}{}", BASE64.encode(&self.0))
    }

    /// Its bytes.
    pub fn bytes(&self) -> &[u8] {
        &self.0
    }
}

/// Signs an event: `v1,` and the Base64 of HMAC-SHA256 over id, moment and body.
pub fn sign(secret: &[u8], id: &str, timestamp_s: i64, body: &[u8]) -> String {
    let key = hmac::Key::new(hmac::HMAC_SHA256, secret);
    let mut context = hmac::Context::with_key(&key);
    context.update(format!("{id}.{timestamp_s}.").as_bytes());
    context.update(body);
    format!("v1,{}", BASE64.encode(context.sign().as_ref()))
}

#[cfg(test)]
mod tests {
    use data_encoding::HEXLOWER;

    use super::*;

    fn mac(key: &[u8], data: &[u8]) -> String {
        let key = hmac::Key::new(hmac::HMAC_SHA256, key);
        HEXLOWER.encode(hmac::sign(&key, data).as_ref())
    }

    /// Source: RFC 4231, sections 4.2, 4.3, 4.4 and 4.7.
    #[test]
    fn the_mac_is_that_of_rfc_4231() {
        for (key, data, wanted) in [
            (
                vec![0x0b; 20],
                b"Hi There".to_vec(),
                "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7",
            ),
            (
                b"Jefe".to_vec(),
                b"what do ya want for nothing?".to_vec(),
                "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
            ),
            (
                vec![0xaa; 20],
                vec![0xdd; 50],
                "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe",
            ),
            (
                vec![0xaa; 131],
                b"Test Using Larger Than Block-Size Key - Hash Key First".to_vec(),
                "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
            ),
        ] {
            assert_eq!(mac(&key, &data), wanted);
        }
    }

    #[test]
    fn a_signature_is_over_id_moment_and_body() {
        let signature = sign(b"Jefe", "c1-00000001", 7, b"{}");
        let whole = hmac::sign(
            &hmac::Key::new(hmac::HMAC_SHA256, b"Jefe"),
            b"c1-00000001.7.{}",
        );
        assert_eq!(signature, format!("v1,{}", BASE64.encode(whole.as_ref())));
        assert_ne!(signature, sign(b"Jefe", "c1-00000001", 8, b"{}"));
    }

    /// Source: worked examples of the open Standard Webhooks convention, in its specification and in the tests of its
    /// reference libraries; values from memory, which the arithmetic of Python's `hmac` confirms.
    #[test]
    fn signatures_are_those_of_the_conventions_examples() {
        for (secret, id, timestamp_s, body, wanted) in [
            (
                "plJ3nmyCDGBKInavdOK15jsl",
                "msg_loFOjxBNrRLzqYUf",
                1_731_705_121,
                r#"{"event_type":"ping","data":{"success":true}}"#,
                "v1,rAvfW3dJ/X/qxhsaXPOyyCGmRKsaKWcsNccKXlIktD0=",
            ),
            (
                "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
                "msg_p5jXN8AQM9LWM0D4loKWxJek",
                1_614_265_330,
                r#"{"test": 2432232314}"#,
                "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
            ),
        ] {
            let secret = BASE64.decode(secret.as_bytes()).expect("Base64");
            assert_eq!(sign(&secret, id, timestamp_s, body.as_bytes()), wanted);
        }
    }

    #[test]
    fn secrets_differ_by_webhook_and_generation_and_are_not_printed() {
        let folder = tempfile::tempdir().expect("a folder");
        let seal = Seal::make(&folder.path().join("key")).expect("a key");
        let id = |text| WebhookId::new(text).expect("an id");
        let secret = |text, generation| WebhookSecret::of(&seal, &id(text), generation).shown();
        assert_eq!(secret("a", 1), secret("a", 1));
        assert_ne!(secret("a", 1), secret("a", 2));
        assert_ne!(secret("a", 1), secret("b", 1));
        let shown = secret("a", 1);
        assert_eq!(shown.len(), 6 + 44);
        let printed = format!("{:?}", WebhookSecret::of(&seal, &id("a"), 1));
        assert_eq!(printed, "WebhookSecret(***)");
    }
}
