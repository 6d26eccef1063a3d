//! Proving that nothing was altered: every chain, every record against its entry, every evaluation
//! against its inputs.

mod access;
mod checkpoints;
mod derived;
mod firings;
mod fits;
mod repeated;
mod requests;
mod schedules;
mod schema;
mod sign_offs;

use std::collections::{HashMap, HashSet};

use ringtrue_calibration::METHOD_VERSION;
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::key::BatchId;
use ringtrue_fleet::reading::{Method, reproduced};

use crate::audit::{AuditRow, digest};
use crate::columns::json;
use crate::database::{Connection, query_as, query_scalar};
use crate::tables::adjustments::AdjustmentRow;
use crate::tables::events::EventRow;
use crate::tables::findings::{FindingRecord, FindingRow};
use crate::tables::furnaces::FurnaceRow;
use crate::tables::gauges::{CheckRow, GaugeRow};
use crate::tables::programmes::ProgrammeRow;
use crate::tables::readings::{EvaluationRow, ReadingRow, record_digest};
use crate::tables::ring_batches::{self, BatchDocument};
use crate::tables::sites::SiteRow;
use crate::{Error, Store};

/// What a verification looked at, and what it found.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Verified {
    /// Audit entries checked.
    pub entries: u64,
    /// Readings checked.
    pub readings: u64,
    /// Production firings checked.
    pub firings: u64,
    /// Evaluations worked out again with identical result.
    pub reproduced: u64,
    /// Evaluations made by another version of the mathematics, which cannot be worked out again here.
    pub of_other_versions: u64,
    /// Checkpoints checked.
    pub checkpoints: u64,
    /// Checkpoints without a signature.
    pub unsigned: u64,
    /// Checkpoints that no known key signed, before the first that one did: its hash vouches for them.
    pub by_other_keys: u64,
    /// Entries after the last checkpoint over their chain: the only ones that could be cut off unseen.
    pub uncovered: u64,
    /// Whether the last fit is older than the last records, and so was not worked out again: the next fit takes its
    /// place.
    pub fit_is_outdated: bool,
    /// Everything that is not as it was recorded; empty when all is well.
    pub faults: Vec<Fault>,
}

/// Something that is not as it was recorded.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    /// An entry was altered.
    #[error("audit entry {seq} of chain `{chain}` was altered: its hash does not fit")]
    EntryAltered {
        /// The chain: a site's id, or empty for the network's.
        chain: String,
        /// Its place.
        seq: i64,
    },
    /// An entry is missing or out of place.
    #[error("chain `{chain}` is broken before entry {seq}: entries were removed or reordered")]
    ChainBroken {
        /// The chain.
        chain: String,
        /// The entry after the break.
        seq: i64,
    },
    /// A record differs from what its entry vouches for.
    #[error("{subject} was altered after it was recorded")]
    RecordAltered {
        /// Resource name.
        subject: String,
    },
    /// An entry's record is gone.
    #[error("{subject} was recorded but is gone")]
    RecordGone {
        /// Resource name.
        subject: String,
    },
    /// A record has no entry.
    #[error("{subject} has no audit entry: it was put in from outside")]
    RecordUnknown {
        /// Resource name.
        subject: String,
    },
    /// Changes of alerts are missing.
    #[error("changes of alerts before number {seq} were removed")]
    ChangesGone {
        /// The number of the change after the gap.
        seq: i64,
    },
    /// A signature is for other content than its record has.
    #[error("{subject} signs other content than its record has: one of them was altered")]
    SignsAnother {
        /// Resource name of the signature.
        subject: String,
    },
    /// The newest entries of a chain are missing.
    #[error(
        "the end of chain `{chain}` was cut off: checkpoint {number} saw entry {seq}, which is gone"
    )]
    TailGone {
        /// The chain.
        chain: String,
        /// The entry that was seen.
        seq: i64,
        /// The checkpoint.
        number: i64,
    },
    /// A checkpoint was altered.
    #[error("checkpoint {number} was altered: its hash does not fit")]
    CheckpointAltered {
        /// Its number.
        number: i64,
    },
    /// Checkpoints are missing.
    #[error("checkpoints before number {number} were removed or put in")]
    CheckpointsGone {
        /// The checkpoint after the break.
        number: i64,
    },
    /// A checkpoint that was kept elsewhere is missing.
    #[error("checkpoint {number}, which was kept elsewhere, is gone from the database")]
    CheckpointGone {
        /// Its number.
        number: i64,
    },
    /// A checkpoint is another one than that kept elsewhere.
    #[error("checkpoint {number} differs from the one kept elsewhere")]
    CheckpointDiffers {
        /// Its number.
        number: i64,
    },
    /// A checkpoint is not signed by a known key, nor does a later one that is vouch for it.
    #[error(
        "checkpoint {number} is not signed by a key that was given: if the installation has had another one, name it \
         with --public-key as well"
    )]
    NotSigned {
        /// Its number.
        number: i64,
    },
    /// A checkpoint names a known key, which has not signed it.
    #[error("checkpoint {number} names a key that was given, and is not signed by it")]
    Forged {
        /// Its number.
        number: i64,
    },
    /// What is kept of how far a chain is covered does not follow from the checkpoints.
    #[error("how far chain `{chain}` is covered does not follow from the checkpoints")]
    CoverAltered {
        /// The chain.
        chain: String,
    },
    /// What is derived does not follow from the records.
    #[error("{what} does not follow from the records; `rebuild` works it out again")]
    NotDerived {
        /// What, in words.
        what: String,
    },
    /// The database has another shape than this program makes.
    #[error("{what} is not as this program makes it: the database's shape was altered")]
    SchemaAltered {
        /// Which table, index, trigger or view.
        what: String,
    },
    /// The answer kept for repeats of a request is not the one that its entry vouches for.
    #[error("the answer kept for request {id} was altered")]
    AnswerAltered {
        /// The request.
        id: String,
    },
    /// An evaluation cannot be worked out again with the same result.
    #[error("the evaluation of {subject} does not follow from its inputs")]
    NotReproduced {
        /// Resource name.
        subject: String,
    },
}

