//! `ringtrue calendar`: secret addresses under which calendar programs read what is due.

use clap::Subcommand;
use ringtrue_proto::v1::{
    CalendarFeed, CreateCalendarFeedRequest, CreateCalendarFeedResponse, DeleteCalendarFeedRequest,
    ListCalendarFeedsRequest,
};

use crate::command::Repeat;
use crate::failure::Stop;
use crate::session::Session;
use crate::site::shown_list;
use crate::{moment, names};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue calendar add --name 'screen at the bench'
  ringtrue calendar list
  ringtrue calendar remove ID
Subscribe to the address in a calendar program; it shows what is due at the site.
Whoever knows the address can read it: make one for each program, and remove those
that are lost or no longer used.";

/// What to do with calendars.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Makes a secret address for one calendar program; it is shown once.
    Add {
        /// What it is for, for example "screen at the bench". No person's name.
        #[arg(long, value_name = "TEXT", default_value = "calendar")]
        name: String,
        #[command(flatten)]
        repeat: Repeat,
    },
    /// Lists the calendars of the site, without their addresses.
    List,
    /// Makes an address unknown from now on.
    Remove {
        /// Calendar, by its id.
        calendar: String,
        #[command(flatten)]
        repeat: Repeat,
    },
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::Add { name, repeat } => {
            let parent = session.site_name().await?;
            let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
            let ask = CreateCalendarFeedRequest {
                parent,
                feed: Some(CalendarFeed {
                    display_name: name,
                    ..CalendarFeed::default()
                }),
                request_id: request_id.clone(),
            };
            let answer = session.remote.create_calendar_feed(ask).await;
            let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
            made(&answer, session)
        }
        Ask::List => list(session).await,
        Ask::Remove { calendar, repeat } => {
            let name = session
                .named(&calendar, &["sites", "calendarFeeds"])
                .await?;
            let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
            let ask = DeleteCalendarFeedRequest {
                name: name.clone(),
                request_id: request_id.clone(),
            };
            let answer = session.remote.delete_calendar_feed(ask).await;
            let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
            if session.json {
                return session.show_json("DeleteCalendarFeedResponse", &answer);
            }
            session.say("Removed. Its address is unknown from now on.")
        }
    }
}

/// Shows the secret address, alone on stdout so that it can be copied.
fn made(answer: &CreateCalendarFeedResponse, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if session.json {
        return session.show_json("CreateCalendarFeedResponse", answer);
    }
    let feed = answer.feed.clone().unwrap_or_default();
    let id = names::id(&feed.name);
    if answer.url.is_empty() && answer.secret_path.is_empty() {
        return session.say(&format!(
            "Calendar {id} was made before; its address was shown then and is kept nowhere. If it is \
             lost, `ringtrue calendar remove {id}` and make a new one."
        ));
    }
    if answer.url.is_empty() {
        session.show(&answer.secret_path)?;
        session.say(
            "Put the HTTP address of the server before it, for example http://server:8080; whoever \
             runs the server knows it.",
        )?;
    } else {
        session.show(&answer.url)?;
    }
    session.say(&format!(
        "Keep this address like a password: whoever knows it can read what is due here. It is shown \
         once. If it gets about, `ringtrue calendar remove {id}`."
    ))
}

async fn list(session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let parent = session.site_name().await?;
    let ask = ListCalendarFeedsRequest {
        parent: parent.clone(),
    };
    let answer = session.remote.calendar_feeds(ask).await?;
    if session.json {
        return session.show_json("ListCalendarFeedsResponse", &answer);
    }
    let zone = session.zone(&parent).await?;
    let mut rows = Vec::new();
    for feed in &answer.feeds {
        let made = moment::received(feed.create_time.as_ref());
        rows.push(vec![
            feed.display_name.clone(),
            made.map(|at| moment::brief(at, &zone)).unwrap_or_default(),
            names::id(&feed.name).to_owned(),
        ]);
    }
    shown_list("calendars", &["for", "made", "id"], &rows, false, session)
}
