//! Verification on the command line: what is known from outside the database, and what is said of the outcome.

use std::fmt::Write as _;
use std::path::Path;

use anyhow::Context as _;
use data_encoding::HEXLOWER_PERMISSIVE;
use ringtrue_store::{Checkpoint, Evidence, Fault, Kept, Signature, Store, Verified};

use crate::seal::{PUBLIC_KEY, signature};

/// Reads a public key: its digits, or a file that holds them.
pub fn public_key(given: &str) -> anyhow::Result<Vec<u8>> {
    let digits = match bytes(given) {
        Some(key) if key.len() == PUBLIC_KEY => return Ok(key),
        _ => std::fs::read_to_string(given)
            .with_context(|| format!("{given} is neither 64 hexadecimal digits nor a file"))?,
    };
    let key = bytes(&digits).filter(|key| key.len() == PUBLIC_KEY);
    key.with_context(|| format!("{given} does not hold 64 hexadecimal digits"))
}

fn bytes(digits: &str) -> Option<Vec<u8>> {
    HEXLOWER_PERMISSIVE.decode(digits.trim().as_bytes()).ok()
}

/// Reads checkpoints that were kept elsewhere, one JSON object a line: as the server writes its witness file, or as
/// `ringtrue audit checkpoints` keeps them.
///
/// A last line that is not whole is passed over: the server may have been writing it.
pub fn kept_checkpoints(file: &Path) -> anyhow::Result<Vec<Kept>> {
    let text = std::fs::read_to_string(file)
        .with_context(|| format!("reading the checkpoints in {}", file.display()))?;
    let mut kept = Vec::new();
    let whole = text.rfind('\n').map_or("", |end| &text[..end]);
    for (number, line) in whole.lines().enumerate() {
        if line.trim().is_empty() {
            continue;
        }
        let checkpoint = kept_checkpoint(line).with_context(|| {
            format!("line {} of {} is no checkpoint", number + 1, file.display())
        })?;
        kept.push(checkpoint);
    }
    Ok(kept)
}

fn kept_checkpoint(line: &str) -> Option<Kept> {
    if let Ok(own) = serde_json::from_str::<Checkpoint>(line) {
        return Some(Kept::from(&own));
    }
    // Canonical JSON of `ringtrue.v1.AuditCheckpoint`, which writes 64-bit numbers as texts and leaves out what is empty.
    let listed: serde_json::Value = serde_json::from_str(line).ok()?;
    let text = |name: &str| Some(listed.get(name)?.as_str()?.to_owned());
    Some(Kept {
        number: text("number")?.parse().ok()?,
        document: text("signedJson")?,
        hash: text("hash")?,
        key_id: text("keyId").unwrap_or_default(),
    })
}

/// Verifies a database, also against what is known from outside it: the keys that this installation has had, and
/// checkpoints kept elsewhere.
pub async fn verified(
    store: &Store,
    public_keys: &[Vec<u8>],
    kept: &[Kept],
) -> Result<Verified, ringtrue_store::Error> {
    let signed = |checkpoint: &Checkpoint| signature(checkpoint, public_keys);
    let signed: &(dyn Fn(&Checkpoint) -> Signature + Send + Sync) = &signed;
    let evidence = Evidence {
        signed: (!public_keys.is_empty()).then_some(signed),
        kept,
    };
    store.verify_with(&evidence).await
}