pub use checkpoints::{Evidence, Kept, Signature};

/// Digest of every record and current version, by resource name.
type Records = HashMap<String, String>;

impl Store {
    /// Checks everything that the database proves by itself. Reads one snapshot; writing may go on meanwhile.
    pub async fn verify(&self) -> Result<Verified, Error> {
        self.verify_with(&Evidence::default()).await
    }

    /// Checks everything, also against what is known from outside the database.
    pub async fn verify_with(&self, evidence: &Evidence<'_>) -> Result<Verified, Error> {
        let mut tx = self.snapshot(&Scope::for_work("verify"), None).await?;
        let mut verified = Verified::default();
        let mut fired = repeated::Fired::new();
        let mut records = self.records(&mut tx, &mut fired, &mut verified).await?;
        schedules::add_records(&mut tx, &mut records).await?;
        firings::add_records(&mut tx, &mut records, &mut verified).await?;
        access::add_records(&mut tx, &mut records).await?;
        sign_offs::add_records(&mut tx, &mut records, &mut verified).await?;
        schedules::check_alerts(&mut tx, &mut records, &mut verified).await?;
        check_amendments(&mut tx, &mut verified).await?;
        check_chains(&mut tx, &mut records, &mut verified).await?;
        schema::check(self, &mut tx, &mut verified).await?;
        checkpoints::check(&mut tx, evidence, &mut verified).await?;
        let mut unknown: Vec<String> = records.into_keys().collect();
        unknown.sort_unstable();
        for subject in unknown {
            verified.faults.push(Fault::RecordUnknown { subject });
        }
        // What is derived follows from good records only.
        if verified.faults.is_empty() {
            requests::check(&mut tx, &mut verified).await?;
            repeated::check(&mut tx, fired, &mut verified).await?;
            derived::check(&mut tx, &mut verified).await?;
        }
        tx.finish().await?;
        Ok(verified)
    }

