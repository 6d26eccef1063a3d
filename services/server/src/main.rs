//! The server's command line.

use std::io::Write as _;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::Context as _;
use clap::{Parser, Subcommand};
use data_encoding::HEXLOWER;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan as _};
use ringtrue_fleet::backtest::Span;
use ringtrue_fleet::enrolment::USUAL_VALID_MIN;
use ringtrue_fleet::key::SiteId;
use ringtrue_server::app::{self, BacktestProgress, Because};
use ringtrue_server::backtest;
use ringtrue_server::clock::Clock;
use ringtrue_server::config::{Overrides, Settings};
use ringtrue_server::copying;
use ringtrue_server::demo::{self, Demo};
use ringtrue_server::ids::Ids;
use ringtrue_server::lifecycle::{Exit, Lifecycle};
use ringtrue_server::seal::Seal;
use ringtrue_server::serve;
use ringtrue_server::setup::{self, First};
use ringtrue_server::telemetry::Telemetry;
use ringtrue_server::transport::Transport;
use ringtrue_server::verification;
use ringtrue_store::{Address, CopyWish, Location, Store};

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
    /// Make what a first installation needs: an authority, the server's certificate, settings, a database.
    ///
    /// The authority is the network's own: nobody else can make certificates for it, and clients know it by its
    /// pin, which is printed. Nothing that exists is written over. With --renew only the server's certificate is
    /// made anew, and a running server takes it by itself.
    Setup {
        /// Folder of the installation; made when it is not there.
        #[arg(long)]
        folder: PathBuf,
        /// Host name or address under which clients reach the server; may be given several times. With --renew the
        /// names stay when it is left out.
        #[arg(long = "name", value_name = "HOST", required_unless_present = "renew")]
        names: Vec<String>,
        /// Address to listen on.
        #[arg(long, default_value = "0.0.0.0:7145", conflicts_with = "renew")]
        listen: SocketAddr,
        /// Staff code of the first administrator: a one-time code is printed with which they enrol.
        #[arg(long, value_name = "CODE", conflicts_with = "renew")]
        administrator: Option<String>,
        /// Make a new certificate of the server from the authority of an earlier setup.
        #[arg(long)]
        renew: bool,
    },
    /// Issue a client certificate from the authority that setup made, and print its SHA-256.
    ClientCertificate {
        /// Folder that setup made.
        #[arg(long)]
        folder: PathBuf,
        /// Whose certificate it is, at most 64 characters.
        #[arg(long)]
        name: String,
        /// Where to write it: this path with .pem, and with .key for the private key.
        #[arg(long, value_name = "FILE-PREFIX")]
        out: PathBuf,
    },
    /// Make or migrate the database, then end.
    Migrate(Given),
    /// Make a one-time code with which an administrator enrols: the first one, or one again when every credential
    /// is lost. The server may run meanwhile.
    EnrolAdministrator {
        /// Staff code of the administrator.
        #[arg(long, value_name = "CODE")]
        person: String,
        /// Minutes that the code is good.
        #[arg(long, value_name = "MIN", default_value_t = USUAL_VALID_MIN)]
        valid_min: u16,
        #[command(flatten)]
        given: Given,
    },
    /// Prove that no record was altered: every audit chain, every record, every evaluation.
    Verify(Proving),
    /// Make the key that signs checkpoints of the audit chains, and print its public key.
    AuditKey {
        /// The new file; nothing is overwritten.
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
    },
    /// Copy a whole installation into another database, SQLite's or PostgreSQL's, and compare the two.
    ///
    /// Stop every server of the source first. The target is made and migrated; it must hold no records. A copy that
    /// was interrupted goes on when the same command is given again, and until it is whole nobody can serve the
    /// target. In the end each table of both is compared by count and SHA-256, and any difference is an error.
    ///
    /// On PostgreSQL both addresses name the owner, ringtrue_migrator. Passwords are taken from
    /// RINGTRUE_COPY_FROM_PASSWORD and RINGTRUE_COPY_TO_PASSWORD, never from the command line.
    ///
    /// Afterwards: run `verify` on the target, name it in the servers' settings (`database`), start them, and keep
    /// the source as a record that nobody writes to any more.
    Copy(CopyAsked),
    /// Work everything derived out again from the records, with the server stopped.
    Rebuild(Given),
    /// Fit the network now: work out what all sites' readings say together about batches and gauges.
    Refit(Given),
    /// Go through the stored history and say how each way of deciding setpoints would have done.
    Backtest(PastAsked),
    /// Check the settings and show those in force, secrets hidden.
    CheckConfig(Given),
}

