//! `ringtrue webhook`: changes sent to other programs.

use clap::{Args, Subcommand};
use jiff::tz::TimeZone;
use ringtrue_proto::v1::{
    CreateWebhookRequest, DeleteWebhookRequest, DeliveryState, GetWebhookRequest,
    ListWebhookDeliveriesRequest, ListWebhookDeliveriesResponse, ListWebhooksRequest,
    ReplayDeliveriesRequest, RotateWebhookSecretRequest, TestWebhookRequest, UpdateWebhookRequest,
    Webhook, WebhookDelivery,
};

use crate::command::{Limit, Repeat, Seen};
use crate::failure::Stop;
use crate::session::{Session, gathered};
use crate::site::shown_list;
use crate::{moment, names, output, words};

/// Examples, as the help gives them.
pub(crate) const EXAMPLES: &str = "\
Examples:
  ringtrue webhook add https://ledger.example/hook --title ledger --type reading --ordered
  ringtrue webhook test ID                    sends an event now, and says what came back
  ringtrue webhook deliveries ID --state dead
  ringtrue webhook replay ID --since 'yesterday 18:00'
The secret is shown once, when the webhook is made and when its secret is rotated.";

/// What to do with webhooks.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Sends changes to an address; shows the secret once.
    Add {
        /// Where events are sent, https.
        url: String,
        /// What it is for.
        #[arg(long, value_name = "TEXT")]
        title: String,
        /// Of the whole network, not of the site.
        #[arg(long)]
        network: bool,
        #[command(flatten)]
        wanted: Wanted,
        /// Keep the order: an event waits until the one before it has arrived.
        #[arg(long)]
        ordered: bool,
        #[command(flatten)]
        repeat: Repeat,
    },
    /// Shows a webhook, and whether events arrive.
    Show {
        /// Webhook, by its id; of the network by its full name, webhooks/...
        webhook: String,
    },
    /// Lists webhooks, and whether events arrive.
    List {
        /// Of every site you may see.
        #[arg(long, conflicts_with = "network")]
        everywhere: bool,
        /// Of the whole network.
        #[arg(long)]
        network: bool,
    },
    /// Changes a webhook; --resume also starts one again that the server stopped.
    Change(Changed),
    /// Ends a webhook; what waits is not sent.
    Remove {
        /// Webhook, by its id; of the network by its full name, webhooks/...
        webhook: String,
        #[command(flatten)]
        repeat: Repeat,
    },
    /// Makes a new secret and shows it once; for a while events are signed with both.
    Rotate {
        /// Webhook, by its id; of the network by its full name, webhooks/...
        webhook: String,
        /// How long events are signed with the old secret too, hours.
        #[arg(long, value_name = "HOURS", default_value_t = 24)]
        overlap: i32,
        #[command(flatten)]
        repeat: Repeat,
    },
    /// Sends an event that says nothing, now, and says what came back.
    Test {
        /// Webhook, by its id; of the network by its full name, webhooks/...
        webhook: String,
    },
    /// Lists what was sent, waits or was given up, latest first.
    Deliveries {
        /// Webhook, by its id; of the network by its full name, webhooks/...
        webhook: String,
        /// Only in this state.
        #[arg(long, value_name = "STATE", value_parser = words::one_of(words::DELIVERY_STATES))]
        state: Option<DeliveryState>,
        #[command(flatten)]
        limit: Limit,
    },
    /// Sends events again.
    Replay(Again),
}

/// What is to be otherwise.
#[derive(Debug, Args)]
pub(crate) struct Changed {
    /// Webhook, by its id; of the network by its full name, webhooks/...
    webhook: String,
    /// Where events are sent, https.
    #[arg(long)]
    url: Option<String>,
    /// What it is for.
    #[arg(long, value_name = "TEXT")]
    title: Option<String>,
    #[command(flatten)]
    wanted: Wanted,
    /// Whether an event waits until the one before it has arrived.
    #[arg(long, value_name = "YES_OR_NO")]
    ordered: Option<bool>,
    /// Sends nothing until resumed; what comes meanwhile waits.
    #[arg(long, conflicts_with = "resume")]
    pause: bool,
    /// Sends again.
    #[arg(long)]
    resume: bool,
    #[command(flatten)]
    seen: Seen,
    #[command(flatten)]
    repeat: Repeat,
}

impl Changed {
    /// The fields that are given, as an update mask names them.
    fn paths(&self) -> Vec<String> {
        [
            ("url", self.url.is_some()),
            ("display_name", self.title.is_some()),
            ("types", !self.wanted.types.is_empty()),
            ("sites", !self.wanted.sites.is_empty()),
            ("ordered", self.ordered.is_some()),
            ("paused", self.pause || self.resume),
        ]
        .into_iter()
        .filter(|(_, is_given)| *is_given)
        .map(|(path, _)| path.to_owned())
        .collect()
    }
}

