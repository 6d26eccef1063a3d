//! The command line as a whole: global flags, nouns, exit codes, completions and manual pages.

use std::ffi::OsString;
use std::path::PathBuf;
use std::time::Duration;

use clap::{Args, CommandFactory as _, Parser, Subcommand};
use ringtrue_remote::DEFAULT_ENDPOINT;

use crate::World;
use crate::connection::{Connection, Said};
use crate::failure::{Stop, exit};
use crate::session::{Over, Session};
use crate::{
    adjustment, alert, audit, batch, bulk, care, cautions, change, credential, due, enrol,
    exposure, feed, firing, fitness, furnace, gauge, group, mail, profile, programme, qc, quantity,
    queue, reading, rule, sign_off, site, watch, webhook, whoami, work,
};

/// Exit codes and environment, as the help and the manual page give them.
const AFTER_HELP: &str = "\
Example, a Friday firing measured on Monday:
  ringtrue reading add k2 --programme standard --batch x7 --gauge caliper-1 \\
      --fired 'friday 18:00' --diameters 19,47 19,46 19,48
At a terminal, `ringtrue reading add` asks for everything step by step.
`ringtrue due` tells what is due, `ringtrue use k2` whether a furnace may be used.

Environment:
  RINGTRUE_SITE      the site meant when --site is not given
  RINGTRUE_ENDPOINT  the server meant when --endpoint is not given
  RINGTRUE_OPERATOR  your staff code when --operator is not given
  RINGTRUE_PROFILE   the profile meant when --profile is not given
  RINGTRUE_TOKEN     a program's token; goes before a stored one, is never shown
  RINGTRUE_HOME      folder of profiles and credentials, yours alone
  NO_COLOR           never colour anything

Exit codes:
  0  done
  1  something else went wrong, or you stopped without recording
  2  the command line is not understood or lacks something
  3  refused: bad values, or the state of things forbids it
  4  there are open questions; answer them with --confirm
  5  not found
  6  exists already, or somebody else changed it meanwhile
  7  not allowed, or the server does not know you: see `ringtrue whoami`
  8  no server answered in time
  9  `use`: only with the restrictions named
 10  `use`: not for patients' work
 11  queued on this computer, not recorded yet; see `ringtrue queue list`

Ringtrue is no safety system: it neither sees nor stops a furnace.
`ringtrue cautions` lists what to mind. The furnace maker's instructions and
local rules override everything shown here.";

/// Keeps dental sintering furnaces true with test rings.
#[derive(Debug, Parser)]
#[command(name = "ringtrue", version, about, after_help = AFTER_HELP, max_term_width = 100)]
#[command(
    propagate_version = true,
    subcommand_required = true,
    arg_required_else_help = true
)]
pub(crate) struct Cli {
    #[command(flatten)]
    everywhere: Everywhere,
    #[command(subcommand)]
    noun: Noun,
}

/// Flags that every command takes.
#[derive(Debug, Args)]
#[command(next_help_heading = "Everywhere")]
struct Everywhere {
    /// Site meant by short names, for example porto [env: RINGTRUE_SITE; else the profile's].
    #[arg(long, global = true, value_name = "SITE", id = "everywhere_site")]
    site: Vec<String>,
    /// Profile to use: a server with your credential there [env: RINGTRUE_PROFILE].
    #[arg(long, global = true, value_name = "NAME", id = "everywhere_profile")]
    profile: Option<String>,
    /// Address of the server [env: RINGTRUE_ENDPOINT; else the profile's, else http://127.0.0.1:7145].
    #[arg(long, global = true, value_name = "URL")]
    endpoint: Option<String>,
    /// Your staff code [env: RINGTRUE_OPERATOR; else the profile's].
    #[arg(long, global = true, value_name = "CODE")]
    operator: Option<String>,
    /// Longest time to wait for one answer, s.
    #[arg(long, global = true, value_name = "SECONDS", default_value = "10",
          value_parser = quantity::number, allow_hyphen_values = true)]
    deadline: f64,
    /// Write results as canonical protobuf JSON on stdout, failures as JSON on stderr; never ask.
    #[arg(long, global = true)]
    json: bool,
}