/// Which part of the history a backtest judges.
#[derive(Debug, clap::Args)]
struct PastAsked {
    /// First day whose firings are judged (UTC); earlier ones are only learnt from.
    #[arg(long, value_name = "DATE")]
    from: Option<Date>,
    /// Last day that is looked at (UTC).
    #[arg(long, value_name = "DATE")]
    until: Option<Date>,
    /// Judge only this site's furnaces; all sites' readings are learnt from.
    #[arg(long, value_name = "ID", value_parser = SiteId::new)]
    site: Option<SiteId>,
    /// Print JSON for programs.
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    given: Given,
}

/// What is copied where.
#[derive(Debug, clap::Args)]
struct CopyAsked {
    /// What is copied: a file, or an address such as
    /// `postgres://ringtrue_migrator@db.example.org/ringtrue?sslmode=verify-full`.
    #[arg(long, value_name = "LOCATION")]
    from: String,
    /// Where it goes: a new file, or a new, empty database.
    #[arg(long, value_name = "LOCATION")]
    to: String,
    /// Copy although servers are at work on the source, to see how long it takes: what they record meanwhile is
    /// not in the copy.
    #[arg(long)]
    rehearse: bool,
    /// Print JSON for programs.
    #[arg(long)]
    json: bool,
}

/// What is known from outside the database.
#[derive(Debug, clap::Args)]
struct Proving {
    /// Public key that checkpoints must be signed by: 64 hexadecimal digits, or a file that holds them;
    /// that of `audit.key` when left out. Give it again for each key that this installation has had; without the
    /// earlier ones, what the present key signed vouches for what came before it.
    #[arg(long, value_name = "KEY")]
    public_key: Vec<String>,
    /// Checkpoints that were kept elsewhere, one JSON object a line, as `audit.witness` and
    /// `ringtrue audit checkpoints` write them.
    #[arg(long, value_name = "FILE")]
    witness: Option<PathBuf>,
    #[command(flatten)]
    given: Given,
}