/// What is sent again.
#[derive(Debug, Args)]
pub(crate) struct Again {
    /// Webhook, by its id; of the network by its full name, webhooks/...
    webhook: String,
    /// Deliveries, by their ids.
    deliveries: Vec<String>,
    /// All of changes from this time on, such as 'yesterday 18:00'.
    #[arg(long, value_name = "TIME", conflicts_with = "deliveries")]
    since: Option<String>,
    /// With --since, of changes before this time.
    #[arg(long, value_name = "TIME", requires = "since")]
    until: Option<String>,
    /// With --since, only in this state.
    #[arg(long, value_name = "STATE", requires = "since",
          value_parser = words::one_of(words::DELIVERY_STATES))]
    state: Option<DeliveryState>,
    #[command(flatten)]
    repeat: Repeat,
}

/// Which changes are sent.
#[derive(Debug, Args)]
pub(crate) struct Wanted {
    /// Only of this type, such as reading.recorded, or reading for all about readings; may be repeated.
    #[arg(long = "type", value_name = "TYPE")]
    types: Vec<String>,
    /// Of a webhook of the network: only of this site; may be repeated.
    #[arg(long = "only-site", value_name = "SITE")]
    sites: Vec<String>,
}

impl Wanted {
    fn site_names(&self) -> Result<Vec<String>, Stop> {
        let named = self.sites.iter().map(|site| names::site(site));
        named.collect::<Result<_, _>>().map_err(Stop::Usage)
    }
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::Add {
            url,
            title,
            network,
            wanted,
            ordered,
            repeat,
        } => {
            let webhook = Webhook {
                display_name: title,
                url,
                sites: wanted.site_names()?,
                types: wanted.types,
                ordered,
                ..Webhook::default()
            };
            let parent = parent(network, session).await?;
            add(parent, webhook, repeat, session).await
        }
        Ask::Show { webhook } => {
            let name = named(&webhook, session).await?;
            let answer = session.remote.webhook(GetWebhookRequest { name }).await?;
            shown(&answer.webhook.unwrap_or_default(), session).await
        }
        Ask::List {
            everywhere,
            network,
        } => {
            let parent = if everywhere {
                "sites/-".to_owned()
            } else {
                parent(network, session).await?
            };
            list(parent, session).await
        }
        Ask::Change(asked) => change(asked, session).await,
        Ask::Remove { webhook, repeat } => remove(&webhook, repeat, session).await,
        Ask::Rotate {
            webhook,
            overlap,
            repeat,
        } => rotate(&webhook, overlap, repeat, session).await,
        Ask::Test { webhook } => test(&webhook, session).await,
        Ask::Deliveries {
            webhook,
            state,
            limit,
        } => deliveries(&webhook, state, limit.limit, session).await,
        Ask::Replay(asked) => replay(asked, session).await,
    }
}

async fn parent(network: bool, session: &mut Session<'_, '_>) -> Result<String, Stop> {
    if network {
        return Ok(String::new());
    }
    session.site_name().await
}

async fn named(webhook: &str, session: &mut Session<'_, '_>) -> Result<String, Stop> {
    if webhook.starts_with("webhooks/") {
        return Ok(webhook.to_owned());
    }
    session.named(webhook, &["sites", "webhooks"]).await
}

/// The zone in which times of a webhook are shown: its site's, UTC for one of the network.
async fn zone(name: &str, session: &mut Session<'_, '_>) -> Result<TimeZone, Stop> {
    match name.split_once("/webhooks/") {
        Some((site, _)) => session.zone(site).await,
        None => Ok(TimeZone::UTC),
    }
}

async fn add(
    parent: String,
    webhook: Webhook,
    repeat: Repeat,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
    let ask = CreateWebhookRequest {
        parent,
        webhook: Some(webhook),
        request_id: request_id.clone(),
    };
    let answer = session.remote.create_webhook(ask).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
    if session.json {
        return session.show_json("CreateWebhookResponse", &answer);
    }
    let webhook = answer.webhook.unwrap_or_default();
    shown(&webhook, session).await?;
    told_secret(&answer.secret, session)?;
    session.say(&format!(
        "Added. `ringtrue webhook test {}` tries it out.",
        short(&webhook.name)
    ))
}

fn told_secret(secret: &str, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if secret.is_empty() {
        return session
            .say("The secret was shown when this was first asked for; rotate it if it is lost.");
    }
    session.show(&output::card(
        &[("Secret", secret.to_owned())],
        session.world.columns,
    ))?;
    session.say(
        "The secret is shown this once. Give it to the receiver, who checks signatures with it.",
    )
}

