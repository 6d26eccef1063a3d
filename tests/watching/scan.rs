//! Looking at what is due in a very large network: all of it at once, as after an upgrade, and then only where
//! something was recorded.

use std::fmt;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use futures::stream::{self, StreamExt as _};
use jiff::SignedDuration;
use ringtrue_calibration::rings::Ring;
use ringtrue_fleet::act::{ActDetails, ActKind, ActSubject};
use ringtrue_fleet::caller::{Caller, Scope};
use ringtrue_fleet::due::Planner;
use ringtrue_fleet::key::{BatchId, GaugeId, GaugeKey, ProgrammeId, ProgrammeKey, SiteId};
use ringtrue_fleet::reading::{MeasuredRing, Purpose, RawMethod, RawReport};
use ringtrue_fleet::task::TaskKind;
use ringtrue_server::app::{self, App, Looked};
use ringtrue_server::clock::Clock;
use ringtrue_server::ids::Ids;
use ringtrue_server::lifecycle::Lifecycle;
use ringtrue_store::{Request, Store};

use crate::network::{FURNACES, fired_at, furnace_key, furnish, site};

/// Readings under way at once while the network is made.
const IN_FLIGHT: usize = 64;

/// Rounds of looking at all.
const ROUNDS: usize = 5;

/// What was measured.
pub(crate) struct Measured {
    furnaces: usize,
    made: Duration,
    /// Working out what is due everywhere from the records: reading, and deciding; the medians.
    scan: (Duration, Duration),
    /// Tasks that this gave.
    tasks: usize,
    /// The first look, which raises alerts for all that is due.
    first: (Duration, Looked),
    /// Looks at all again, nothing changed: the median.
    again: Duration,
    /// Nothing recorded, nothing foreseen.
    idle: Duration,
    /// By number of sites where something was recorded.
    changed: Vec<(usize, Duration)>,
}

impl fmt::Display for Measured {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{} furnaces at {} sites (made in {:.0} s)",
            self.furnaces,
            self.furnaces.div_ceil(FURNACES),
            self.made.as_secs_f64()
        )?;
        writeln!(
            f,
            "  what is due everywhere: {:.2} s, of which {:.2} s reading and {:.2} s deciding; {} tasks (goal: \
             below 2)",
            (self.scan.0 + self.scan.1).as_secs_f64(),
            self.scan.0.as_secs_f64(),
            self.scan.1.as_secs_f64(),
            self.tasks
        )?;
        writeln!(
            f,
            "  first look at all: {:.2} s with {} alerts raised",
            self.first.0.as_secs_f64(),
            self.first.1.changes
        )?;
        writeln!(
            f,
            "  look at all again, with so many alerts open: {:.2} s, the median of {ROUNDS}",
            self.again.as_secs_f64()
        )?;
        writeln!(
            f,
            "  nothing waits: {:.3} ms",
            self.idle.as_secs_f64() * 1e3
        )?;
        for (sites, took) in &self.changed {
            writeln!(
                f,
                "  something recorded at {sites} sites: {:.1} ms",
                took.as_secs_f64() * 1e3
            )?;
        }
        Ok(())
    }
}

pub(crate) async fn measured(furnaces: usize) -> anyhow::Result<Measured> {
    let folder = tempfile::tempdir()?;
    let store = Store::open(&folder.path().join("ringtrue.db")).await?;
    let lifecycle = Lifecycle::new();
    let clock = Clock::manual(fired_at(1439, 0) + SignedDuration::from_hours(24));
    let app = App::start(store.clone(), clock.clone(), Ids::seeded(1), &lifecycle);
    let began = Instant::now();
    furnish(&store, &app, furnaces).await?;
    let recordings = stream::iter((0..furnaces).map(|number| record(&app, number, 0)));
    let outcomes: Vec<anyhow::Result<()>> = recordings.buffer_unordered(IN_FLIGHT).collect().await;
    for outcome in outcomes {
        outcome?;
    }
    store.fold_log().await?;
    let made = began.elapsed();
    // A day on which some are due, most are not: four weeks less two days later.
    clock.advance(SignedDuration::from_hours(24 * 26))?;
    let mut scans = Vec::new();
    for _ in 0..ROUNDS {
        scans.push(scanned(&app, furnaces).await?);
    }
    scans.sort_unstable_by_key(|(reading, deciding, _)| *reading + *deciding);
    let (reading, deciding, tasks) = scans[ROUNDS / 2];
    let first = look(&app).await?;
    let mut again = Vec::new();
    for _ in 0..ROUNDS {
        let mut tx = store
            .begin("benchmark", &Scope::for_work("benchmark"))
            .await?;
        tx.look_everywhere().await?;
        tx.commit().await?;
        again.push(look(&app).await?.0);
    }
    again.sort_unstable();
    let idle = look(&app).await?.0;
    let mut changed = Vec::new();
    let all = furnaces.div_ceil(FURNACES);
    for sites in [1, 10, 100].into_iter().filter(|sites| *sites <= all) {
        for site in 0..sites {
            act(&app, site * FURNACES).await?;
        }
        let (took, looked) = look(&app).await?;
        anyhow::ensure!(looked.sites == sites, "{} of {sites} sites", looked.sites);
        changed.push((sites, took));
    }
    lifecycle.drain.cancel();
    Ok(Measured {
        furnaces,
        made,
        scan: (reading, deciding),
        tasks,
        first,
        again: again[ROUNDS / 2],
        idle,
        changed,
    })
}

