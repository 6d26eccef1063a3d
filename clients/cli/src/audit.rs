//! `ringtrue audit`: who did what, in chains that cannot be changed unseen.

mod checkpoints;
mod difference;
mod export;

use std::path::PathBuf;

use clap::{Args, Subcommand};
use jiff::tz::TimeZone;
use ringtrue_proto::v1::{AuditEntry, ListAuditEntriesRequest, ListAuditEntriesResponse};

use crate::command::Limit;
use crate::failure::Stop;
use crate::session::{Session, gathered};
use crate::site::shown_list;
use crate::{moment, names, output};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue audit list --from friday
  ringtrue audit list --about sites/porto/furnaces/k2 --before-after
  ringtrue audit list --network                          the network's own chain
  ringtrue audit export porto.ndjson                     a whole chain, for keeping
  ringtrue audit checkpoints checkpoints.ndjson          adds those that are new
Each entry holds the hash of the one before. Signed checkpoints hold the ends of all chains:
keep them on another computer, and a chain that was cut or written anew is found out.";

/// What to do with audit chains.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Lists entries of a chain in their order: when, who, from where, what.
    List {
        #[command(flatten)]
        which: Which,
        /// Shows the fields that each entry changed, before and after.
        #[arg(long)]
        before_after: bool,
        #[command(flatten)]
        limit: Limit,
    },
    /// Writes a chain to a new file, one entry as JSON on each line, and checks that it has no gap.
    Export {
        /// File to make; it must not be there yet.
        file: PathBuf,
        /// The network's own chain; the site's when left out.
        #[arg(long)]
        network: bool,
    },
    /// Adds the checkpoints that are new to a file, checking each; lists them when no file is named.
    Checkpoints {
        /// File to add to, one checkpoint as JSON on each line; made when it is not there.
        file: Option<PathBuf>,
        #[command(flatten)]
        limit: Limit,
    },
}

/// Which entries.
#[derive(Debug, Args)]
pub(crate) struct Which {
    /// The network's own chain; the site's when left out.
    #[arg(long)]
    network: bool,
    /// Only entries about this, by its full name, for example sites/porto/furnaces/k2.
    #[arg(long, value_name = "NAME")]
    about: Option<String>,
    /// Only entries from this moment on, for example `friday` or `2026-11-20 18:00`.
    #[arg(long, value_name = "WHEN")]
    from: Option<String>,
    /// Only entries before this moment.
    #[arg(long, value_name = "WHEN")]
    until: Option<String>,
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::List {
            which,
            before_after,
            limit,
        } => list(which, before_after, limit.limit, session).await,
        Ask::Export { file, network } => {
            let parent = chain(network, session).await?;
            export::export(&parent, &file, session).await
        }
        Ask::Checkpoints { file, limit } => match file {
            Some(file) => checkpoints::kept(&file, session).await,
            None => checkpoints::list(limit.limit, session).await,
        },
    }
}

/// The chain meant: a site's, or the network's own, which has no name.
async fn chain(network: bool, session: &mut Session<'_, '_>) -> Result<String, Stop> {
    if network {
        Ok(String::new())
    } else {
        session.site_name().await
    }
}

/// What people call a chain.
fn called(chain: &str) -> String {
    match chain {
        "" => "the network".to_owned(),
        site => format!("site {}", names::id(site)),
    }
}

/// The zone of a chain's times.
async fn zone(chain: &str, session: &mut Session<'_, '_>) -> TimeZone {
    match chain {
        "" => TimeZone::UTC,
        // Who may read the chain alone is shown UTC.
        site => session.zone(site).await.unwrap_or(TimeZone::UTC),
    }
}

async fn list(
    which: Which,
    before_after: bool,
    limit: usize,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let parent = chain(which.network, session).await?;
    let zone = zone(&parent, session).await;
    let start_time = since(which.from.as_deref(), &zone, session)?;
    let end_time = since(which.until.as_deref(), &zone, session)?;
    let subject = which.about.unwrap_or_default();
    let remote = session.remote.clone();
    let (entries, next_page_token) = gathered(limit, async |page_size, page_token| {
        let ask = ListAuditEntriesRequest {
            parent: parent.clone(),
            subject: subject.clone(),
            start_time,
            end_time,
            page_size,
            page_token,
        };
        let page = remote.audit_entries(ask).await?;
        Ok((page.entries, page.next_page_token))
    })
    .await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListAuditEntriesResponse {
            entries,
            next_page_token,
        };
        return session.show_json("ListAuditEntriesResponse", &whole);
    }
    if !before_after {
        let mut rows = Vec::new();
        for entry in &entries {
            rows.push(row(entry, &zone));
        }
        let headings = ["no.", "when", "who", "from where", "what", "of what"];
        return shown_list("entries", &headings, &rows, more, session);
    }
    let mut blocks = Vec::new();
    for entry in &entries {
        blocks.push(whole(entry, &zone, session.world.columns));
    }
    if blocks.is_empty() {
        return session.say("There are no entries yet.");
    }
    session.show(&blocks.join("\n\n"))?;
    if more {
        session
            .say("There are more entries; show them with a higher --limit or a later --from.")?;
    }
    Ok(())
}

