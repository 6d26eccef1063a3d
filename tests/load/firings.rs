//! Production firings in bulk, and what is exposed of a hundred thousand cases.

use std::io::Write as _;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use futures::StreamExt as _;
use futures::stream;
use ringtrue_proto::v1;
use ringtrue_proto::v1::exposure_service_client::ExposureServiceClient;
use ringtrue_proto::v1::firing_service_client::FiringServiceClient;
use ringtrue_proto::v1::reading_service_client::ReadingServiceClient;

use crate::door::{Door, Line};
use crate::installation::{Installation, Wanted};
use crate::mix::percentiles::Latencies;
use crate::rows::Rows;
use crate::{drive, lab};

/// Firings in a part of a stream: as many as one report may have.
const PART: usize = 1000;

/// Seconds from the start of a furnace's firing to that of its next one.
const EVERY_S: i64 = 2 * 3600;

/// How long a firing lasts, seconds.
const LASTS_S: i64 = 5400;

/// How much, and where.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    #[command(flatten)]
    installation: Wanted,
    /// Firings to report, over 200 furnaces of 20 sites.
    #[arg(long, default_value_t = 1_000_000)]
    firings: usize,
    /// Cases in each of them.
    #[arg(long, default_value_t = 1)]
    cases: usize,
    /// Streams at the same time, each with sites of its own.
    #[arg(long, default_value_t = 2)]
    streams: usize,
    /// Cases of one furnace whose exposure is asked for; 100 in each firing.
    #[arg(long, default_value_t = 100_000)]
    exposed: usize,
    /// How often it is asked for.
    #[arg(long, default_value_t = 20)]
    questions: usize,
}

/// Reports all firings, then asks for exposures, and prints what it took.
pub(crate) async fn measure(arguments: &Arguments) -> anyhow::Result<()> {
    anyhow::ensure!(
        arguments.streams > 0,
        "at least one stream of firings is needed"
    );
    let installation = Installation::start(&arguments.installation).await?;
    let server = installation.servers.first().context("a server runs")?;
    let door = Door::open(&server.endpoint);
    lab::furnish(&door).await?;
    let mut out = std::io::stdout();
    let idle_kib = server.resident_kib()?;
    let mut rows = Rows::connect(&installation.administrators_url()).await?;
    let empty_bytes = rows.bytes().await?;
    let start = Instant::now();
    let most = stream::iter(0..arguments.streams)
        .map(|number| reported(arguments, &door, number))
        .buffer_unordered(arguments.streams);
    futures::pin_mut!(most);
    let mut recorded: i64 = 0;
    while let Some(some) = most.next().await {
        recorded += some?;
    }
    let took = start.elapsed();
    let grown_by = rows.bytes().await? - empty_bytes;
    rows.close().await?;
    writeln!(
        out,
        "{}\n{recorded} firings with {} case(s) each in {:.1} s: {:.0} /s, {} bytes of the database each; server {} MiB \
         before, {} MiB after",
        installation.words(),
        arguments.cases,
        took.as_secs_f64(),
        per_s(recorded, took),
        grown_by / recorded.max(1),
        idle_kib / 1024,
        server.resident_kib()? / 1024,
    )?;
    let line = door.line().await?;
    let (firings, cases) = exposed_furnace(arguments, line.clone()).await?;
    let mut latencies = Latencies::none();
    for _ in 0..arguments.questions {
        let start = Instant::now();
        let seen = asked(line.clone(), 100).await?;
        latencies.note(start.elapsed());
        anyhow::ensure!(
            seen == firings,
            "{seen} firings were looked at instead of {firings}"
        );
    }
    writeln!(
        out,
        "exposure of {cases} cases in {firings} firings of a furnace with 26 readings: p50 {:.0} ms, p99 {:.0} ms",
        latencies.at_ms(0.5),
        latencies.at_ms(0.99),
    )?;
    installation.stop()
}

fn per_s(count: i64, took: Duration) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "some millions")]
    let count = count as f64;
    count / took.as_secs_f64()
}

/// One stream: part after part, each for one site. Gives how many firings were recorded.
async fn reported(arguments: &Arguments, door: &Door, number: usize) -> anyhow::Result<i64> {
    let mut client = FiringServiceClient::new(door.line().await?);
    let parts = arguments.firings.div_ceil(PART);
    let (streams, cases) = (arguments.streams, arguments.cases);
    let first_s = drive::now().as_second() - 400 * 24 * 3600;
    let own = (0..parts).filter(move |part| part % 20 % streams == number);
    let requests = own.map(move |part| part_of(part, cases, first_s));
    let answers = client.report_firing_stream(stream::iter(requests)).await?;
    let mut answers = answers.into_inner();
    let mut recorded = 0;
    while let Some(answer) = answers.message().await? {
        recorded += i64::from(answer.part.map_or(0, |part| part.recorded));
    }
    Ok(recorded)
}

