//! An invented network: sites with furnaces that were calibrated once, put into a real database the way the
//! server does it.

use jiff::civil::Weekday;
use jiff::{SignedDuration, Timestamp};
use ringtrue_calibration::programme::Segment;
use ringtrue_calibration::ring_table::{Entry, RingTable};
use ringtrue_fleet::caller::{Caller, Scope};
use ringtrue_fleet::furnace::{Furnace, FurnaceDetails};
use ringtrue_fleet::gauge::{Gauge, GaugeDetails, GaugeKind};
use ringtrue_fleet::key::{
    BatchId, FurnaceId, FurnaceKey, GaugeId, GaugeKey, ProgrammeId, ProgrammeKey, SiteId,
};
use ringtrue_fleet::programme::{Programme, ProgrammeDetails};
use ringtrue_fleet::ring_batch::{BatchDetails, BatchState};
use ringtrue_fleet::site::{Site, SiteDetails};
use ringtrue_server::app::{self, App};
use ringtrue_store::{Request, Store};

/// Furnaces of a site.
pub(crate) const FURNACES: usize = 8;

/// Sites written in one transaction.
const AT_ONCE: usize = 200;

fn start() -> Timestamp {
    "2026-03-06T12:00:00Z".parse().expect("a moment")
}

const ZONES: [&str; 12] = [
    "Europe/Lisbon",
    "Europe/Berlin",
    "America/New_York",
    "America/St_Johns",
    "America/Sao_Paulo",
    "Australia/Lord_Howe",
    "Pacific/Auckland",
    "Pacific/Chatham",
    "Asia/Kathmandu",
    "Asia/Kolkata",
    "Africa/Nairobi",
    "Asia/Tokyo",
];

/// The `number`th site.
pub(crate) fn site(number: usize) -> Site {
    Site::first(
        SiteId::new(&format!("s{number}")).expect("an id"),
        SiteDetails {
            display_name: format!("Site {number}"),
            time_zone: ZONES[number % ZONES.len()].to_owned(),
            calibration_day: Some(Weekday::Friday),
            closed_days: vec![Weekday::Saturday, Weekday::Sunday],
            ..SiteDetails::default()
        },
        start(),
    )
}

pub(crate) fn furnace_key(number: usize) -> FurnaceKey {
    FurnaceKey {
        site: site(number / FURNACES).key,
        furnace: FurnaceId::new(&format!("f{}", number % FURNACES)).expect("an id"),
    }
}

/// Puts so many furnaces into a database, each with a programme and each site with a gauge.
pub(crate) async fn furnish(store: &Store, app: &App, furnaces: usize) -> anyhow::Result<()> {
    let scope = Scope::for_work("benchmark");
    let sites: Vec<usize> = (0..furnaces.div_ceil(FURNACES)).collect();
    for some in sites.chunks(AT_ONCE) {
        let mut tx = store.begin("benchmark", &scope).await?;
        for number in some {
            let site = site(*number);
            tx.insert_site(&site, &Request::NONE).await?;
            tx.insert_gauge(&gauge(&site.key), &Request::NONE).await?;
            for furnace in number * FURNACES..((number + 1) * FURNACES).min(furnaces) {
                let furnace = furnace_of(furnace);
                tx.insert_furnace(&furnace, &Request::NONE).await?;
                tx.insert_programme(&programme(&furnace.key), &Request::NONE)
                    .await?;
            }
        }
        tx.commit().await?;
    }
    let details = BatchDetails {
        code: "B".to_owned(),
        tables: vec![table()?],
        stated_expanded_uncertainty_c: None,
        expires_on: None,
        provenance: "invented".to_owned(),
        state: BatchState::Released,
        state_reason: String::new(),
    };
    let id = BatchId::new("b")?;
    let caller = Caller::local(None);
    app::create_ring_batch(app, &caller, details, Some(id), false, &Request::NONE).await?;
    Ok(())
}

/// An invented table: no maker's data.
fn table() -> anyhow::Result<RingTable> {
    let rows = (0..=80)
        .map(|step| Entry {
            diameter_mm: 19.2 + 0.01 * f64::from(step),
            temperature_c: 1573.0 - 2.0 * f64::from(step),
        })
        .collect();
    Ok(RingTable::new(120.0, rows)?)
}

fn furnace_of(number: usize) -> Furnace {
    Furnace::first(
        furnace_key(number),
        FurnaceDetails {
            display_name: format!("K{}", number % FURNACES),
            maximum_setpoint_c: 1650.0,
            ..FurnaceDetails::default()
        },
        start(),
    )
}

fn gauge(site: &SiteId) -> Gauge {
    Gauge::first(
        GaugeKey {
            site: site.clone(),
            gauge: GaugeId::new("g").expect("an id"),
        },
        GaugeDetails {
            display_name: "Caliper".to_owned(),
            kind: Some(GaugeKind::Caliper),
            resolution_mm: 0.01,
            maximum_permissible_error_mm: 0.03,
            ..GaugeDetails::default()
        },
        start(),
    )
}

fn programme(furnace: &FurnaceKey) -> Programme {
    Programme::first(
        ProgrammeKey {
            furnace: furnace.clone(),
            programme: ProgrammeId::new("p").expect("an id"),
        },
        ProgrammeDetails {
            display_name: "Standard".to_owned(),
            segments: vec![Segment {
                ramp_c_per_min: 10.0,
                temperature_c: 1500.0,
                hold_min: 120.0,
            }],
            material_target_c: 1500.0,
            setpoint_c: 1500.0,
            ..ProgrammeDetails::default()
        },
        start(),
    )
}

/// The end of the `round`th firing of a furnace: weeks apart, an hour or so from furnace to furnace.
pub(crate) fn fired_at(number: usize, round: i64) -> Timestamp {
    let minutes = i64::try_from(number % 1440).unwrap_or(0);
    start() + SignedDuration::from_hours(24 * 28 * round) + SignedDuration::from_mins(minutes)
}
