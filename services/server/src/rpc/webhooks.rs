//! Calls about webhooks.

use std::collections::BTreeSet;

use jiff::SignedDuration;
use ringtrue_fleet::key::{SiteId, WebhookKey};
use ringtrue_fleet::violation::Violations;
use ringtrue_fleet::webhook::attempt::Meaning;
use ringtrue_fleet::webhook::{Webhook, WebhookDetails};
use ringtrue_proto::v1;
use ringtrue_proto::v1::webhook_service_server::WebhookService;
use ringtrue_store::{Delivery, DeliveryState, PagePart, Replay};
use tonic::{Request, Response, Status};

use super::access::{Method, method};
use super::caller::Asking;
use super::fields::{choice, found, moment, name, optional_name, settled, timestamp};
use super::listing::Listing;
use super::mask::fields;
use super::page::{Order, Paging};
use super::request::repeatable;
use super::status::answer;
use crate::app::{self, App, Change, Error};
use crate::webhook::{WebhookSecret, shown};

const CREATE: Method = method("/ringtrue.v1.WebhookService/CreateWebhook");
const GET: Method = method("/ringtrue.v1.WebhookService/GetWebhook");
const LIST: Method = method("/ringtrue.v1.WebhookService/ListWebhooks");
const UPDATE: Method = method("/ringtrue.v1.WebhookService/UpdateWebhook");
const DELETE: Method = method("/ringtrue.v1.WebhookService/DeleteWebhook");
const ROTATE: Method = method("/ringtrue.v1.WebhookService/RotateWebhookSecret");
const TEST: Method = method("/ringtrue.v1.WebhookService/TestWebhook");
const LIST_DELIVERIES: Method = method("/ringtrue.v1.WebhookService/ListWebhookDeliveries");
const REPLAY: Method = method("/ringtrue.v1.WebhookService/ReplayDeliveries");

/// Most items of an answer, as the protocol states.
const MOST_LISTED: usize = 1000;

/// Longest overlap of two secrets, and the usual one, hours, as the protocol states.
const LONGEST_OVERLAP_H: i32 = 168;
const USUAL_OVERLAP_H: i32 = 24;

/// Answers calls about webhooks.
#[derive(Clone)]
pub(crate) struct Webhooks(pub(crate) App);

#[tonic::async_trait]
impl WebhookService for Webhooks {
    async fn create_webhook(
        &self,
        request: Request<v1::CreateWebhookRequest>,
    ) -> Result<Response<v1::CreateWebhookResponse>, Status> {
        answer(create(&self.0, request).await)
    }

    async fn get_webhook(
        &self,
        request: Request<v1::GetWebhookRequest>,
    ) -> Result<Response<v1::GetWebhookResponse>, Status> {
        answer(get(&self.0, request).await)
    }

    async fn list_webhooks(
        &self,
        request: Request<v1::ListWebhooksRequest>,
    ) -> Result<Response<v1::ListWebhooksResponse>, Status> {
        answer(list(&self.0, request).await)
    }

    async fn update_webhook(
        &self,
        request: Request<v1::UpdateWebhookRequest>,
    ) -> Result<Response<v1::UpdateWebhookResponse>, Status> {
        answer(update(&self.0, request).await)
    }

    async fn delete_webhook(
        &self,
        request: Request<v1::DeleteWebhookRequest>,
    ) -> Result<Response<v1::DeleteWebhookResponse>, Status> {
        answer(delete(&self.0, request).await)
    }

    async fn rotate_webhook_secret(
        &self,
        request: Request<v1::RotateWebhookSecretRequest>,
    ) -> Result<Response<v1::RotateWebhookSecretResponse>, Status> {
        answer(rotate(&self.0, request).await)
    }

    async fn test_webhook(
        &self,
        request: Request<v1::TestWebhookRequest>,
    ) -> Result<Response<v1::TestWebhookResponse>, Status> {
        answer(test(&self.0, request).await)
    }

    async fn list_webhook_deliveries(
        &self,
        request: Request<v1::ListWebhookDeliveriesRequest>,
    ) -> Result<Response<v1::ListWebhookDeliveriesResponse>, Status> {
        answer(list_deliveries(&self.0, request).await)
    }

