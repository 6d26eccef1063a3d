//! The laboratories that the load comes from: twenty sites with ten furnaces each.

use jiff::Timestamp;
use ringtrue_proto::v1;
use ringtrue_proto::v1::furnace_service_client::FurnaceServiceClient;
use ringtrue_proto::v1::gauge_service_client::GaugeServiceClient;
use ringtrue_proto::v1::programme_service_client::ProgrammeServiceClient;
use ringtrue_proto::v1::reading::Method;
use ringtrue_proto::v1::ring_batch_service_client::RingBatchServiceClient;
use ringtrue_proto::v1::site_service_client::SiteServiceClient;

use crate::door::Door;

const SITES: usize = 20;
const FURNACES: usize = 10;

/// Hours between two firings of one furnace: more than the six within which a second report is asked
/// about.
pub(crate) const HOURS_BETWEEN: i64 = 7;

/// The furnaces, and where in time their readings stand.
#[derive(Debug, Clone)]
pub(crate) struct Lab {
    furnaces: Vec<String>,
    start: Timestamp,
    /// Readings that were recorded before.
    before: usize,
}

impl Lab {
    /// The same furnaces, with firings after all that were recorded.
    pub(crate) fn later(&self) -> Self {
        Self {
            before: self.before + 1_000_000,
            ..self.clone()
        }
    }

    /// The `number`th reading.
    pub(crate) fn request(&self, number: usize) -> v1::RecordReadingRequest {
        let furnace = &self.furnaces[number % self.furnaces.len()];
        let mut turn = i64::try_from(number / self.furnaces.len()).unwrap_or(0);
        if self.before > 0 {
            turn += 200;
        }
        let fired = self.start.as_second() + turn * HOURS_BETWEEN * 3600;
        // Hundredths of a millimetre that differ from reading to reading, around 19.47 mm.
        let spread = |salt: usize| {
            let mixed = (number
                .wrapping_mul(2_654_435_761)
                .wrapping_add(salt * 40_503))
                >> 7;
            19.46 + f64::from(u16::try_from(mixed % 3).unwrap_or(0)) * 0.01
        };
        v1::RecordReadingRequest {
            parent: furnace.clone(),
            reading: Some(reading(
                furnace,
                "ringBatches/b",
                fired,
                vec![spread(1), spread(2), spread(3)],
            )),
            request_id: uuid::Builder::from_u128(
                u128::try_from(self.before + number).unwrap_or(0) << 20 | 0x5A,
            )
            .into_uuid()
            .to_string(),
            validate_only: false,
        }
    }
}

/// A routine reading of one ring by the site's caliper, measured three hours after a firing with the programme `p`.
pub(crate) fn reading(
    furnace: &str,
    ring_batch: &str,
    fired_s: i64,
    diameters_mm: Vec<f64>,
) -> v1::Reading {
    let moment = |seconds| Some(prost_types::Timestamp { seconds, nanos: 0 });
    let site = furnace.split("/furnaces/").next().unwrap_or_default();
    v1::Reading {
        programme: format!("{furnace}/programmes/p"),
        method: Some(Method::Rings(v1::RingMeasurement {
            ring_batch: ring_batch.to_owned(),
            gauge: format!("{site}/gauges/g"),
            rings: vec![v1::Ring {
                position: "centre".to_owned(),
                diameters_mm,
                serial_number: String::new(),
            }],
            zero_mm: Some(0.0),
            ring_temperature_c: Some(22.0),
        })),
        fire_time: moment(fired_s),
        measure_time: moment(fired_s + 3 * 3600),
        purpose: v1::ReadingPurpose::Routine.into(),
        performed_by: "t1".to_owned(),
        ..v1::Reading::default()
    }
}