/// What a command is about.
#[derive(Debug, Subcommand)]
enum Noun {
    /// What is due, soonest first, and what to do about it.
    #[command(after_long_help = due::EXAMPLES)]
    Due(due::Ask),
    /// Whether a furnace may be used now, from its records.
    #[command(after_long_help = fitness::EXAMPLES)]
    Use(fitness::Ask),
    /// Laboratories, their time zones, house rules and calendars.
    #[command(subcommand, after_long_help = site::EXAMPLES)]
    Site(site::Ask),
    /// Furnaces, their limits, and what happened to them.
    #[command(subcommand)]
    Furnace(furnace::Ask),
    /// Firing schedules, their targets and setpoints.
    #[command(subcommand)]
    Programme(programme::Ask),
    /// Ring batches and their tables.
    #[command(subcommand)]
    Batch(batch::Ask),
    /// Calipers and micrometers, and their checks on a reference block.
    #[command(subcommand)]
    Gauge(gauge::Ask),
    /// Calibration firings: what the rings said and what to do.
    #[command(subcommand)]
    Reading(reading::Ask),
    /// Setpoints as entered on the controller.
    #[command(subcommand)]
    Adjustment(adjustment::Ask),
    /// Production firings: what was fired, with which cases.
    #[command(subcommand, after_long_help = firing::EXAMPLES)]
    Firing(firing::Ask),
    /// How hot production firings truly were, and what was decided about them.
    #[command(subcommand, after_long_help = exposure::EXAMPLES)]
    Exposure(exposure::Ask),
    /// What waits on this computer, since no server answered when it was done.
    #[command(subcommand, after_long_help = queue::EXAMPLES)]
    Queue(queue::Ask),
    /// Takes in a whole file of records: CSV, or a record as JSON on each line.
    #[command(after_long_help = bulk::IMPORT_EXAMPLES)]
    Import(bulk::ImportAsk),
    /// Writes records into a file that `import` reads.
    #[command(after_long_help = bulk::EXPORT_EXAMPLES)]
    Export(bulk::ExportAsk),
    /// Signatures of a second person on readings and adjustments.
    #[command(subcommand, after_long_help = sign_off::EXAMPLES)]
    SignOff(sign_off::Ask),
    /// Care tasks: what was done, left out or put off, and what was counted.
    #[command(subcommand, after_long_help = care::EXAMPLES)]
    Care(care::Ask),
    /// When tasks fall due: rules for the network, a site or a furnace.
    #[command(subcommand, after_long_help = rule::EXAMPLES)]
    Rule(rule::Ask),
    /// What needs somebody now.
    #[command(subcommand, after_long_help = alert::EXAMPLES)]
    Alert(alert::Ask),
    /// Shows alerts as they come, and runs a command for each.
    #[command(after_long_help = watch::EXAMPLES)]
    Watch(watch::Ask),
    /// What changed: recorded, configured, raised, in one order.
    #[command(subcommand, after_long_help = change::EXAMPLES)]
    Changes(change::Ask),
    /// Who is sent mail about alerts.
    #[command(subcommand, after_long_help = mail::EXAMPLES)]
    Mail(mail::Ask),
    /// Changes sent to other programs, signed.
    #[command(subcommand, after_long_help = webhook::EXAMPLES)]
    Webhook(webhook::Ask),
    /// Addresses under which calendar programs read what is due.
    #[command(subcommand, after_long_help = feed::EXAMPLES)]
    Calendar(feed::Ask),
    /// What the server does in the background, and whether it gets on.
    Work,
    /// Quality control: what all furnaces, batches and gauges say together.
    #[command(subcommand)]
    Qc(qc::Ask),
    /// Trades a one-time code for this computer's own credential at a server.
    #[command(after_long_help = enrol::EXAMPLES)]
    Enrol(enrol::Ask),
    /// Who you are to the server: credential, rights, sites, until when.
    #[command(after_long_help = whoami::EXAMPLES)]
    Whoami,
    /// Servers that this computer knows, with its credential at each.
    #[command(subcommand, after_long_help = profile::EXAMPLES)]
    Profile(profile::Ask),
    /// Who may do what: credentials of devices, people and programs, and codes to enrol.
    #[command(subcommand, after_long_help = credential::EXAMPLES)]
    Credential(credential::Ask),
    /// Sites that are granted together.
    #[command(subcommand, after_long_help = group::EXAMPLES)]
    Group(group::Ask),
    /// Who did what: the audit chains, and the checkpoints that prove them.
    #[command(subcommand, after_long_help = audit::EXAMPLES)]
    Audit(audit::Ask),
    /// What to mind so that nobody and nothing is hurt.
    Cautions,
    /// Writes a completion script for a shell to stdout.
    Completions {
        /// Shell.
        shell: clap_complete::Shell,
    },
    /// Writes the manual pages into a folder.
    Manual {
        /// Folder that takes the pages; made when it is not there.
        folder: PathBuf,
    },
}