    async fn replay_deliveries(
        &self,
        request: Request<v1::ReplayDeliveriesRequest>,
    ) -> Result<Response<v1::ReplayDeliveriesResponse>, Status> {
        answer(replay(&self.0, request).await)
    }
}

async fn create(
    app: &App,
    request: Request<v1::CreateWebhookRequest>,
) -> Result<v1::CreateWebhookResponse, Error> {
    let asking = Asking::of(CREATE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(CREATE, &request_id, &asked, &mut violations);
    let site = optional_name("parent", &asked.parent, SiteId::parse, &mut violations);
    let details = details(&asked.webhook.unwrap_or_default(), &mut violations);
    let details = settled(Some(details), violations)?;
    let _scope = asking.site_or_network(site.as_ref())?;
    let (made, secret) =
        app::create_webhook(app, &asking.caller, site.as_ref(), details, &repeat).await?;
    Ok(v1::CreateWebhookResponse {
        webhook: Some(message(&made)),
        secret: told(secret),
    })
}

async fn get(
    app: &App,
    request: Request<v1::GetWebhookRequest>,
) -> Result<v1::GetWebhookResponse, Error> {
    let asking = Asking::of(GET, &request)?;
    let key = key("name", &request.get_ref().name)?;
    let scope = asking.site_or_network(key.site.as_ref())?;
    let webhook = app.store.read(&scope).webhook(&key).await?;
    let webhook = found(webhook, app::WEBHOOK_KIND, key.name())?;
    Ok(v1::GetWebhookResponse {
        webhook: Some(message(&webhook)),
    })
}

async fn list(
    app: &App,
    request: Request<v1::ListWebhooksRequest>,
) -> Result<v1::ListWebhooksResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let listing = Listing::read(app, &asking, &request.get_ref().parent).await?;
    let listed = listing.read.webhooks(listing.of()).await?;
    Ok(v1::ListWebhooksResponse {
        webhooks: listed.iter().take(MOST_LISTED).map(message).collect(),
    })
}

