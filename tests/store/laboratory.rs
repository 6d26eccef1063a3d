//! A laboratory in a database of its own: a site, a furnace with a programme, a gauge and a ring batch.
//! All of it is invented.

use std::path::PathBuf;

use jiff::Timestamp;
use jiff::civil::{Weekday, date};
use ringtrue_calibration::programme::Segment;
use ringtrue_calibration::ring_table::{RingTable, csv};
use ringtrue_calibration::rings::Ring;
use ringtrue_fleet::adjustment::{Adjustment, AdjustmentDetails};
use ringtrue_fleet::caller::{Caller, Right, Scope};
use ringtrue_fleet::event::{EventDetails, EventKind, FurnaceEvent};
use ringtrue_fleet::furnace::{Furnace, FurnaceDetails};
use ringtrue_fleet::gauge::{CheckDetails, Gauge, GaugeCheck, GaugeDetails, GaugeKind};
use ringtrue_fleet::key::{
    AdjustmentId, AdjustmentKey, BatchId, CheckId, CheckKey, EventId, EventKey, FurnaceId,
    FurnaceKey, GaugeId, GaugeKey, ProgrammeId, ProgrammeKey, ReadingId, ReadingKey, SiteId,
};
use ringtrue_fleet::programme::{Programme, ProgrammeDetails};
use ringtrue_fleet::reading::{
    MeasuredRing, Method, Purpose, Reading, Report, RingMeasurement, assess,
};
use ringtrue_fleet::ring_batch::{BatchDetails, BatchState, RingBatch};
use ringtrue_fleet::site::{Site, SiteDetails};
use ringtrue_store::{By, Location, NewReading, Read, Request, Store, Tx, Verified};
use ringtrue_tests::databases::TestDatabase;
use sqlx::AnyConnection;
use uuid::Uuid;

/// The invented table of the repository: 19.47 mm stands for 1519 °C, 19.56 mm for 1500 °C.
const TABLE: &[u8] = include_bytes!("../../services/calibration/vectors/synthetic_ring_table.csv");

/// Hours from the first firing of these tests, 20 November 2026, 18:00 UTC, to a moment.
pub(crate) fn moment(hours: i64) -> Timestamp {
    let first: Timestamp = "2026-11-20T18:00:00Z".parse().expect("a moment");
    first + jiff::Span::new().hours(hours)
}

/// The table for a hold, min.
pub(crate) fn table(hold_min: f64) -> RingTable {
    csv::parse(TABLE, hold_min).expect("the repository's table is good")
}

/// A request with an id made from a number.
pub(crate) fn request(number: u128) -> Request {
    Request {
        id: Some(Uuid::from_u128(number)),
        method: "Test",
        digest: [7; 32],
    }
}

/// A database file with a laboratory in it; gone when dropped.
pub(crate) struct Laboratory {
    pub(crate) store: Store,
    pub(crate) database: TestDatabase,
    pub(crate) site: SiteId,
    pub(crate) furnace: FurnaceKey,
    pub(crate) programme: ProgrammeKey,
    pub(crate) gauge: GaugeKey,
    pub(crate) batch: BatchId,
}

impl Laboratory {
    /// An empty database.
    pub(crate) async fn empty() -> Self {
        Self::empty_in(TestDatabase::fresh().await).await
    }

    /// An empty database in a file, whatever this run of the tests works on: for what only SQLite has.
    pub(crate) async fn empty_in_file() -> Self {
        Self::empty_in(TestDatabase::in_file()).await
    }

    async fn empty_in(database: TestDatabase) -> Self {
        let store = Store::open(database.location())
            .await
            .expect("a new database");
        let site = SiteId::new("porto").expect("an id");
        let furnace = FurnaceKey {
            site: site.clone(),
            furnace: FurnaceId::new("k1").expect("an id"),
        };
        let programme = ProgrammeKey {
            furnace: furnace.clone(),
            programme: ProgrammeId::new("standard").expect("an id"),
        };
        let gauge = GaugeKey {
            site: site.clone(),
            gauge: GaugeId::new("caliper-1").expect("an id"),
        };
        let batch = BatchId::new("x7").expect("an id");
        Self {
            store,
            database,
            site,
            furnace,
            programme,
            gauge,
            batch,
        }
    }

    /// A database with everything that a reading needs.
    pub(crate) async fn furnished() -> Self {
        Self::empty().await.furnish().await
    }

    /// The same in a file, whatever this run of the tests works on.
    pub(crate) async fn furnished_in_file() -> Self {
        Self::empty_in_file().await.furnish().await
    }

    /// The same on PostgreSQL, whatever this run of the tests works on.
    pub(crate) async fn furnished_on_postgresql() -> Self {
        let database = TestDatabase::on_postgresql().await;
        Self::empty_in(database).await.furnish().await
    }

