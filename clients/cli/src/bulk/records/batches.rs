//! Ring batches as rows: the first has the batch, each further one a line more of its tables.

use ringtrue_proto::v1::{
    CreateRingBatchRequest, GetRingBatchRequest, ListRingBatchesRequest, RingBatch, RingBatchState,
    RingTable, RingTableEntry,
};
use ringtrue_remote::{Failure, Remote};

use crate::bulk::cell::{Wrong, set_number, wrong};
use crate::bulk::columns::{Column, Need, choice, maybe, text};
use crate::bulk::record::{Became, How, Record, Wanted, one_by_one, request_id};
use crate::{moment, names};

/// The table whose line stands in a row, and that line.
fn line(batch: &RingBatch, row: usize) -> Option<(&RingTable, &RingTableEntry)> {
    let mut lines = batch
        .tables
        .iter()
        .flat_map(|table| table.entries.iter().map(move |entry| (table, entry)));
    lines.nth(row)
}

/// The one line of a row that is being read.
fn line_of_row(batch: &mut RingBatch) -> &mut RingTableEntry {
    if batch.tables.is_empty() {
        batch.tables.push(RingTable::default());
    }
    let entries = &mut batch.tables[0].entries;
    if entries.is_empty() {
        entries.push(RingTableEntry::default());
    }
    &mut entries[0]
}

impl Record for RingBatch {
    const MESSAGE: &'static str = "RingBatch";
    const COLUMNS: &'static [Column<Self>] = &[
        text!(Needed name),
        text!(Needed code),
        maybe!(stated_expanded_uncertainty_c),
        Column {
            name: "expiry_date",
            need: Need::Free,
            further: false,
            read: |it, cell| {
                it.expiry_date = Some(cell.day()?);
                Ok(())
            },
            write: |it, _, _| {
                it.expiry_date
                    .as_ref()
                    .map_or_else(String::new, moment::brief_day)
            },
        },
        text!(Free provenance),
        choice!(Free state RingBatchState "RING_BATCH_STATE_"),
        Column {
            name: "hold_min",
            need: Need::Needed,
            further: true,
            read: |it, cell| {
                let hold_min = cell.number()?;
                line_of_row(it);
                it.tables[0].hold_min = hold_min;
                Ok(())
            },
            write: |it, row, decimal| {
                line(it, row).map_or_else(String::new, |(table, _)| {
                    set_number(table.hold_min, decimal)
                })
            },
        },
        Column {
            name: "diameter_mm",
            need: Need::Needed,
            further: true,
            read: |it, cell| {
                line_of_row(it).diameter_mm = cell.number()?;
                Ok(())
            },
            write: |it, row, decimal| {
                line(it, row).map_or_else(String::new, |(_, entry)| {
                    set_number(entry.diameter_mm, decimal)
                })
            },
        },
        Column {
            name: "temperature_c",
            need: Need::Needed,
            further: true,
            read: |it, cell| {
                line_of_row(it).temperature_c = cell.number()?;
                Ok(())
            },
            write: |it, row, decimal| {
                line(it, row).map_or_else(String::new, |(_, entry)| {
                    set_number(entry.temperature_c, decimal)
                })
            },
        },
    ];

    fn emptied(&mut self) {
        self.state_reason.clear();
        self.etag.clear();
        self.create_time = None;
        self.update_time = None;
        for table in &mut self.tables {
            *table = RingTable {
                hold_min: table.hold_min,
                entries: std::mem::take(&mut table.entries),
                ..RingTable::default()
            };
        }
    }

    fn spelled_out(&mut self, _site: Option<&str>) -> Result<(), (&'static str, Wrong)> {
        match names::batch(&self.name) {
            Ok(name) => {
                self.name = name;
                Ok(())
            }
            Err(words) => wrong("NO_NAME", words).map_err(|fault| ("name", fault)),
        }
    }

    fn identity(&self) -> (&'static str, String) {
        ("name", self.name.clone())
    }

    fn owner(&self) -> String {
        self.name.clone()
    }

    fn row_count(&self) -> usize {
        self.tables
            .iter()
            .map(|table| table.entries.len())
            .sum::<usize>()
            .max(1)
    }

    fn absorb(&mut self, further: Self) {
        for table in further.tables {
            let same = |own: &&mut RingTable| own.hold_min.total_cmp(&table.hold_min).is_eq();
            match self.tables.iter_mut().find(same) {
                Some(own) => own.entries.extend(table.entries),
                None => self.tables.push(table),
            }
        }
    }

    fn row_of(&self, field: &str) -> u64 {
        let table = super::index_after(field, "tables[").unwrap_or(0);
        let entry = super::index_after(field, "entries[").unwrap_or(0);
        let before: usize = self
            .tables
            .iter()
            .take(table)
            .map(|one| one.entries.len())
            .sum();
        u64::try_from(before + entry).unwrap_or(0)
    }

    async fn sent(
        remote: Remote,
        _owner: String,
        records: Vec<Self>,
        how: How,
    ) -> Result<Vec<Became>, Box<Failure>> {
        let create = |remote: Remote, record: Self| {
            let ring_batch_id = names::id(&record.name).to_owned();
            let mut ask = CreateRingBatchRequest {
                ring_batch: Some(RingBatch {
                    name: String::new(),
                    ..record
                }),
                ring_batch_id,
                ..CreateRingBatchRequest::default()
            };
            ask.request_id = request_id("CreateRingBatch", &ask);
            ask.validate_only = how == How::Tried;
            async move { remote.create_ring_batch(ask).await.map(|_| ()) }
        };
        let get = |remote: Remote, name| async move {
            let answer = remote.ring_batch(GetRingBatchRequest { name }).await?;
            Ok(answer.ring_batch.unwrap_or_default())
        };
        one_by_one(remote, records, create, get).await
    }

    async fn page(
        remote: Remote,
        _wanted: Wanted,
        page_token: String,
    ) -> Result<(Vec<Self>, String), Box<Failure>> {
        let ask = ListRingBatchesRequest {
            page_size: 100,
            page_token,
        };
        let page = remote.ring_batches(ask).await?;
        // Lists leave the lines of tables out.
        let mut whole = Vec::with_capacity(page.ring_batches.len());
        for batch in page.ring_batches {
            let ask = GetRingBatchRequest { name: batch.name };
            whole.extend(remote.ring_batch(ask).await?.ring_batch);
        }
        Ok((whole, page.next_page_token))
    }
}
