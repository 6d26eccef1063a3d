//! Durable recordings on SQLite beside an empty call through the same transport and beside a bare insert of the same
//! rows on the same disk, in one run.

use std::io::Write as _;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::Context as _;

use crate::door::Door;
use crate::{bare, drive, lab, process, report};

/// What is recorded, and how often.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// Readings to record.
    #[arg(long, default_value_t = 20_000)]
    readings: usize,
    /// Requests in flight.
    #[arg(long, default_value_t = 64)]
    in_flight: usize,
    /// How often everything is repeated, alternating; the median counts.
    #[arg(long, default_value_t = 3)]
    rounds: usize,
    /// Folder for the databases; they are removed at the end.
    #[arg(long)]
    folder: Option<PathBuf>,
}

/// Measures all rounds and prints each and their median.
pub(crate) async fn measure(arguments: &Arguments) -> anyhow::Result<()> {
    let parent = arguments
        .folder
        .clone()
        .unwrap_or_else(|| PathBuf::from("target/load"));
    std::fs::create_dir_all(&parent)?;
    let mut out = std::io::stdout();
    let mut rounds = Vec::new();
    for round in 1..=arguments.rounds {
        let folder = parent.join(format!("round-{round}"));
        if folder.exists() {
            std::fs::remove_dir_all(&folder)?;
        }
        std::fs::create_dir_all(&folder)?;
        let measured = one_round(arguments, &folder).await?;
        writeln!(out, "round {round}\n{}", measured.table())?;
        std::fs::remove_dir_all(&folder)?;
        rounds.push(measured);
    }
    writeln!(
        out,
        "median of {} rounds\n{}",
        rounds.len(),
        report::Round::median(&rounds).table()
    )?;
    Ok(())
}

/// Records through TLS with a token, on an installation as `ringtrue-server setup` makes it.
async fn secured(arguments: &Arguments, folder: &std::path::Path) -> anyhow::Result<report::Calls> {
    let (server, code) = process::RealServer::start_secured(folder)?;
    let authority = folder.join("tls/authority.pem");
    let door = Door::secured(&server.endpoint, &authority, &code).await?;
    let lab = lab::furnish(&door).await?;
    let recorded = drive::recordings(&door, &lab, arguments.readings, arguments.in_flight).await?;
    server.stop()?;
    Ok(recorded)
}

async fn one_round(
    arguments: &Arguments,
    folder: &std::path::Path,
) -> anyhow::Result<report::Round> {
    // A build or a round before may still be writing back; what is measured should not wait for it.
    process::settle_disk();
    let fsync = bare::fsync_probe(folder)?;

    let empty = process::EmptyServer::start()?;
    let open = Door::open(&empty.endpoint);
    let empty_call = drive::empty_calls(&open, arguments.readings, arguments.in_flight)
        .await
        .context("empty calls")?;
    drop(empty);

    // With TLS and a token first: every figure after it compares with the plain one.
    let secured = secured(arguments, &folder.join("secured"))
        .await
        .context("secured")?;
    process::settle_disk();

    let server = process::RealServer::start(folder)?;
    let door = Door::open(&server.endpoint);
    tokio::time::sleep(Duration::from_millis(300)).await;
    let idle_kib = server.resident_kib()?;
    let lab = lab::furnish(&door)
        .await
        .context("furnishing the laboratory")?;
    let recorded = drive::recordings(&door, &lab, arguments.readings, arguments.in_flight)
        .await
        .context("recording")?;
    let alone = drive::recordings(&door, &lab.later(), 300, 1)
        .await
        .context("alone")?;
    let after_kib = server.resident_kib()?;
    let command = process::command_line(&server.endpoint).context("command line")?;
    let database = server.stop()?;

    let rows = bare::Rows::of(&database, arguments.readings)
        .await
        .context("reading rows back")?;
    process::settle_disk();
    let bare_groups = bare::insert(folder, &rows, 64)
        .await
        .context("bare, groups of 64")?;
    // One transaction per reading is slow; a tenth of the rows tells its rate.
    let bare_single = bare::insert(folder, &rows.first(arguments.readings / 10), 1)
        .await
        .context("bare, one each")?;
    process::settle_disk();
    let c_groups = bare::insert_by_c(folder, &database, arguments.readings, 64).await?;
    let c_single = bare::insert_by_c(folder, &database, arguments.readings / 10, 1).await?;
    Ok(report::Round {
        fsync,
        empty_call,
        recorded,
        secured,
        alone,
        bare_single,
        bare_groups,
        c_single,
        c_groups,
        idle_kib,
        after_kib,
        command,
    })
}
