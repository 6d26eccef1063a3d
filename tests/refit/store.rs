//! The same network in a real database: every furnace's filter as recordings would have left it, and the
//! fit that a server makes of them.

use std::path::Path;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use jiff::Timestamp;
use ringtrue_calibration::drift::DriftState;
use ringtrue_calibration::inference::{Chain, Column, Components, Scratch, SiteRecords};
use ringtrue_fleet::caller::Scope;
use ringtrue_fleet::effect::Effect;
use ringtrue_fleet::key::{BatchId, FurnaceId, FurnaceKey, GaugeId, ReadingId, SiteId};
use ringtrue_fleet::knowledge::ExpectedError;
use ringtrue_fleet::tracking::{TrackPoint, TrackedOffset, prior_variances_c2};
use ringtrue_server::app::{self, Because};
use ringtrue_server::clock::Clock;
use ringtrue_store::Store;

use crate::network::InventedNetwork;

/// Furnaces written in one transaction while the database is made.
const AT_ONCE: usize = 1_000;

/// What was measured.
pub(crate) struct FromStore {
    /// Size of the database file, bytes.
    pub(crate) bytes: u64,
    /// Making the database.
    pub(crate) made: Duration,
    /// Each fit, in order.
    pub(crate) fits: Vec<Duration>,
    /// Readings in the last fit.
    pub(crate) readings: i64,
}

/// Makes a database of a network in a fresh folder and fits it some times.
pub(crate) fn measured(network: &InventedNetwork, rounds: usize) -> anyhow::Result<FromStore> {
    let folder = tempfile::tempdir()?;
    let file = folder.path().join("network.db");
    tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()?
        .block_on(fitted(network, &file, rounds))
}

async fn fitted(
    network: &InventedNetwork,
    file: &Path,
    rounds: usize,
) -> anyhow::Result<FromStore> {
    let store = Store::open(file).await?;
    let start = Instant::now();
    fill(&store, network).await?;
    let made = start.elapsed();
    let clock = Clock::system();
    let mut fits = Vec::with_capacity(rounds);
    let mut readings = 0;
    for _ in 0..rounds {
        let start = Instant::now();
        let done = app::refit(&store, &clock, "benchmark", Because::Asked)
            .await?
            .context("nobody else fits this network")?;
        fits.push(start.elapsed());
        readings = done.fit.readings;
    }
    store.close().await?;
    Ok(FromStore {
        bytes: std::fs::metadata(file)?.len(),
        made,
        fits,
        readings,
    })
}

async fn fill(store: &Store, network: &InventedNetwork) -> anyhow::Result<()> {
    let scope = Scope::for_work("benchmark");
    let components = Components::default();
    let mut waiting: Vec<(FurnaceKey, TrackedOffset)> = Vec::new();
    for (number, records) in network.sites.iter().enumerate() {
        let site = SiteId::new(&format!("site-{number:05}"))?;
        for furnace in 0..records.furnaces() {
            let key = FurnaceKey {
                site: site.clone(),
                furnace: FurnaceId::new(&format!("f{furnace}"))?,
            };
            waiting.push((key, tracked(network, records, furnace, &components)?));
        }
        if waiting.len() >= AT_ONCE || number + 1 == network.sites.len() {
            let mut tx = store.begin("benchmark", &scope).await?;
            for (key, tracked) in waiting.drain(..) {
                tx.put_tracked_offset(&key, Some(&tracked)).await?;
            }
            tx.commit().await?;
        }
    }
    Ok(())
}

/// A furnace's filter after all its readings.
fn tracked(
    network: &InventedNetwork,
    records: &SiteRecords,
    furnace: usize,
    components: &Components,
) -> anyhow::Result<TrackedOffset> {
    let mut chain = Chain::unread();
    let mut scratch = Scratch::default();
    let mut met: Vec<Column> = Vec::new();
    let mut columns: Vec<ExpectedError> = Vec::new();
    let mut variances = Vec::new();
    let mut setpoint_c = 0.0;
    for reading in records.of_furnace(furnace) {
        let mut entries = Vec::new();
        for (column, coefficient) in records.effects(reading) {
            let place = if let Some(place) = met.iter().position(|known| known == column) {
                place
            } else {
                met.push(*column);
                columns.push(expected(network, records, *column)?);
                variances = prior_variances_c2(&columns, components);
                met.len() - 1
            };
            columns[place].readings += 1;
            entries.push((place, *coefficient));
        }
        setpoint_c = reading.setpoint_c;
        let firing = records.firing(reading, &entries);
        chain.follow(&firing, &variances, components, &mut scratch);
    }
    Ok(TrackedOffset {
        chain,
        columns,
        components: 0,
        last: TrackPoint {
            reading: ReadingId::new("last")?,
            fired_at: Timestamp::UNIX_EPOCH,
            setpoint_c,
            observed_offset_c: 0.0,
            removed_c: 0.0,
            independent_c: 2.0,
            shared_c: 4.0,
            effects: Vec::new(),
            surprise: None,
            mean_mm: 19.5,
            batch: None,
            gauge: None,
        },
        same_mean_run: 1,
        drift: DriftState::default(),
        drift_proved_at: None,
        evaluated: None,
    })
}

fn expected(
    network: &InventedNetwork,
    records: &SiteRecords,
    column: Column,
) -> anyhow::Result<ExpectedError> {
    let (effect, variance_c2) = match column {
        Column::Local(at) => (
            Effect::Gauge {
                gauge: GaugeId::new(&format!("g{at}"))?,
                epoch: 0,
                unchecked: false,
            },
            records.locals[at].prior_variance_c2,
        ),
        Column::Global(at) => (
            Effect::Batch(BatchId::new(&format!("b{at}"))?),
            network.globals[at].prior_variance_c2,
        ),
    };
    Ok(ExpectedError {
        effect,
        sd_c: variance_c2.sqrt(),
        readings: 0,
    })
}
