//! Signatures against their entries and against what they sign; signing phrases against their entries.

use super::{Fault, PAGE, Records, Verified};
use crate::Error;
use crate::audit::digest;
use crate::columns::json;
use crate::database::{Connection, query_as};
use crate::tables::sign_offs::SignOffRow;
use crate::tables::signing_phrases::{PhraseRow, name_of};

/// Adds what the audit chains vouch for, and compares each signature with the record that it signs; the records
/// must be there already.
pub(super) async fn add_records(
    connection: &mut Connection,
    records: &mut Records,
    verified: &mut Verified,
) -> Result<(), Error> {
    const SIGN_OFFS: &str = "SELECT * FROM sign_off WHERE (site_id, id) > ($1, $2)
        ORDER BY site_id, id LIMIT $3";
    const PHRASES: &str = "SELECT * FROM signing_phrase ORDER BY credential_id";
    let mut after = (String::new(), String::new());
    loop {
        let rows: Vec<SignOffRow> = query_as(SIGN_OFFS)
            .bind(&after.0)
            .bind(&after.1)
            .bind(PAGE)
            .fetch_all(&mut *connection)
            .await?;
        let Some(last) = rows.last() else { break };
        after = last.place_in_order();
        for row in rows {
            if records.get(&row.subject_name()) != Some(&row.record_digest) {
                verified.faults.push(Fault::SignsAnother {
                    subject: row.name(),
                });
            }
            records.insert(row.name(), digest(&json(&row)));
        }
    }
    let phrases: Vec<PhraseRow> = query_as(PHRASES).fetch_all(connection).await?;
    for row in phrases {
        records.insert(name_of(&row.credential_id), row.digest());
    }
    Ok(())
}
