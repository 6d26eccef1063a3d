//! Proving that no chain lost its newest entries: every checkpoint against the one before, its signature, and the chains
//! as they are.

use std::collections::BTreeMap;

use super::{Fault, Verified};
use crate::Error;
use crate::audit::digest;
use crate::checkpoints::Checkpoint;
use crate::database::{Connection, query_as, query_scalar};

/// A checkpoint as it was kept elsewhere.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Kept {
    /// Its number.
    pub number: i64,
    /// Its text.
    pub document: String,
    /// The hash of its text, hexadecimal.
    pub hash: String,
    /// Which key signed it; empty for none.
    pub key_id: String,
}

impl From<&Checkpoint> for Kept {
    fn from(checkpoint: &Checkpoint) -> Self {
        Self {
            number: checkpoint.number,
            document: checkpoint.document.clone(),
            hash: checkpoint.hash.clone(),
            key_id: checkpoint.key_id.clone(),
        }
    }
}

/// How a checkpoint is signed, as whoever knows keys of this installation sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Signature {
    /// By a known key.
    Known,
    /// It names a known key, which has not signed this.
    Forged,
    /// Not at all, or by a key that is not known.
    Other,
}

/// What is known from outside the database.
#[derive(Default)]
pub struct Evidence<'e> {
    /// How a checkpoint is signed; none when nobody knows a key of this installation.
    pub signed: Option<&'e (dyn Fn(&Checkpoint) -> Signature + Send + Sync)>,
    /// Checkpoints that were kept elsewhere, in any order.
    pub kept: &'e [Kept],
}

/// How many checkpoints are looked at a time.
const PAGE: i64 = 500;

/// Up to where each chain is covered: place, hash, checkpoint.
type Covered = BTreeMap<String, (i64, String, i64)>;

/// Signatures from the first checkpoint to the last.
///
/// Each checkpoint holds the hash of the one before, so one that a known key signed vouches for all before it: they
/// may be from before there was a key, or from one that has been replaced. After it, all must be signed.
#[derive(Default)]
struct Signatures {
    is_vouched_for: bool,
    /// Checkpoints that no later one vouches for as yet.
    waiting: Vec<i64>,
}

impl Signatures {
    fn take(&mut self, number: i64, signature: Signature, verified: &mut Verified) {
        match signature {
            Signature::Known => {
                self.is_vouched_for = true;
                verified.by_other_keys += self.waiting.len() as u64;
                self.waiting.clear();
            }
            Signature::Other if !self.is_vouched_for => self.waiting.push(number),
            Signature::Other => verified.faults.push(Fault::NotSigned { number }),
            Signature::Forged => verified.faults.push(Fault::Forged { number }),
        }
    }

    /// No checkpoint is signed by a known key.
    fn end(self, verified: &mut Verified) {
        for number in self.waiting {
            verified.faults.push(Fault::NotSigned { number });
        }
    }
}

/// Checks all checkpoints, and each chain at the place that the last one saw.
pub(super) async fn check(
    connection: &mut Connection,
    evidence: &Evidence<'_>,
    verified: &mut Verified,
) -> Result<(), Error> {
    let covered = walk(connection, evidence, verified).await?;
    check_heads(connection, &covered, verified).await?;
    check_cover(connection, &covered, verified).await
}

