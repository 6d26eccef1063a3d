//! Calls about ring batches and their tables.

use ringtrue_calibration::ring_table::csv::{LARGEST_BYTES, parse};
use ringtrue_calibration::ring_table::{Entry, RingTable, TableFault, TableFaults};
use ringtrue_fleet::key::BatchId;
use ringtrue_fleet::ring_batch::{BatchDetails, BatchState, MAX_TABLES, RingBatch};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_proto::v1::add_ring_table_request::Source;
use ringtrue_proto::v1::ring_batch_service_server::RingBatchService;
use ringtrue_store::PagePart;
use tonic::{Request, Response, Status};

use super::access::{Method, method};
use super::caller::Asking;
use super::fields::{calendar_date, choice, chosen_id, date, found, name, settled, timestamp};
use super::page::{Order, Paging};
use super::request::repeatable;
use super::status::answer;
use crate::app::{self, App, Error};

const CREATE: Method = method("/ringtrue.v1.RingBatchService/CreateRingBatch");
const GET: Method = method("/ringtrue.v1.RingBatchService/GetRingBatch");
const LIST: Method = method("/ringtrue.v1.RingBatchService/ListRingBatches");
const ADD_TABLE: Method = method("/ringtrue.v1.RingBatchService/AddRingTable");
const SET_STATE: Method = method("/ringtrue.v1.RingBatchService/SetRingBatchState");

/// Kind of resource, for faults.
const KIND: &str = "ringtrue.v1/RingBatch";

/// Most characters of the reason for a state.
const MOST_REASON: usize = 500;

/// Answers calls about ring batches.
#[derive(Clone)]
pub(crate) struct RingBatches(pub(crate) App);

#[tonic::async_trait]
impl RingBatchService for RingBatches {
    async fn create_ring_batch(
        &self,
        request: Request<v1::CreateRingBatchRequest>,
    ) -> Result<Response<v1::CreateRingBatchResponse>, Status> {
        answer(create(&self.0, request).await)
    }

    async fn get_ring_batch(
        &self,
        request: Request<v1::GetRingBatchRequest>,
    ) -> Result<Response<v1::GetRingBatchResponse>, Status> {
        answer(get(&self.0, request).await)
    }

    async fn list_ring_batches(
        &self,
        request: Request<v1::ListRingBatchesRequest>,
    ) -> Result<Response<v1::ListRingBatchesResponse>, Status> {
        answer(list(&self.0, request).await)
    }

    async fn add_ring_table(
        &self,
        request: Request<v1::AddRingTableRequest>,
    ) -> Result<Response<v1::AddRingTableResponse>, Status> {
        answer(add_table(&self.0, request).await)
    }

    async fn set_ring_batch_state(
        &self,
        request: Request<v1::SetRingBatchStateRequest>,
    ) -> Result<Response<v1::SetRingBatchStateResponse>, Status> {
        answer(set_state(&self.0, request).await)
    }
}