async fn change(asked: Changed, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let paths = asked.paths();
    if paths.is_empty() {
        return Err(Stop::Usage("say what to change; see --help.".to_owned()));
    }
    let changed = Webhook {
        name: named(&asked.webhook, session).await?,
        sites: asked.wanted.site_names()?,
        url: asked.url.unwrap_or_default(),
        display_name: asked.title.unwrap_or_default(),
        types: asked.wanted.types,
        ordered: asked.ordered.unwrap_or_default(),
        paused: asked.pause,
        etag: asked.seen.etag.unwrap_or_default(),
        ..Webhook::default()
    };
    let repeat = session.repeatable(asked.repeat.request_id.as_deref())?;
    let request_id = repeat.request_id;
    let ask = UpdateWebhookRequest {
        webhook: Some(changed),
        update_mask: Some(prost_types::FieldMask { paths }),
        request_id: request_id.clone(),
    };
    let answer = session.remote.update_webhook(ask).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
    shown(&answer.webhook.unwrap_or_default(), session).await
}

async fn remove(webhook: &str, repeat: Repeat, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let name = named(webhook, session).await?;
    let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
    let ask = DeleteWebhookRequest {
        name: name.clone(),
        request_id: request_id.clone(),
    };
    let answer = session.remote.delete_webhook(ask).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
    if session.json {
        return session.show_json("DeleteWebhookResponse", &answer);
    }
    session.say(&format!("Ended. Nothing more is sent for {name}."))
}

async fn rotate(
    webhook: &str,
    overlap_hours: i32,
    repeat: Repeat,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let request_id = session.repeatable(repeat.request_id.as_deref())?.request_id;
    let ask = RotateWebhookSecretRequest {
        name: named(webhook, session).await?,
        overlap_hours: Some(overlap_hours),
        request_id: request_id.clone(),
    };
    let answer = session.remote.rotate_webhook_secret(ask).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
    if session.json {
        return session.show_json("RotateWebhookSecretResponse", &answer);
    }
    shown(&answer.webhook.unwrap_or_default(), session).await?;
    told_secret(&answer.secret, session)
}

async fn test(webhook: &str, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let name = named(webhook, session).await?;
    let came = session
        .remote
        .test_webhook(TestWebhookRequest { name })
        .await?;
    if session.json {
        return session.show_json("TestWebhookResponse", &came);
    }
    let ms = came.duration_ms;
    if came.arrived {
        return session.say(&format!(
            "The event arrived: {} after {ms} ms.",
            came.status
        ));
    }
    Err(Stop::Refused(format!(
        "The event did not arrive: {} ({ms} ms).",
        came.failure
    )))
}

async fn list(parent: String, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let ask = ListWebhooksRequest {
        parent: parent.clone(),
    };
    let answer = session.remote.webhooks(ask).await?;
    if session.json {
        return session.show_json("ListWebhooksResponse", &answer);
    }
    let mut rows = Vec::new();
    for webhook in &answer.webhooks {
        let zone = zone(&webhook.name, session).await?;
        let id = if parent.starts_with("sites/") && parent != "sites/-" {
            short(&webhook.name).to_owned()
        } else {
            webhook.name.clone()
        };
        rows.push(vec![
            webhook.display_name.clone(),
            webhook.url.clone(),
            types(webhook),
            state(webhook, &zone),
            id,
        ]);
    }
    let headings = ["title", "address", "types", "state", "id"];
    shown_list("webhooks", &headings, &rows, false, session)
}

async fn shown(webhook: &Webhook, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    if session.json {
        return session.show_json("Webhook", webhook);
    }
    let zone = zone(&webhook.name, session).await?;
    let order = if webhook.ordered { "kept" } else { "not kept" };
    let mut lines = vec![
        ("Webhook", webhook.name.clone()),
        ("Title", webhook.display_name.clone()),
        ("Address", webhook.url.clone()),
        ("Types", types(webhook)),
        ("Order", order.to_owned()),
        ("State", state(webhook, &zone)),
        ("Version", webhook.etag.clone()),
    ];
    if !webhook.sites.is_empty() {
        lines.push(("Sites", webhook.sites.join(", ")));
    }
    if let Some(until) = moment::received(webhook.previous_secret_until_time.as_ref()) {
        lines.push(("Old secret until", moment::brief(until, &zone)));
    }
    session.show(&output::card(&lines, session.world.columns))
}

fn short(name: &str) -> &str {
    if name.starts_with("webhooks/") {
        name
    } else {
        names::id(name)
    }
}

fn types(webhook: &Webhook) -> String {
    if webhook.types.is_empty() {
        "all".to_owned()
    } else {
        webhook.types.join(", ")
    }
}

