//! `ringtrue watch`: alerts as they come, through breaks of the connection and restarts of the server.
//!
//! One loop waits for three things: the next change, the end of the command that runs for an earlier one,
//! and somebody who stops it. Commands run one after another in the order of the changes. While too many
//! wait, nothing more is read; the server then cuts the stream, and it is resumed behind the last change.
//! The place in the stream is kept only after the command ran, so that a watch that is started again passes
//! over nothing, and may run a command twice.

mod bookmark;
mod hook;

use std::collections::VecDeque;
use std::path::PathBuf;
use std::pin::{Pin, pin};
use std::time::Duration;

use clap::Args;
use ringtrue_proto::v1::{AlertChange, AlertChangeKind, AlertLevel, WatchAlertsResponse};
use ringtrue_remote::{Failure, Lost, Told};
use tokio::time::Instant;

use crate::failure::Stop;
use crate::session::Session;
use crate::term::ink;
use crate::{alert, moment, names, output, words};

use bookmark::Bookmark;
use hook::{Ran, TIME_LIMIT};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue watch                            at the site, until Ctrl-C
  ringtrue watch --everywhere --level quality --json
  ringtrue watch --state /var/lib/ringtrue/cursor --exec 'notify-desk \"$RINGTRUE_ALERT_STATEMENT\"'

--exec runs COMMAND by `sh -c`, once for each change, one after another in order. It is
given the change as JSON on stdin and these variables:
  RINGTRUE_ALERT_NAME        alerts/...       RINGTRUE_ALERT_CHANGE      raised, closed ...
  RINGTRUE_ALERT_KIND        calibration-due  RINGTRUE_ALERT_SITE        sites/porto
  RINGTRUE_ALERT_STAGE       overdue          RINGTRUE_ALERT_SUBJECT     sites/.../k2
  RINGTRUE_ALERT_LEVEL       technician       RINGTRUE_ALERT_STATEMENT   what is the matter
  RINGTRUE_ALERT_STATE       open             RINGTRUE_ALERT_NEXT_STEP   what to do next
                                              RINGTRUE_ALERT_CURSOR      place in the stream
Put variables in double quotes; their text is whatever people wrote. What the command
writes goes to stderr. A command that fails, or is killed after 30 s, is reported on
stderr; the watch goes on.

With --state a watch that is started again goes on where it was: every change is
shown and run at least once, after a crash perhaps twice.";

/// Most changes that wait for their command.
const MOST_WAITING: usize = 64;

/// How long a running command may take to end once the watch is stopped.
const LEAVE: Duration = Duration::from_secs(5);

/// What is watched, and what is done about it.
#[derive(Debug, Args)]
pub(crate) struct Ask {
    /// Alerts of every site you may see, and of what the network shares.
    #[arg(long)]
    everywhere: bool,
    /// Only alerts that have reached this level.
    #[arg(long, value_name = "LEVEL", value_parser = words::one_of(words::ALERT_LEVELS))]
    level: Option<AlertLevel>,
    /// Goes on after this place in the stream; begins with all alerts that are not closed when left out.
    #[arg(long, value_name = "CURSOR", conflicts_with = "state")]
    after: Option<String>,
    /// Command to run for each change; see below.
    #[arg(long, value_name = "COMMAND")]
    exec: Option<String>,
    /// File that keeps the place in the stream; made when it is not there.
    #[arg(long, value_name = "FILE")]
    state: Option<PathBuf>,
}

/// A change that waits for its command, or for its place to be kept.
#[derive(Debug)]
struct Waiting {
    change: Box<AlertChange>,
    cursor: String,
}

/// A command at work.
type Running<'h> = Pin<Box<dyn Future<Output = (Waiting, Ran)> + Send + 'h>>;

