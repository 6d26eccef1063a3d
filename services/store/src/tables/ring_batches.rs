//! Ring batches and their tables.

use std::sync::Arc;

use ringtrue_calibration::ring_table::{Entry, RingTable};
use ringtrue_fleet::key::BatchId;
use ringtrue_fleet::ring_batch::{BatchDetails, BatchState, RingBatch};
use serde::{Deserialize, Serialize};

use super::agenda::look_everywhere;
use crate::cache::BatchCache;
use crate::columns::{Place, json, written};
use crate::database::{Connection, query, query_as};
use crate::{Error, Page, Read, Request, Tx};

pub(crate) const STATES: &[(BatchState, &str)] = &[
    (BatchState::Released, "released"),
    (BatchState::OnHold, "on_hold"),
    (BatchState::Withdrawn, "withdrawn"),
];

/// A row of `ring_batch`.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct BatchRow {
    pub(crate) id: String,
    code: String,
    stated_expanded_uncertainty_c: Option<f64>,
    expires_on: Option<String>,
    provenance: String,
    state: String,
    state_reason: String,
    revision: i64,
    created_at: i64,
    updated_at: i64,
}

/// A row of `ring_table`.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct TableRow {
    batch_id: String,
    hold_min: f64,
    entries: String,
}

/// A batch with its tables: its document in the audit chain.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct BatchDocument {
    pub(crate) batch: BatchRow,
    pub(crate) tables: Vec<TableRow>,
}

impl From<&RingBatch> for BatchDocument {
    fn from(batch: &RingBatch) -> Self {
        let details = &batch.details;
        Self {
            batch: BatchRow {
                id: batch.key.to_string(),
                code: details.code.clone(),
                stated_expanded_uncertainty_c: details.stated_expanded_uncertainty_c,
                expires_on: details.expires_on.map(|date| date.to_string()),
                provenance: details.provenance.clone(),
                state: written(&details.state, STATES),
                state_reason: details.state_reason.clone(),
                revision: batch.revision,
                created_at: batch.created_at.as_microsecond(),
                updated_at: batch.updated_at.as_microsecond(),
            },
            tables: details
                .tables
                .iter()
                .map(|table| table_row(&batch.key, table))
                .collect(),
        }
    }
}

fn table_row(batch: &BatchId, table: &RingTable) -> TableRow {
    let entries: Vec<[f64; 2]> = table
        .entries()
        .iter()
        .map(|e| [e.diameter_mm, e.temperature_c])
        .collect();
    TableRow {
        batch_id: batch.to_string(),
        hold_min: table.hold_min(),
        entries: json(&entries),
    }
}

impl BatchDocument {
    pub(crate) fn batch(self) -> Result<RingBatch, Error> {
        let row = self.batch;
        let place = Place {
            table: "ring_batch",
            key: &row.id,
        };
        let mut tables = Vec::with_capacity(self.tables.len());
        for table in &self.tables {
            let place = Place {
                table: "ring_table",
                key: &table.batch_id,
            };
            let entries: Vec<[f64; 2]> = place.json("entries", &table.entries)?;
            let entries = entries
                .into_iter()
                .map(|[diameter_mm, temperature_c]| Entry {
                    diameter_mm,
                    temperature_c,
                })
                .collect();
            let table = RingTable::new(table.hold_min, entries);
            tables.push(table.map_err(|_| place.corrupt("entries"))?);
        }
        Ok(RingBatch {
            key: place.id("id", BatchId::new(&row.id))?,
            details: BatchDetails {
                tables,
                stated_expanded_uncertainty_c: row.stated_expanded_uncertainty_c,
                expires_on: row
                    .expires_on
                    .as_deref()
                    .map(|date| place.date("expires_on", date))
                    .transpose()?,
                state: place.word("state", &row.state, STATES)?,
                code: row.code,
                provenance: row.provenance,
                state_reason: row.state_reason,
            },
            revision: row.revision,
            created_at: place.moment("created_at", row.created_at)?,
            updated_at: place.moment("updated_at", row.updated_at)?,
        })
    }
}

async fn tables_of(connection: &mut Connection, batch: &str) -> Result<Vec<TableRow>, Error> {
    const SQL: &str = "SELECT * FROM ring_table WHERE batch_id = $1 ORDER BY hold_min";
    Ok(query_as(SQL).bind(batch).fetch_all(connection).await?)
}

/// Gives the row's batch with its tables, parsed once per version.
async fn whole(
    connection: &mut Connection,
    cache: &BatchCache,
    row: BatchRow,
) -> Result<Arc<RingBatch>, Error> {
    let place = Place {
        table: "ring_batch",
        key: &row.id,
    };
    let id = place.id("id", BatchId::new(&row.id))?;
    let updated_at = place.moment("updated_at", row.updated_at)?;
    if let Some(known) = cache.version(&id, row.revision, updated_at) {
        return Ok(known);
    }
    let tables = tables_of(connection, &row.id).await?;
    let batch = Arc::new(BatchDocument { batch: row, tables }.batch()?);
    cache.keep(&batch);
    Ok(batch)
}

pub(crate) async fn batch(
    connection: &mut Connection,
    cache: &BatchCache,
    id: &BatchId,
) -> Result<Option<Arc<RingBatch>>, Error> {
    const SQL: &str = "SELECT * FROM ring_batch WHERE id = $1";
    let rows: Vec<BatchRow> = query_as(SQL)
        .bind(id.as_str())
        .fetch_all(&mut *connection)
        .await?;
    match rows.into_iter().next() {
        Some(row) => Ok(Some(whole(connection, cache, row).await?)),
        None => Ok(None),
    }
}