fn moment(seconds: i64) -> prost_types::Timestamp {
    prost_types::Timestamp { seconds, nanos: 0 }
}

/// A part: a hundred firings of each furnace of a site, one after the other.
fn part_of(part: usize, cases: usize, first_s: i64) -> v1::ReportFiringStreamRequest {
    let (site, turn) = (part % 20, part / 20);
    let firings = (0..PART).map(|at| {
        let (furnace, place) = (at % 10, turn * (PART / 10) + at / 10);
        let start_s = first_s + EVERY_S * i64::try_from(place).unwrap_or(0);
        let id = format!("{site}-{furnace}-{place}");
        let in_it = (0..cases).map(|case| v1::FiringCase {
            case_id: format!("C-{id}-{case}"),
            units: 3,
        });
        v1::Firing {
            programme: format!("sites/s{site}/furnaces/f{furnace}/programmes/p"),
            start_time: Some(moment(start_s)),
            end_time: Some(moment(start_s + LASTS_S)),
            outcome: v1::FiringOutcome::Completed.into(),
            cases: in_it.collect(),
            performed_by: "t1".to_owned(),
            external_id: id,
            ..v1::Firing::default()
        }
    });
    v1::ReportFiringStreamRequest {
        part: Some(v1::ReportFiringsRequest {
            parent: format!("sites/s{site}"),
            firings: firings.collect(),
            ..v1::ReportFiringsRequest::default()
        }),
    }
}

/// Fills the span before all other firings of a furnace with firings of a hundred cases each, and with a
/// reading every two weeks of the last year. Gives how many firings and cases there are.
async fn exposed_furnace(arguments: &Arguments, line: Line) -> anyhow::Result<(i32, usize)> {
    const EACH: usize = 100;
    let count = arguments.exposed.div_ceil(EACH);
    let mut client = FiringServiceClient::new(line.clone());
    let now_s = drive::now().as_second();
    let first_s = exposed_from_s(now_s);
    let all: Vec<v1::Firing> = (0..count)
        .map(|place| {
            let start_s = first_s + EVERY_S * i64::try_from(place).unwrap_or(0);
            let in_it = (0..EACH).map(|case| v1::FiringCase {
                case_id: format!("X-{place}-{case}"),
                units: 1,
            });
            v1::Firing {
                external_id: format!("X-{place}"),
                programme: "sites/s0/furnaces/f0/programmes/p".to_owned(),
                start_time: Some(moment(start_s)),
                end_time: Some(moment(start_s + LASTS_S)),
                cases: in_it.collect(),
                ..v1::Firing::default()
            }
        })
        .collect();
    for part in all.chunks(PART / 4) {
        let request = v1::ReportFiringsRequest {
            parent: "sites/s0".to_owned(),
            firings: part.to_vec(),
            ..v1::ReportFiringsRequest::default()
        };
        client.report_firings(request).await?;
    }
    let mut client = ReadingServiceClient::new(line);
    for turn in (1..=26).rev() {
        let fired_s = now_s - turn * 14 * 24 * 3600;
        let furnace = "sites/s0/furnaces/f0";
        let reading = lab::reading(furnace, "ringBatches/b", fired_s, diameters_mm(turn));
        let request = v1::RecordReadingRequest {
            parent: furnace.to_owned(),
            reading: Some(reading),
            ..v1::RecordReadingRequest::default()
        };
        client.record_reading(request).await?;
    }
    Ok((i32::try_from(count)?, count * EACH))
}

/// Three diameters whose mean differs from turn to turn.
fn diameters_mm(turn: i64) -> Vec<f64> {
    let last = if turn % 2 == 0 { 19.48 } else { 19.47 };
    vec![19.46, 19.47, last]
}

/// Long before the firings of the bulk.
fn exposed_from_s(now_s: i64) -> i64 {
    now_s - 900 * 24 * 3600
}

/// Asks for the exposure of that span; gives how many firings were looked at.
async fn asked(line: Line, page_size: i32) -> anyhow::Result<i32> {
    let mut client = ExposureServiceClient::new(line);
    let now_s = drive::now().as_second();
    let request = v1::AssessExposureRequest {
        furnace: "sites/s0/furnaces/f0".to_owned(),
        start_time: Some(moment(exposed_from_s(now_s) - 3600)),
        end_time: Some(moment(now_s - 450 * 24 * 3600)),
        page_size,
        ..v1::AssessExposureRequest::default()
    };
    let answer = client.assess_exposure(request).await?.into_inner();
    Ok(answer.summary.map_or(0, |summary| summary.firings))
}
