//! A network as laboratories have it: sites with furnaces that have some readings, and what is asked about them.

use std::hash::{BuildHasher as _, RandomState};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use futures::stream::{self, StreamExt as _, TryStreamExt as _};
use ringtrue_proto::v1;
use ringtrue_proto::v1::furnace_service_client::FurnaceServiceClient;
use ringtrue_proto::v1::gauge_service_client::GaugeServiceClient;
use ringtrue_proto::v1::programme_service_client::ProgrammeServiceClient;
use ringtrue_proto::v1::reading_service_client::ReadingServiceClient;
use ringtrue_proto::v1::ring_batch_service_client::RingBatchServiceClient;
use ringtrue_proto::v1::site_service_client::SiteServiceClient;

use crate::door::Line;
use crate::lab;

/// Requests in flight while the network is made.
const AT_ONCE: usize = 32;

/// Hundredths of a millimetre of a ring that says what the furnaces are set to, by the invented table.
const TRUE_RING_MM: [f64; 3] = [19.54, 19.55, 19.56];

/// Firings of each furnace that are kept free for previews and for chance, which may send more than expected.
const SPARE_TURNS: usize = 12;

/// How large the network is.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Shape {
    pub(crate) sites: usize,
    /// Furnaces of each site.
    pub(crate) furnaces: usize,
    /// Readings of each furnace before anything is measured.
    pub(crate) readings: usize,
    /// Recordings to come, as many as are expected.
    pub(crate) to_come: usize,
}

/// The network.
#[derive(Debug)]
pub(crate) struct Network {
    sites: Vec<String>,
    /// Neighbouring ones belong to different sites, as readings do when laboratories report.
    furnaces: Vec<String>,
    ring_batch: String,
    /// End of the first firing of all furnaces, seconds since 1970.
    start_s: i64,
    /// What tells this network from every other, as the first half of its requests' ids too.
    drawn: u64,
    /// Number of the next reading.
    next: AtomicUsize,
    /// Where a walk through all pages of furnaces has got to.
    page: Mutex<String>,
}

impl Network {
    /// Makes it through the server. Its names were never used before, so that a database may have had others.
    pub(crate) async fn furnished(line: &Line, shape: Shape) -> anyhow::Result<Arc<Self>> {
        anyhow::ensure!(
            shape.sites > 0 && shape.furnaces > 0,
            "a network has at least one site with one furnace"
        );
        // The standard library seeds its hashers from the system.
        let drawn = RandomState::new().hash_one(());
        let tag = format!("{:08x}", drawn >> 32);
        let batch = format!("load-{tag}");
        RingBatchServiceClient::new(line.clone())
            .create_ring_batch(lab::batch(&batch))
            .await?;
        let ids: Vec<String> = (0..shape.sites)
            .map(|site| format!("load-{tag}-{site}"))
            .collect();
        let furnished = stream::iter(ids.clone())
            .map(|site| furnish(line, site, shape.furnaces))
            .buffer_unordered(AT_ONCE);
        furnished.try_collect::<Vec<()>>().await?;
        let mut furnaces = Vec::with_capacity(shape.sites * shape.furnaces);
        for number in 0..shape.furnaces {
            for site in &ids {
                furnaces.push(format!("sites/{site}/furnaces/f{number}"));
            }
        }
        // Chance may send a third more than expected, and the last firing must not lie in the future.
        let turns = shape.readings + (shape.to_come * 4 / 3).div_ceil(furnaces.len()) + SPARE_TURNS;
        let past_s = i64::try_from(turns)? * lab::HOURS_BETWEEN * 3600;
        let network = Arc::new(Self {
            sites: ids.iter().map(|site| format!("sites/{site}")).collect(),
            furnaces,
            ring_batch: format!("ringBatches/{batch}"),
            start_s: crate::drive::now().as_second() - past_s,
            drawn,
            next: AtomicUsize::new(0),
            page: Mutex::default(),
        });
        // A round after the other: a furnace's readings come in the order of its firings.
        for _ in 0..shape.readings {
            let round: Vec<_> = (0..network.furnaces.len())
                .map(|_| network.recording())
                .collect();
            let recorded = stream::iter(round)
                .map(|ask| {
                    let mut client = ReadingServiceClient::new(line.clone());
                    async move { client.record_reading(ask).await.map(drop) }
                })
                .buffer_unordered(AT_ONCE);
            recorded.try_collect::<Vec<()>>().await?;
        }
        Ok(network)
    }

