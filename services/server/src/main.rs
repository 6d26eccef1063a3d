//! The server's command line.

use std::io::Write as _;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::Context as _;
use clap::{Parser, Subcommand};
use ringtrue_server::app;
use ringtrue_server::config::{Overrides, Settings};
use ringtrue_server::demo::{self, Demo};
use ringtrue_server::lifecycle::{Exit, Lifecycle};
use ringtrue_server::serve;
use ringtrue_server::telemetry::Telemetry;
use ringtrue_store::Store;

/// The Ringtrue service: calibration fleet management of sintering furnaces.
///
/// Settings come from defaults, then the file, then the environment (RINGTRUE_SERVER__LISTEN and so on),
/// then flags; deploy/server.toml lists them all. Exit codes: 0 done, 1 failed, 64 usage, 70 a background
/// task died, 75 work was cut short, 78 settings cannot be used.
#[derive(Debug, Parser)]
#[command(name = "ringtrue-server", version)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Serve until SIGTERM or Ctrl-C; a second signal stops at once.
    Serve(Given),
    /// Make an invented network with a year of readings, serve it and record one reading.
    Demo {
        /// Folder for the database, empty or new; a fresh temporary one when left out.
        #[arg(long)]
        folder: Option<PathBuf>,
        /// Address to listen on; port 0 takes a free one.
        #[arg(long, default_value = "127.0.0.1:7145")]
        listen: SocketAddr,
        /// What the simulated year is drawn from.
        #[arg(long, default_value_t = 7)]
        seed: u64,
        /// End after the reading is shown.
        #[arg(long)]
        once: bool,
    },
    /// Make or migrate the database, then end.
    Migrate(Given),
    /// Prove that no record was altered: every audit chain, every record, every evaluation.
    Verify(Given),
    /// Work everything derived out again from the records, with the server stopped.
    Rebuild(Given),
    /// Check the settings and show those in force, secrets hidden.
    CheckConfig(Given),
}

/// Where settings are given.
#[derive(Debug, clap::Args)]
struct Given {
    /// Settings file (TOML).
    #[arg(long)]
    config: Option<PathBuf>,
    /// Address to listen on, on this machine only.
    #[arg(long)]
    listen: Option<String>,
    /// Path of the database file.
    #[arg(long)]
    database: Option<String>,
    /// What to log, for example `info` or `ringtrue_server=debug,info`.
    #[arg(long)]
    log_filter: Option<String>,
    /// Log as text or json.
    #[arg(long)]
    log_format: Option<String>,
}

impl Given {
    fn settings(&self) -> Result<Settings, Exit> {
        let flags = Overrides {
            listen: self.listen.clone(),
            database: self.database.clone(),
            log_filter: self.log_filter.clone(),
            log_format: self.log_format.clone(),
            ..Overrides::default()
        };
        Settings::load(self.config.as_deref(), &flags).map_err(|faults| {
            say(&format!("ringtrue-server: {faults}"));
            Exit::Config
        })
    }
}

/// Tells a person on the standard error stream; a closed stream is no reason to fail.
fn say(words: &str) {
    drop(writeln!(std::io::stderr(), "{words}"));
}

fn main() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(fault) => {
            drop(fault.print());
            return if fault.use_stderr() {
                Exit::Usage.into()
            } else {
                Exit::Clean.into()
            };
        }
    };
    let runtime = match tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
    {
        Ok(runtime) => runtime,
        Err(fault) => {
            say(&format!(
                "ringtrue-server: the runtime cannot start: {fault}"
            ));
            return ExitCode::FAILURE;
        }
    };
    match runtime.block_on(run(arguments.command)) {
        Ok(code) => code,
        Err(fault) => {
            say(&format!("ringtrue-server: {fault:#}"));
            ExitCode::FAILURE
        }
    }
}