/// Makes a change safe to repeat.
#[derive(Debug, Clone, Default, Args)]
pub(crate) struct Repeat {
    /// Request id (UUID) of an earlier try, shown when its answer was lost; recorded once only.
    #[arg(long, value_name = "UUID")]
    pub(crate) request_id: Option<String>,
}

/// Refuses a change of something that changed meanwhile.
#[derive(Debug, Clone, Default, Args)]
pub(crate) struct Seen {
    /// Version that you saw, with or without its quotes; the change is refused when somebody else was
    /// faster.
    #[arg(long, value_name = "VERSION", value_parser = version)]
    pub(crate) etag: Option<String>,
}

/// Reads a version. It is shown with quotes (RFC 9110, section 8.8.3), which a shell takes off.
fn version(text: &str) -> Result<String, String> {
    let bare = text.trim().trim_matches('"');
    if bare.is_empty() {
        return Err("no version stands there; `show` names it as Version".to_owned());
    }
    Ok(format!("\"{bare}\""))
}

/// How much of a list is wanted.
#[derive(Debug, Clone, Args)]
pub(crate) struct Limit {
    /// Most lines to show.
    #[arg(
        long,
        value_name = "COUNT",
        default_value_t = 100,
        allow_negative_numbers = true,
        value_parser = clap::builder::RangedU64ValueParser::<usize>::new().range(1..=100_000)
    )]
    pub(crate) limit: usize,
}

/// Runs one command line and gives its exit code.
pub(crate) fn run(arguments: Vec<OsString>, world: &mut World<'_>) -> u8 {
    let wants_json = arguments.iter().any(|argument| argument == "--json");
    let mut understood = Vec::new();
    for argument in arguments {
        understood.push(with_point(argument));
    }
    let cli = match Cli::try_parse_from(understood) {
        Ok(cli) => cli,
        Err(error) => return unparsed(&error, wants_json, world),
    };
    let mut connection = Connection::bare(DEFAULT_ENDPOINT);
    match carry_out(cli, &mut connection, world) {
        Ok(()) => exit::DONE,
        Err(stop) => {
            let advice = stop
                .failure()
                .and_then(|failure| connection.advice(failure));
            let text = if wants_json {
                stop.json(&connection.endpoint, advice.as_deref())
            } else {
                let mut lines = stop.lines(&connection.endpoint);
                lines.extend(advice);
                lines.join("\n")
            };
            if !text.is_empty() {
                // Nobody is left to be told when the error stream is gone too.
                drop(writeln!(world.err, "{text}"));
            }
            stop.code()
        }
    }
}

/// Gives a negative number with a decimal comma one with a decimal point; the parser would take it for
/// flags otherwise. Every other argument stays as it is.
fn with_point(argument: OsString) -> OsString {
    let Some(text) = argument.to_str() else {
        return argument;
    };
    if text.starts_with('-') && text.matches(',').count() == 1 && quantity::number(text).is_ok() {
        return text.replace(',', ".").into();
    }
    argument
}

