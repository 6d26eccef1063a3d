//! Credentials, enrolments and groups of sites against their entries.

use super::Records;
use crate::Error;
use crate::audit::digest;
use crate::columns::json;
use crate::database::{Connection, query_as};
use crate::tables::credentials::CredentialRow;
use crate::tables::enrolments::{EnrolmentRecord, EnrolmentRow};
use crate::tables::site_groups::SiteGroupRow;

/// Adds what the audit chains vouch for.
pub(super) async fn add_records(
    connection: &mut Connection,
    records: &mut Records,
) -> Result<(), Error> {
    let rows: Vec<CredentialRow> = query_as("SELECT * FROM credential")
        .fetch_all(&mut *connection)
        .await?;
    for row in rows {
        records.insert(row.name(), digest(&json(&row)));
    }
    let rows: Vec<EnrolmentRow> = query_as("SELECT * FROM enrolment")
        .fetch_all(&mut *connection)
        .await?;
    for row in rows {
        let record = EnrolmentRecord::from(&row);
        records.insert(record.name(), digest(&json(&record)));
    }
    let rows: Vec<SiteGroupRow> = query_as("SELECT * FROM site_group")
        .fetch_all(&mut *connection)
        .await?;
    for row in rows {
        records.insert(row.name(), digest(&json(&row)));
    }
    Ok(())
}