    async fn records(
        &self,
        connection: &mut Connection,
        fired: &mut repeated::Fired,
        verified: &mut Verified,
    ) -> Result<Records, Error> {
        let mut records = Records::new();
        let mut keep = |subject: String, document: String| {
            records.insert(subject, digest(&document));
        };
        let rows: Vec<SiteRow> = query_as("SELECT * FROM site")
            .fetch_all(&mut *connection)
            .await?;
        for row in rows {
            keep(format!("sites/{}", row.id), json(&row));
        }
        let rows: Vec<FurnaceRow> = query_as("SELECT * FROM furnace")
            .fetch_all(&mut *connection)
            .await?;
        for row in rows {
            let document = json(&row);
            keep(row.furnace()?.key.name(), document);
        }
        let rows: Vec<ProgrammeRow> = query_as("SELECT * FROM programme")
            .fetch_all(&mut *connection)
            .await?;
        for row in rows {
            let document = json(&row);
            keep(row.programme()?.key.name(), document);
        }
        let rows: Vec<GaugeRow> = query_as("SELECT * FROM gauge")
            .fetch_all(&mut *connection)
            .await?;
        for row in rows {
            let document = json(&row);
            keep(row.gauge()?.key.name(), document);
        }
        let rows: Vec<CheckRow> = query_as("SELECT * FROM gauge_check")
            .fetch_all(&mut *connection)
            .await?;
        for row in rows {
            keep(row.name(), json(&row));
        }
        let rows: Vec<EventRow> = query_as("SELECT * FROM furnace_event")
            .fetch_all(&mut *connection)
            .await?;
        for row in rows {
            keep(row.name(), json(&row));
        }
        let rows: Vec<FindingRow> = query_as("SELECT * FROM finding")
            .fetch_all(&mut *connection)
            .await?;
        for row in rows {
            keep(row.name(), json(&FindingRecord::from(&row)));
        }
        let rows: Vec<AdjustmentRow> = query_as("SELECT * FROM adjustment")
            .fetch_all(&mut *connection)
            .await?;
        for row in rows {
            keep(row.name(), json(&row));
        }
        let ids: Vec<String> = query_scalar("SELECT id FROM ring_batch")
            .fetch_all(&mut *connection)
            .await?;
        let batches = ring_batches::batches_of(connection, self.batches(), &json(&ids)).await?;
        for batch in &batches {
            keep(batch.key.name(), json(&BatchDocument::from(batch.as_ref())));
        }
        let tables = |id: &BatchId| {
            batches
                .iter()
                .find(|batch| &batch.key == id)
                .map(|batch| batch.details.tables.as_slice())
        };
        let mut after = (String::new(), String::new(), i64::MIN, String::new());
        loop {
            let page = reading_page(connection, &after).await?;
            let Some(last) = page.last() else { break };
            after = (
                last.reading.site_id.clone(),
                last.reading.furnace_id.clone(),
                last.reading.fired_at,
                last.reading.id.clone(),
            );
            for row in page {
                verified.readings += 1;
                let subject = row.reading.name();
                let digest = record_digest(&row.reading, &row.evaluation);
                records.insert(subject.clone(), digest);
                repeated::note_rings(&row.reading, fired);
                check_evaluation(row, subject, &tables, verified);
            }
        }
        Ok(records)
    }
}

/// A reading with its evaluation.
#[derive(sqlx::FromRow)]
struct WholeRow {
    #[sqlx(flatten)]
    reading: ReadingRow,
    #[sqlx(flatten)]
    evaluation: EvaluationRow,
}

/// How many readings are looked at a time, so that memory stays small however many there are.
const PAGE: i64 = 500;

async fn reading_page(
    connection: &mut Connection,
    after: &(String, String, i64, String),
) -> Result<Vec<WholeRow>, Error> {
    const SQL: &str = "SELECT r.*, e.reading_id, e.method_version, e.counts, e.observed_offset_c,
            e.independent_c, e.shared_c, e.mean_mm, e.removed_c, e.effects, e.innovation_z, e.innovation_sd_c, e.gain,
            e.advised_setpoint_c, e.next_due_on, e.inputs, e.result, e.advice, e.conformance
        FROM reading AS r
        JOIN evaluation AS e ON e.site_id = r.site_id AND e.furnace_id = r.furnace_id
            AND e.fired_at = r.fired_at AND e.reading_id = r.id
        WHERE (r.site_id, r.furnace_id, r.fired_at, r.id) > ($1, $2, $3, $4)
        ORDER BY r.site_id, r.furnace_id, r.fired_at, r.id LIMIT $5";
    Ok(query_as(SQL)
        .bind(&after.0)
        .bind(&after.1)
        .bind(after.2)
        .bind(&after.3)
        .bind(PAGE)
        .fetch_all(connection)
        .await?)
}