async fn update(
    app: &App,
    request: Request<v1::UpdateWebhookRequest>,
) -> Result<v1::UpdateWebhookResponse, Error> {
    let asking = Asking::of(UPDATE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(UPDATE, &request_id, &asked, &mut violations);
    let given = asked.webhook.unwrap_or_default();
    let key = name(
        "webhook.name",
        &given.name,
        WebhookKey::parse,
        &mut violations,
    );
    let wanted = fields(
        asked.update_mask.as_ref(),
        &[
            ("display_name", !given.display_name.is_empty()),
            ("url", !given.url.is_empty()),
            ("types", !given.types.is_empty()),
            ("sites", !given.sites.is_empty()),
            ("ordered", given.ordered),
            ("paused", given.paused),
        ],
        &mut violations,
    );
    let given_details = details(&given, &mut violations);
    let key = settled(key, violations)?;
    let _scope = asking.site_or_network(key.site.as_ref())?;
    let etag = (!given.etag.is_empty()).then_some(given.etag);
    let change: Change<WebhookDetails> = Box::new(move |present| {
        let mut changed = present.clone();
        for field in &wanted {
            match *field {
                "display_name" => changed.display_name.clone_from(&given_details.display_name),
                // An answer leaves out what stands behind `?`: sent back as it was told, it changes nothing.
                "url" if given_details.url == shown(&present.url) => {}
                "url" => changed.url.clone_from(&given_details.url),
                "types" => changed.types.clone_from(&given_details.types),
                "sites" => changed.sites.clone_from(&given_details.sites),
                "ordered" => changed.is_ordered = given_details.is_ordered,
                _ => changed.is_active = given_details.is_active,
            }
        }
        Ok(changed)
    });
    let webhook = app::update_webhook(app, &asking.caller, &key, etag, change, &repeat).await?;
    Ok(v1::UpdateWebhookResponse {
        webhook: Some(message(&webhook)),
    })
}

async fn delete(
    app: &App,
    request: Request<v1::DeleteWebhookRequest>,
) -> Result<v1::DeleteWebhookResponse, Error> {
    let asking = Asking::of(DELETE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(DELETE, &request_id, &asked, &mut violations);
    let key = name("name", &asked.name, WebhookKey::parse, &mut violations);
    let key = settled(key, violations)?;
    let _scope = asking.site_or_network(key.site.as_ref())?;
    app::delete_webhook(app, &asking.caller, &key, &repeat).await?;
    Ok(v1::DeleteWebhookResponse {})
}

async fn rotate(
    app: &App,
    request: Request<v1::RotateWebhookSecretRequest>,
) -> Result<v1::RotateWebhookSecretResponse, Error> {
    let asking = Asking::of(ROTATE, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(ROTATE, &request_id, &asked, &mut violations);
    let key = name("name", &asked.name, WebhookKey::parse, &mut violations);
    let overlap_h = asked.overlap_hours.unwrap_or(USUAL_OVERLAP_H);
    if !(0..=LONGEST_OVERLAP_H).contains(&overlap_h) {
        violations.add(
            "overlap_hours",
            "OUT_OF_RANGE",
            format!("{overlap_h} is not 0 to {LONGEST_OVERLAP_H}"),
        );
    }
    let key = settled(key, violations)?;
    let _scope = asking.site_or_network(key.site.as_ref())?;
    let overlap = SignedDuration::from_hours(i64::from(overlap_h));
    let (webhook, secret) =
        app::rotate_webhook_secret(app, &asking.caller, &key, overlap, &repeat).await?;
    Ok(v1::RotateWebhookSecretResponse {
        webhook: Some(message(&webhook)),
        secret: told(secret),
    })
}

async fn test(
    app: &App,
    request: Request<v1::TestWebhookRequest>,
) -> Result<v1::TestWebhookResponse, Error> {
    let asking = Asking::of(TEST, &request)?;
    let key = key("name", &request.get_ref().name)?;
    let _scope = asking.site_or_network(key.site.as_ref())?;
    let came = app::try_webhook(app, &asking.caller, &key).await?;
    Ok(v1::TestWebhookResponse {
        arrived: came.meaning == Meaning::Arrived,
        status: came.status.map_or(0, i32::from),
        failure: came.failure,
        duration_ms: i64::try_from(came.took.as_millis()).unwrap_or(i64::MAX),
    })
}

async fn list_deliveries(
    app: &App,
    request: Request<v1::ListWebhookDeliveriesRequest>,
) -> Result<v1::ListWebhookDeliveriesResponse, Error> {
    let asking = Asking::of(LIST_DELIVERIES, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let key = name("parent", &asked.parent, WebhookKey::parse, &mut violations);
    let state = choice("state", asked.state, &mut violations);
    let paging = Paging::read(
        LIST_DELIVERIES,
        &[&asked.parent, &asked.state.to_string()],
        Order::Along,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let key = settled(key, violations)?;
    let scope = asking.site_or_network(key.site.as_ref())?;
    let read = app.store.read(&scope);
    found(read.webhook(&key).await?, app::WEBHOOK_KIND, key.name())?;
    let rows = read
        .deliveries(&key, state.and_then(state_of), &paging.page)
        .await?;
    let (deliveries, next_page_token) = paging.cut(
        &rows,
        |delivery| vec![PagePart::Number(delivery.change.position.number)],
        |delivery| delivery_message(&key, delivery),
    );
    Ok(v1::ListWebhookDeliveriesResponse {
        deliveries,
        next_page_token,
    })
}

async fn replay(
    app: &App,
    request: Request<v1::ReplayDeliveriesRequest>,
) -> Result<v1::ReplayDeliveriesResponse, Error> {
    let asking = Asking::of(REPLAY, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    let repeat = repeatable(REPLAY, &request_id, &asked, &mut violations);
    let key = name("parent", &asked.parent, WebhookKey::parse, &mut violations);
    let state = choice("state", asked.state, &mut violations).and_then(state_of);
    let from = moment("from_time", asked.from_time, &mut violations);
    let until = moment("until_time", asked.until_time, &mut violations);
    let mut numbers = Vec::new();
    for (at, delivery) in asked.deliveries.iter().enumerate() {
        let number = delivery
            .strip_prefix(&format!("{}/deliveries/", asked.parent))
            .and_then(|number| number.parse().ok());
        match number {
            Some(number) => numbers.push(number),
            None => violations.add(
                format!("deliveries[{at}]"),
                "NOT_A_NAME",
                "is no delivery of this webhook; send names that ListWebhookDeliveries gives",
            ),
        }
    }
    if numbers.len() > MOST_LISTED {
        violations.add(
            "deliveries",
            "TOO_MANY",
            format!("names more than {MOST_LISTED}; send several requests, or a span of time"),
        );
    }
    if numbers.is_empty() == from.is_none() && violations.0.is_empty() {
        violations.add(
            "deliveries",
            "NOTHING_NAMED",
            "name deliveries, or a span of time by from_time, and not both",
        );
    }
    let key = settled(key, violations)?;
    let _scope = asking.site_or_network(key.site.as_ref())?;
    let wanted = match from {
        Some(from) => Replay::Between(from, until.unwrap_or(jiff::Timestamp::MAX), state),
        None => Replay::Of(numbers),
    };
    let count = app::replay_deliveries(app, &asking.caller, &key, wanted, &repeat).await?;
    Ok(v1::ReplayDeliveriesResponse {
        count: i32::try_from(count).unwrap_or(i32::MAX),
    })
}

fn key(field: &str, text: &str) -> Result<WebhookKey, Error> {
    let mut violations = Violations::default();
    let key = name(field, text, WebhookKey::parse, &mut violations);
    settled(key, violations)
}

fn told(secret: Option<WebhookSecret>) -> String {
    secret.map_or_else(String::new, |secret| secret.shown())
}

fn details(given: &v1::Webhook, violations: &mut Violations) -> WebhookDetails {
    let mut sites = BTreeSet::new();
    for (at, site) in given.sites.iter().enumerate() {
        let field = format!("webhook.sites[{at}]");
        sites.extend(name(&field, site, SiteId::parse, violations));
    }
    WebhookDetails {
        display_name: given.display_name.clone(),
        url: given.url.trim().to_owned(),
        types: given.types.clone(),
        sites,
        is_ordered: given.ordered,
        is_active: !given.paused,
    }
}

fn message(webhook: &Webhook) -> v1::Webhook {
    let details = &webhook.details;
    v1::Webhook {
        name: webhook.key.name(),
        display_name: details.display_name.clone(),
        url: shown(&details.url),
        types: details.types.clone(),
        sites: details.sites.iter().map(SiteId::name).collect(),
        ordered: details.is_ordered,
        paused: !details.is_active,
        stopped_reason: webhook.stopped_because.clone(),
        failing_since_time: webhook.failing_since.map(timestamp),
        last_failure: webhook.last_failure.clone(),
        last_arrival_time: webhook.last_arrived_at.map(timestamp),
        previous_secret_until_time: webhook.previous_until.map(timestamp),
        etag: webhook.etag(),
        create_time: Some(timestamp(webhook.created_at)),
        update_time: Some(timestamp(webhook.updated_at)),
    }
}

fn state_of(state: v1::DeliveryState) -> Option<DeliveryState> {
    match state {
        v1::DeliveryState::Unspecified => None,
        v1::DeliveryState::Waiting => Some(DeliveryState::Waiting),
        v1::DeliveryState::Arrived => Some(DeliveryState::Arrived),
        v1::DeliveryState::Dead => Some(DeliveryState::Dead),
    }
}

fn delivery_message(key: &WebhookKey, delivery: &Delivery) -> v1::WebhookDelivery {
    let state = match delivery.state {
        DeliveryState::Waiting => v1::DeliveryState::Waiting,
        DeliveryState::Arrived => v1::DeliveryState::Arrived,
        DeliveryState::Dead => v1::DeliveryState::Dead,
    };
    let waits = delivery.state == DeliveryState::Waiting;
    v1::WebhookDelivery {
        name: format!(
            "{}/deliveries/{}",
            key.name(),
            delivery.change.position.number
        ),
        change_cursor: delivery.change.position.cursor(),
        r#type: delivery.change.kind.clone(),
        subject: delivery.change.name.clone(),
        state: state.into(),
        attempts: i32::try_from(delivery.attempts).unwrap_or(i32::MAX),
        attempt_time: delivery.tried_at.map(timestamp),
        next_attempt_time: waits.then(|| timestamp(delivery.next_at)),
        last_failure: delivery.last_failure.clone(),
        create_time: Some(timestamp(delivery.made_at)),
    }
}
