//! A demonstration: an invented network with a year of simulated readings, the real service over it,
//! and one reading recorded through the front door.

mod first_reading;
mod scenario;
mod simulator;

use std::io::Write as _;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use ringtrue_store::Store;

use crate::app::App;
use crate::clock::Clock;
use crate::config::Settings;
use crate::ids::Ids;
use crate::lifecycle::{Exit, Lifecycle};
use crate::serve;
use crate::transport::Transport;
use crate::work::serving::Serving;

pub use simulator::simulate;

/// How a demonstration runs.
#[derive(Debug, Clone)]
pub struct Demo {
    /// Folder for the database; a fresh one under the system's folder for temporary files when none.
    pub folder: Option<PathBuf>,
    /// Where to listen.
    pub listen: SocketAddr,
    /// What the simulated year is drawn from.
    pub seed: u64,
    /// Whether to end after the reading is shown.
    pub once: bool,
}

/// Makes the network, serves it, records a reading, and stays up unless told to end.
pub async fn run(demo: &Demo, settings: &Settings, lifecycle: &Lifecycle) -> anyhow::Result<Exit> {
    // Before the network is made: a taken address is told at once.
    let listener = serve::bind(demo.listen).await?;
    let address = listener.local_addr()?;
    let folder = fresh_folder(demo.folder.as_deref())?;
    let file = folder.join("ringtrue.db");
    let mut err = std::io::stderr();
    writeln!(
        err,
        "Making a network with a year of readings in {} ...",
        folder.display()
    )?;
    let clock = Clock::system();
    let now = clock.now();
    let store = Store::open(&file).await?;
    let made = simulate(&store, now, demo.seed, |share| {
        // A broken pipe on the progress line must not end the demonstration.
        drop(write!(std::io::stderr(), "\r  {:3.0} %", share * 100.0));
    })
    .await?;
    writeln!(
        err,
        "\r  {} sites, {} furnaces, {} ring batches, {} readings, {} adjustments in {:.1} s",
        made.sites,
        made.furnaces,
        made.batches,
        made.readings,
        made.adjustments,
        clock.now().duration_since(now).as_secs_f64()
    )?;
    let app = App::start(store.clone(), clock, Ids::system(), lifecycle);
    let serving = Serving::of(&app, settings);
    serving.start(lifecycle);
    serve::start(
        listener,
        &Transport::of(settings)?,
        &app,
        settings,
        lifecycle,
    );
    let shown = first_reading::record(address)
        .await
        .context("recording the first reading")?;
    let mut out = std::io::stdout();
    writeln!(out, "{shown}")?;
    if demo.once {
        lifecycle.drain.cancel();
    } else {
        writeln!(out, "{}", what_next(address, &folder))?;
    }
    out.flush()?;
    let exit = serve::finish(app, settings, lifecycle).await;
    // Told to stop at once, nobody waits for the disk: the write-ahead log is as durable as the file.
    if !lifecycle.stop.is_cancelled() {
        serving.ended().await;
        store.close().await?;
    }
    Ok(exit)
}

fn fresh_folder(wanted: Option<&Path>) -> anyhow::Result<PathBuf> {
    if let Some(folder) = wanted {
        std::fs::create_dir_all(folder)
            .with_context(|| format!("making the folder {}", folder.display()))?;
        let is_empty = std::fs::read_dir(folder)?.next().is_none();
        anyhow::ensure!(
            is_empty,
            "the folder {} is not empty; name a fresh one with --folder",
            folder.display()
        );
        return Ok(folder.to_owned());
    }
    let parent = std::env::temp_dir();
    for number in 1..10_000 {
        let folder = parent.join(format!("ringtrue-demo-{number}"));
        match std::fs::create_dir(&folder) {
            Ok(()) => return Ok(folder),
            Err(fault) if fault.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(fault) => {
                return Err(fault).with_context(|| format!("making {}", folder.display()));
            }
        }
    }
    anyhow::bail!(
        "no fresh folder under {}; name one with --folder",
        parent.display()
    )
}

fn what_next(address: SocketAddr, folder: &Path) -> String {
    let ringtrue = "cargo run --release -q -p ringtrue --";
    format!(
        "The network stays up at {address} (Ctrl-C ends it; its data stays in {}).\n\
         Try next, in another terminal:\n\n\
         \x20 export RINGTRUE_ENDPOINT=http://{address} RINGTRUE_SITE=alder\n\
         \x20 {ringtrue} site list\n\
         \x20 {ringtrue} furnace list\n\
         \x20 {ringtrue} furnace show k2\n\
         \x20 {ringtrue} reading list k2\n\
         \x20 {ringtrue} reading show --furnace k9 --budget\n\
         \x20 {ringtrue} reading preview k2 --batch ring-7 --gauge cal-1 \\\n\
         \x20     --diameters 19.55 19.56 19.55 --fired \"yesterday 18:00\"\n\
         \x20 {ringtrue} reading add              # asks step by step\n\
         \x20 {ringtrue} adjustment confirm k9 --setpoint 1481\n\
         \x20 {ringtrue} qc overview              # all sites together\n\
         \x20 {ringtrue} qc furnaces --order risk\n\
         \x20 {ringtrue} qc findings\n",
        folder.display()
    )
}
