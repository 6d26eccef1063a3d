//! `ringtrue mail`: who is sent mail about alerts.

use clap::{Args, Subcommand};
use jiff::tz::TimeZone;
use ringtrue_proto::v1::{
    AlertLevel, CreateMailSubscriptionRequest, DeleteMailSubscriptionRequest,
    ListMailSubscriptionsRequest, MailMode, MailSubscription,
};

use crate::command::Repeat;
use crate::failure::Stop;
use crate::session::Session;
use crate::site::shown_list;
use crate::{moment, names, output, words};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue mail add bench@porto.example                       alerts of the site, at once
  ringtrue mail add quality@network.example --network --level quality --mode digest
  ringtrue mail list
  ringtrue mail remove ID
Use addresses of roles rather than people's own. Every mail has a link that ends it.";

/// What to do with mail.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Sends mail about alerts to an address.
    Add {
        /// Address that is to get the mail.
        address: String,
        /// Only alerts that have reached this level; technician when left out.
        #[arg(long, value_name = "LEVEL", value_parser = words::one_of(words::ALERT_LEVELS))]
        level: Option<AlertLevel>,
        /// At once, or all of it together each working morning.
        #[arg(long, value_name = "MODE", value_parser = words::one_of(words::MAIL_MODES))]
        mode: Option<MailMode>,
        #[command(flatten)]
        place: Place,
        #[command(flatten)]
        repeat: Repeat,
    },
    /// Lists who is sent mail, and whether it gets through.
    List {
        /// Of every site you may see.
        #[arg(long, conflicts_with = "network")]
        everywhere: bool,
        #[command(flatten)]
        place: Place,
    },
    /// Ends a subscription at once.
    Remove {
        /// Subscription, by its id; of the network by its full name, mailSubscriptions/...
        subscription: String,
        #[command(flatten)]
        repeat: Repeat,
    },
}

/// Whose alerts: the site's when nothing is named.
#[derive(Debug, Args)]
pub(crate) struct Place {
    /// The whole network's.
    #[arg(long)]
    network: bool,
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::Add {
            address,
            level,
            mode,
            place,
            repeat,
        } => {
            let parent = parent(&place, session).await?;
            let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
            let ask = CreateMailSubscriptionRequest {
                parent,
                subscription: Some(MailSubscription {
                    address,
                    level: level.unwrap_or_default().into(),
                    mode: mode.unwrap_or_default().into(),
                    ..MailSubscription::default()
                }),
                request_id: request_id.clone(),
            };
            let answer = session.remote.create_mail_subscription(ask).await;
            let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
            let made = answer.subscription.unwrap_or_default();
            if session.json {
                return session.show_json("MailSubscription", &made);
            }
            let lines = [
                ("Subscription", made.name.clone()),
                ("Address", made.address.clone()),
                ("From level", level_of(&made).to_owned()),
                ("Sent", mode_of(&made).to_owned()),
            ];
            session.show(&output::card(&lines, session.world.columns))?;
            session.say("Added. `ringtrue mail list` tells whether mail gets through.")
        }
        Ask::List { everywhere, place } => {
            let parent = if everywhere {
                "sites/-".to_owned()
            } else {
                parent(&place, session).await?
            };
            list(parent, session).await
        }
        Ask::Remove {
            subscription,
            repeat,
        } => {
            let name = if subscription.starts_with("mailSubscriptions/") {
                subscription
            } else {
                session
                    .named(&subscription, &["sites", "mailSubscriptions"])
                    .await?
            };
            let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
            let ask = DeleteMailSubscriptionRequest {
                name: name.clone(),
                request_id: request_id.clone(),
            };
            let answer = session.remote.delete_mail_subscription(ask).await;
            let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
            if session.json {
                return session.show_json("DeleteMailSubscriptionResponse", &answer);
            }
            session.say(&format!("Ended. {name} gets no more mail."))
        }
    }
}

async fn parent(place: &Place, session: &mut Session<'_, '_>) -> Result<String, Stop> {
    if place.network {
        return Ok(String::new());
    }
    session.site_name().await
}

async fn list(parent: String, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let ask = ListMailSubscriptionsRequest {
        parent: parent.clone(),
    };
    let answer = session.remote.mail_subscriptions(ask).await?;
    if session.json {
        return session.show_json("ListMailSubscriptionsResponse", &answer);
    }
    let zone = match parent.as_str() {
        "" | "sites/-" => TimeZone::UTC,
        site => session.zone(site).await?,
    };
    let mut rows = Vec::new();
    for subscription in &answer.subscriptions {
        rows.push(row(subscription, &parent, &zone));
    }
    let headings = ["address", "from level", "sent", "state", "id"];
    shown_list("subscriptions", &headings, &rows, false, session)
}

fn row(subscription: &MailSubscription, parent: &str, zone: &TimeZone) -> Vec<String> {
    // What `remove` takes: a short id for the site's own, the full name otherwise.
    let id = if parent.is_empty() || parent == "sites/-" {
        subscription.name.clone()
    } else {
        names::id(&subscription.name).to_owned()
    };
    vec![
        subscription.address.clone(),
        level_of(subscription).to_owned(),
        mode_of(subscription).to_owned(),
        state(subscription, zone),
        id,
    ]
}

fn level_of(subscription: &MailSubscription) -> &'static str {
    match subscription.level() {
        AlertLevel::Unspecified => "technician",
        level => words::word(words::ALERT_LEVELS, level),
    }
}

fn mode_of(subscription: &MailSubscription) -> &'static str {
    match subscription.mode() {
        MailMode::Digest => "each working morning",
        MailMode::Immediate | MailMode::Unspecified => "at once",
    }
}

/// Says whether mail gets through, and what to do when it does not.
fn state(subscription: &MailSubscription, zone: &TimeZone) -> String {
    if subscription.unsubscribed {
        return "ended by the recipient".to_owned();
    }
    if !subscription.last_failure.is_empty() {
        return format!(
            "does not get through: {}. Check the address.",
            subscription.last_failure.trim_end_matches('.')
        );
    }
    match moment::received(subscription.last_sent_time.as_ref()) {
        Some(at) => format!("sent {}", moment::brief(at, zone)),
        None => "nothing sent yet".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mail_that_does_not_get_through_is_said_with_what_to_do() {
        let mut subscription = MailSubscription {
            name: "sites/porto/mailSubscriptions/m1".to_owned(),
            address: "bench@porto.example".to_owned(),
            ..MailSubscription::default()
        };
        let shown =
            |subscription: &MailSubscription| row(subscription, "sites/porto", &TimeZone::UTC);
        assert_eq!(
            shown(&subscription),
            [
                "bench@porto.example",
                "technician",
                "at once",
                "nothing sent yet",
                "m1"
            ]
        );
        subscription.last_failure = "550 no such mailbox.".to_owned();
        assert_eq!(
            shown(&subscription)[3],
            "does not get through: 550 no such mailbox. Check the address."
        );
        subscription.unsubscribed = true;
        assert_eq!(shown(&subscription)[3], "ended by the recipient");
        subscription.name = "mailSubscriptions/m2".to_owned();
        let whole = row(&subscription, "", &TimeZone::UTC);
        assert_eq!(whole[4], "mailSubscriptions/m2");
    }
}