/// Works an evaluation out again and compares the numbers that matter, bit for bit.
fn check_evaluation<'t>(
    row: WholeRow,
    subject: String,
    tables: &impl Fn(&BatchId) -> Option<&'t [ringtrue_calibration::ring_table::RingTable]>,
    verified: &mut Verified,
) {
    let evaluated = row.evaluation.evaluated().ok();
    if let Some(evaluated) = &evaluated
        && !row.evaluation.repeats(&evaluated.evaluation)
    {
        verified.faults.push(Fault::RecordAltered {
            subject: subject.clone(),
        });
    }
    if row.evaluation.method_version != METHOD_VERSION {
        verified.of_other_versions += 1;
        return;
    }
    let outcome = (|| {
        let evaluated = evaluated?;
        let reading = row.reading.reading().ok()?;
        let tables = match &reading.report.method {
            Method::Rings(measured) => tables(&measured.batch)?,
            Method::Thermocouple(_) => &[],
        };
        let again = reproduced(&evaluated.inputs, &reading.report.method, tables).ok()?;
        let same = again.decision == evaluated.evaluation.decision
            && again.budget == evaluated.evaluation.budget
            && again.state == evaluated.evaluation.state
            && again.rings == evaluated.evaluation.rings
            && again.ring_temperature_c.to_bits()
                == evaluated.evaluation.ring_temperature_c.to_bits();
        same.then_some(())
    })();
    match outcome {
        Some(()) => verified.reproduced += 1,
        None => verified.faults.push(Fault::NotReproduced { subject }),
    }
}

/// Compares which reading took the place of which with what the readings themselves say: a forged
/// amendment would hide a reading, a missing one would let a corrected reading count again.
async fn check_amendments(
    connection: &mut Connection,
    verified: &mut Verified,
) -> Result<(), Error> {
    const SQL: &str = "SELECT a.site_id, a.furnace_id, a.reading_id FROM amendment AS a
        WHERE NOT EXISTS (SELECT 1 FROM reading AS r WHERE r.site_id = a.site_id
            AND r.furnace_id = a.furnace_id AND r.id = a.amended_by AND r.amends = a.reading_id)
        UNION
        SELECT r.site_id, r.furnace_id, r.amends FROM reading AS r
        WHERE r.amends IS NOT NULL AND NOT EXISTS (SELECT 1 FROM amendment AS a
            WHERE a.site_id = r.site_id AND a.furnace_id = r.furnace_id
            AND a.reading_id = r.amends AND a.amended_by = r.id)
        ORDER BY 1, 2, 3";
    let rows: Vec<(String, String, String)> = query_as(SQL).fetch_all(connection).await?;
    for (site, furnace, reading) in rows {
        let subject = format!("sites/{site}/furnaces/{furnace}/readings/{reading}");
        verified.faults.push(Fault::RecordAltered { subject });
    }
    Ok(())
}

async fn check_chains(
    connection: &mut Connection,
    records: &mut Records,
    verified: &mut Verified,
) -> Result<(), Error> {
    const SQL: &str = "SELECT * FROM audit WHERE (site_id, seq) > ($1, $2)
        ORDER BY site_id, seq LIMIT $3";
    let mut chain = String::new();
    let mut seq = 0;
    let mut previous = String::new();
    // The last entry about a resource vouches for its present state.
    let mut vouched: HashMap<String, String> = HashMap::new();
    loop {
        let page: Vec<AuditRow> = query_as(SQL)
            .bind(&chain)
            .bind(seq)
            .bind(PAGE)
            .fetch_all(&mut *connection)
            .await?;
        if page.is_empty() {
            break;
        }
        for entry in page {
            verified.entries += 1;
            if entry.site_id != chain {
                chain.clone_from(&entry.site_id);
                seq = 0;
                previous.clear();
            }
            if entry.seq != seq + 1 || entry.previous != previous {
                verified.faults.push(Fault::ChainBroken {
                    chain: chain.clone(),
                    seq: entry.seq,
                });
            }
            let document_fits = entry
                .document
                .as_deref()
                .is_none_or(|document| digest(document) == entry.digest);
            if entry.computed_hash() != entry.hash || !document_fits {
                verified.faults.push(Fault::EntryAltered {
                    chain: chain.clone(),
                    seq: entry.seq,
                });
            }
            seq = entry.seq;
            previous = entry.hash;
            vouched.insert(entry.subject, entry.digest);
        }
    }
    let mut subjects: Vec<&String> = vouched.keys().collect();
    subjects.sort_unstable();
    let mut seen: HashSet<&String> = HashSet::new();
    for subject in subjects {
        match records.get(subject) {
            None => verified.faults.push(Fault::RecordGone {
                subject: subject.clone(),
            }),
            Some(digest) if Some(digest) != vouched.get(subject) => {
                verified.faults.push(Fault::RecordAltered {
                    subject: subject.clone(),
                });
            }
            Some(_) => {}
        }
        seen.insert(subject);
    }
    records.retain(|subject, _| !seen.contains(subject));
    Ok(())
}