async fn run(command: Command) -> anyhow::Result<ExitCode> {
    match command {
        Command::Serve(given) => match given.settings() {
            Ok(settings) => serving(&settings, None).await,
            Err(exit) => Ok(exit.into()),
        },
        Command::Demo {
            folder,
            listen,
            seed,
            once,
        } => {
            let flags = Overrides {
                listen: Some(listen.to_string()),
                log_filter: Some("warn".to_owned()),
                ..Overrides::default()
            };
            match Settings::load(None, &flags) {
                Ok(settings) => {
                    serving(
                        &settings,
                        Some(Demo {
                            folder,
                            listen,
                            seed,
                            once,
                        }),
                    )
                    .await
                }
                Err(faults) => {
                    say(&format!("ringtrue-server: {faults}"));
                    Ok(Exit::Config.into())
                }
            }
        }
        Command::Migrate(given) => with_settings(&given, migrate).await,
        Command::Verify(given) => with_settings(&given, verify).await,
        Command::Rebuild(given) => with_settings(&given, rebuild).await,
        Command::CheckConfig(given) => with_settings(&given, check_config).await,
    }
}

async fn with_settings(
    given: &Given,
    act: impl AsyncFnOnce(&Settings) -> anyhow::Result<ExitCode>,
) -> anyhow::Result<ExitCode> {
    match given.settings() {
        Ok(settings) => act(&settings).await,
        Err(exit) => Ok(exit.into()),
    }
}

async fn serving(settings: &Settings, demo: Option<Demo>) -> anyhow::Result<ExitCode> {
    let telemetry = Telemetry::start(settings)?;
    let lifecycle = Lifecycle::new();
    lifecycle.on_signals().context("listening for signals")?;
    let ended = match demo {
        None => serve::run(settings, &lifecycle).await,
        Some(demo) => demo::run(&demo, settings, &lifecycle).await,
    };
    // Flushed after a failure too: that is when traces are wanted.
    telemetry.shutdown().await;
    Ok(ended?.into())
}

async fn existing(settings: &Settings) -> anyhow::Result<Store> {
    let file = Path::new(&settings.database);
    anyhow::ensure!(
        file.exists(),
        "there is no database {}; name it with --database or --config",
        file.display()
    );
    Store::open_existing(file)
        .await
        .with_context(|| format!("opening the database {}", file.display()))
}

async fn migrate(settings: &Settings) -> anyhow::Result<ExitCode> {
    Store::migrate(settings.database.as_ref())
        .await
        .with_context(|| format!("migrating the database {}", settings.database))?;
    say(&format!("{} is up to date.", settings.database));
    Ok(ExitCode::SUCCESS)
}

async fn verify(settings: &Settings) -> anyhow::Result<ExitCode> {
    let store = existing(settings).await?;
    let verified = store.verify().await.context("verifying")?;
    store.close().await?;
    let mut out = std::io::stdout();
    writeln!(
        out,
        "{} audit entries, {} readings, {} evaluations worked out again",
        verified.entries, verified.readings, verified.reproduced
    )?;
    if verified.of_other_versions > 0 {
        writeln!(
            out,
            "{} evaluations were made by another version of the mathematics and were compared with \
             their entries only",
            verified.of_other_versions
        )?;
    }
    if verified.faults.is_empty() {
        writeln!(out, "All as recorded.")?;
        return Ok(ExitCode::SUCCESS);
    }
    for fault in &verified.faults {
        writeln!(out, "FAULT: {fault}")?;
    }
    writeln!(
        out,
        "{} faults. Stop the server, keep this file as evidence, and restore the last good backup.",
        verified.faults.len()
    )?;
    Ok(ExitCode::FAILURE)
}

async fn rebuild(settings: &Settings) -> anyhow::Result<ExitCode> {
    let store = existing(settings).await?;
    let rebuilt = app::rebuild(&store).await.context("rebuilding")?;
    store.close().await?;
    say(&format!(
        "{} furnaces worked out again, {} differed from what was kept; {} gauges worked out again.",
        rebuilt.furnaces, rebuilt.differed, rebuilt.gauges
    ));
    Ok(ExitCode::SUCCESS)
}

async fn check_config(settings: &Settings) -> anyhow::Result<ExitCode> {
    write!(std::io::stdout(), "{}", settings.effective())?;
    Ok(ExitCode::SUCCESS)
}