/// Where settings are given.
#[derive(Debug, clap::Args)]
struct Given {
    /// Settings file (TOML).
    #[arg(long)]
    config: Option<PathBuf>,
    /// Address to listen on; beyond this machine only with a certificate in [tls].
    #[arg(long)]
    listen: Option<String>,
    /// The database: path of a file, or address on PostgreSQL such as
    /// `postgres://ringtrue_server@db.example.org/ringtrue?sslmode=verify-full`.
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

/// A fault with its causes, each told once: many say in their own words what caused them.
fn in_words(fault: &anyhow::Error) -> String {
    let mut words = String::new();
    let mut last = String::new();
    for cause in fault.chain() {
        let text = cause.to_string();
        if !last.ends_with(&text) {
            words.push_str(if words.is_empty() { "" } else { ": " });
            words.push_str(&text);
        }
        last = text;
    }
    words
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
            say(&format!("ringtrue-server: {}", in_words(&fault)));
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
        Command::Setup {
            folder,
            names,
            listen,
            administrator,
            renew,
        } => {
            let now = Clock::system().now();
            let words = if renew {
                setup::renew(&folder, &names, now)?
            } else {
                let first = First {
                    folder,
                    names,
                    listen,
                    administrator,
                };
                first.make(now).await?
            };
            told(&words)
        }
        Command::ClientCertificate { folder, name, out } => {
            let now = Clock::system().now();
            told(&setup::client_certificate(&folder, &name, &out, now)?)
        }
        Command::Migrate(given) => with_settings(&given, migrate).await,
        Command::EnrolAdministrator {
            person,
            valid_min,
            given,
        } => {
            with_settings(&given, async |settings| {
                enrol_administrator(settings, &person, valid_min).await
            })
            .await
        }
        Command::Verify(asked) => {
            with_settings(&asked.given, async |settings| {
                verify(settings, &asked).await
            })
            .await
        }
        Command::AuditKey { out } => audit_key(&out),
        Command::Copy(asked) => copied(&asked).await,
        Command::Rebuild(given) => with_settings(&given, rebuild).await,
        Command::Refit(given) => with_settings(&given, refit).await,
        Command::Backtest(asked) => {
            with_settings(&asked.given, async |settings| {
                backtested(settings, &asked).await
            })
            .await
        }
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

/// Where the database is for work that takes its time and is not to be ended for it.
fn unhurried(settings: &Settings) -> Location {
    match settings.location() {
        Location::Postgres(address) => Location::Postgres(Address {
            longest_statement: None,
            ..address
        }),
        file @ Location::File(_) => file,
    }
}

async fn existing(settings: &Settings) -> anyhow::Result<Store> {
    let location = unhurried(settings);
    if let Location::File(file) = &location {
        anyhow::ensure!(
            file.exists(),
            "there is no database {}; name it with --database or --config",
            file.display()
        );
    }
    Store::open_existing(location)
        .await
        .with_context(|| format!("opening the database {}", settings.database_shown()))
}

async fn migrate(settings: &Settings) -> anyhow::Result<ExitCode> {
    Store::migrate(unhurried(settings))
        .await
        .with_context(|| format!("migrating the database {}", settings.database_shown()))?;
    say(&format!("{} is up to date.", settings.database_shown()));
    Ok(ExitCode::SUCCESS)
}

/// The code alone goes to the standard output, for whoever hands it on by a program.
async fn enrol_administrator(
    settings: &Settings,
    person: &str,
    valid_min: u16,
) -> anyhow::Result<ExitCode> {
    let store = existing(settings).await?;
    let (clock, ids) = (Clock::system(), Ids::system());
    let made = app::first_administrator(&store, &clock, &ids, person, valid_min).await;
    store.close().await?;
    let (enrolment, code) = made.context("making the code")?;
    writeln!(std::io::stdout(), "{}", code.text())?;
    say(&format!(
        "The code makes one credential of an administrator for {person}, until {}. Enrol where it is to be used: \
         ringtrue enrol. It is shown this once; {} is in the audit chain.",
        enrolment.expires_at,
        enrolment.key.name()
    ));
    Ok(ExitCode::SUCCESS)
}

async fn verify(settings: &Settings, asked: &Proving) -> anyhow::Result<ExitCode> {
    let mut public_keys = Vec::new();
    for given in &asked.public_key {
        public_keys.push(verification::public_key(given)?);
    }
    if public_keys.is_empty()
        && let Some(seal) = Seal::named_by(settings)?
    {
        public_keys.push(seal.public_key().to_vec());
    }
    let kept = match &asked.witness {
        Some(file) => verification::kept_checkpoints(file)?,
        None => Vec::new(),
    };
    let store = existing(settings).await?;
    let verified = verification::verified(&store, &public_keys, &kept).await;
    store.close().await?;
    let verified = verified.context("verifying")?;
    let words = verification::words(&verified, !public_keys.is_empty(), asked.witness.is_some());
    write!(std::io::stdout(), "{words}")?;
    Ok(if verified.faults.is_empty() {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    })
}

async fn copied(asked: &CopyAsked) -> anyhow::Result<ExitCode> {
    let (from, to) = match (
        copying::location(&asked.from, "FROM"),
        copying::location(&asked.to, "TO"),
    ) {
        (Ok(from), Ok(to)) => (from, to),
        (Err(fault), _) | (_, Err(fault)) => {
            say(&format!("ringtrue-server: {fault}"));
            return Ok(Exit::Usage.into());
        }
    };
    copying::check_source(&from).map_err(anyhow::Error::msg)?;
    let clock = Clock::system();
    let wish = CopyWish {
        now: clock.now(),
        rehearses: asked.rehearse,
    };
    let mut told = copying::Told::new(clock.now());
    let copied = Store::copy(&from, &to, wish, &mut |step| {
        if let Some(line) = told.line(step, clock.now()) {
            say(&line);
        }
    })
    .await
    .context("copying")?;
    let mut out = std::io::stdout();
    if asked.json {
        writeln!(out, "{:#}", copying::document(&copied, wish))?;
    } else {
        write!(out, "{}", copying::words(&copied, wish))?;
    }
    Ok(if copied.is_whole(wish) {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    })
}

fn audit_key(out: &Path) -> anyhow::Result<ExitCode> {
    let seal = Seal::make(out)?;
    writeln!(std::io::stdout(), "{}", HEXLOWER.encode(seal.public_key()))?;
    say(&format!(
        "{} signs checkpoints once audit.key names it; only its owner may read it. Above is its public key: \
         keep it, and a copy of the file, where nobody who can write the database can change them.",
        out.display()
    ));
    Ok(ExitCode::SUCCESS)
}

async fn rebuild(settings: &Settings) -> anyhow::Result<ExitCode> {
    let store = existing(settings).await?;
    let rebuilt = app::rebuild(&store).await.context("rebuilding")?;
    // What was kept of the network rested on what was rebuilt.
    let clock = Clock::system();
    let owner = Ids::system().uuid(clock.now()).to_string();
    let refitted = app::refit(&store, &clock, &owner, Because::Asked)
        .await
        .context("fitting the network")?;
    store.close().await?;
    if refitted.is_none() {
        say(
            "The network was not fitted: another process does it, or ended while it did. The next start \
             of the server makes up for it.",
        );
    }
    say(&format!(
        "{} furnaces worked out again, {} differed from what was kept; {} gauges worked out again.",
        rebuilt.furnaces, rebuilt.differed, rebuilt.gauges
    ));
    Ok(ExitCode::SUCCESS)
}

async fn refit(settings: &Settings) -> anyhow::Result<ExitCode> {
    let store = existing(settings).await?;
    let clock = Clock::system();
    let owner = Ids::system().uuid(clock.now()).to_string();
    let refitted = app::refit(&store, &clock, &owner, Because::Asked).await;
    store.close().await?;
    let Some(done) = refitted.context("fitting the network")? else {
        say("Another process is fitting this network now; its result stands in a moment.");
        return Ok(ExitCode::FAILURE);
    };
    say(&format!(
        "Fit {}: {} sites, {} furnaces, {} readings put together.",
        done.fit.number, done.sites, done.furnaces, done.fit.readings
    ));
    Ok(ExitCode::SUCCESS)
}

async fn backtested(settings: &Settings, asked: &PastAsked) -> anyhow::Result<ExitCode> {
    let span = Span {
        from: asked.from.map(start_of_day).transpose()?,
        until: match asked.until {
            Some(last) => Some(start_of_day(last.checked_add(1.day())?)?),
            None => None,
        },
        site: asked.site.clone(),
    };
    if let (Some(from), Some(until)) = (span.from, span.until)
        && from >= until
    {
        say("ringtrue-server: --from lies after --until; exchange them");
        return Ok(Exit::Usage.into());
    }
    let store = existing(settings).await?;
    let done = app::backtest(&store, span, told_now_and_then()).await;
    store.close().await?;
    let done = done.context("going through the history")?;
    let report = match done.outcome {
        Ok(report) => report,
        Err(reason) => {
            say(&format!("ringtrue-server: {reason}"));
            return Ok(ExitCode::FAILURE);
        }
    };
    let mut out = std::io::stdout();
    if asked.json {
        let document = backtest::document(&report, done.components_at);
        writeln!(out, "{document:#}")?;
    } else {
        write!(out, "{}", backtest::words(&report, done.components_at))?;
    }
    Ok(ExitCode::SUCCESS)
}

fn start_of_day(day: Date) -> anyhow::Result<Timestamp> {
    Ok(TimeZone::UTC.to_timestamp(day.at(0, 0, 0, 0))?)
}

/// Fewest readings that take long enough for people to be told in between.
const MANY_READINGS: usize = 5_000;

/// Tells people on the standard error stream how far long work has come.
fn told_now_and_then() -> impl FnMut(BacktestProgress) + Send + 'static {
    let mut tenths = 0;
    move |progress| match progress {
        BacktestProgress::Reading { furnaces } => say(&format!("{furnaces} furnaces read")),
        BacktestProgress::Replaying(progress) => {
            let now = progress.done * 10 / progress.all.max(1);
            if progress.all >= MANY_READINGS && now > tenths {
                tenths = now;
                say(&format!(
                    "{} of {} readings gone through",
                    progress.done, progress.all
                ));
            }
        }
    }
}

/// Prints words that end a command.
fn told(words: &str) -> anyhow::Result<ExitCode> {
    write!(std::io::stdout(), "{words}")?;
    Ok(ExitCode::SUCCESS)
}

async fn check_config(settings: &Settings) -> anyhow::Result<ExitCode> {
    if let Err(fault) = Transport::of(settings) {
        say(&format!("ringtrue-server: {fault}"));
        return Ok(Exit::Config.into());
    }
    if let Err(fault) = Seal::named_by(settings) {
        say(&format!("ringtrue-server: audit.key: {fault:#}"));
        return Ok(Exit::Config.into());
    }
    if let Err(fault) = settings.location().check() {
        let fault = in_words(&anyhow::Error::new(fault));
        say(&format!("ringtrue-server: database: {fault}"));
        return Ok(Exit::Config.into());
    }
    told(&settings.effective())
}
