//! An invented laboratory with many furnaces, made over the network, and readings for them.

use jiff::{SignedDuration, Timestamp};
use ringtrue_proto::v1;
use ringtrue_proto::v1::reading::Method;
use ringtrue_remote::{Outcome, Remote, Settings};
use ringtrue_server::clock::Clock;
use uuid::Uuid;

use crate::bench::{
    TABLE_CSV, TABLE_HOLD_MIN, batch, furnace, micrometer, programme, ring, site, stamp, table_file,
};
use crate::process::Server;

/// Gives a client of a server, whose staff code is `t1`.
pub fn remote(server: &Server) -> Remote {
    let settings = Settings {
        endpoint: server.endpoint(),
        operator: Some("t1".to_owned()),
        ..Settings::default()
    };
    Remote::connect(settings).expect("an address")
}

/// Makes the site `north` with furnaces `k0`, `k1` and so on, each with a programme, a gauge and a ring batch.
pub async fn furnish(remote: &Remote, furnaces: usize) {
    let ask = v1::CreateRingBatchRequest {
        ring_batch: Some(batch()),
        table_files: vec![table_file(TABLE_HOLD_MIN, TABLE_CSV)],
        ring_batch_id: "b1".to_owned(),
        ..v1::CreateRingBatchRequest::default()
    };
    remote.create_ring_batch(ask).await.expect("a new batch");
    furnish_site(remote, "north", furnaces).await;
}

/// Makes a site of that id like `north`, whose ring batch is there.
pub async fn furnish_site(remote: &Remote, id: &str, furnaces: usize) {
    let ask = v1::CreateSiteRequest {
        site: Some(site()),
        site_id: id.to_owned(),
        ..v1::CreateSiteRequest::default()
    };
    remote.create_site(ask).await.expect("a new site");
    let ask = v1::CreateGaugeRequest {
        parent: format!("sites/{id}"),
        gauge: Some(micrometer()),
        gauge_id: "g1".to_owned(),
        ..v1::CreateGaugeRequest::default()
    };
    remote.create_gauge(ask).await.expect("a new gauge");
    for n in 0..furnaces {
        let ask = v1::CreateFurnaceRequest {
            parent: format!("sites/{id}"),
            furnace: Some(furnace()),
            furnace_id: format!("k{n}"),
            ..v1::CreateFurnaceRequest::default()
        };
        remote.create_furnace(ask).await.expect("a new furnace");
        let ask = v1::CreateProgrammeRequest {
            parent: format!("sites/{id}/furnaces/k{n}"),
            programme: Some(programme()),
            programme_id: "p1".to_owned(),
            ..v1::CreateProgrammeRequest::default()
        };
        remote.create_programme(ask).await.expect("a new programme");
    }
}

/// A reading of a furnace, right in every field; firings are four weeks apart, the first one yesterday.
pub fn ask(furnace: usize, firing: usize) -> v1::RecordReadingRequest {
    let days = i64::try_from(28 * firing).expect("a small number");
    let measured: Timestamp = Clock::system().now() - SignedDuration::from_hours(24 * days);
    let fired = measured - SignedDuration::from_hours(14);
    let parent = format!("sites/north/furnaces/k{furnace}");
    // No two readings alike: copied values would be asked about.
    let step = u16::try_from(firing).expect("a small number");
    let centre_mm = 19.47 + 0.001 * f64::from(step);
    v1::RecordReadingRequest {
        reading: Some(v1::Reading {
            programme: format!("{parent}/programmes/p1"),
            method: Some(Method::Rings(v1::RingMeasurement {
                ring_batch: "ringBatches/b1".to_owned(),
                gauge: "sites/north/gauges/g1".to_owned(),
                rings: vec![ring(
                    "centre",
                    &[centre_mm - 0.002, centre_mm, centre_mm + 0.003],
                )],
                zero_mm: Some(0.0),
                ring_temperature_c: Some(22.0),
            })),
            setpoint_c: Some(1500.0),
            fire_time: Some(stamp(fired)),
            measure_time: Some(stamp(measured)),
            purpose: v1::ReadingPurpose::Routine.into(),
            performed_by: "t1".to_owned(),
            ..v1::Reading::default()
        }),
        parent,
        request_id: request_id(furnace, firing),
        ..v1::RecordReadingRequest::default()
    }
}

fn request_id(furnace: usize, firing: usize) -> String {
    let number = u128::try_from(1 + firing * 1_000_000 + furnace).expect("a small number");
    Uuid::from_u128(number).to_string()
}

/// Sets the setpoint that a request reports, °C.
pub fn at_setpoint(mut ask: v1::RecordReadingRequest, setpoint_c: f64) -> v1::RecordReadingRequest {
    ask.reading.as_mut().expect("a reading").setpoint_c = Some(setpoint_c);
    ask
}

/// The name of what was recorded.
pub fn name(outcome: Outcome<v1::RecordReadingResponse>) -> String {
    outcome
        .expect("recorded")
        .reading
        .expect("the answer holds the reading")
        .name
}

/// The names of all readings of the site.
pub async fn names_on_record(remote: &Remote) -> Vec<String> {
    let mut names = Vec::new();
    let mut page_token = String::new();
    loop {
        let ask = v1::ListReadingsRequest {
            parent: "sites/north/furnaces/-".to_owned(),
            page_size: 500,
            page_token,
            show_amended: true,
        };
        let page = remote.readings(ask).await.expect("readings");
        names.extend(page.readings.into_iter().map(|reading| reading.name));
        page_token = page.next_page_token;
        if page_token.is_empty() {
            return names;
        }
    }
}