/// Watches until somebody stops it, or trying again cannot mend what went wrong.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let parent = if ask.everywhere {
        "sites/-".to_owned()
    } else {
        session.site_name().await?
    };
    let level = ask.level.unwrap_or_default();
    let mut bookmark = match ask.state {
        Some(file) => Some(Bookmark::open(file, &parent, level)?),
        None => None,
    };
    let kept = bookmark.as_ref().map(|bookmark| bookmark.cursor.clone());
    let after = ask.after.or(kept).unwrap_or_default();
    let mut stream = session.remote.watch_alerts(&parent, &after, level);
    if !session.json {
        let place = match parent.as_str() {
            "sites/-" => "every site",
            site => names::id(site),
        };
        session.say(&format!("Watching alerts of {place}; Ctrl-C ends it."))?;
    }
    let began = Instant::now();
    let mut waiting: VecDeque<Waiting> = VecDeque::new();
    let mut running: Option<Running<'_>> = None;
    let mut ended: Option<Box<Failure>> = None;
    let mut interrupted = pin!(interrupted());
    loop {
        if running.is_none() {
            match (waiting.pop_front(), &ask.exec, ended.take()) {
                (Some(next), Some(command), still) => {
                    ended = still;
                    running = Some(Box::pin(run(command, next)));
                }
                (_, _, Some(failure)) => return Err(gave_up(failure, bookmark.as_ref())),
                (_, _, None) => {}
            }
        }
        tokio::select! {
            biased;
            () = &mut interrupted => break,
            (done, ran) = finished(&mut running), if running.is_some() => {
                running = None;
                report(&done.change, &ran, session)?;
                keep(&mut bookmark, &done.cursor)?;
            }
            told = stream.next(), if ended.is_none() && waiting.len() < MOST_WAITING => match told {
                Ok(Told::Change { change, cursor }) => {
                    show(&change, &cursor, ask.everywhere, session)?;
                    if ask.exec.is_some() {
                        waiting.push_back(Waiting { change, cursor });
                    } else {
                        keep(&mut bookmark, &cursor)?;
                    }
                }
                Ok(Told::Heartbeat { cursor }) => {
                    if waiting.is_empty() && running.is_none() {
                        keep(&mut bookmark, &cursor)?;
                    }
                }
                Ok(Told::Lost(lost)) => say_lost(&lost, began, session)?,
                Ok(Told::Back) => say_back(session)?,
                Err(failure) => ended = Some(failure),
            },
        }
    }
    leave(running, &mut bookmark, session).await
}

/// Lets a running command end, for a moment; what was not run is run by the next watch.
async fn leave(
    running: Option<Running<'_>>,
    bookmark: &mut Option<Bookmark>,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    if let Some(running) = running {
        if let Ok((done, ran)) = tokio::time::timeout(LEAVE, running).await {
            report(&done.change, &ran, session)?;
            keep(bookmark, &done.cursor)?;
        } else {
            session.say("The command did not end in time and was killed.")?;
        }
    }
    if session.json {
        return Ok(());
    }
    session.say("Stopped watching.")
}

async fn run(command: &str, waiting: Waiting) -> (Waiting, Ran) {
    let ran = hook::run(command, &waiting.change, &waiting.cursor).await;
    (waiting, ran)
}

/// Waits for the running command; for ever where none runs.
async fn finished(running: &mut Option<Running<'_>>) -> (Waiting, Ran) {
    match running {
        Some(running) => running.await,
        None => std::future::pending().await,
    }
}

/// Waits until somebody stops the program: Ctrl-C, or the signal of a service manager.
pub(crate) async fn interrupted() {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut terminated) = signal(SignalKind::terminate()) {
            tokio::select! {
                _ = tokio::signal::ctrl_c() => {}
                _ = terminated.recv() => {}
            }
            return;
        }
    }
    if tokio::signal::ctrl_c().await.is_err() {
        // Without signals the program is ended from outside.
        std::future::pending::<()>().await;
    }
}

fn keep(bookmark: &mut Option<Bookmark>, cursor: &str) -> Result<(), Stop> {
    match bookmark {
        Some(bookmark) => bookmark.keep(cursor),
        None => Ok(()),
    }
}

/// Why the watch ends; with a hint where a kept place may be the reason.
fn gave_up(failure: Box<Failure>, bookmark: Option<&Bookmark>) -> Stop {
    match bookmark {
        Some(bookmark) if failure.message.contains("cursor") => Stop::Refused(format!(
            "{} The place kept in {} cannot be used any more; delete the file to begin anew.",
            failure.message,
            bookmark.file.display()
        )),
        _ => failure.into(),
    }
}

fn show(
    change: &AlertChange,
    cursor: &str,
    names_site: bool,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let text = if session.json {
        line(change, cursor)?
    } else {
        drawn(
            change,
            names_site,
            session.world.columns,
            session.world.colour,
        )
    };
    session.show(&text)?;
    session.world.out.flush()?;
    Ok(())
}

/// One line for a program, as the server sent it.
fn line(change: &AlertChange, cursor: &str) -> Result<String, Stop> {
    let whole = WatchAlertsResponse {
        change: Some(change.clone()),
        cursor: cursor.to_owned(),
    };
    output::json_line("WatchAlertsResponse", &whole)
}

