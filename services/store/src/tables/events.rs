//! Furnace events.

use jiff::Timestamp;
use ringtrue_fleet::event::{EventDetails, EventKind, FurnaceEvent};
use ringtrue_fleet::key::{EventId, EventKey, FurnaceId, FurnaceKey, SiteId};
use serde::{Deserialize, Serialize};

use crate::columns::{Place, json, written};
use crate::database::{Connection, query, query_as};
use crate::{Error, Page, Read, Request, Tx};

pub(crate) const KINDS: &[(Option<EventKind>, &str)] = &[
    (Some(EventKind::ElementsReplaced), "elements_replaced"),
    (
        Some(EventKind::ThermocoupleReplaced),
        "thermocouple_replaced",
    ),
    (Some(EventKind::ControllerChanged), "controller_changed"),
    (
        Some(EventKind::ControllerOffsetChanged),
        "controller_offset_changed",
    ),
    (Some(EventKind::Moved), "moved"),
    (Some(EventKind::MainsWork), "mains_work"),
    (Some(EventKind::DiscolouredWork), "discoloured_work"),
    (Some(EventKind::Repair), "repair"),
];

/// A row of `furnace_event`; also its record in the audit chain.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct EventRow {
    site_id: String,
    furnace_id: String,
    happened_at: i64,
    id: String,
    kind: String,
    offset_shift_c: Option<f64>,
    note: String,
    performed_by: String,
    received_at: i64,
}

impl From<&FurnaceEvent> for EventRow {
    fn from(event: &FurnaceEvent) -> Self {
        let details = &event.details;
        Self {
            site_id: event.key.furnace.site.to_string(),
            furnace_id: event.key.furnace.furnace.to_string(),
            happened_at: details.happened_at.map_or(0, Timestamp::as_microsecond),
            id: event.key.event.to_string(),
            kind: written(&details.kind, KINDS),
            offset_shift_c: details.offset_shift_c,
            note: details.note.clone(),
            performed_by: details.performed_by.clone(),
            received_at: event.received_at.as_microsecond(),
        }
    }
}

impl EventRow {
    pub(crate) fn name(&self) -> String {
        format!(
            "sites/{}/furnaces/{}/events/{}",
            self.site_id, self.furnace_id, self.id
        )
    }

    pub(crate) fn event(self) -> Result<FurnaceEvent, Error> {
        let place = Place {
            table: "furnace_event",
            key: &self.id,
        };
        Ok(FurnaceEvent {
            key: EventKey {
                furnace: FurnaceKey {
                    site: place.id("site_id", SiteId::new(&self.site_id))?,
                    furnace: place.id("furnace_id", FurnaceId::new(&self.furnace_id))?,
                },
                event: place.id("id", EventId::new(&self.id))?,
            },
            details: EventDetails {
                kind: place.word("kind", &self.kind, KINDS)?,
                happened_at: Some(place.moment("happened_at", self.happened_at)?),
                offset_shift_c: self.offset_shift_c,
                note: self.note,
                performed_by: self.performed_by,
            },
            received_at: place.moment("received_at", self.received_at)?,
        })
    }
}

/// Every event of the given furnaces, in order; `keys` is a JSON list of [site, furnace]. A furnace
/// has a few a year.
pub(crate) async fn events_of(
    connection: &mut Connection,
    keys: &str,
) -> Result<Vec<FurnaceEvent>, Error> {
    const SQL: &str = concat!(
        wanted_pairs!(),
        "SELECT e.* FROM wanted CROSS JOIN furnace_event AS e
            ON e.site_id = wanted.site_id AND e.furnace_id = wanted.id
        ORDER BY e.site_id, e.furnace_id, e.happened_at, e.id"
    );
    let rows: Vec<EventRow> = query_as(SQL).bind(keys).fetch_all(connection).await?;
    rows.into_iter().map(EventRow::event).collect()
}

/// What happened to the furnaces of some sites since their last firings that count, in order; of a furnace without
/// one, everything. `sites` is a JSON list.
pub(crate) async fn since_last_firings(
    connection: &mut Connection,
    sites: &str,
) -> Result<Vec<FurnaceEvent>, Error> {
    const SQL: &str = "SELECT e.* FROM json_each($1) AS wanted
        CROSS JOIN furnace_event AS e ON e.site_id = wanted.value
        LEFT JOIN tracked_offset AS t ON t.site_id = e.site_id AND t.furnace_id = e.furnace_id
        WHERE t.last_fired_at IS NULL OR e.happened_at > t.last_fired_at
        ORDER BY e.site_id, e.furnace_id, e.happened_at, e.id";
    let rows: Vec<EventRow> = query_as(SQL).bind(sites).fetch_all(connection).await?;
    rows.into_iter().map(EventRow::event).collect()
}

impl Read {
    /// A furnace's events, latest first.
    pub async fn furnace_events(
        &self,
        key: &FurnaceKey,
        page: &Page,
    ) -> Result<Vec<FurnaceEvent>, Error> {
        const SQL: &str = "SELECT * FROM furnace_event WHERE site_id = $1 AND furnace_id = $2
            AND (happened_at, id) < ($3, $4) ORDER BY happened_at DESC, id DESC LIMIT $5";
        self.within(&key.site)?;
        let rows: Vec<EventRow> = query_as(SQL)
            .bind(key.site.as_str())
            .bind(key.furnace.as_str())
            .bind(page.moment(0))
            .bind(page.text(1))
            .bind(page.limit())
            .fetch_all(&mut self.connection().await?)
            .await?;
        rows.into_iter().map(EventRow::event).collect()
    }
}

impl Tx {
    /// Stores a furnace event.
    pub async fn insert_furnace_event(
        &mut self,
        event: &FurnaceEvent,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO furnace_event (site_id, furnace_id, happened_at, id, kind,
            offset_shift_c, note, performed_by, received_at)
            VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)";
        self.within(&event.key.furnace.site)?;
        let row = EventRow::from(event);
        query(SQL)
            .bind(row.site_id)
            .bind(row.furnace_id)
            .bind(row.happened_at)
            .bind(row.id)
            .bind(row.kind)
            .bind(row.offset_shift_c)
            .bind(row.note)
            .bind(row.performed_by)
            .bind(row.received_at)
            .execute(self.connection())
            .await
            .map_err(Error::of_insert)?;
        let document = json(&EventRow::from(event));
        self.happened(
            Some(&event.key.furnace.site),
            "furnace.event",
            event.key.name(),
            document,
            request,
            event.received_at,
        )
        .await
    }

    /// Every event of a furnace, in order.
    pub async fn furnace_events(&mut self, key: &FurnaceKey) -> Result<Vec<FurnaceEvent>, Error> {
        self.within(&key.site)?;
        let keys = json(&[[key.site.as_str(), key.furnace.as_str()]]);
        events_of(self.connection(), &keys).await
    }
}