async fn create(
    app: &App,
    request: Request<v1::CreateRingBatchRequest>,
) -> Result<v1::CreateRingBatchResponse, Error> {
    let asking = Asking::of(CREATE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(CREATE, &request_id, &asked, &mut violations);
    let id = chosen_id(
        "ring_batch_id",
        &asked.ring_batch_id,
        BatchId::new,
        &mut violations,
    );
    let given = asked.ring_batch.unwrap_or_default();
    let details = details(given, &asked.table_files, &mut violations);
    let details = settled(Some(details), violations)?;
    let preview = asked.validate_only;
    let batch = app::create_ring_batch(app, &asking.caller, details, id, preview, &repeat).await?;
    let mut batch = message(&batch);
    if preview {
        batch.etag.clear();
        batch.create_time = None;
        batch.update_time = None;
    }
    Ok(v1::CreateRingBatchResponse {
        ring_batch: Some(batch),
    })
}

async fn get(
    app: &App,
    request: Request<v1::GetRingBatchRequest>,
) -> Result<v1::GetRingBatchResponse, Error> {
    let asking = Asking::of(GET, &request)?;
    let mut violations = Violations::default();
    let batch = name(
        "name",
        &request.get_ref().name,
        BatchId::parse,
        &mut violations,
    );
    let batch = settled(batch, violations)?;
    let read = app.store.read(&asking.network()?);
    let batch = found(read.ring_batch(&batch).await?, KIND, batch.name())?;
    Ok(v1::GetRingBatchResponse {
        ring_batch: Some(message(&batch)),
    })
}

async fn list(
    app: &App,
    request: Request<v1::ListRingBatchesRequest>,
) -> Result<v1::ListRingBatchesResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let paging = Paging::read(
        LIST,
        &[],
        Order::Id,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let paging = settled(Some(paging), violations)?;
    let read = app.store.read(&asking.network()?);
    let rows = read.ring_batches(&paging.page).await?;
    let key = |batch: &RingBatch| vec![PagePart::Text(batch.key.to_string())];
    let (ring_batches, next_page_token) = paging.cut(&rows, key, message_without_entries);
    Ok(v1::ListRingBatchesResponse {
        ring_batches,
        next_page_token,
    })
}

async fn add_table(
    app: &App,
    request: Request<v1::AddRingTableRequest>,
) -> Result<v1::AddRingTableResponse, Error> {
    let asking = Asking::of(ADD_TABLE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(ADD_TABLE, &request_id, &asked, &mut violations);
    let batch = name("name", &asked.name, BatchId::parse, &mut violations);
    let table = match &asked.source {
        Some(Source::Table(given)) => table("table", given, &mut violations),
        Some(Source::TableFile(given)) => table_of_file("table_file", given, &mut violations),
        None => {
            violations.add(
                "table",
                "REQUIRED",
                "is missing; send the table as numbers, or its file as `table_file`",
            );
            None
        }
    };
    let (batch, table) = settled(batch.zip(table), violations)?;
    let batch = app::add_ring_table(app, &asking.caller, &batch, table, &repeat).await?;
    Ok(v1::AddRingTableResponse {
        ring_batch: Some(message(&batch)),
    })
}

async fn set_state(
    app: &App,
    request: Request<v1::SetRingBatchStateRequest>,
) -> Result<v1::SetRingBatchStateResponse, Error> {
    let asking = Asking::of(SET_STATE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(SET_STATE, &request_id, &asked, &mut violations);
    let batch = name("name", &asked.name, BatchId::parse, &mut violations);
    let state = match choice("state", asked.state, &mut violations) {
        Some(v1::RingBatchState::Unspecified) => {
            violations.add(
                "state",
                "REQUIRED",
                "is missing; send the state the batch is to have",
            );
            None
        }
        Some(v1::RingBatchState::Released) => Some(BatchState::Released),
        Some(v1::RingBatchState::OnHold) => Some(BatchState::OnHold),
        Some(v1::RingBatchState::Withdrawn) => Some(BatchState::Withdrawn),
        None => None,
    };
    let reason = asked.reason.trim();
    let least = usize::from(matches!(
        state,
        Some(BatchState::OnHold | BatchState::Withdrawn)
    ));
    violations.text("reason", reason, least, MOST_REASON);
    let (batch, state) = settled(batch.zip(state), violations)?;
    let reason = reason.to_owned();
    let batch =
        app::set_ring_batch_state(app, &asking.caller, &batch, state, reason, &repeat).await?;
    Ok(v1::SetRingBatchStateResponse {
        ring_batch: Some(message(&batch)),
    })
}

/// Reads and checks a batch's content, with its tables by rising hold.
///
/// The checks run here, before the tables are put in order, so that each fault names the table by
/// its place in the request.
fn details(
    given: v1::RingBatch,
    files: &[v1::RingTableFile],
    violations: &mut Violations,
) -> BatchDetails {
    let expires_on = date("ring_batch.expiry_date", given.expiry_date, violations);
    let state = match choice("ring_batch.state", given.state, violations) {
        None | Some(v1::RingBatchState::Unspecified | v1::RingBatchState::Released) => {
            BatchState::Released
        }
        Some(v1::RingBatchState::OnHold) => BatchState::OnHold,
        Some(v1::RingBatchState::Withdrawn) => BatchState::Withdrawn,
    };
    let before = violations.0.len();
    let tables = tables(&given.tables, files, violations);
    let tables_refused = violations.0.len() > before;
    let mut details = BatchDetails {
        code: given.code,
        tables,
        stated_expanded_uncertainty_c: given.stated_expanded_uncertainty_c,
        expires_on,
        provenance: given.provenance,
        state,
        state_reason: String::new(),
    };
    let mut more = Violations::default();
    details.check("ring_batch", &mut more);
    for mut violation in more.0 {
        let rest = violation
            .field
            .strip_prefix("ring_batch.tables")
            .map(str::to_owned);
        match rest {
            // Of tables that could not be read, count and holds mean nothing.
            Some(_) if tables_refused => continue,
            Some(rest) if !files.is_empty() => violation.field = format!("table_files{rest}"),
            _ => {}
        }
        violations.0.push(violation);
    }
    details
        .tables
        .sort_by(|one, other| one.hold_min().total_cmp(&other.hold_min()));
    details
}

fn tables(
    given: &[v1::RingTable],
    files: &[v1::RingTableFile],
    violations: &mut Violations,
) -> Vec<RingTable> {
    if !given.is_empty() && !files.is_empty() {
        violations.add(
            "table_files",
            "GIVEN_TWICE",
            "are given beside ring_batch.tables; send the tables in one of the two ways",
        );
        return Vec::new();
    }
    for (field, count) in [
        ("ring_batch.tables", given.len()),
        ("table_files", files.len()),
    ] {
        if count > MAX_TABLES {
            violations.add(
                field,
                "WRONG_COUNT",
                format!("has {count} tables; send 1 to {MAX_TABLES}, one per hold time"),
            );
            return Vec::new();
        }
    }
    let mut tables = Vec::with_capacity(given.len() + files.len());
    for (at, given) in given.iter().enumerate() {
        tables.extend(table(
            &format!("ring_batch.tables[{at}]"),
            given,
            violations,
        ));
    }
    for (at, file) in files.iter().enumerate() {
        tables.extend(table_of_file(
            &format!("table_files[{at}]"),
            file,
            violations,
        ));
    }
    tables
}

/// Reads a table of numbers; `path` is the request field that holds it.
fn table(path: &str, given: &v1::RingTable, violations: &mut Violations) -> Option<RingTable> {
    let mut entries = Vec::with_capacity(given.entries.len());
    for entry in &given.entries {
        entries.push(Entry {
            diameter_mm: entry.diameter_mm,
            temperature_c: entry.temperature_c,
        });
    }
    match RingTable::new(given.hold_min, entries) {
        Ok(table) => Some(table),
        Err(TableFaults(faults)) => {
            for fault in faults {
                let field = match (&fault, fault.row()) {
                    (TableFault::HoldOutOfRange { .. }, _) => format!("{path}.hold_min"),
                    (_, Some(row)) => format!("{path}.entries[{}]", row.saturating_sub(1)),
                    (_, None) => format!("{path}.entries"),
                };
                violations.add(field, fault.reason(), fault.to_string());
            }
            None
        }
    }
}

/// Reads a table from the text of a file; `path` is the request field that holds the file.
fn table_of_file(
    path: &str,
    file: &v1::RingTableFile,
    violations: &mut Violations,
) -> Option<RingTable> {
    if file.content.len() > LARGEST_BYTES {
        let fault = TableFault::TooLarge {
            bytes: file.content.len(),
        };
        violations.add(format!("{path}.content"), fault.reason(), fault.to_string());
        return None;
    }
    match parse(&file.content, file.hold_min) {
        Ok(table) => Some(table),
        Err(TableFaults(faults)) => {
            for fault in faults {
                let field = match &fault {
                    TableFault::HoldOutOfRange { .. } => format!("{path}.hold_min"),
                    _ => format!("{path}.content"),
                };
                violations.add(field, fault.reason(), fault.to_string());
            }
            None
        }
    }
}

fn message(batch: &RingBatch) -> v1::RingBatch {
    let mut message = message_without_entries(batch);
    for (shown, table) in message.tables.iter_mut().zip(&batch.details.tables) {
        for entry in table.entries() {
            shown.entries.push(v1::RingTableEntry {
                diameter_mm: entry.diameter_mm,
                temperature_c: entry.temperature_c,
            });
        }
    }
    message
}

fn message_without_entries(batch: &RingBatch) -> v1::RingBatch {
    let details = &batch.details;
    let mut tables = Vec::with_capacity(details.tables.len());
    for table in &details.tables {
        let (smallest_diameter_mm, largest_diameter_mm) = table.diameter_range_mm();
        let (lowest_temperature_c, highest_temperature_c) = table.temperature_range_c();
        tables.push(v1::RingTable {
            hold_min: table.hold_min(),
            entries: Vec::new(),
            smallest_diameter_mm,
            largest_diameter_mm,
            lowest_temperature_c,
            highest_temperature_c,
            step_mm: table.median_step_mm(),
        });
    }
    let state = match details.state {
        BatchState::Released => v1::RingBatchState::Released,
        BatchState::OnHold => v1::RingBatchState::OnHold,
        BatchState::Withdrawn => v1::RingBatchState::Withdrawn,
    };
    v1::RingBatch {
        name: batch.key.name(),
        code: details.code.clone(),
        tables,
        stated_expanded_uncertainty_c: details.stated_expanded_uncertainty_c,
        expiry_date: details.expires_on.map(calendar_date),
        provenance: details.provenance.clone(),
        state: state.into(),
        state_reason: details.state_reason.clone(),
        etag: batch.etag(),
        create_time: Some(timestamp(batch.created_at)),
        update_time: Some(timestamp(batch.updated_at)),
    }
}

#[cfg(test)]
mod tests;
