//! `ringtrue changes`: what changed, for people and for programs that keep a copy.

use std::pin::pin;

use clap::{Args, Subcommand};
use jiff::tz::TimeZone;
use ringtrue_proto::v1::{
    ActorKind, Change, ListChangesRequest, WatchChangesRequest, WatchChangesResponse,
};
use ringtrue_remote::Followed;
use tokio::time::Instant;

use crate::command::Limit;
use crate::failure::Stop;
use crate::session::Session;
use crate::site::shown_list;
use crate::watch::{interrupted, say_back, say_lost};
use crate::{moment, names, output};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue changes list                               at the site, oldest first
  ringtrue changes list --type reading --type alert.raised --limit 20
  ringtrue changes watch --everywhere --json --after c1f3-0a1b2c3d
Each change has a cursor; --after goes on behind it. With --json every change is a line.
A cursor can be too old: the server then says how to begin anew.";

/// What to do with changes.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Lists changes, oldest first.
    List {
        #[command(flatten)]
        wanted: Wanted,
        #[command(flatten)]
        limit: Limit,
    },
    /// Shows changes as they come, until Ctrl-C.
    Watch {
        #[command(flatten)]
        wanted: Wanted,
    },
}

/// Which changes.
#[derive(Debug, Args)]
pub(crate) struct Wanted {
    /// Of every site you may see, and of what the network shares.
    #[arg(long)]
    everywhere: bool,
    /// Only of this type, such as reading.recorded, or reading for all about readings; may be repeated.
    #[arg(long = "type", value_name = "TYPE")]
    types: Vec<String>,
    /// Only those behind this cursor; the oldest that are kept, or from now on with `watch`, when left out.
    #[arg(long, value_name = "CURSOR")]
    after: Option<String>,
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::List { wanted, limit } => list(wanted, limit.limit, session).await,
        Ask::Watch { wanted } => watch(wanted, session).await,
    }
}

async fn parent(wanted: &Wanted, session: &mut Session<'_, '_>) -> Result<String, Stop> {
    if wanted.everywhere {
        return Ok("sites/-".to_owned());
    }
    session.site_name().await
}

async fn list(wanted: Wanted, limit: usize, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let parent = parent(&wanted, session).await?;
    let mut after = wanted.after.clone().unwrap_or_default();
    let mut changes: Vec<Change> = Vec::new();
    let mut has_more = true;
    while has_more && changes.len() < limit {
        let ask = ListChangesRequest {
            parent: parent.clone(),
            types: wanted.types.clone(),
            after: after.clone(),
            page_size: i32::try_from((limit - changes.len()).min(1000)).unwrap_or(1000),
        };
        let page = session.remote.changes(ask).await?;
        changes.extend(page.changes);
        (after, has_more) = (page.cursor, page.has_more);
    }
    if session.json {
        for change in &changes {
            let line = output::json_line("Change", change)?;
            session.show(&line)?;
        }
        return Ok(());
    }
    let mut rows = Vec::new();
    for change in &changes {
        let zone = zone(change, session).await?;
        let [when, what, _, by, cursor] = row(change, wanted.everywhere, &zone);
        let of = of(change, wanted.everywhere);
        // Ids that the server makes are long; in the last column they get a line of their own.
        rows.push(vec![when, what, of, by, cursor, own(change).to_owned()]);
    }
    if rows.is_empty() && (wanted.after.is_some() || !wanted.types.is_empty()) {
        // What was asked for is narrower than all there is.
        session.say("Nothing like that has changed.")?;
        return session.say(&format!("Go on from here with --after {after}."));
    }
    let headings = ["when", "what", "of", "by", "cursor", "id"];
    shown_list("changes", &headings, &rows, has_more, session)?;
    session.say(&format!("Go on behind these with --after {after}."))
}

async fn watch(wanted: Wanted, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let parent = parent(&wanted, session).await?;
    if !session.json {
        let place = match parent.as_str() {
            "sites/-" => "every site",
            site => names::id(site),
        };
        session.say(&format!("Watching changes of {place}; Ctrl-C ends it."))?;
    }
    let began = Instant::now();
    let mut stream = session.remote.watch_changes(WatchChangesRequest {
        parent,
        types: wanted.types,
        after: wanted.after.unwrap_or_default(),
    });
    let mut interrupted = pin!(interrupted());
    loop {
        let told = tokio::select! {
            biased;
            () = &mut interrupted => break,
            told = stream.next() => told?,
        };
        match told {
            Followed::Change(change) => show(*change, wanted.everywhere, session).await?,
            Followed::Heartbeat { .. } => {}
            Followed::Lost(lost) => say_lost(&lost, began, session)?,
            Followed::Back => say_back(session)?,
        }
    }
    if session.json {
        return Ok(());
    }
    match stream.cursor() {
        "" => session.say("Stopped watching."),
        cursor => session.say(&format!("Stopped watching. Go on with --after {cursor}.")),
    }
}