/// A change for people: when, what and how pressing in one line, the sentences below it.
fn drawn(change: &AlertChange, names_site: bool, columns: u16, colour: bool) -> String {
    let alert = change.alert.clone().unwrap_or_default();
    let zone = alert::zone(&alert);
    let when = moment::received(change.change_time.as_ref());
    let when = when.map(|at| moment::brief(at, &zone)).unwrap_or_default();
    let kind = words::word(words::ALERT_KINDS, alert.kind()).replace('-', " ");
    let happened = words::word(words::ALERT_CHANGES, change.kind());
    let stage = match change.kind() {
        AlertChangeKind::Closed => "mended".to_owned(),
        _ => words::word(words::ALERT_STAGES, alert.stage()).to_uppercase(),
    };
    let about = alert::about(&alert, names_site);
    let head = format!("{when}  {about}: {kind}, {stage} ({happened})");
    let mut lines = Vec::new();
    for part in output::paragraph(&head, columns).lines() {
        lines.push(ink(part, alert::colour(&alert), colour));
    }
    let mut sentences = vec![alert.statement.clone()];
    match change.kind() {
        AlertChangeKind::Closed => sentences.push(alert.close_reason.clone()),
        AlertChangeKind::Acknowledged | AlertChangeKind::Snoozed => {
            sentences.push(noted(&alert.note, &alert.noted_by));
        }
        _ => sentences.push(match alert.next_step.as_str() {
            "" => String::new(),
            step => format!("Next: {step}"),
        }),
    }
    sentences.push(format!("Alert: {}", names::id(&alert.name)));
    sentences.retain(|sentence| !sentence.is_empty());
    let width = columns.saturating_sub(2);
    for sentence in sentences {
        for part in output::paragraph(&sentence, width).lines() {
            lines.push(format!("  {part}"));
        }
    }
    lines.join("\n")
}

fn noted(note: &str, by: &str) -> String {
    match (note, by) {
        ("", "") => String::new(),
        ("", by) => format!("By {by}"),
        (note, "") => note.to_owned(),
        (note, by) => format!("{note} ({by})"),
    }
}

pub(crate) fn say_lost(
    lost: &Lost,
    began: Instant,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    // The first loss is news; after it only that it still lasts, now and then.
    if lost.tries != 1 && !lost.tries.is_multiple_of(10) {
        return Ok(());
    }
    let seconds = lost.pause.as_secs().max(1);
    if session.json {
        let line = serde_json::json!({
            "connection": "lost",
            "message": lost.failure.message,
            "retryInSeconds": seconds,
        });
        writeln!(session.world.err, "{line}")?;
        return Ok(());
    }
    let elapsed = jiff::SignedDuration::try_from(began.elapsed()).unwrap_or_default();
    let at = session.world.now.checked_add(elapsed);
    let at = at.unwrap_or(session.world.now);
    let at = at.strftime("%H:%M UTC");
    let text = if lost.tries == 1 {
        format!(
            "Connection lost at {at} ({}). Trying again in {seconds} s; nothing is missed.",
            lost.failure.message.trim_end_matches('.')
        )
    } else {
        format!(
            "Still no connection at {at}, after {} tries. Trying on.",
            lost.tries
        )
    };
    session.say(&text)
}

pub(crate) fn say_back(session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if session.json {
        let line = serde_json::json!({ "connection": "back" });
        writeln!(session.world.err, "{line}")?;
        return Ok(());
    }
    session.say("Connected again; what came meanwhile follows.")
}

/// Says how a command failed; nothing when it did not.
fn report(change: &AlertChange, ran: &Ran, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let what = match ran {
        Ran::Well => return Ok(()),
        Ran::Failed(code) => format!("ended with code {code}"),
        Ran::Killed => "was ended by a signal".to_owned(),
        Ran::TooLong => format!("took longer than {} s and was killed", TIME_LIMIT.as_secs()),
        Ran::Never(why) => format!("could not be run: {why}"),
    };
    let alert = change.alert.as_ref();
    let name = alert.map(|alert| alert.name.as_str()).unwrap_or_default();
    if session.json {
        let line = serde_json::json!({ "exec": "failed", "alert": name, "message": what });
        writeln!(session.world.err, "{line}")?;
        return Ok(());
    }
    session.say(&format!(
        "The command for {name} {what}. The watch goes on."
    ))
}

#[cfg(test)]
mod tests;