/// Reads a moment as people say it; a day alone is its beginning.
fn since(
    text: Option<&str>,
    zone: &TimeZone,
    session: &Session<'_, '_>,
) -> Result<Option<prost_types::Timestamp>, Stop> {
    let Some(text) = text else {
        return Ok(None);
    };
    let now = session.world.now;
    let today = crate::day::of(now, zone);
    let beginning = crate::day::past(text, today)
        .ok()
        .and_then(|day| moment::start_of_day(&day.to_string(), zone));
    let moment = match beginning {
        Some(moment) => moment,
        None => match moment::absolute(text) {
            Some(moment) => moment,
            None => moment::spoken(text, now, zone).map_err(Stop::Usage)?,
        },
    };
    Ok(Some(moment::sent(moment)))
}

fn row(entry: &AuditEntry, zone: &TimeZone) -> Vec<String> {
    let when = moment::received(entry.time.as_ref());
    vec![
        entry.seq.to_string(),
        when.map(|at| moment::brief(at, zone)).unwrap_or_default(),
        who(&entry.actor, true),
        entry.origin.clone(),
        entry.action.clone(),
        entry.subject.clone(),
    ]
}

/// Characters at the end of a credential's id that tell it apart in a table, where a whole one has no room.
const END_OF_ID: usize = 6;

/// Who did something, as people are told: the staff code, and the credential.
fn who(actor: &str, briefly: bool) -> String {
    let Some(rest) = actor.strip_prefix("credentials/") else {
        return actor
            .replace("local:", "this computer, ")
            .replace("work:", "server, ");
    };
    let (id, operator) = rest.split_once(':').unwrap_or((rest, ""));
    let end = id.len().checked_sub(END_OF_ID);
    let end = end.and_then(|at| id.get(at..)).filter(|_| briefly);
    let credential = match end {
        Some(end) => format!("credential ..{end}"),
        None => format!("credential {id}"),
    };
    if operator.is_empty() {
        credential
    } else {
        format!("{operator}, {credential}")
    }
}

/// An entry with the fields that it changed.
fn whole(entry: &AuditEntry, zone: &TimeZone, columns: u16) -> String {
    let when = moment::received(entry.time.as_ref());
    let lines = [
        ("Entry", entry.seq.to_string()),
        (
            "When",
            when.map(|at| moment::shown(at, zone)).unwrap_or_default(),
        ),
        ("Who", who(&entry.actor, false)),
        ("From where", entry.origin.clone()),
        ("What", entry.action.clone()),
        ("Of what", entry.subject.clone()),
    ];
    let mut drawn = output::card(&lines, columns);
    for line in difference::lines(&entry.before_json, &entry.after_json) {
        drawn.push_str("\n  ");
        drawn.push_str(&line);
    }
    drawn
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry() -> AuditEntry {
        AuditEntry {
            chain: "sites/porto".to_owned(),
            seq: 7,
            time: Some(moment::sent(
                "2026-11-20T18:00:00Z".parse().expect("a moment"),
            )),
            actor: "credentials/0198f3a0-0000-7000-8000-00000a1b2c3d:ab".to_owned(),
            origin: "192.0.2.7".to_owned(),
            action: "furnace.update".to_owned(),
            subject: "sites/porto/furnaces/k2".to_owned(),
            before_json: r#"{"tolerance_c":10.0,"display_name":"K2"}"#.to_owned(),
            after_json: r#"{"tolerance_c":8.0,"display_name":"K2"}"#.to_owned(),
            ..AuditEntry::default()
        }
    }

    #[test]
    fn an_entry_tells_when_who_from_where_and_what() {
        assert_eq!(
            row(&entry(), &TimeZone::UTC),
            [
                "7",
                "Fri 2026-11-20 18:00 UTC",
                "ab, credential ..1b2c3d",
                "192.0.2.7",
                "furnace.update",
                "sites/porto/furnaces/k2"
            ]
        );
        assert_eq!(who("local:ab", true), "this computer, ab");
        assert_eq!(who("work:alerts", true), "server, alerts");
        assert_eq!(who("credentials/x", true), "credential x");
    }

    #[test]
    fn only_what_changed_is_shown_before_and_after() {
        let shown = whole(&entry(), &TimeZone::UTC, 80);
        assert!(
            shown.ends_with("\n  - tolerance_c: 10.0\n  + tolerance_c: 8.0"),
            "{shown}"
        );
        assert!(!shown.contains("display_name"), "{shown}");
        let whole = "ab, credential 0198f3a0-0000-7000-8000-00000a1b2c3d";
        assert!(shown.contains(whole), "{shown}");
    }
}