/// Makes sites, furnaces, programmes, gauges and a batch.
pub(crate) async fn furnish(door: &Door) -> anyhow::Result<Lab> {
    let channel = door.line().await?;
    let mut batches = RingBatchServiceClient::new(channel.clone());
    batches.create_ring_batch(batch("b")).await?;
    let mut sites = SiteServiceClient::new(channel.clone());
    let mut gauges = GaugeServiceClient::new(channel.clone());
    let mut furnaces = FurnaceServiceClient::new(channel.clone());
    let mut programmes = ProgrammeServiceClient::new(channel);
    let mut names = Vec::new();
    for site in 0..SITES {
        let site = format!("s{site}");
        sites.create_site(bench(&site)).await?;
        gauges.create_gauge(caliper(&site)).await?;
        for number in 0..FURNACES {
            let request = furnace(&site, number);
            furnaces.create_furnace(request).await?;
            let name = format!("sites/{site}/furnaces/f{number}");
            programmes.create_programme(programme(&name)).await?;
        }
    }
    // Neighbouring readings belong to different sites, as they do when laboratories report.
    for furnace in 0..FURNACES {
        for site in 0..SITES {
            names.push(format!("sites/s{site}/furnaces/f{furnace}"));
        }
    }
    // The latest firing must not lie in the future.
    let start = crate::drive::now() - jiff::Span::new().hours(400 * HOURS_BETWEEN);
    Ok(Lab {
        furnaces: names,
        start,
        before: 0,
    })
}

/// A site that calibrates on Fridays.
pub(crate) fn bench(id: &str) -> v1::CreateSiteRequest {
    v1::CreateSiteRequest {
        site_id: id.to_owned(),
        site: Some(v1::Site {
            display_name: format!("Bench {id}"),
            time_zone: "Europe/Lisbon".to_owned(),
            calibration_day: v1::DayOfWeek::Friday.into(),
            ..v1::Site::default()
        }),
        ..v1::CreateSiteRequest::default()
    }
}

/// A caliper `g` of a site.
pub(crate) fn caliper(site: &str) -> v1::CreateGaugeRequest {
    v1::CreateGaugeRequest {
        parent: format!("sites/{site}"),
        gauge_id: "g".to_owned(),
        gauge: Some(v1::Gauge {
            display_name: "Caliper".to_owned(),
            kind: v1::GaugeKind::Caliper.into(),
            resolution_mm: 0.01,
            maximum_permissible_error_mm: 0.03,
            ..v1::Gauge::default()
        }),
        ..v1::CreateGaugeRequest::default()
    }
}

/// A furnace `f` and its number.
pub(crate) fn furnace(site: &str, number: usize) -> v1::CreateFurnaceRequest {
    v1::CreateFurnaceRequest {
        parent: format!("sites/{site}"),
        furnace_id: format!("f{number}"),
        furnace: Some(v1::Furnace {
            display_name: format!("F{number}"),
            maximum_setpoint_c: 1650.0,
            ..v1::Furnace::default()
        }),
        ..v1::CreateFurnaceRequest::default()
    }
}

/// A programme `p` of a furnace: true 1500 °C for 120 min, set to 1500 °C.
pub(crate) fn programme(furnace: &str) -> v1::CreateProgrammeRequest {
    let segment = |temperature_c, hold_min| v1::Segment {
        ramp_c_per_min: 10.0,
        temperature_c,
        hold_min,
    };
    v1::CreateProgrammeRequest {
        parent: furnace.to_owned(),
        programme_id: "p".to_owned(),
        programme: Some(v1::Programme {
            display_name: "Standard".to_owned(),
            segments: vec![segment(900.0, 30.0), segment(1500.0, 120.0)],
            material_target_c: 1500.0,
            setpoint_c: 1500.0,
            ..v1::Programme::default()
        }),
        ..v1::CreateProgrammeRequest::default()
    }
}

/// A batch with an invented table.
pub(crate) fn batch(id: &str) -> v1::CreateRingBatchRequest {
    let mut entries = Vec::new();
    for step in 0..=80_u32 {
        // An invented table of whole degrees, 1519 °C at 19.47 mm.
        let from_centre_mm = f64::from(step) * 0.01 - 0.27;
        entries.push(v1::RingTableEntry {
            diameter_mm: ((19.47 + from_centre_mm) * 100.0).round() / 100.0,
            temperature_c: (1519.0
                - 212.5 * from_centre_mm
                - 83.3 * from_centre_mm * from_centre_mm)
                .round(),
        });
    }
    v1::CreateRingBatchRequest {
        ring_batch_id: id.to_owned(),
        ring_batch: Some(v1::RingBatch {
            code: "B".to_owned(),
            tables: vec![v1::RingTable {
                hold_min: 120.0,
                entries,
                ..v1::RingTable::default()
            }],
            ..v1::RingBatch::default()
        }),
        ..v1::CreateRingBatchRequest::default()
    }
}