    async fn furnish(self) -> Self {
        let laboratory = self;
        let mut tx = laboratory.begin().await;
        tx.insert_site(&Self::new_site("porto"), &Request::NONE)
            .await
            .expect("a new site");
        tx.insert_furnace(&laboratory.new_furnace("k1"), &Request::NONE)
            .await
            .expect("a new furnace");
        tx.insert_programme(&laboratory.new_programme("k1", "standard"), &Request::NONE)
            .await
            .expect("a new programme");
        tx.insert_gauge(&laboratory.new_gauge("caliper-1"), &Request::NONE)
            .await
            .expect("a new gauge");
        tx.insert_ring_batch(&new_batch("x7"), &Request::NONE)
            .await
            .expect("a new batch");
        tx.commit().await.expect("committed");
        laboratory
    }

    pub(crate) fn file(&self) -> PathBuf {
        self.database.folder().join("ringtrue.db")
    }

    /// Where the database is, to open it again.
    pub(crate) fn location(&self) -> Location {
        self.database.location()
    }

    /// What `verify` finds, run by whoever owns the database.
    pub(crate) async fn verified(&self) -> Verified {
        self.database.verified().await
    }

    pub(crate) async fn begin(&self) -> Tx {
        self.store
            .begin("test", &Scope::for_work("test"))
            .await
            .expect("a transaction")
    }

    pub(crate) fn read(&self) -> Read {
        self.store.read(&Scope::for_work("test"))
    }

    /// A connection behind the store's back, as somebody with a database program has.
    pub(crate) async fn behind_its_back(&self) -> AnyConnection {
        self.database.behind_its_back().await
    }

    pub(crate) fn new_site(id: &str) -> Site {
        let details = SiteDetails {
            display_name: "Porto".to_owned(),
            time_zone: "Europe/Lisbon".to_owned(),
            calibration_day: Some(Weekday::Friday),
            closed_days: vec![Weekday::Sunday],
            ..SiteDetails::default()
        };
        Site::first(SiteId::new(id).expect("an id"), details, moment(-100))
    }

    pub(crate) fn new_furnace(&self, id: &str) -> Furnace {
        let key = FurnaceKey {
            site: self.site.clone(),
            furnace: FurnaceId::new(id).expect("an id"),
        };
        let details = FurnaceDetails {
            display_name: format!("Furnace {id}"),
            maximum_setpoint_c: 1600.0,
            tolerance_c: Some(8.0),
            ..FurnaceDetails::default()
        };
        Furnace::first(key, details, moment(-99))
    }

    pub(crate) fn new_programme(&self, furnace: &str, id: &str) -> Programme {
        let key = ProgrammeKey {
            furnace: FurnaceKey {
                site: self.site.clone(),
                furnace: FurnaceId::new(furnace).expect("an id"),
            },
            programme: ProgrammeId::new(id).expect("an id"),
        };
        let details = ProgrammeDetails {
            display_name: "Standard".to_owned(),
            segments: vec![Segment {
                ramp_c_per_min: 8.0,
                temperature_c: 1500.0,
                hold_min: 120.0,
            }],
            material_target_c: 1500.0,
            setpoint_c: 1500.0,
            ..ProgrammeDetails::default()
        };
        Programme::first(key, details, moment(-98))
    }

    pub(crate) fn new_gauge(&self, id: &str) -> Gauge {
        let key = GaugeKey {
            site: self.site.clone(),
            gauge: GaugeId::new(id).expect("an id"),
        };
        let details = GaugeDetails {
            display_name: format!("Caliper {id}"),
            kind: Some(GaugeKind::Caliper),
            resolution_mm: 0.01,
            maximum_permissible_error_mm: 0.02,
            ..GaugeDetails::default()
        };
        Gauge::first(key, details, moment(-97))
    }

    pub(crate) fn new_check(&self, hours: i64) -> GaugeCheck {
        GaugeCheck {
            key: CheckKey {
                gauge: self.gauge.clone(),
                check: CheckId::new(&format!("check-{hours}")).expect("an id"),
            },
            details: CheckDetails {
                nominal_mm: 20.0,
                measured_mm: vec![20.01, 20.01, 20.0],
                block_standard_uncertainty_mm: 0.0005,
                checked_at: Some(moment(hours)),
                performed_by: "t1".to_owned(),
                note: "block 4".to_owned(),
            },
            bias_mm: 0.006_666,
            standard_uncertainty_mm: 0.004,
            received_at: moment(hours),
        }
    }