/// Says what a verification found; `knows_key` and `has_witness` say what it was given.
pub fn words(verified: &Verified, knows_key: bool, has_witness: bool) -> String {
    let mut words = format!(
        "{} audit entries, {} readings, {} evaluations worked out again\n{} checkpoints, {} entries after the last one\n",
        verified.entries,
        verified.readings,
        verified.reproduced,
        verified.checkpoints,
        verified.uncovered
    );
    let mut say = |line: &str| writeln!(words, "{line}").expect("writing to a string cannot fail");
    if verified.of_other_versions > 0 {
        say(&format!(
            "{} evaluations were made by another version of the mathematics and were compared with their entries only",
            verified.of_other_versions
        ));
    }
    if verified.by_other_keys > 0 {
        say(&format!(
            "{} checkpoints from before the first that is signed by a key that was given: later ones vouch for them, \
             for each holds the hash of the one before.",
            verified.by_other_keys
        ));
    }
    if verified.unsigned > 0 && !knows_key {
        say(&format!(
            "{} checkpoints are not signed: whoever can write the database could make others. Make a key with \
             `ringtrue-server audit-key` and name it in audit.key; what is signed then vouches for them.",
            verified.unsigned
        ));
    } else if verified.checkpoints > 0 && !knows_key {
        say("Signatures were not checked: give --public-key.");
    }
    if verified.checkpoints > 0 && !has_witness {
        say(
            "No checkpoints kept elsewhere were given (--witness): had the newest been cut off with what they \
             cover, it would not show.",
        );
    }
    if verified.faults.is_empty() {
        say("All as recorded.");
        return words;
    }
    for fault in &verified.faults {
        say(&format!("FAULT: {fault}"));
    }
    let count = verified.faults.len();
    let only_signatures = verified
        .faults
        .iter()
        .all(|fault| matches!(fault, Fault::NotSigned { .. }));
    say(&if only_signatures {
        format!(
            "{count} faults: checkpoints that no key that was given has signed. A new key signs one within a minute after \
             the next record, and vouches for those before it. Else verify again with the other public keys that this \
             installation has had (--public-key, once for each), but with none whose private key others have seen. If a \
             fault remains: stop the server, keep this file as evidence, and restore the last good backup."
        )
    } else {
        format!(
            "{count} faults. Stop the server, keep this file as evidence, and restore the last good backup."
        )
    });
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn checkpoints_are_read_as_the_server_and_as_the_command_line_keep_them() {
        let own =
            r#"{"number":3,"at":1,"document":"{}","hash":"ab","key_id":"k","signature":"00"}"#;
        let listed = r#"{"number":"3","time":"2026-03-06T12:00:00Z","signedJson":"{}","hash":"ab","keyId":"k","signature":"AA=="}"#;
        let wanted = Kept {
            number: 3,
            document: "{}".to_owned(),
            hash: "ab".to_owned(),
            key_id: "k".to_owned(),
        };
        assert_eq!(kept_checkpoint(own), Some(wanted.clone()));
        assert_eq!(kept_checkpoint(listed), Some(wanted));
        for none in [
            "",
            "{}",
            "[]",
            "notes",
            r#"{"number":"x","signedJson":"{}","hash":""}"#,
        ] {
            assert_eq!(kept_checkpoint(none), None, "{none}");
        }
    }

    #[test]
    fn a_replaced_key_is_no_reason_to_restore_at_once() {
        let said = |faults: &[Fault]| {
            let verified = Verified {
                faults: faults.to_vec(),
                ..Verified::default()
            };
            words(&verified, true, true)
        };
        let unsigned = Fault::NotSigned { number: 1 };
        let altered = Fault::CheckpointAltered { number: 1 };
        let forged = Fault::Forged { number: 2 };
        let alone = said(std::slice::from_ref(&unsigned));
        assert!(alone.contains("the other public keys"), "{alone}");
        assert!(alone.contains("restore the last good backup"), "{alone}");
        for graver in [altered, forged] {
            let both = said(&[unsigned.clone(), graver]);
            assert!(!both.contains("the other public keys"), "{both}");
            assert!(both.contains("2 faults. Stop the server"), "{both}");
        }
    }

    #[test]
    fn a_public_key_is_read_from_its_digits_or_a_file() {
        let digits = "ab".repeat(32);
        assert_eq!(public_key(&digits).ok(), Some(vec![0xab; 32]));
        let folder = tempfile::tempdir().expect("a temporary folder can be made");
        let file = folder.path().join("audit.pub");
        std::fs::write(&file, format!("{digits}\n")).expect("it is written");
        assert_eq!(
            public_key(&file.to_string_lossy()).ok(),
            Some(vec![0xab; 32])
        );
        std::fs::write(&file, "abcd").expect("it is written");
        assert!(public_key(&file.to_string_lossy()).is_err());
        assert!(public_key("abcd").is_err());
    }
}