/// Shows help and version on stdout, faults on stderr.
fn unparsed(error: &clap::Error, wants_json: bool, world: &mut World<'_>) -> u8 {
    let text = if world.colour {
        error.render().ansi().to_string()
    } else {
        error.render().to_string()
    };
    let written = if !error.use_stderr() {
        write!(world.out, "{text}")
    } else if wants_json {
        let stop = Stop::Usage(error.render().to_string());
        writeln!(world.err, "{}", stop.json("", None))
    } else {
        write!(world.err, "{text}")
    };
    match written {
        Ok(()) if !error.use_stderr() => exit::DONE,
        Ok(()) => exit::USAGE,
        Err(_) => exit::OTHER,
    }
}

/// Does what was asked; `connection` becomes the one that it was asked over.
fn carry_out(cli: Cli, connection: &mut Connection, world: &mut World<'_>) -> Result<(), Stop> {
    let said = cli.everywhere.said();
    match cli.noun {
        Noun::Cautions => {
            let text = cautions::all(world.columns, world.colour);
            writeln!(world.out, "{text}")?;
            Ok(())
        }
        Noun::Completions { shell } => {
            let mut script = Vec::new();
            clap_complete::generate(shell, &mut Cli::command(), "ringtrue", &mut script);
            world.out.write_all(&script)?;
            Ok(())
        }
        Noun::Manual { folder } => {
            let written = std::fs::create_dir_all(&folder)
                .and_then(|()| clap_mangen::generate_to(Cli::command(), &folder));
            written.map_err(|error| {
                Stop::Refused(format!(
                    "no manual pages can be written into {}: {error}",
                    folder.display()
                ))
            })?;
            writeln!(world.err, "Manual pages are in {}.", folder.display())?;
            Ok(())
        }
        Noun::Profile(ask) => profile::carry_out(ask, &said, cli.everywhere.json, world),
        Noun::Enrol(ask) => {
            *connection = Connection::bare(&ask.endpoint);
            // No call is made before the server is known, and by which authority.
            let nowhere = Connection::bare(DEFAULT_ENDPOINT);
            let over = Over::new(nowhere, cli.everywhere.deadline()?, world);
            runtime()?.block_on(async {
                let mut session = Session::new(world, over, cli.everywhere.json)?;
                Box::pin(enrol::carry_out(ask, &said, &mut session)).await
            })
        }
        noun => {
            *connection = Connection::meant(&said, world)?;
            if said.sites.len() > 1 && !matches!(noun, Noun::Credential(_)) {
                return Err(Stop::Usage(
                    "--site is given more than once; only credentials take several.".to_owned(),
                ));
            }
            let over = Over::new(connection.clone(), cli.everywhere.deadline()?, world);
            runtime()?.block_on(at_server(noun, over, said, cli.everywhere.json, world))
        }
    }
}

impl Everywhere {
    fn said(&self) -> Said {
        Said {
            profile: self.profile.clone(),
            endpoint: self.endpoint.clone(),
            sites: self.site.clone(),
            operator: self.operator.clone(),
        }
    }

    fn deadline(&self) -> Result<Duration, Stop> {
        Duration::try_from_secs_f64(self.deadline)
            .ok()
            .filter(|time| !time.is_zero() && *time <= Duration::from_hours(1))
            .ok_or_else(|| Stop::Usage("--deadline takes above 0 to 3600 s.".to_owned()))
    }
}

fn runtime() -> Result<tokio::runtime::Runtime, Stop> {
    // One thread beside this one: while a person thinks about a question here, it answers the server's
    // keepalive; without it the server would take the connection for dead.
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .map_err(|error| Stop::Broken(format!("no network is to be had: {error}")))
}