/// The given batches; `ids` is a JSON list.
pub(crate) async fn batches_of(
    connection: &mut Connection,
    cache: &BatchCache,
    ids: &str,
) -> Result<Vec<Arc<RingBatch>>, Error> {
    const SQL: &str = "SELECT b.* FROM json_each($1) AS wanted CROSS JOIN ring_batch AS b
        ON b.id = wanted.value";
    let rows: Vec<BatchRow> = query_as(SQL).bind(ids).fetch_all(&mut *connection).await?;
    let mut batches = Vec::with_capacity(rows.len());
    for row in rows {
        batches.push(whole(connection, cache, row).await?);
    }
    Ok(batches)
}

/// How many released batches a doubtful diameter is compared with.
const MOST_COMPARED: i64 = 12;

/// The released batches added last.
pub(crate) async fn released(
    connection: &mut Connection,
    cache: &BatchCache,
) -> Result<Vec<Arc<RingBatch>>, Error> {
    const SQL: &str = "SELECT * FROM ring_batch WHERE state = 'released'
        ORDER BY created_at DESC, id LIMIT $1";
    let rows: Vec<BatchRow> = query_as(SQL)
        .bind(MOST_COMPARED)
        .fetch_all(&mut *connection)
        .await?;
    let mut batches = Vec::with_capacity(rows.len());
    for row in rows {
        batches.push(whole(connection, cache, row).await?);
    }
    Ok(batches)
}

impl Read {
    /// One batch.
    pub async fn ring_batch(&self, id: &BatchId) -> Result<Option<RingBatch>, Error> {
        let mut connection = self.connection().await?;
        let found = batch(&mut connection, self.store().batches(), id).await?;
        Ok(found.map(|batch| (*batch).clone()))
    }

    /// Batches, by id.
    pub async fn ring_batches(&self, page: &Page) -> Result<Vec<RingBatch>, Error> {
        const SQL: &str = "SELECT * FROM ring_batch WHERE id > $1 ORDER BY id LIMIT $2";
        let mut connection = self.connection().await?;
        let rows: Vec<BatchRow> = query_as(SQL)
            .bind(page.text(0))
            .bind(page.limit())
            .fetch_all(&mut connection)
            .await?;
        let mut batches = Vec::with_capacity(rows.len());
        for row in rows {
            let batch = whole(&mut connection, self.store().batches(), row).await?;
            batches.push((*batch).clone());
        }
        Ok(batches)
    }
}

impl Tx {
    /// One batch.
    pub async fn ring_batch(&mut self, id: &BatchId) -> Result<Option<RingBatch>, Error> {
        let store = self.store.clone();
        let found = batch(self.connection(), store.batches(), id).await?;
        Ok(found.map(|batch| (*batch).clone()))
    }

    /// Stores a new batch with its tables. Fails with [`Error::Exists`] when its id is taken.
    pub async fn insert_ring_batch(
        &mut self,
        batch: &RingBatch,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str =
            "INSERT INTO ring_batch (id, code, stated_expanded_uncertainty_c, expires_on,
            provenance, state, state_reason, revision, created_at, updated_at)
            VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)";
        self.write_batch(SQL, batch)
            .await
            .map_err(Error::of_insert)?;
        for table in &batch.details.tables {
            self.insert_ring_table(&batch.key, table).await?;
        }
        let document = json(&BatchDocument::from(batch));
        self.happened(
            None,
            "ring_batch.create",
            batch.key.name(),
            document,
            request,
            batch.updated_at,
        )
        .await
    }

    /// Stores the next version of a batch, with `added` when a table was added; the tables it had are
    /// not touched. Fails with [`Error::Exists`] when the batch has a table for that hold.
    pub async fn update_ring_batch(
        &mut self,
        batch: &RingBatch,
        added: Option<&RingTable>,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str = "UPDATE ring_batch SET code = $2, stated_expanded_uncertainty_c = $3,
            expires_on = $4, provenance = $5, state = $6, state_reason = $7, revision = $8,
            created_at = $9, updated_at = $10 WHERE id = $1";
        self.write_batch(SQL, batch).await?;
        if let Some(table) = added {
            self.insert_ring_table(&batch.key, table).await?;
        }
        // Every site may have rings of it in stock.
        look_everywhere(self.connection()).await?;
        let document = json(&BatchDocument::from(batch));
        self.happened(
            None,
            "ring_batch.update",
            batch.key.name(),
            document,
            request,
            batch.updated_at,
        )
        .await
    }

    async fn write_batch(
        &mut self,
        sql: &'static str,
        batch: &RingBatch,
    ) -> Result<(), sqlx::Error> {
        let row = BatchDocument::from(batch).batch;
        query(sql)
            .bind(row.id)
            .bind(row.code)
            .bind(row.stated_expanded_uncertainty_c)
            .bind(row.expires_on)
            .bind(row.provenance)
            .bind(row.state)
            .bind(row.state_reason)
            .bind(row.revision)
            .bind(row.created_at)
            .bind(row.updated_at)
            .execute(self.connection())
            .await?;
        Ok(())
    }

    async fn insert_ring_table(&mut self, batch: &BatchId, table: &RingTable) -> Result<(), Error> {
        const SQL: &str =
            "INSERT INTO ring_table (batch_id, hold_min, entries) VALUES ($1, $2, $3)";
        let row = table_row(batch, table);
        query(SQL)
            .bind(row.batch_id)
            .bind(row.hold_min)
            .bind(row.entries)
            .execute(self.connection())
            .await
            .map_err(Error::of_insert)?;
        Ok(())
    }
}