async fn show(change: Change, names_site: bool, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let text = if session.json {
        let cursor = change.cursor.clone();
        let whole = WatchChangesResponse {
            change: Some(change),
            cursor,
        };
        output::json_line("WatchChangesResponse", &whole)?
    } else {
        let zone = zone(&change, session).await?;
        let [when, what, which, by, _] = row(&change, names_site, &zone);
        format!("{when}  {what}: {which}, by {by}")
    };
    session.show(&text)?;
    session.world.out.flush()?;
    Ok(())
}

/// The zone of a change's site; UTC for what the network shares.
async fn zone(change: &Change, session: &mut Session<'_, '_>) -> Result<TimeZone, Stop> {
    match change.site.as_str() {
        "" => Ok(TimeZone::UTC),
        site => session.zone(site).await,
    }
}

fn row(change: &Change, names_site: bool, zone: &TimeZone) -> [String; 5] {
    let at = moment::received(change.change_time.as_ref());
    [
        at.map(|at| moment::brief(at, zone)).unwrap_or_default(),
        change.r#type.replace(['.', '_'], " "),
        which(change, names_site),
        by(change).to_owned(),
        change.cursor.clone(),
    ]
}

/// What changed, for one line: the furnace, or what else it is about, and the id behind it.
fn which(change: &Change, names_site: bool) -> String {
    let (about, own) = (about(change), own(change));
    let text = match about {
        // Many firings come in one report; it has a name, and nothing more to show.
        "" if change.name.contains("/firingReports/") => format!("report {own}"),
        "" => own.to_owned(),
        about if about == own => own.to_owned(),
        about => format!("{about} ({own})"),
    };
    with_site(text, change, names_site)
}

/// The same without the id.
fn of(change: &Change, names_site: bool) -> String {
    with_site(about(change).to_owned(), change, names_site)
}

fn own(change: &Change) -> &str {
    names::id(&change.name)
}

fn about(change: &Change) -> &str {
    match (change.furnace.as_str(), change.subject.as_str()) {
        ("", "") => "",
        ("", subject) => names::id(subject),
        (furnace, _) => names::id(furnace),
    }
}

fn with_site(text: String, change: &Change, names_site: bool) -> String {
    if !names_site || change.site.is_empty() || change.site == change.name {
        return text;
    }
    let site = names::id(&change.site);
    match text.as_str() {
        "" => site.to_owned(),
        text => format!("{text} at {site}"),
    }
}

fn by(change: &Change) -> &'static str {
    match change.actor_kind() {
        ActorKind::Person => "a person",
        ActorKind::Device => "a shared device",
        ActorKind::Integration => "a program",
        ActorKind::Local => "somebody at the server",
        ActorKind::Server => "the server",
        ActorKind::Unspecified => "somebody",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn change(kind: &str, name: &str, furnace: &str) -> Change {
        Change {
            cursor: "c1-00000001".to_owned(),
            r#type: kind.to_owned(),
            name: name.to_owned(),
            site: "sites/porto".to_owned(),
            furnace: furnace.to_owned(),
            change_time: Some(prost_types::Timestamp {
                seconds: 1_772_798_400,
                nanos: 0,
            }),
            actor_kind: ActorKind::Person.into(),
            ..Change::default()
        }
    }

    #[test]
    fn a_change_is_told_in_words_with_the_sites_own_time() {
        let zone = TimeZone::get("America/Bogota").expect("a zone");
        let reading = "sites/porto/furnaces/k1/readings/r1";
        let told = row(
            &change("reading.recorded", reading, "sites/porto/furnaces/k1"),
            true,
            &zone,
        );
        assert!(told[0].contains("07:00"), "{told:?}");
        assert_eq!(
            told[1..],
            [
                "reading recorded",
                "k1 (r1) at porto",
                "a person",
                "c1-00000001"
            ]
        );
        let site = change("site.created", "sites/porto", "");
        assert_eq!(which(&site, true), "porto");
    }
}