    /// Sites and furnaces in words.
    pub(crate) fn words(&self) -> String {
        format!(
            "{} sites with {} furnaces",
            self.sites.len(),
            self.furnaces.len()
        )
    }

    /// The next reading that a laboratory reports.
    pub(crate) fn recording(&self) -> v1::RecordReadingRequest {
        let number = self.next.fetch_add(1, Ordering::Relaxed);
        self.reading(number, false)
    }

    /// A reading of a drawn furnace, as looked at before it is recorded: of the firing after the next.
    pub(crate) fn preview(&self, draw: u64) -> v1::RecordReadingRequest {
        let next = self.next.load(Ordering::Relaxed) / self.furnaces.len() + 1;
        let number = next * self.furnaces.len() + place(draw, self.furnaces.len());
        self.reading(number, true)
    }

    fn reading(&self, number: usize, validate_only: bool) -> v1::RecordReadingRequest {
        let furnace = &self.furnaces[number % self.furnaces.len()];
        let turn = i64::try_from(number / self.furnaces.len()).unwrap_or(i64::MAX);
        let fired_s = self.start_s + turn.saturating_mul(lab::HOURS_BETWEEN * 3600);
        // Diameters differ from reading to reading by what a caliper can tell apart.
        let diameter = |salt: usize| {
            let mixed = number.wrapping_mul(2_654_435_761) + salt * 40_503;
            TRUE_RING_MM[(mixed >> 7) % TRUE_RING_MM.len()]
        };
        // A preview leaves nothing behind that a repeat could be told by.
        let mut request_id = String::new();
        if !validate_only {
            let low = u64::try_from(number).unwrap_or(u64::MAX);
            request_id = uuid::Uuid::from_u64_pair(self.drawn, low).to_string();
        }
        let diameters_mm = vec![diameter(1), diameter(2), diameter(3)];
        let reading = lab::reading(furnace, &self.ring_batch, fired_s, diameters_mm);
        v1::RecordReadingRequest {
            parent: furnace.clone(),
            reading: Some(v1::Reading {
                // Among so many made-up readings some are alike by chance.
                answered_questions: vec!["TOO_GOOD".to_owned()],
                ..reading
            }),
            request_id,
            validate_only,
        }
    }

    /// A drawn furnace.
    pub(crate) fn furnace(&self, draw: u64) -> String {
        self.furnaces[place(draw, self.furnaces.len())].clone()
    }

    /// A drawn site.
    pub(crate) fn site(&self, draw: u64) -> String {
        self.sites[place(draw, self.sites.len())].clone()
    }

    /// Takes the token of the next page of a walk, or leaves it for the next who walks; the first page after the last.
    pub(crate) fn next_page(&self, left: Option<String>) -> String {
        let mut page = self.page.lock().unwrap_or_else(PoisonError::into_inner);
        match left {
            Some(token) => std::mem::replace(&mut *page, token),
            None => page.clone(),
        }
    }

    /// The site of a number, each in turn.
    pub(crate) fn site_in_turn(&self, number: usize) -> String {
        self.sites[number % self.sites.len()].clone()
    }
}

fn place(draw: u64, places: usize) -> usize {
    usize::try_from(draw % u64::try_from(places).unwrap_or(u64::MAX)).unwrap_or(0)
}

/// Makes a site with its caliper, furnaces and programmes.
async fn furnish(line: &Line, site: String, furnaces: usize) -> anyhow::Result<()> {
    let bench = lab::bench(&site);
    SiteServiceClient::new(line.clone())
        .create_site(bench)
        .await?;
    let caliper = lab::caliper(&site);
    GaugeServiceClient::new(line.clone())
        .create_gauge(caliper)
        .await?;
    for number in 0..furnaces {
        let furnace = lab::furnace(&site, number);
        FurnaceServiceClient::new(line.clone())
            .create_furnace(furnace)
            .await?;
        let programme = lab::programme(&format!("sites/{site}/furnaces/f{number}"));
        ProgrammeServiceClient::new(line.clone())
            .create_programme(programme)
            .await?;
    }
    Ok(())
}