    pub(crate) fn new_event(&self, hours: i64) -> FurnaceEvent {
        FurnaceEvent {
            key: EventKey {
                furnace: self.furnace.clone(),
                event: EventId::new(&format!("event-{hours}")).expect("an id"),
            },
            details: EventDetails {
                kind: Some(EventKind::ControllerOffsetChanged),
                happened_at: Some(moment(hours)),
                offset_shift_c: Some(-4.0),
                note: "offset parameter".to_owned(),
                performed_by: "t2".to_owned(),
            },
            received_at: moment(hours),
        }
    }

    pub(crate) fn new_adjustment(&self, hours: i64) -> Adjustment {
        Adjustment {
            key: AdjustmentKey {
                furnace: self.furnace.clone(),
                adjustment: AdjustmentId::new(&format!("adjustment-{hours}")).expect("an id"),
            },
            details: AdjustmentDetails {
                programme: Some(self.programme.clone()),
                reading: None,
                setpoint_c: 1481.0,
                adjusted_at: Some(moment(hours)),
                performed_by: "t1".to_owned(),
                override_reason: String::new(),
            },
            previous_setpoint_c: 1500.0,
            advised_setpoint_c: Some(1481.0),
            received_at: moment(hours),
        }
    }

    /// What a technician reports: one ring of this diameter, fired so many hours from the first firing.
    pub(crate) fn report(&self, furnace: &str, hours: i64, diameter_mm: f64) -> Report {
        let furnace = FurnaceKey {
            site: self.site.clone(),
            furnace: FurnaceId::new(furnace).expect("an id"),
        };
        Report {
            programme: ProgrammeKey {
                furnace,
                programme: self.programme.programme.clone(),
            },
            setpoint_c: Some(1500.0),
            method: Method::Rings(RingMeasurement {
                batch: self.batch.clone(),
                gauge: self.gauge.clone(),
                rings: vec![MeasuredRing {
                    ring: Ring {
                        position: "centre".to_owned(),
                        diameters_mm: vec![diameter_mm - 0.01, diameter_mm, diameter_mm + 0.01],
                    },
                    serial_number: format!("r{}{hours}", furnace_letter(diameter_mm)),
                }],
                zero_mm: Some(0.0),
                ring_temperature_c: Some(22.0),
            }),
            fired_at: moment(hours),
            measured_at: moment(hours + 14),
            purpose: Purpose::Routine,
            performed_by: "t1".to_owned(),
            note: "after the weekend".to_owned(),
            answered: std::collections::BTreeSet::new(),
        }
    }

    /// A reading as the rules decide it on what is on record now.
    pub(crate) async fn decided(&self, tx: &mut Tx, report: Report, id: &str) -> NewReading {
        let id = ReadingId::new(id).expect("an id");
        let knowledge = tx.reading_knowledge(&[&report]).await.expect("knowledge");
        let known = knowledge
            .known(&report, None)
            .expect("everything is on record");
        let assessed = assess(&known, &report, &id).expect("a good report");
        NewReading {
            reading: Reading {
                key: ReadingKey {
                    furnace: report.programme.furnace.clone(),
                    reading: id,
                },
                setpoint_c: assessed.setpoint_c,
                received_at: report.measured_at,
                report,
                amends: None,
                amend_reason: String::new(),
            },
            assessed,
            request: Request::NONE,
            by: By::of(
                &Caller::local(Some("t1"))
                    .network(Right::Record)
                    .expect("may record"),
            ),
        }
    }

    /// Records a reading in a transaction of its own, and gives its key.
    pub(crate) async fn recorded(
        &self,
        furnace: &str,
        hours: i64,
        diameter_mm: f64,
        id: &str,
    ) -> ReadingKey {
        let mut tx = self.begin().await;
        let new = self
            .decided(&mut tx, self.report(furnace, hours, diameter_mm), id)
            .await;
        let key = new.reading.key.clone();
        tx.insert_readings(vec![new]).await.expect("a good reading");
        tx.commit().await.expect("committed");
        key
    }
}

/// Keeps ring numbers of different furnaces apart.
fn furnace_letter(diameter_mm: f64) -> String {
    format!("{:.0}-", diameter_mm * 100.0)
}

/// A batch with one table, released.
pub(crate) fn new_batch(id: &str) -> RingBatch {
    let details = BatchDetails {
        code: id.to_uppercase(),
        tables: vec![table(120.0)],
        stated_expanded_uncertainty_c: Some(3.0),
        expires_on: Some(date(2027, 3, 31)),
        provenance: "invented".to_owned(),
        state: BatchState::Released,
        state_reason: String::new(),
    };
    RingBatch::first(BatchId::new(id).expect("an id"), details, moment(-96))
}

/// Somebody who may do everything at one site and nothing elsewhere.
pub(crate) fn only_at(site: &str) -> Caller {
    Caller::of_sites(
        format!("key:{site}"),
        [Right::Read, Right::Record, Right::Configure].into(),
        [SiteId::new(site).expect("an id")].into(),
    )
}