/// Says whether events arrive, and what to do when they do not.
fn state(webhook: &Webhook, zone: &TimeZone) -> String {
    if !webhook.stopped_reason.is_empty() {
        return format!(
            "stopped: {}. Start it again with `change --resume`.",
            webhook.stopped_reason.trim_end_matches('.')
        );
    }
    if webhook.paused {
        return "paused".to_owned();
    }
    if let Some(since) = moment::received(webhook.failing_since_time.as_ref()) {
        return format!(
            "nothing arrives since {}: {}",
            moment::brief(since, zone),
            webhook.last_failure
        );
    }
    match moment::received(webhook.last_arrival_time.as_ref()) {
        Some(at) => format!("arrived {}", moment::brief(at, zone)),
        None => "nothing sent yet".to_owned(),
    }
}

async fn deliveries(
    webhook: &str,
    state: Option<DeliveryState>,
    limit: usize,
    session: &mut Session<'_, '_>,
) -> Result<(), Stop> {
    let parent = named(webhook, session).await?;
    let remote = session.remote.clone();
    let template = ListWebhookDeliveriesRequest {
        parent: parent.clone(),
        state: state.unwrap_or_default().into(),
        ..ListWebhookDeliveriesRequest::default()
    };
    let (deliveries, next_page_token) = gathered(limit, async |page_size, page_token| {
        let ask = ListWebhookDeliveriesRequest {
            page_size,
            page_token,
            ..template.clone()
        };
        let page = remote.webhook_deliveries(ask).await?;
        Ok((page.deliveries, page.next_page_token))
    })
    .await?;
    let more = !next_page_token.is_empty();
    if session.json {
        let whole = ListWebhookDeliveriesResponse {
            deliveries,
            next_page_token,
        };
        return session.show_json("ListWebhookDeliveriesResponse", &whole);
    }
    let zone = zone(&parent, session).await?;
    let rows: Vec<Vec<String>> = deliveries.iter().map(|one| delivery(one, &zone)).collect();
    let headings = ["id", "what", "state", "tries", "tried", "said", "which"];
    shown_list("deliveries", &headings, &rows, more, session)
}

fn delivery(one: &WebhookDelivery, zone: &TimeZone) -> Vec<String> {
    let tried = moment::received(one.attempt_time.as_ref());
    // Ids that the server makes are long; in the last column they get a line of their own.
    vec![
        names::id(&one.name).to_owned(),
        one.r#type.replace(['.', '_'], " "),
        words::word(words::DELIVERY_STATES, one.state()).to_owned(),
        one.attempts.to_string(),
        tried.map(|at| moment::brief(at, zone)).unwrap_or_default(),
        one.last_failure.clone(),
        names::id(&one.subject).to_owned(),
    ]
}

async fn replay(asked: Again, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    let parent = named(&asked.webhook, session).await?;
    let zone = zone(&parent, session).await?;
    let now = session.world.now;
    let spoken = |text: Option<String>| {
        text.map(|text| moment::spoken(&text, now, &zone))
            .transpose()
            .map_err(Stop::Usage)
    };
    let repeat = session.repeatable(asked.repeat.request_id.as_deref())?;
    let request_id = repeat.request_id;
    let ask = ReplayDeliveriesRequest {
        deliveries: asked
            .deliveries
            .iter()
            .map(|id| format!("{parent}/deliveries/{}", names::id(id)))
            .collect(),
        from_time: spoken(asked.since)?.map(moment::sent),
        until_time: spoken(asked.until)?.map(moment::sent),
        state: asked.state.unwrap_or_default().into(),
        parent,
        request_id: request_id.clone(),
    };
    let answer = session.remote.replay_deliveries(ask).await;
    let answer = answer.map_err(|failure| Stop::of_change(failure, &request_id))?;
    if session.json {
        return session.show_json("ReplayDeliveriesResponse", &answer);
    }
    session.say(&match answer.count {
        1 => "One event is sent again.".to_owned(),
        count => format!("{count} events are sent again."),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_does_not_arrive_is_said_with_what_to_do() {
        let mut webhook = Webhook::default();
        let zone = TimeZone::UTC;
        assert_eq!(state(&webhook, &zone), "nothing sent yet");
        webhook.failing_since_time = Some(prost_types::Timestamp {
            seconds: 1_772_798_400,
            nanos: 0,
        });
        webhook.last_failure = "the receiver answered 500".to_owned();
        assert!(state(&webhook, &zone).contains("12:00"));
        assert!(state(&webhook, &zone).ends_with("the receiver answered 500"));
        webhook.stopped_reason = "the receiver answered 410".to_owned();
        assert!(state(&webhook, &zone).contains("--resume"));
        assert_eq!(types(&webhook), "all");
        assert_eq!(short("webhooks/w1"), "webhooks/w1");
        assert_eq!(short("sites/porto/webhooks/w1"), "w1");
    }
}