async fn walk(
    connection: &mut Connection,
    evidence: &Evidence<'_>,
    verified: &mut Verified,
) -> Result<Covered, Error> {
    const SQL: &str = "SELECT * FROM audit_checkpoint WHERE number > $1 ORDER BY number LIMIT $2";
    let mut kept: BTreeMap<i64, &Kept> = BTreeMap::new();
    for one in evidence.kept {
        kept.insert(one.number, one);
    }
    let mut covered = Covered::new();
    let mut signatures = Signatures::default();
    let mut number = 0;
    let mut previous = String::new();
    loop {
        let page: Vec<Checkpoint> = query_as(SQL)
            .bind(number)
            .bind(PAGE)
            .fetch_all(&mut *connection)
            .await?;
        if page.is_empty() {
            break;
        }
        for checkpoint in page {
            verified.checkpoints += 1;
            let fault = |fault: fn(i64) -> Fault, verified: &mut Verified| {
                verified.faults.push(fault(checkpoint.number));
            };
            if checkpoint.number != number + 1 {
                fault(|number| Fault::CheckpointsGone { number }, verified);
            }
            number = checkpoint.number;
            let content = checkpoint.content().ok().filter(|content| {
                content.number == checkpoint.number
                    && content.at_us == checkpoint.at
                    && digest(&checkpoint.document) == checkpoint.hash
            });
            let Some(content) = content else {
                fault(|number| Fault::CheckpointAltered { number }, verified);
                previous = checkpoint.hash;
                continue;
            };
            if content.previous != previous {
                fault(|number| Fault::CheckpointsGone { number }, verified);
            }
            if checkpoint.signature.is_empty() {
                verified.unsigned += 1;
            }
            if let Some(signed) = evidence.signed {
                signatures.take(number, signed(&checkpoint), verified);
            }
            if kept
                .remove(&checkpoint.number)
                .is_some_and(|kept| *kept != Kept::from(&checkpoint))
            {
                fault(|number| Fault::CheckpointDiffers { number }, verified);
            }
            for head in content.heads {
                covered.insert(head.site_id, (head.seq, head.hash, checkpoint.number));
            }
            previous = checkpoint.hash;
        }
    }
    signatures.end(verified);
    for number in kept.into_keys() {
        verified.faults.push(Fault::CheckpointGone { number });
    }
    Ok(covered)
}

/// Each chain must still hold the entry that the last checkpoint over it saw as its last.
async fn check_heads(
    connection: &mut Connection,
    covered: &Covered,
    verified: &mut Verified,
) -> Result<(), Error> {
    const HASH: &str = "SELECT hash FROM audit WHERE site_id = $1 AND seq = $2";
    const ALL: &str = "SELECT COUNT(*) FROM audit";
    let mut covered_entries: i64 = 0;
    for (chain, (seq, hash, number)) in covered {
        let found: Vec<String> = query_scalar(HASH)
            .bind(chain)
            .bind(seq)
            .fetch_all(&mut *connection)
            .await?;
        match found.first() {
            None => verified.faults.push(Fault::TailGone {
                chain: chain.clone(),
                seq: *seq,
                number: *number,
            }),
            Some(found) if found != hash => verified.faults.push(Fault::EntryAltered {
                chain: chain.clone(),
                seq: *seq,
            }),
            Some(_) => covered_entries += seq,
        }
    }
    let all: i64 = query_scalar(ALL).fetch_one(connection).await?;
    verified.uncovered = u64::try_from(all - covered_entries).unwrap_or(0);
    Ok(())
}

/// What is kept of how far chains are covered must follow from the checkpoints.
async fn check_cover(
    connection: &mut Connection,
    covered: &Covered,
    verified: &mut Verified,
) -> Result<(), Error> {
    const SQL: &str = "SELECT site_id, seq, number FROM audit_covered ORDER BY site_id";
    let rows: Vec<(String, i64, i64)> = query_as(SQL).fetch_all(connection).await?;
    let mut kept = BTreeMap::new();
    for (chain, seq, number) in rows {
        kept.insert(chain, (seq, number));
    }
    let mut wanted = BTreeMap::new();
    for (chain, (seq, _, number)) in covered {
        wanted.insert(chain.clone(), (*seq, *number));
    }
    let chains: std::collections::BTreeSet<&String> = kept.keys().chain(wanted.keys()).collect();
    for chain in chains {
        if kept.get(chain) != wanted.get(chain) {
            verified.faults.push(Fault::CoverAltered {
                chain: chain.clone(),
            });
        }
    }
    Ok(())
}