/// Sites whose records are read at once.
const SITES_AT_ONCE: usize = 500;

/// Works out what is due at every site.
async fn scanned(app: &App, furnaces: usize) -> anyhow::Result<(Duration, Duration, usize)> {
    let read = app.store.read(&Scope::for_work("benchmark"));
    let now = app.clock.now();
    let sites: Vec<SiteId> = (0..furnaces.div_ceil(FURNACES))
        .map(|number| site(number).key)
        .collect();
    let mut planner = Planner::default();
    let (mut reading, mut deciding, mut tasks) = (Duration::ZERO, Duration::ZERO, 0);
    for some in sites.chunks(SITES_AT_ONCE) {
        let began = Instant::now();
        let records = read.site_records(some).await?;
        reading += began.elapsed();
        let began = Instant::now();
        for site in &records {
            tasks += planner.due_tasks(site, now).len();
        }
        deciding += began.elapsed();
    }
    Ok((reading, deciding, tasks))
}

async fn look(app: &App) -> anyhow::Result<(Duration, Looked)> {
    let began = Instant::now();
    let looked = app::look(&app.store, &app.clock, &app.ids, &app.alerts, "benchmark")
        .await?
        .context("nobody else looks")?;
    Ok((began.elapsed(), looked))
}

async fn record(app: &App, number: usize, round: i64) -> anyhow::Result<()> {
    let furnace = furnace_key(number);
    let fired = fired_at(number, round);
    // Hundredths of a millimetre that differ from furnace to furnace, around 19.47 mm.
    let diameter = 19.45 + 0.01 * f64::from(u8::try_from(number % 5).unwrap_or(0));
    let report = RawReport {
        programme: Some(ProgrammeKey {
            furnace: furnace.clone(),
            programme: ProgrammeId::new("p")?,
        }),
        setpoint_c: None,
        method: Some(RawMethod::Rings {
            batch: Some(BatchId::new("b")?),
            gauge: Some(GaugeKey {
                site: furnace.site.clone(),
                gauge: GaugeId::new("g")?,
            }),
            rings: vec![MeasuredRing {
                ring: Ring {
                    position: "centre".to_owned(),
                    diameters_mm: vec![diameter, diameter + 0.01, diameter],
                },
                serial_number: String::new(),
            }],
            zero_mm: Some(0.0),
            ring_temperature_c: Some(22.0),
        }),
        fired_at: Some(fired),
        measured_at: Some(fired + SignedDuration::from_hours(3)),
        purpose: Purpose::Routine,
        performed_by: "t1".to_owned(),
        note: String::new(),
        answered: Vec::new(),
        furnace,
    };
    app::record_reading(app, &Caller::local(None), report, &Request::NONE).await?;
    Ok(())
}

async fn act(app: &App, number: usize) -> anyhow::Result<()> {
    let furnace = furnace_key(number);
    let site = furnace.site.clone();
    let details = ActDetails {
        kind: Some(ActKind::Done),
        task: Some(TaskKind::BeadReplacement),
        subject: Some(ActSubject::Furnace(furnace)),
        acted_at: app.clock.now(),
        reason: String::new(),
        chamber_was_empty: false,
        performed_by: "t1".to_owned(),
    };
    app::record_act(app, &Caller::local(None), &site, details, &Request::NONE).await?;
    Ok(())
}