async fn at_server(
    noun: Noun,
    over: Over,
    said: Said,
    json: bool,
    world: &mut World<'_>,
) -> Result<(), Stop> {
    let mut session = Session::new(world, over, json)?;
    session.warn_of_end()?;
    let is_about_queue = matches!(noun, Noun::Queue(_));
    let done = Box::pin(asked_of_server(noun, said, &mut session)).await;
    if !is_about_queue {
        queue::reminded(&mut session)?;
    }
    done
}

async fn asked_of_server(
    noun: Noun,
    said: Said,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    match noun {
        Noun::Site(ask) => Box::pin(site::carry_out(ask, session)).await,
        Noun::Furnace(ask) => Box::pin(furnace::carry_out(ask, session)).await,
        Noun::Programme(ask) => Box::pin(programme::carry_out(ask, session)).await,
        Noun::Batch(ask) => Box::pin(batch::carry_out(ask, session)).await,
        Noun::Gauge(ask) => Box::pin(gauge::carry_out(ask, session)).await,
        Noun::Reading(ask) => Box::pin(reading::carry_out(ask, session)).await,
        Noun::Adjustment(ask) => Box::pin(adjustment::carry_out(ask, session)).await,
        Noun::Firing(ask) => Box::pin(firing::carry_out(ask, session)).await,
        Noun::Exposure(ask) => Box::pin(exposure::carry_out(ask, session)).await,
        Noun::Queue(ask) => Box::pin(queue::carry_out(ask, session)).await,
        Noun::Import(ask) => Box::pin(bulk::imported(ask, session)).await,
        Noun::Export(ask) => Box::pin(bulk::exported(ask, session)).await,
        Noun::SignOff(ask) => Box::pin(sign_off::carry_out(ask, session)).await,
        Noun::Qc(ask) => Box::pin(qc::carry_out(ask, session)).await,
        Noun::Due(ask) => Box::pin(due::carry_out(ask, session)).await,
        Noun::Use(ask) => Box::pin(fitness::carry_out(ask, session)).await,
        Noun::Care(ask) => Box::pin(care::carry_out(ask, session)).await,
        Noun::Rule(ask) => Box::pin(rule::carry_out(ask, session)).await,
        Noun::Alert(ask) => Box::pin(alert::carry_out(ask, session)).await,
        Noun::Watch(ask) => Box::pin(watch::carry_out(ask, session)).await,
        Noun::Changes(ask) => Box::pin(change::carry_out(ask, session)).await,
        Noun::Mail(ask) => Box::pin(mail::carry_out(ask, session)).await,
        Noun::Webhook(ask) => Box::pin(webhook::carry_out(ask, session)).await,
        Noun::Calendar(ask) => Box::pin(feed::carry_out(ask, session)).await,
        Noun::Work => Box::pin(work::carry_out(session)).await,
        Noun::Whoami => Box::pin(whoami::carry_out(session)).await,
        Noun::Credential(ask) => Box::pin(credential::carry_out(ask, said.sites, session)).await,
        Noun::Group(ask) => Box::pin(group::carry_out(ask, session)).await,
        Noun::Audit(ask) => Box::pin(audit::carry_out(ask, session)).await,
        // These ask no server, or bring their own.
        Noun::Cautions
        | Noun::Completions { .. }
        | Noun::Manual { .. }
        | Noun::Profile(_)
        | Noun::Enrol(_) => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::Timestamp;
    use std::collections::BTreeMap;

    /// Runs a command line with nobody at a terminal; gives exit code, stdout and stderr.
    fn ran(line: &[&str]) -> (u8, String, String) {
        let mut out = Vec::new();
        let mut err = Vec::new();
        let mut world = World {
            out: &mut out,
            err: &mut err,
            conversation: None,
            now: Timestamp::UNIX_EPOCH,
            environment: BTreeMap::from([(
                "RINGTRUE_ENDPOINT".to_owned(),
                "not an address".to_owned(),
            )]),
            columns: 80,
            colour: false,
        };
        let mut arguments = vec![OsString::from("ringtrue")];
        arguments.extend(line.iter().map(OsString::from));
        let code = run(arguments, &mut world);
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
        (code, text(out), text(err))
    }

    #[test]
    fn the_command_line_is_consistent() {
        Cli::command().debug_assert();
    }

    #[test]
    fn help_goes_to_stdout_and_tells_the_exit_codes() {
        let (code, out, err) = ran(&["--help"]);
        assert_eq!(code, 0);
        assert!(out.contains("4  there are open questions"), "{out}");
        assert!(out.contains("10  `use`: not for patients' work"), "{out}");
        assert!(out.contains("RINGTRUE_SITE"), "{out}");
        assert_eq!(err, "");
    }

    #[test]
    fn every_command_explains_itself() {
        for noun in Cli::command().get_subcommands() {
            assert!(noun.get_about().is_some(), "{}", noun.get_name());
            for argument in noun.get_arguments() {
                let said = argument.get_help().is_some() || argument.get_id() == "help";
                assert!(said, "{} {}", noun.get_name(), argument.get_id());
            }
            for verb in noun.get_subcommands() {
                assert!(
                    verb.get_about().is_some(),
                    "{} {}",
                    noun.get_name(),
                    verb.get_name()
                );
                for argument in verb.get_arguments() {
                    let said = argument.get_help().is_some() || argument.get_id() == "help";
                    assert!(
                        said,
                        "{} {} {}",
                        noun.get_name(),
                        verb.get_name(),
                        argument.get_id()
                    );
                }
            }
        }
    }

    #[test]
    fn a_usage_error_goes_to_stderr_with_code_2() {
        let (code, out, err) = ran(&["furnace", "melt"]);
        assert_eq!(code, 2);
        assert_eq!(out, "");
        assert!(err.contains("melt"), "{err}");
        let (code, _, err) = ran(&["furnace", "melt", "--json"]);
        assert_eq!(code, 2);
        let value: serde_json::Value = serde_json::from_str(&err).expect("valid JSON");
        assert_eq!(value["error"]["exitCode"], 2);
    }

    #[test]
    fn an_address_that_is_none_is_a_usage_error() {
        let (code, _, err) = ran(&["site", "list"]);
        assert_eq!(code, 2);
        assert!(err.contains("not an address"), "{err}");
    }

    #[test]
    fn cautions_need_no_server() {
        let (code, out, _) = ran(&["cautions"]);
        assert_eq!(code, 0);
        assert!(out.contains("maker's instructions"), "{out}");
    }

    #[test]
    fn completions_and_manual_pages_are_written() {
        let (code, out, _) = ran(&["completions", "bash"]);
        assert_eq!(code, 0);
        assert!(out.contains("ringtrue"), "{out}");
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().to_string_lossy().into_owned();
        let (code, _, _) = ran(&["manual", &path]);
        assert_eq!(code, 0);
        let page = std::fs::read_to_string(folder.path().join("ringtrue.1")).expect("a page");
        assert!(page.contains("open questions"), "{page}");
        // A folder that is not there is made; a file in its place cannot become one.
        let new = folder.path().join("new");
        assert_eq!(ran(&["manual", &new.to_string_lossy()]).0, 0);
        let below_a_file = folder.path().join("ringtrue.1").join("x");
        assert_eq!(ran(&["manual", &below_a_file.to_string_lossy()]).0, 3);
    }

    #[test]
    fn numbers_on_the_command_line_take_comma_and_point_and_may_be_negative() {
        for zero in ["-0,01", "-0.01"] {
            let line = ["ringtrue", "reading", "preview", "k2", "--zero", zero];
            let parsed = Cli::try_parse_from(line);
            assert!(parsed.is_ok(), "{parsed:?}");
        }
        let line = [
            "ringtrue",
            "reading",
            "preview",
            "k2",
            "--diameters",
            "19,47,19,46",
        ];
        let refused = Cli::try_parse_from(line).expect_err("two numbers in one");
        assert!(
            refused.to_string().contains("more than one decimal mark"),
            "{refused}"
        );
    }
}
